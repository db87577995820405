"""A soak run in words: where it stands, what to do next, and what each specimen stood. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime

from api.notices import specimens_to_see
from api.record import LoggedIntervention
from api.soak.interventions import InterventionKind
from api.soak.looks_due import look_due
from api.soak.program import (
    APPROACH_DEFAULT_K_PER_MIN,
    Finding,
    Program,
    Settle,
    SettleRule,
    SoakRun,
    Step,
)
from api.soak.replicates import Difference
from api.soak.state import Excursion, Hole, Phase, Place, RunState, StepLog
from api.soak.verdict import SpecimenVerdict, StepVerdict, Verdict
from api.soak_answers import FastestChange
from api.soak_finish import Finish
from api.soak_results import ApproachNow, ChamberReport, HeatOfResin
from collector.readings import moment_of
from dashboards import words

PHASES = {
    Phase.NOT_STARTED: "not started",
    Phase.APPROACH: "on its way to the step",
    Phase.DWELL: "dwelling",
    Phase.COOL_DOWN: "all steps done, cooling down",
    Phase.FINISHED: "finished",
    Phase.ABANDONED: "broken off",
}

FINDINGS = {
    Finding.SOUND: "sound",
    Finding.SOFTENED: "softened",
    Finding.SAGGED: "sagged",
    Finding.WARPED: "warped",
    Finding.CRACKED: "cracked",
    Finding.CRAZED: "crazed",
    Finding.DISCOLOURED: "discoloured",
    Finding.BROKE: "broke",
}

VERDICTS = {
    Verdict.HELD: "✓ held",
    Verdict.GAVE_WAY: "✕ gave way",
    Verdict.NOT_KNOWN: "? not known",
}


def setpoint(setpoint_c: float) -> str:
    """A setpoint as it was typed: ``60 °C``, ``62.5 °C``."""
    return f"{words.plain(setpoint_c).replace('-', words.MINUS)} °C"


def band(step: Step) -> str:
    """A step's setpoint and tolerance: ``60 °C ± 2 K``."""
    return f"{setpoint(step.setpoint_c)} ± {step.tolerance_k:g} K"


def asked_for(minutes: float) -> str:
    """A length of time as a program asks for it: ``1 h 30 min``, ``2.5 min``."""
    return words.length(minutes * 60) if minutes % 1 == 0 else f"{words.plain(minutes)} min"


def step_asked(step: Step) -> str:
    """A step as the program asks for it: band, dwell, and its own limits on the way there."""
    said = f"{band(step)} for {asked_for(step.dwell_min)}"
    if step.ramp_limit_k_per_min is not None:
        said += f", changing by at most {step.ramp_limit_k_per_min:g} K/min on the way there"
    if step.longest_approach_min is not None:
        said += f", there within {asked_for(step.longest_approach_min)}"
    return said


def terms(program: Program) -> list[str]:
    """What holds for a whole program beside its steps."""
    said = [settle(program.settle)]
    if program.look_every_k is not None:
        said.append(
            f"A ramp, with a look every {program.look_every_k:g} K on the way up: it tells of "
            "temperatures reached, not of steps held."
        )
    during = (
        f", and every {asked_for(program.look_every_min)} in it"
        if program.look_every_min is not None
        else ""
    )
    said.append(f"A look at the end of each dwell{during}.")
    if program.stop_above_c is not None:
        said.append(
            f"A notice says to stop above {setpoint(program.stop_above_c)}; nothing here switches "
            "the heater off."
        )
    if program.stop_when_all_gave_way:
        said.append("A notice says to stop once every piece has given way.")
    if program.cool_down_to_c is not None:
        said.append(f"Not to be opened above {setpoint(program.cool_down_to_c)} after the end.")
    said.append(
        f"More than {asked_for(program.gap_limit_s / 60)} without a reading is a gap: nothing "
        "counts in it."
    )
    return said


def step_title(state: RunState) -> str:
    """Which step the run is in, out of how many."""
    log = state.log
    if log is None:
        return "No step has begun"
    return f"Step {log.number} of {len(state.program.steps)}: {band(log.step)}"


def dwell_clock(state: RunState) -> str:
    """The dwell counted in the step under way, as hours and minutes."""
    return words.clock_minutes(state.log.dwell_s / 60 if state.log else 0)


def dwell_asked(state: RunState) -> str:
    """What the dwell clock runs up to."""
    return words.clock_minutes(state.log.step.dwell_min if state.log else 0)


def chamber_now(state: RunState) -> str:
    """The newest reading of every chamber probe, named where there are several."""
    readings = state.last_readings_c
    if not readings:
        return "no reading yet"
    if len(state.tracks) == 1:
        return ", ".join(f"{words.number(value)} °C" for value in readings.values())
    return ", ".join(f"{probe} {words.number(value)} °C" for probe, value in readings.items())


