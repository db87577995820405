"""The conditions of a print: what vat and room really did in each of its windows.

The windows: the two hours before the start, first layers, body, the whole print and, where
their start and length were noted, wash, drying and cure. Beside what the channels read, each
window is told dew point, frost point, absolute humidity (``psychrometrics``, WMO Guide No. 8)
and how far the vat stood above the room. A sensor counts for a machine only for as long as it
was linked to it.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from api import psychrometrics
from api.conditions import (
    DOUBTFUL,
    Floats,
    Summary,
    first_layers_value,
    side_by_side,
    summarise,
)
from api.phases import phases_of
from api.prints import Print, Window, window_of
from api.record import Kept, Machine
from api.settings_check import vat_limits
from api.window_answers import Snapshot
from api.workshop import Workshop
from collector.readings import Mark, Role, Series, ms_of

Times = npt.NDArray[np.int64]

#: How long before the start vat and room are looked at.
BEFORE_START = timedelta(hours=2)

#: Figures are withheld where less of a window was recorded, unless another share is asked for.
LEAST_COVERAGE = 0.5

#: Roles that conditions are given for, beside the vat's own.
ROOM_ROLES = (Role.ROOM_TEMPERATURE, Role.ROOM_HUMIDITY)
ROLES = (Role.VAT_TEMPERATURE, *ROOM_ROLES)

NO_VAT = "no vat sensor was linked to the machine then"
NO_CHANNEL = "no such channel is set up"
NO_START = "the start was never noted, only the order"
NO_END = "the end was never noted"
NOT_YET = "it has not started yet"
NO_FROST = "the dew point stayed above 0 °C: there is no frost point"


class PrintWindow(enum.StrEnum):
    """A window of a print."""

    BEFORE_START = "before_start"
    FIRST_LAYERS = "first_layers"
    BODY = "body"
    WHOLE = "whole"
    WASH = "wash"
    DRYING = "drying"
    CURE = "cure"


class Derived(enum.StrEnum):
    """A quantity made of two channels."""

    DEW_POINT = "dew_point"
    FROST_POINT = "frost_point"
    ABSOLUTE_HUMIDITY = "absolute_humidity"
    VAT_MINUS_ROOM = "vat_minus_room"

    @property
    def unit(self) -> str:
        """Its unit: ``°C``, ``g/m³`` or ``K``."""
        return _MADE_OF[self].unit


@dataclass(frozen=True, slots=True)
class _Made:
    """Of what a derived quantity is made, and how."""

    first: Role
    second: Role
    combine: Callable[[Floats, Floats], Floats]
    unit: str


_ROOM = (Role.ROOM_TEMPERATURE, Role.ROOM_HUMIDITY)
_MADE_OF = {
    Derived.DEW_POINT: _Made(*_ROOM, psychrometrics.dew_point_c, "°C"),
    Derived.FROST_POINT: _Made(*_ROOM, psychrometrics.frost_point_c, "°C"),
    Derived.ABSOLUTE_HUMIDITY: _Made(*_ROOM, psychrometrics.absolute_humidity_g_m3, "g/m³"),
    Derived.VAT_MINUS_ROOM: _Made(
        Role.VAT_TEMPERATURE, Role.ROOM_TEMPERATURE, lambda vat, room: vat - room, "K"
    ),
}


@dataclass(frozen=True, slots=True)
class Measured:
    """What one channel, or two together, did in a window."""

    channel: str
    summary: Summary


@dataclass(frozen=True, slots=True)
class WindowConditions:
    """A window of a print and what was measured in it, by role, and what follows from it.

    ``missing`` and ``not_derived`` say for each that cannot be told why not.
    """

    window: Window
    measured: Mapping[Role, Measured]
    missing: Mapping[Role, str]
    derived: Mapping[Derived, Measured] = field(default_factory=dict)
    not_derived: Mapping[Derived, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class VatValue:
    """The vat temperature of a print's first layers [°C], or why there is none.

    ``noted`` is True for a temperature noted by hand where no sensor was linked.
    """

    value_c: float | None
    reason: str | None = None
    noted: bool = False
    channel: str | None = None
    coverage: float = 0.0


@dataclass(frozen=True, slots=True)
class PrintConditions:
    """The conditions of one print in each of its windows.

    A window whose start or end was never noted is not among them; ``why_not`` says so.
    ``vat`` is the value by which the print enters the analyses.
    """

    plate: Kept[Print]
    windows: Mapping[PrintWindow, WindowConditions]
    vat: VatValue
    why_not: str | None = None

    @property
    def first_layers(self) -> WindowConditions | None:
        """The conditions in its first layers."""
        return self.windows.get(PrintWindow.FIRST_LAYERS)

    @property
    def whole(self) -> WindowConditions | None:
        """The conditions of the whole print."""
        return self.windows.get(PrintWindow.WHOLE)


@dataclass(frozen=True, slots=True)
class _Source:
    """The channel that counts for a role, and from when to when [ms]; None is no bound."""

    channel: str
    since_ms: int | None = None
    until_ms: int | None = None


@dataclass(frozen=True, slots=True)
class _Trace:
    """What one channel read, or two make together, without the readings that do not count.

    ``left_out_ms`` are the times of those. ``goes_on`` says whether the record reaches over
    the start, and the end, of the stretch that was asked for.
    """

    series: Series
    gap_limit_ms: int
    left_out_ms: Times
    goes_on: tuple[bool, bool]


Quantity = Role | Derived


def conditions_of(
    workshop: Workshop,
    print_id: int,
    now: datetime,
    *,
    below_c: float | None = None,
    above_c: float | None = None,
    least_coverage: float = LEAST_COVERAGE,
    left_out: Mark = Mark.IMPLAUSIBLE,
) -> PrintConditions:
    """What vat and room really did in every window of a print.

    ``below_c`` and ``above_c`` are the vat temperatures [°C] outside which minutes and
    degree-hours are counted: the resin's printed ones, else the usual ones, when not given.
    Readings with a mark of ``left_out`` count in no figure; the value that enters the analyses
    leaves out those of ``DOUBTFUL`` whatever was asked. A print that runs is taken up to ``now``.
    """
    record = workshop.record
    with record.reading():
        kept = record.prints.get(print_id)
        plate = kept.entry
        machine = record.machines.get(plate.machine).entry
        guidance = record.resins.get(plate.resin).entry.guidance
    whole = window_of(plate, now)
    if plate.order_only or whole.end <= whole.start:
        why_not = NO_START if plate.order_only else NOT_YET
        return PrintConditions(kept, {}, vat_value(workshop, plate, machine, now), why_not)
    usual, _ = vat_limits(guidance)
    asked = _Asked(
        usual.low if below_c is None else below_c,
        usual.high if above_c is None else above_c,
        least_coverage,
    )
    end_known = plate.end is not None or plate.running
    printing = _printing_windows(plate, whole, now, end_known=end_known)
    last = PrintWindow.WHOLE if end_known else PrintWindow.FIRST_LAYERS
    hull = Window(printing[PrintWindow.BEFORE_START].start, printing[last].end)
    traces = _traces(workshop, _sources(workshop, machine, ROLES, plate.start), hull, left_out)
    found = {
        name: _window_conditions(window, traces, ROLES, asked) for name, window in printing.items()
    }
    for name, window in _afterwork_windows(plate, now).items():
        sources = _sources(workshop, machine, ROOM_ROLES, window.start)
        later = _traces(workshop, sources, window, left_out)
        found[name] = _window_conditions(window, later, ROOM_ROLES, asked)
    vat = traces.get(Role.VAT_TEMPERATURE)
    if vat is None or left_out & ~DOUBTFUL:
        value = vat_value(workshop, plate, machine, now)
    else:
        value = _value_of(vat, printing[PrintWindow.FIRST_LAYERS])
    return PrintConditions(kept, found, value, None if end_known else NO_END)


def vat_value(
    workshop: Workshop,
    plate: Print,
    machine: Machine,
    now: datetime,
    snapshot: Snapshot | None = None,
) -> VatValue:
    """The value by which a print enters the analyses: measured, else noted by hand, else none.

    A note never stands in for a sensor that was linked and lost its readings: such prints
    would be the ones that somebody happened to write down. One ``snapshot`` may serve many prints.
    """
    source = None
    if not plate.order_only:
        source = _linked(machine, Role.VAT_TEMPERATURE, plate.start)
    if source is None:
        if plate.logged_vat_c is not None:
            return VatValue(plate.logged_vat_c, noted=True)
        return VatValue(None, NO_START if plate.order_only else NO_VAT)
    window = phases_of(plate, now).first_layers
    if window.end <= window.start:
        return VatValue(None, NOT_YET, channel=source.channel)
    found = source
    return (snapshot or workshop.windows.snapshot()).answer(
        (workshop.span(found.channel, window),),
        (VatValue, found, window, workshop.gap_limit_ms(found.channel)),
        lambda: _value_of(_trace(workshop, found, window, DOUBTFUL), window),
    )


def _value_of(trace: _Trace, window: Window) -> VatValue:
    found = first_layers_value(
        trace.series, ms_of(window.start), ms_of(window.end), gap_limit_ms=trace.gap_limit_ms
    )
    return VatValue(
        found.value, found.reason, channel=trace.series.channel, coverage=found.coverage
    )


# ---- windows ---------------------------------------------------------------------------------


def _printing_windows(
    plate: Print, whole: Window, now: datetime, *, end_known: bool
) -> dict[PrintWindow, Window]:
    phases = phases_of(plate, now)
    windows = {
        PrintWindow.BEFORE_START: Window(whole.start - BEFORE_START, whole.start),
        PrintWindow.FIRST_LAYERS: phases.first_layers,
    }
    if end_known and phases.body is not None:
        windows[PrintWindow.BODY] = phases.body
    if end_known:
        windows[PrintWindow.WHOLE] = whole
    return windows


def _afterwork_windows(plate: Print, now: datetime) -> dict[PrintWindow, Window]:
    """Those whose start and length were noted, up to now."""
    windows = {}
    for name, stage in plate.afterwork:
        window = None if stage is None else stage.window
        if window is not None and window.start < now:
            windows[PrintWindow(name)] = Window(window.start, min(window.end, now))
    return windows


# ---- channels and their traces ---------------------------------------------------------------


def _linked(machine: Machine, role: Role, moment: datetime) -> _Source | None:
    """The sensor of a role that belonged to a machine at a moment, with the dates it did."""
    link = machine.link(role, moment)
    if link is None:
        return None
    since, until = (None if at is None else ms_of(at) for at in (link.since, link.until))
    return _Source(link.channel, since, until)


def _sources(
    workshop: Workshop, machine: Machine, roles: tuple[Role, ...], moment: datetime
) -> dict[Role, _Source]:
    """The machine's own sensor of each role; for the room else the first that is set up."""
    found = {}
    for role in roles:
        source = _linked(machine, role, moment)
        if source is None and role in ROOM_ROLES:
            named = (c.id for c in workshop.settings.channels if c.role is role)
            source = next((_Source(channel) for channel in named), None)
        if source is not None:
            found[role] = source
    return found


