"""Prints found in the printers' power that nobody has logged, and the verdict on each.

A stretch of power waits for a verdict until a print on record or a dismissal covers it. What
waits is computed from the readings; only verdicts are on record: an accepted stretch becomes a
print, a dismissed one is kept as dismissed, with its revisions. A run shows within a minute.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from pydantic import JsonValue

from api.checked import checked
from api.power import PowerPrint, PowerPrints, prints_in
from api.prints import EARLIEST, LATEST, Print, Window, window_of
from api.record import ChannelLink, Dismissal, Kept, Machine, PrintFilter
from api.window_answers import Snapshot, Span
from api.workshop import Workshop
from collector.errors import ConflictError, InvalidError, NotFoundError
from collector.readings import Role, moment_of, ms_of
from collector.store.stretches import HOUR_MS, MINUTE_MS

#: How far back is looked when nobody says from when.
LOOK_BACK = timedelta(days=7)

#: The longest stretch that is looked at in one go.
LONGEST = timedelta(days=92)

#: The trace is read this much further on both sides, so that its edges cut no print.
MARGIN = timedelta(days=3)

#: Prints that started this long before a stretch may still cover it.
LONGEST_PRINT = timedelta(days=7)

#: Two stretches are the same run when they share this much of the shorter one.
SAME_SHARE = 0.5

#: A print whose end nobody noted is the run that began this near its start.
NOTED_APART = timedelta(minutes=30)

#: A run is known again by a start this near.
SAME_START = timedelta(minutes=5)

#: Set by the trace, so they cannot be given with a verdict.
FROM_POWER = ("machine", "start", "end", "cut_short", "order_only")

_NAME = re.compile(r"([0-9]{1,18})-([0-9]{1,15})")


@dataclass(frozen=True, slots=True)
class FoundPrint:
    """A run found in a machine's power, waiting for a verdict.

    ``name`` stands for it in addresses. ``end`` is None while it runs, and where the record
    stops before it ended. ``start`` and ``end`` are exact to half a stretch between readings
    where they are ``certain``; else a gap lies there and the run began, or ended, somewhere
    within it. ``pauses`` and ``gaps`` lie within the run.
    """

    name: str
    machine: int
    channel: str
    start: datetime
    end: datetime | None
    start_certain: bool
    end_certain: bool
    running: bool
    cut_short: bool
    pauses: tuple[Window, ...]
    gaps: tuple[Window, ...]


@dataclass(frozen=True, slots=True)
class FoundPrints:
    """What waits for a verdict, oldest first, and why nothing can be found on a machine."""

    waiting: tuple[FoundPrint, ...]
    refusals: Mapping[int, str]


NO_POWER = "no power channel is linked to this machine"
NO_RECORD = "no power was recorded then"


def found_prints(
    workshop: Workshop,
    now: datetime,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    machine: int | None = None,
) -> FoundPrints:
    """The runs that started in [since, until) and wait for a verdict; the last week's by default.

    Raises ``InvalidError`` for a longer stretch than :data:`LONGEST`.
    """
    until = min(until or now, now)
    since = since or until - LOOK_BACK
    if since >= until:
        return FoundPrints((), {})
    if until - since > LONGEST:
        raise InvalidError(
            f"that is more than {LONGEST.days} days of power to look at",
            where="from",
            remedy="Ask for a shorter stretch, and for the next one after it.",
        )
    record = workshop.record
    with record.reading():
        machines = [kept for kept in record.machines.all() if machine in (None, kept.id)]
    snapshot = workshop.windows.snapshot()
    waiting: list[FoundPrint] = []
    refusals: dict[int, str] = {}
    for kept in machines:
        found, refusal = _on_machine(workshop, kept, Window(since, until), now, snapshot)
        covered = _covered(workshop, kept.id, Window(since, until), now)
        waiting += [one for one in found if not any(_covers(by, one, now) for by in covered)]
        if refusal is not None:
            refusals[kept.id] = refusal
    return FoundPrints(tuple(sorted(waiting, key=lambda one: (one.start, one.machine))), refusals)


def accept_found(
    workshop: Workshop, name: str, fields: Mapping[str, JsonValue], now: datetime
) -> Kept[Print]:
    """Put a found run on record as a print; ``fields`` are those of a print beside its times.

    Accepting the same run twice gives the print that was made the first time. Raises
    ``NotFoundError`` when nothing of that name waits, ``InvalidError`` naming a field.
    """
    for field in FROM_POWER:
        if field in fields:
            raise InvalidError(
                f"{field} is taken from the power trace",
                where=field,
                remedy="Leave it out; correct the print afterwards if it is wrong.",
            )
    machine, start = _parsed(name)
    with workshop.record.transaction():
        before = accepted_before(workshop, name)
        if before is not None:
            return before
        found = found_named(workshop, name, now)
        entry = {
            **fields,
            "machine": machine,
            "start": start,
            "end": found.end,
            "cut_short": found.cut_short,
        }
        return workshop.record.prints.add(checked(Print, entry))


def dismiss_found(workshop: Workshop, name: str, note: str, now: datetime) -> Kept[Dismissal]:
    """Keep that a found run was no print to be logged. Raises ``NotFoundError``."""
    machine, start = _parsed(name)
    with workshop.record.transaction():
        for kept in workshop.record.dismissals.of(machine):
            if kept.entry.start == start:
                return kept
        found = found_named(workshop, name, now)
        if found.end is None:
            raise ConflictError(
                "it has not ended as far as the record goes",
                where="end",
                remedy="Wait until it has ended, or accept it as a print.",
            )
        entry = {"machine": machine, "start": start, "end": found.end, "note": note}
        return workshop.record.dismissals.add(checked(Dismissal, entry))


def _parsed(name: str) -> tuple[int, datetime]:
    match = _NAME.fullmatch(name)
    if match is None:
        raise _nothing_waits(name)
    machine, start_ms = int(match[1]), int(match[2])
    if not ms_of(EARLIEST + 2 * LONGEST_PRINT) <= start_ms <= ms_of(LATEST):
        raise _nothing_waits(name)
    return machine, moment_of(start_ms)


def accepted_before(workshop: Workshop, name: str) -> Kept[Print] | None:
    """The print that a run of this name was accepted as, or None. Raises ``NotFoundError``."""
    machine, start = _parsed(name)
    return workshop.record.prints.started(machine, start)


def found_named(workshop: Workshop, name: str, now: datetime) -> FoundPrint:
    """The waiting run of a name; raises ``NotFoundError`` where none waits.

    Another stretch of the trace may put its start a reading aside.
    """
    machine, start = _parsed(name)
    found = found_prints(
        workshop, now, since=start - SAME_START, until=start + SAME_START, machine=machine
    )
    near = [one for one in found.waiting if one.end is None or one.end > start]
    if not near:
        raise _nothing_waits(name)
    return min(near, key=lambda one: abs(one.start - start))


def _nothing_waits(name: str) -> NotFoundError:
    return NotFoundError(
        f"no run named {name} waits for a verdict",
        where="found",
        remedy="List what was found anew; it may be on record or dismissed already.",
    )


# ---- looking ---------------------------------------------------------------------------------


def _on_machine(
    workshop: Workshop, kept: Kept[Machine], window: Window, now: datetime, snapshot: Snapshot
) -> tuple[list[FoundPrint], str | None]:
    """Every run that started in the window, by each power channel of the machine."""
    links = [
        link
        for link in kept.entry.channels
        if link.role is Role.PRINTER_POWER and _holds_within(link, window)
    ]
    found: list[FoundPrint] = []
    refusal = None if links else NO_POWER
    for link in links:
        gap_limit_ms = workshop.gap_limit_ms(link.channel)
        runs = _runs(workshop, _span(link, window, now), gap_limit_ms, snapshot)
        refusal = refusal or runs.refusal
        found += [
            _found(run, kept.id, link.channel, gap_limit_ms, now)
            for run in runs.prints
            if window.start <= moment_of(run.start_ms) < window.end
        ]
    return found, refusal


def _span(link: ChannelLink, window: Window, now: datetime) -> Span:
    """The stretch of a link's power that is looked at for a window, as far as there is any yet.

    It begins at a whole hour and ends before the minute that is under way, so that questions
    within a minute are one question.
    """
    start_ms = ms_of(window.start - MARGIN) // HOUR_MS * HOUR_MS
    end_ms = min(ms_of(window.end + MARGIN), _looked_until_ms(now))
    if link.since is not None:
        start_ms = max(start_ms, ms_of(link.since))
    if link.until is not None:
        end_ms = min(end_ms, ms_of(link.until))
    return Span(link.channel, start_ms, max(start_ms, end_ms))


def _looked_until_ms(now: datetime) -> int:
    """Up to when power is looked at: the whole minute before now."""
    return ms_of(now) // MINUTE_MS * MINUTE_MS


def _runs(workshop: Workshop, span: Span, gap_limit_ms: int, snapshot: Snapshot) -> PowerPrints:
    """The runs in a stretch of power."""

    def make() -> PowerPrints:
        series = workshop.store.between(span.channel, span.start_ms, span.end_ms)
        if len(series) == 0:
            return PowerPrints((), None, NO_RECORD)
        return prints_in(series, gap_limit_ms=gap_limit_ms)

    return snapshot.answer((span,), (PowerPrints, gap_limit_ms), make)


def _holds_within(link: ChannelLink, window: Window) -> bool:
    return (link.since is None or link.since < window.end) and (
        link.until is None or link.until > window.start
    )


def _found(
    run: PowerPrint, machine: int, channel: str, gap_limit_ms: int, now: datetime
) -> FoundPrint:
    before, begin = run.started_between
    end, after = run.ended_between
    spans = (
        tuple(Window(moment_of(gap.start_ms), moment_of(gap.end_ms)) for gap in gaps)
        for gaps in (run.pauses, run.gaps)
    )
    pauses, gaps = spans
    return FoundPrint(
        name=f"{machine}-{run.start_ms}",
        machine=machine,
        channel=channel,
        start=moment_of(run.start_ms),
        end=None if run.running else moment_of(run.end_ms),
        start_certain=before is not None and begin - before <= gap_limit_ms,
        end_certain=after is not None and after - end <= gap_limit_ms,
        running=run.running and _looked_until_ms(now) - end <= gap_limit_ms,
        cut_short=run.cut_short,
        pauses=pauses,
        gaps=gaps,
    )


# ---- what is on record already ---------------------------------------------------------------


def _covered(
    workshop: Workshop, machine: int, window: Window, now: datetime
) -> list[tuple[Window, bool]]:
    """Prints and dismissals of a machine near a window; False where the end is not known."""
    only = PrintFilter(machine=machine, since=window.start - LONGEST_PRINT, until=window.end)
    with workshop.record.reading():
        plates: Iterable[Kept[Print]] = workshop.record.prints.newest(100_000, only=only)
        dismissals = workshop.record.dismissals.of(machine)
    covered = [
        (window_of(kept.entry, now), kept.entry.end is not None or kept.entry.running)
        for kept in plates
        if not kept.entry.order_only
    ]
    return covered + [(Window(kept.entry.start, kept.entry.end), True) for kept in dismissals]


def _covers(by: tuple[Window, bool], found: FoundPrint, now: datetime) -> bool:
    """Whether what is on record is the run that was found."""
    window, end_known = by
    end = found.end or now
    if not end_known:
        return found.start - NOTED_APART <= window.start < end
    shared = (min(window.end, end) - max(window.start, found.start)).total_seconds()
    shorter = min(window.length_s, (end - found.start).total_seconds())
    return shared > 0 and shared >= SAME_SHARE * shorter