def specimen_now(state: RunState) -> str:
    """The newest reading of the probe in a specimen; empty where none is probed."""
    if state.specimen_track is None:
        return ""
    values = state.specimen_track.values_c
    return f"{words.number(values[-1])} °C" if values else "no reading yet"


def silent_for_ms(state: RunState, now_ms: int) -> int | None:
    """How long the chamber's probes have said nothing, when that is longer than a gap [ms]."""
    last = state.last_reading_ms
    silent = now_ms - (state.started_ms if last is None else last)
    return silent if silent > state.program.gap_limit_ms else None


def clock_words(state: RunState, now_ms: int) -> str:
    """Whether the dwell clock runs, and why not when it stands."""
    if state.phase.over or state.phase is Phase.COOL_DOWN:
        return "The dwell clock is done."
    if (silent := silent_for_ms(state, now_ms)) is not None:
        return f"The clock stands: no chamber reading for {words.length(silent / 1_000)}."
    if state.phase is not Phase.DWELL:
        if state.in_band:
            return (
                "The clock has not started: the chamber is in the band, the step not settled yet."
            )
        return "The clock has not started: the chamber is not in the band yet."
    if state.in_band:
        return "The clock runs: the chamber is in its band."
    return "The clock stands: the chamber is out of its band."


def next_thing(state: RunState, now_ms: int) -> str:
    """What the person at the bench does next."""
    log = state.log
    if state.phase.over or log is None:
        over = "The run is over. See that the heater is off: nothing here switches it."
        return over if state.phase.over else "Start the chamber."
    if (due := look_due(state)) is not None and not due.forecast and due.due_ms <= now_ms:
        return f"Look at {specimens_to_see(state)} now and log what you see."
    if state.phase is Phase.COOL_DOWN:
        return "Let the chamber cool, take the last look, then end the run."
    if silent_for_ms(state, now_ms) is not None:
        return "See to the chamber's probe: without readings nothing is counted."
    if state.phase is Phase.APPROACH and state.in_band:
        return f"Wait until the step has settled at {band(log.step)}."
    if state.phase is Phase.APPROACH:
        late = " It takes longer than the step allows." if log.approach_late(now_ms) else ""
        return f"Set the chamber to {setpoint(log.step.setpoint_c)} and wait.{late}"
    if not state.in_band:
        return f"Bring the chamber back to {band(log.step)}."
    # Rounded up, so that it and the clock, which is rounded down, make up the whole.
    return f"Wait: {words.length(math.ceil(log.remaining_s / 60) * 60)} of dwell to go."


def look_words(state: RunState, now_ms: int) -> str:
    """When the next look is due."""
    due = look_due(state)
    if due is None:
        return "none asked for now" if not state.phase.over else "none"
    away_s = (due.due_ms - now_ms) / 1_000
    if away_s <= 0:
        return "at the end of this step" if due.forecast else f"now (due {words.age(-away_s)})"
    return f"{words.local(moment_of(int(due.due_ms))):%H:%M}, in {words.length(away_s)}"


def place(at: Place) -> str:
    """How much heat a specimen had had at a moment."""
    mean = f", mean {words.number(at.mean_c)} °C" if at.mean_c is not None else ""
    if at.completed:
        return f"the whole dwell of step {at.step}{mean}"
    if at.dwell_s > 0:
        return f"{words.length(at.dwell_s)} of dwell in step {at.step}{mean}"
    peak = f", hottest {words.number(at.peak_c)} °C" if at.peak_c is not None else ""
    return f"the approach to step {at.step}{peak}"


def verdict(on: SpecimenVerdict) -> str:
    """What is known of a specimen: the interval in which it gave way, or how far it held."""
    if on.failed is None and on.sound is None:
        return "Not looked at yet: nothing is known."
    if on.failed is None:
        assert on.sound is not None
        return f"Sound when last looked at, after {place(on.sound)}. Above that: not known."
    since = f"after {place(on.sound)}" if on.sound else "at some time since it went in"
    said = f"Gave way {since}, and no later than {place(on.failed)}."
    return f"{said} {temperatures(on)}".strip()


def temperatures(on: SpecimenVerdict) -> str:
    """The same interval in measured temperature, as far as it is known."""
    if on.failed_c is None:
        return ""
    high = words.number(on.failed_c)
    above = (
        f"above {words.number(on.survived_c)} °C, up to" if on.survived_c is not None else "up to"
    )
    said = f"In temperature: {above} {high} °C."
    hotter = hotter_than_the_band(on)
    if hotter is None:
        return said
    return f"{said} The chamber had been as hot as {words.number(hotter)} °C by then."