def _trace(workshop: Workshop, source: _Source, window: Window, left_out: Mark) -> _Trace:
    series = workshop.series(source.channel, window)
    since, until = source.since_ms, source.until_ms
    if since is not None or until is not None:
        times = series.times_ms
        first = 0 if since is None else int(np.searchsorted(times, since))
        last = len(times) if until is None else int(np.searchsorted(times, until))
        series = _cut(series, first, last)
    out = (series.marks & int(left_out)) != 0
    kept = series.without(left_out) if out.any() else series
    times = kept.times_ms
    goes_on = (
        len(times) > 0 and int(times[0]) <= ms_of(window.start),
        len(times) > 0 and int(times[-1]) >= ms_of(window.end),
    )
    return _Trace(kept, workshop.gap_limit_ms(source.channel), series.times_ms[out], goes_on)


def _traces(
    workshop: Workshop, sources: Mapping[Role, _Source], hull: Window, left_out: Mark
) -> dict[Quantity, _Trace]:
    """The trace of every role and of every quantity that can be made of them."""
    traces: dict[Quantity, _Trace] = {
        role: _trace(workshop, source, hull, left_out) for role, source in sources.items()
    }
    for pair in dict.fromkeys((made.first, made.second) for made in _MADE_OF.values()):
        if all(role in traces for role in pair):
            traces.update(_made_of(pair, traces))
    return traces


