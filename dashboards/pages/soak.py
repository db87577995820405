"""The soak bench: the runs, starting one, and one run live with its verdicts, to its end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse, Response

from api.answers import SoakNow, Workshop, soak_state
from api.checked import checked
from api.soak.finishing import estimated_min
from api.soak.program import READY_MADE, Program, SettleRule, SoakRun
from api.soak.verdict import verdicts
from api.soak_answers import fastest_changes
from api.soak_finish import finish_before, finish_now
from api.soak_results import ChamberReport, approach_now, chambers, heat_results
from collector.errors import ConflictError, InvalidError
from collector.readings import Role, ms_of
from dashboards import chart_rows, soak_form, soak_words, traces, words
from dashboards.figure import Figure, KeyEntry, Table, marked_key, trace_keys, trace_table
from dashboards.pages.print_changes import revision_of
from dashboards.pages.workshop import WorkshopHere, resin_names
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, onwards, text_of, time_of

router = APIRouter(include_in_schema=False)

SoakId = Annotated[int, Path(ge=1, lt=2**63)]
Refusal = InvalidError | ConflictError

#: The rules for settling as the form offers them, with the published rule each takes after.
SETTLE_RULES = {
    SettleRule.IN_BAND: "chamber in the band",
    SettleRule.NEAR_FINAL: "… and specimen near the setpoint (3 K: IEC 60068-1, from memory)",
    SettleRule.SLOW_CHANGE: "… and specimen hardly changing (2 K in 1 h: MIL-STD-810, from memory)",
    SettleRule.STEADY_TOGETHER: "… and both steady together (10 min: MIL-DTL-87104C, 4.3.1.3)",
}

#: Roles that a probe of the chamber, or of a specimen, may have.
PROBES = (Role.CHAMBER_TEMPERATURE, Role.SPECIMEN_TEMPERATURE)


@router.get("/soak")
def bench(workshop: WorkshopHere, sheets: SheetsHere, now: Now) -> HTMLResponse:
    """Every run, and the form that starts one."""
    return _bench(workshop, sheets, now, {})


@router.post("/soak")
def start_run(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a run on record; it starts now unless another time was typed.

    Without script a button of the form only asks what it comes to.
    """
    if text_of(form, "only") == "plan":
        return _bench(workshop, sheets, now, soak_form.texts_of(form))
    try:
        kept = workshop.record.soaks.add(soak_form.run_of(form, now))
    except (InvalidError, ConflictError) as fault:
        return _bench(workshop, sheets, now, soak_form.texts_of(form), fault=fault)
    return onwards(f"/soak/{kept.id}?kept=new-soak")


@dataclass(frozen=True, slots=True)
class Plan:
    """What a form comes to in words, or what it is lacking."""

    lacking: str
    finish: str = ""
    rests_on: str = ""
    steps: Sequence[str] = ()
    terms: Sequence[str] = ()