def hotter_than_the_band(on: SpecimenVerdict) -> float | None:
    """The hottest reading before a failure where it lay above the band of the step [°C]."""
    if on.failed is None or on.failed.peak_c is None or on.failed.mean_c is None:
        return None
    seen_ms, number = on.failed.time_ms, on.failed.step
    over = any(
        step.overshot_by
        or any(out.over_k > 0 and out.start_ms < seen_ms for out in step.excursions)
        for step in on.steps
        if step.step == number
    )
    return on.failed.peak_c if over else None


def excursion(out: Excursion) -> str:
    """How far and how long the chamber was out of band, and what that did to the clock."""
    way = "above" if out.over_k >= out.under_k else "below"
    return (
        f"{words.local(moment_of(int(out.start_ms))):%H:%M}: {words.number(out.depth_k)} K {way} "
        f"the band for {words.length(out.length_s)}; that did not count"
    )


def too_fast(changes: Iterable[FastestChange]) -> list[str]:
    """The steps on the way to which the chamber changed faster than they allow."""
    return [
        f"Step {one.step}: changed by up to {words.number(one.fastest_k_per_min)} K/min on the way "
        f"to it, averaged over 5 min; the program allows {one.limit_k_per_min:g}."
        for one in changes
        if one.too_fast
    ]


def hole(one: Hole) -> str:
    """From when to when nothing was recorded, and what that did to the clock."""
    began, ended = (
        f"{words.local(moment_of(int(at_ms))):%H:%M}" for at_ms in (one.start_ms, one.end_ms)
    )
    length = words.length((one.end_ms - one.start_ms) / 1_000)
    return f"{began} to {ended}: nothing recorded for {length}; that did not count"


def step_words(log: StepLog) -> str:
    """A step as its band on the chart says it."""
    return f"step {log.number}: {band(log.step)}, dwell {words.clock_minutes(log.step.dwell_min)}"


def apart(log: StepLog, run: SoakRun) -> str:
    """How far the chamber's probes stood apart at most in the dwell of a step."""
    if len(run.chamber_channels) == 1:
        return "one probe"
    return "–" if log.spread_k is None else f"{words.number(log.spread_k)} K"


def ending(started: datetime, ended: datetime | None, now: datetime) -> str:
    """From when to when a run went."""
    until = words.moment(ended, now) if ended else "still under way"
    return (
        f"{words.moment(started, now)} to {until}"
        if ended
        else f"since {words.moment(started, now)}"
    )


def intervention(done: LoggedIntervention) -> str:
    """What was done to a run, with its note."""
    note = f" ({done.note})" if done.note and done.kind is not InterventionKind.REMARK else ""
    if done.kind is InterventionKind.TAKEN_OUT:
        return f"{done.specimen} was taken out{note}."
    if done.program is not None:
        steps = "; ".join(map(step_asked, done.program.steps))
        return f"the program was changed to {steps}{note}."
    return done.note


def doubts(step: StepVerdict) -> str:
    """What casts doubt on the verdict of a step; ``none`` where nothing does."""
    said = []
    if step.excursions:
        said.append(words.count(len(step.excursions), "excursion"))
    if step.unrecorded_min:
        said.append(f"{words.length(step.unrecorded_min * 60)} not recorded")
    if step.overshot_by:
        before = ", ".join(map(str, step.overshot_by))
        said.append(f"over-shoot into a hotter band in step {before}")
    return "; ".join(said) or "none"


# ---- over all runs ---------------------------------------------------------------------------


def settle(rule: Settle) -> str:
    """When a step counts as settled, so that its dwell begins."""
    held = f" for {rule.hold_min:g} min" if rule.hold_min else ""
    in_band = f"A step counts as settled once the chamber is in its band{held}"
    over = f"over {rule.over_min:g} min"
    return {
        SettleRule.IN_BAND: f"{in_band}.",
        SettleRule.NEAR_FINAL: f"{in_band} and the specimen within {rule.within_k:g} K of the "
        "setpoint.",
        SettleRule.SLOW_CHANGE: f"{in_band} and the specimen has changed by at most "
        f"{rule.change_k:g} K {over}.",
        SettleRule.STEADY_TOGETHER: f"{in_band} and chamber and specimen have each stayed within "
        f"{rule.change_k:g} K, never more than {rule.apart_k:g} K apart, {over}.",
    }[rule.rule]