def _made_of(pair: tuple[Role, Role], traces: Mapping[Quantity, _Trace]) -> dict[Quantity, _Trace]:
    """Every quantity that is made of a pair of roles."""
    first, second = (traces[role] for role in pair)
    times, one, other = side_by_side(
        first.series, second.series, (first.gap_limit_ms, second.gap_limit_ms)
    )
    channel = f"{first.series.channel}, {second.series.channel}"
    left_out_ms = np.sort(np.concatenate((first.left_out_ms, second.left_out_ms)))
    # Where both are covered the points lie no further apart than the smaller limit allows.
    gap_limit_ms = min(first.gap_limit_ms, second.gap_limit_ms)
    unmarked = np.zeros(len(times), np.uint8)
    goes_on = first.goes_on[0] and second.goes_on[0], first.goes_on[1] and second.goes_on[1]
    found: dict[Quantity, _Trace] = {}
    for quantity, made in _MADE_OF.items():
        if (made.first, made.second) != pair:
            continue
        values = made.combine(one, other)
        there = np.isfinite(values)
        series = Series(channel, times[there], values[there], unmarked[there])
        found[quantity] = _Trace(series, gap_limit_ms, left_out_ms, goes_on)
    return found


def _cut(series: Series, first: int, last: int) -> Series:
    return Series(
        series.channel,
        series.times_ms[first:last],
        series.values[first:last],
        series.marks[first:last],
    )