@router.post("/soak/plan")
def plan(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> HTMLResponse:
    """What the form as it stands comes to; asked for by the form's script."""
    return sheets.part("soak_plan.html", now, plan=plan_of(workshop, soak_form.texts_of(form), now))


def plan_of(workshop: Workshop, texts: Mapping[str, str], now: datetime) -> Plan:
    """The program of a form and when it would be done; what it lacks is said, nothing refused."""
    try:
        start = time_of(texts["started"], "started") or now
        if texts["program"] == soak_form.OWN and not texts["steps"]:
            return Plan("Type the steps: then their length and end stand here.")
        program = soak_form.program_of(texts)
    except InvalidError as fault:
        return Plan(f"{fault.where}: {fault.what}. {fault.remedy or ''}".strip())
    channels = [name[len("chamber-") :] for name in texts if name.startswith("chamber-")]
    try:
        found = finish_before(workshop, program, channels, start, now)
    except OverflowError:
        return Plan("started: that is too far off to reckon with.")
    begins = "Started now" if start == now else f"Started {words.moment(start, now)}"
    return Plan(
        "",
        f"{begins}, the last dwell is done about {words.moment(found.at, now)}: "
        f"{words.length(found.minutes * 60)}.",
        soak_words.rests_on(found),
        [soak_words.step_asked(step) for step in program.steps],
        soak_words.terms(program),
    )


def _bench(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    texts: Mapping[str, str],
    *,
    fault: Refusal | None = None,
) -> HTMLResponse:
    reports = chambers(workshop, now)
    probes = [channel for channel in workshop.settings.channels if channel.role in PROBES]
    typed = bool(texts)
    if not typed:
        texts = soak_form.fresh(
            [channel.id for channel in probes if channel.role is Role.CHAMBER_TEMPERATURE]
        )
    return sheets.page(
        "bench.html",
        "/soak",
        now,
        status=fault.status if fault else 200,
        fault=fault,
        texts=texts,
        typed=typed,
        runs=list(reversed(workshop.record.soaks.all())),
        programs=[
            (program, words.length(minutes * 60))
            for program, minutes in _estimates(workshop, reports)
        ],
        plan=plan_of(workshop, texts, now),
        probes=probes,
        specimens_n=soak_form.SPECIMENS_N,
        specimens_open_n=soak_form.SPECIMENS_OPEN_N,
        resins=resin_names(workshop),
        say_run=soak_words.ending,
        said=soak_words,
        rules=SETTLE_RULES,
        chambers=[(one, chamber_figure(one, n)) for n, one in enumerate(reports)],
        heat=heat_results(workshop, now),
    )


def _estimates(workshop: Workshop, reports: Sequence[ChamberReport]) -> list[tuple[Program, float]]:
    """Each ready-made program with its estimated length, by the chamber's own lag where known."""
    roles = {channel.id: channel.role for channel in workshop.settings.channels}
    probes = sorted(id for id, role in roles.items() if role is Role.CHAMBER_TEMPERATURE)
    tau_s = next((one.tau_s for one in reports if list(one.channels) == probes), None)
    return [(program, estimated_min(program, tau_s=tau_s)) for program in READY_MADE]


def chamber_figure(found: ChamberReport, number: int) -> Figure:
    """How far a chamber lay from its setpoints."""
    return Figure(
        id=f"chamber-{number}",
        shape="chamber",
        words="Measured mean of the dwell less the setpoint, with its standard deviation from "
        "step to step. The line at 0 is a display that tells the truth.",
        datasets=chart_rows.chamber_datasets(found.lines),
        table=Table(
            caption="What the chamber did at each setpoint",
            heads=(
                "Setpoint",
                "Steps",
                "Off",
                "From step to step",
                "Overshoot",
                "Settled after",
                "Probes apart",
            ),
            rows=tuple(
                (
                    soak_words.setpoint(line.setpoint_c),
                    str(line.steps),
                    f"{words.number(line.off_k)} K",
                    "one step" if line.off_sd_k is None else f"± {words.number(line.off_sd_k)} K",
                    f"{words.number(line.overshoot_k)} K",
                    words.length(line.settle_min * 60),
                    "one probe" if line.spread_k is None else f"{words.number(line.spread_k)} K",
                )
                for line in found.lines
            ),
        ),
    )


@router.get("/soak/{soak_id}")
def one_run(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId, done: str = ""
) -> HTMLResponse:
    """One run; ``done`` is what was just done to it and can be taken back."""
    return show_run(workshop, sheets, now, soak_id, done=done)


def show_run(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    soak_id: int,
    *,
    fault: Refusal | None = None,
    done: str = "",
) -> HTMLResponse:
    """The page of one run; ``fault`` is what was wrong with what was just sent."""
    found = soak_state(workshop, soak_id, now)
    return sheets.page(
        "soak.html",
        "/soak",
        now,
        status=fault.status if fault else 200,
        fault=fault,
        undo=undo_of(soak_id, done),
        kept=found.run,
        run=found.run.entry,
        found=found,
        state=found.state,
        live=live_texts(workshop, found, now),
        verdicts=verdicts(found.state),
        figure=profile_figure(workshop, found, now),
        resins=resin_names(workshop),
        apart=not_looked_at(workshop, soak_id),
        findings=soak_words.FINDINGS,
        said=soak_words,
        edit=soak_form.texts_of_program(found.state.program),
        rules=SETTLE_RULES,
        too_fast=soak_words.too_fast(fastest_changes(workshop, found, now)),
        pictures={look.id: workshop.record.photographs.of(look_id=look.id) for look in found.looks},
    )


@dataclass(frozen=True, slots=True)
class Undo:
    """What was just done to a run, and where it is taken back; ``section`` is its place."""

    section: str
    said: str
    address: str


#: What can be done to the things of a run: where it is told, in words, and where it is undone.
_UNDONE = {
    "no-photograph": ("looks", "The photograph is off the record.", "/photographs/{id}/undo"),
    "photograph": ("looks", "The photograph is on record.", "/photographs/{id}/undo"),
    "no-look": ("looks", "The look is taken back.", "/soak/{soak}/looks/{id}/undo"),
    "corrected-look": ("looks", "The look is corrected.", "/soak/{soak}/looks/{id}/undo"),
    "no-done": ("done", "It is taken back.", "/soak/{soak}/interventions/{id}/undo"),
}


def undo_of(soak_id: int, done: str) -> Undo | None:
    """The undo of ``no-photograph-7`` and the like; None where there is none."""
    kind, _, number = done.rpartition("-")
    if kind not in _UNDONE or not number.isdecimal() or len(number) > 18:
        return None
    section, said, address = _UNDONE[kind]
    return Undo(section, said, address.format(soak=soak_id, id=number))


@router.get("/soak/{soak_id}/now")
def run_now(workshop: WorkshopHere, now: Now, soak_id: SoakId) -> dict[str, Any]:
    """What changes while a run goes on, in words; asked for by the live script."""
    found = soak_state(workshop, soak_id, now)
    return {"texts": live_texts(workshop, found, now), "marks": {}}


@router.get("/soak/{soak_id}/charts")
def run_charts(workshop: WorkshopHere, now: Now, soak_id: SoakId) -> dict[str, Any]:
    """The rows of the profile; asked for by the live script."""
    figure = profile_figure(workshop, soak_state(workshop, soak_id, now), now)
    return {"trends": {}, "figures": {figure.id: figure.datasets}}


def live_texts(workshop: Workshop, found: SoakNow, now: datetime) -> dict[str, str]:
    """The texts of a run's page that change from moment to moment, by name."""
    state, now_ms = found.state, ms_of(now)
    way = approach_now(workshop, found, now)
    finish = finish_now(workshop, found, way, now)
    return {
        "step": soak_words.step_title(state),
        "phase": soak_words.PHASES[state.phase],
        "clock": soak_words.dwell_clock(state),
        "asked": soak_words.dwell_asked(state),
        "clock-words": soak_words.clock_words(state, now_ms),
        "next": soak_words.next_thing(state, now_ms),
        "look": soak_words.look_words(state, now_ms),
        "chamber": soak_words.chamber_now(state),
        "approach": soak_words.approach(way, now),
        "finish": soak_words.finish(finish, now) if finish else "all are done",
        "rests-on": soak_words.rests_on(finish) if finish else "",
        **({"specimen": soak_words.specimen_now(state)} if state.specimen_track else {}),
    }


def profile_figure(workshop: Workshop, found: SoakNow, now: datetime) -> Figure:
    """The measured profile in the bands of the steps, with the looks."""
    run, state = found.run.entry, found.state
    start_ms = ms_of(run.started)
    end_ms = max(ms_of(run.ended or now), start_ms + 60_000)
    channels = [
        *traces.channels_named(workshop, run.chamber_channels, Role.CHAMBER_TEMPERATURE),
        *traces.channels_named(workshop, [run.specimen_channel], Role.SPECIMEN_TEMPERATURE),
    ]
    drawn = traces.traces_of(workshop, channels, start_ms, end_ms)
    steps = [
        chart_rows.Step(
            int(log.began_ms),
            int(log.done_ms if log.done_ms is not None else end_ms),
            log.step.setpoint_c,
            log.step.tolerance_k,
            soak_words.step_words(log),
        )
        for log in state.steps
    ]
    looks = [
        chart_rows.Look(look.time_ms, f"{look.specimen}: {soak_words.FINDINGS[look.finding]}")
        for look in state.looks
    ]
    ending = run.ended or now
    return Figure(
        id="profile",
        shape="soak",
        words=f"The chamber over {words.length((end_ms - start_ms) / 1_000)}, times in "
        f"{words.zone(ending)}. Where nothing was recorded there is no line, and no dwell counts.",
        datasets=chart_rows.soak_datasets(
            drawn, steps, looks, start_ms, end_ms, words.offset_ms(ending)
        ),
        table=trace_table(drawn, "°C", start_ms, end_ms),
        key=(
            *trace_keys(drawn),
            *marked_key(drawn),
            KeyEntry("band", "band of a step, its setpoint dotted"),
            KeyEntry("look", "look"),
        ),
    )


def not_looked_at(workshop: Workshop, soak_id: int) -> set[str]:
    """The specimens of a run that a look found failed, or that were taken out."""
    looks = (kept.entry for kept in workshop.record.looks.of(soak_id))
    done = (kept.entry for kept in workshop.record.interventions.of(soak_id))
    failed = {look.specimen for look in looks if look.finding.gave_way}
    return failed | {one.specimen for one in done if one.specimen is not None}


def past_time(form: Filled, field: str, now: datetime) -> datetime:
    """The moment of a form's time field at which something was done or seen; empty means now.

    Raises ``InvalidError`` for one that has not come yet.
    """
    at = time_of(text_of(form, field), field) or now
    if at > now:
        raise InvalidError(
            f"{words.moment(at, now)} has not come yet",
            where=field,
            remedy="Check day and time, in the zone named at the foot of the page.",
        )
    return at


# ---- the end ---------------------------------------------------------------------------------


@router.post("/soak/{soak_id}/end")
def end_run(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId, form: Filled
) -> Response:
    """End a run, or break it off with a reason."""
    kept = workshop.record.soaks.get(soak_id)
    try:
        at = past_time(form, "ended", now)
        abandoned = text_of(form, "abandoned") or None
        over = checked(SoakRun, {**kept.entry.model_dump(), "ended": at, "abandoned": abandoned})
        workshop.record.soaks.change(soak_id, over, revision=kept.revision)
    except (InvalidError, ConflictError) as fault:
        return show_run(workshop, sheets, now, soak_id, fault=fault)
    return onwards(f"/soak/{soak_id}")


@router.post("/soak/{soak_id}/end/undo")
def go_on(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId, form: Filled
) -> Response:
    """Take back the end of a run that was ended by mistake: readings since then count again."""
    kept = workshop.record.soaks.get(soak_id)
    try:
        again = kept.entry.model_copy(update={"ended": None, "abandoned": None})
        workshop.record.soaks.change(soak_id, again, revision=revision_of(form))
    except (InvalidError, ConflictError) as fault:
        return show_run(workshop, sheets, now, soak_id, fault=fault)
    return onwards(f"/soak/{soak_id}")