def heat(found: HeatOfResin) -> str:
    """What heat a resin stood over all its runs, or why it cannot be said."""
    median = found.median
    behind = (
        f"{words.count(median.parts, 'piece')} in {words.count(median.runs, 'run')}, "
        f"{median.failed} gave way"
    )
    if median.median_c is None or median.interval is None:
        return f"Cannot say at which temperature half give way: {median.refusal} ({behind})."
    low, high = median.interval.low, median.interval.high
    if low is None or high is None:
        end = f"above {words.number(low)}" if high is None else f"below {words.number(high)}"
        within = f"95 % interval: {end} °C"
    else:
        within = f"95 % interval {words.number(low)} to {words.number(high)} °C"
    more = " All in one run: two more runs tell more." if median.one_run else ""
    return (
        f"Half of such pieces have given way at {words.number(median.median_c)} °C "
        f"({within}; {behind}).{more}"
    )


def held_by_all(found: HeatOfResin) -> str:
    """The hottest step that every piece is known to have held."""
    if found.highest_setpoint_c is None:
        return "none that is known"
    survived = found.median.survived
    share = (
        f", at least {words.share(survived.at_least_share)} of such pieces would"
        if survived
        else ""
    )
    return f"{setpoint(found.highest_setpoint_c)}{share}"


def difference(found: Difference) -> str:
    """How two resins stand to each other, or that it cannot be told."""
    if not found.flagged:
        return f"{found.first} and {found.second} cannot be told apart by these runs."
    warmer = found.difference_k > 0
    more, less = (found.second, found.first) if warmer else (found.first, found.second)
    ends = sorted(abs(end) for end in (found.interval.low, found.interval.high) if end is not None)
    within = f" ({' to '.join(words.number(end) for end in ends)} K)" if ends else ""
    return f"{more} stands {words.number(abs(found.difference_k))} K{within} more than {less}."


def chamber_sentence(found: ChamberReport) -> str:
    """How far a chamber goes from its setpoints, in one sentence."""
    if not found.lines:
        return "No step of a run in it is done yet."
    worst = max(found.lines, key=lambda line: abs(line.off_k))
    way = "above" if worst.off_k > 0 else "below"
    said = (
        f"Furthest off at {setpoint(worst.setpoint_c)}: measured "
        f"{words.number(abs(worst.off_k))} K {way} the setpoint, "
        f"from {words.count(found.runs, 'run')}."
    )
    if found.tau_s is None or found.residual_k is None:
        return f"{said} Its way to a step does not follow one exponential."
    return (
        f"{said} It nears a step with a time constant of {words.length(found.tau_s)}; the readings "
        f"lie {words.number(found.residual_k)} K from that curve."
    )


def approach(found: ApproachNow | None, now: datetime) -> str:
    """When the chamber will be in the band it is on its way to; empty where none is."""
    if found is None:
        return ""
    ahead = found.forecast
    if not found.on_its_way:
        where = setpoint(found.step.setpoint_c)
        return f"The chamber is not moving towards {where}: has it been set?"
    if ahead.refusal is None and ahead.at_ms is not None:
        at = words.moment(moment_of(ahead.at_ms), now)
        return (
            f"In the band about {at}, by this approach’s own curve; the readings lie "
            f"{words.number(found.lag.residual_k)} K from it."
        )
    if found.from_before_ms is not None:
        at = words.moment(moment_of(found.from_before_ms), now)
        return f"In the band about {at}, by its earlier approaches; this one tells no curve yet."
    if found.at_pace_ms is not None and found.pace_k_per_min is not None:
        at = words.moment(moment_of(found.at_pace_ms), now)
        return (
            f"In the band about {at} if it keeps its present "
            f"{words.number(abs(found.pace_k_per_min))} K/min; it slows down as it gets near."
        )
    return "When it will be in the band cannot be told yet."


def finish(found: Finish, now: datetime) -> str:
    """When the last dwell would be done at the earliest."""
    return f"about {words.moment(found.at, now)}, in {words.length(found.minutes * 60)}"


def rests_on(found: Finish) -> str:
    """What an estimate of the end rests on, and what is not in it."""
    if found.chamber is None or found.chamber.tau_s is None:
        pace = (
            f"Each approach is taken at {APPROACH_DEFAULT_K_PER_MIN:g} K/min or its own limit: no "
            "earlier approach of this chamber tells better"
        )
    else:
        pace = (
            "Each approach is taken with the chamber’s time constant of "
            f"{words.length(found.chamber.tau_s)}, from "
            f"{words.count(found.chamber.fitted_n, 'earlier approach', 'earlier approaches')}"
        )
    start = ""
    if found.from_c is not None:
        read = "as read" if found.measured else "taken for the room, as nothing was read"
        start = f", from {words.number(found.from_c)} °C ({read})"
    settling = (
        " What the specimen takes to settle beyond that cannot be told beforehand."
        if found.settling_open
        else ""
    )
    return (
        f"{pace}{start}.{settling} Excursions, gaps and a chamber set late come on top; cooling "
        "down is not in it."
    )