# ---- figures ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Asked:
    """Limits of the vat [°C] and the least coverage that figures are given for."""

    below_c: float
    above_c: float
    least_coverage: float


def _window_conditions(
    window: Window, traces: Mapping[Quantity, _Trace], roles: tuple[Role, ...], asked: _Asked
) -> WindowConditions:
    measured: dict[Role, Measured] = {}
    missing: dict[Role, str] = {}
    for role in roles:
        if role not in traces:
            missing[role] = NO_VAT if role is Role.VAT_TEMPERATURE else NO_CHANNEL
            continue
        limited = role is Role.VAT_TEMPERATURE
        measured[role] = _measured(traces[role], window, asked, limited=limited)
        withheld = measured[role].summary.withheld
        if withheld is not None:
            missing[role] = withheld
    derived: dict[Derived, Measured] = {}
    not_derived: dict[Derived, str] = {}
    for quantity, made in _MADE_OF.items():
        if made.first not in roles:
            continue
        lacking = next((role for role in (made.first, made.second) if role in missing), None)
        if lacking is not None:
            needed = lacking.value.replace("_", " ")
            not_derived[quantity] = f"it needs the {needed}: {missing[lacking]}"
            continue
        if quantity is Derived.FROST_POINT and len(traces[quantity].series) == 0:
            not_derived[quantity] = NO_FROST
            continue
        found = _measured(traces[quantity], window, asked)
        if found.summary.withheld is not None:
            not_derived[quantity] = _why_withheld(quantity, found.summary)
        derived[quantity] = found
    return WindowConditions(window, measured, missing, derived, not_derived)


def _why_withheld(quantity: Derived, summary: Summary) -> str:
    reason = summary.withheld or ""
    if quantity is not Derived.FROST_POINT:
        return reason
    if summary.count == 0:
        return NO_FROST
    return f"the dew point was below 0 °C over {summary.coverage:.0%} of this window only"


def _measured(trace: _Trace, window: Window, asked: _Asked, *, limited: bool = False) -> Measured:
    start_ms, end_ms = ms_of(window.start), ms_of(window.end)
    times = trace.series.times_ms
    # Only the window and its neighbours: the figures need no more.
    first = max(int(np.searchsorted(times, start_ms)) - 1, 0)
    last = int(np.searchsorted(times, end_ms)) + 1
    summary = summarise(
        _cut(trace.series, first, last),
        start_ms,
        end_ms,
        gap_limit_ms=trace.gap_limit_ms,
        below=asked.below_c if limited else None,
        above=asked.above_c if limited else None,
        least_coverage=asked.least_coverage,
        left_out=Mark.NONE,
        goes_on=trace.goes_on,
    )
    out_n = int(np.diff(np.searchsorted(trace.left_out_ms, (start_ms, end_ms)))[0])
    if out_n:
        summary = replace(summary, marked_out=out_n)
    return Measured(trace.series.channel, summary)
