"""What can happen in a soak run. Pure: types and their order in time.

Times are whole milliseconds since 1970 UTC. A run is folded (``engine``) from its events in
time order; where several fall on one moment, readings come before what people do.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.soak.program import Finding, Program

#: Name of the chamber probe when there is only one and nobody named it.
ONLY_PROBE = "chamber"


@dataclass(frozen=True, slots=True)
class Started:
    """The run begins: specimens are in, the approach to the first step starts.

    ``probes`` are the probes in the chamber's air, ``specimen_probe`` one in a specimen.
    """

    time_ms: int
    specimens: tuple[str, ...] = ()
    probes: tuple[str, ...] = (ONLY_PROBE,)
    specimen_probe: str | None = None


@dataclass(frozen=True, slots=True)
class ChamberReading:
    """One reading of one probe [°C]; a specimen's probe reports the same way."""

    time_ms: int
    value_c: float
    probe: str = ONLY_PROBE


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Many readings of one probe: ``times_ms`` int64, increasing; ``values_c`` float64 [°C]."""

    times_ms: npt.NDArray[np.int64]
    values_c: npt.NDArray[np.float64]
    probe: str = ONLY_PROBE


@dataclass(frozen=True, slots=True, eq=False)
class ChamberProfile:
    """Readings of all probes over one stretch of time.

    Means exactly what the same readings would mean one by one in time order.
    """

    traces: tuple[Trace, ...]

    @property
    def time_ms(self) -> int:
        """Time of the last of its readings."""
        return max(int(trace.times_ms[-1]) for trace in self.traces if len(trace.times_ms))

    @property
    def first_ms(self) -> int:
        """Time of the first of its readings."""
        return min(int(trace.times_ms[0]) for trace in self.traces if len(trace.times_ms))


@dataclass(frozen=True, slots=True)
class LookTaken:
    """Someone looked at a specimen."""

    time_ms: int
    specimen: str
    finding: Finding


@dataclass(frozen=True, slots=True)
class TakenOut:
    """A specimen left the chamber; the others go on."""

    time_ms: int
    specimen: str


@dataclass(frozen=True, slots=True)
class ProgramEdited:
    """A new version of the program, from the last reading before this moment on."""

    time_ms: int
    program: Program


@dataclass(frozen=True, slots=True)
class Abandoned:
    """The operator broke the run off."""

    time_ms: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Ended:
    """The run is over: the chamber was emptied."""

    time_ms: int


Mark = LookTaken | TakenOut | ProgramEdited | Abandoned | Ended
Gathered = Started | ChamberProfile | Mark
Event = Gathered | ChamberReading


def in_order(
    started: Started, traces: Iterable[Trace], marks: Iterable[Mark] = ()
) -> Iterator[Event]:
    """The events of a run in time order, its readings in as few pieces as the marks allow.

    Readings before the start, and after the first end, are left out. Looks may come after it.
    """
    kept = [_between(trace, started.time_ms, None) for trace in traces]
    yield started
    over = False
    for mark in sorted(marks, key=lambda mark: mark.time_ms):
        if not over:
            yield from _profile(_between(trace, None, mark.time_ms + 1) for trace in kept)
            kept = [_between(trace, mark.time_ms + 1, None) for trace in kept]
        yield mark
        over = over or isinstance(mark, Abandoned | Ended)
    if not over:
        yield from _profile(kept)


def _profile(traces: Iterable[Trace]) -> Iterator[ChamberProfile]:
    filled = tuple(trace for trace in traces if len(trace.times_ms))
    if filled:
        yield ChamberProfile(filled)


def _between(trace: Trace, start_ms: int | None, end_ms: int | None) -> Trace:
    bounds = np.searchsorted(trace.times_ms, [start_ms or 0, end_ms or np.iinfo(np.int64).max])
    taken = slice(int(bounds[0]), int(bounds[1]))
    return Trace(trace.times_ms[taken], trace.values_c[taken], trace.probe)


def profile_of(readings: Iterable[ChamberReading]) -> ChamberProfile:
    """Single readings, in time order, as one profile."""
    rows: dict[str, list[tuple[int, float]]] = {}
    for reading in readings:
        rows.setdefault(reading.probe, []).append((reading.time_ms, reading.value_c))
    return ChamberProfile(tuple(_trace(probe, pairs) for probe, pairs in rows.items()))


def _trace(probe: str, pairs: list[tuple[int, float]]) -> Trace:
    times, values = zip(*pairs, strict=True)
    return Trace(np.array(times, np.int64), np.array(values, np.float64), probe)


def coalesced(events: Iterable[Event]) -> Iterator[Gathered]:
    """The same events with runs of single readings put together."""
    waiting: list[ChamberReading] = []
    for event in events:
        if isinstance(event, ChamberReading):
            waiting.append(event)
            continue
        if waiting:
            yield profile_of(waiting)
            waiting = []
        yield event
    if waiting:
        yield profile_of(waiting)
