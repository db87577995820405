"""Where a soak run stands: its phase, its steps, what was counted, seen and missed. Pure.

Built only by the fold in ``engine``. Times are milliseconds since 1970 UTC, with fractions
where they were found between two readings.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

from api.soak.program import Finding, Program, Step


class Phase(enum.StrEnum):
    """What the run is doing."""

    NOT_STARTED = "not_started"
    APPROACH = "approach"
    DWELL = "dwell"
    COOL_DOWN = "cool_down"
    FINISHED = "finished"
    ABANDONED = "abandoned"

    @property
    def over(self) -> bool:
        """Whether nothing more can happen to the specimens."""
        return self in (Phase.FINISHED, Phase.ABANDONED)


@dataclass(frozen=True, slots=True)
class StepLog:
    """What one step really was.

    ``settled_ms`` is when its dwell began, ``done_ms`` when it was complete (None: not yet).
    ``dwell_ms`` was counted in band. ``lowest_c`` and ``highest_c`` are of readings between
    settled and done, in band or not; ``peak_c`` is the hottest reading of the whole step, its
    approach included. ``spread_k`` is how far the chamber probes stood apart at most in the
    dwell (None with one probe). ``watched_ms`` and ``area`` [°C ms] carry the mean.
    """

    number: int
    step: Step
    began_ms: float
    settled_ms: float | None = None
    done_ms: float | None = None
    dwell_ms: float = 0.0
    watched_ms: float = 0.0
    area: float = 0.0
    lowest_c: float | None = None
    highest_c: float | None = None
    peak_c: float | None = None
    spread_k: float | None = None

    @property
    def dwell_s(self) -> float:
        """Dwell counted so far [s]."""
        return self.dwell_ms / 1_000

    @property
    def remaining_s(self) -> float:
        """Dwell still to be counted [s]."""
        return max(self.step.dwell_ms - self.dwell_ms, 0.0) / 1_000

    @property
    def mean_c(self) -> float | None:
        """Time-weighted mean from settled to done over what was recorded [°C]."""
        return self.area / self.watched_ms if self.watched_ms > 0 else None

    def approach_late(self, now_ms: float) -> bool:
        """Whether the approach took, or by ``now_ms`` has taken, longer than the step allows."""
        limit = self.step.longest_approach_min
        until = now_ms if self.settled_ms is None else self.settled_ms
        return limit is not None and until - self.began_ms > limit * 60_000


@dataclass(frozen=True, slots=True)
class Excursion:
    """A stretch out of band after the step had settled; it did not count as dwell.

    ``over_k`` and ``under_k`` say how far it went beyond either edge of the band [K].
    """

    step: int
    start_ms: float
    end_ms: float
    over_k: float
    under_k: float

    @property
    def depth_k(self) -> float:
        """How far it went beyond the band, either way [K]."""
        return max(self.over_k, self.under_k)

    @property
    def length_s(self) -> float:
        """How long it lasted, as far as was recorded [s]."""
        return (self.end_ms - self.start_ms) / 1_000


@dataclass(frozen=True, slots=True)
class Hole:
    """A stretch without a reading longer than the gap limit; nothing was counted in it."""

    step: int
    start_ms: float
    end_ms: float


@dataclass(frozen=True, slots=True)
class Place:
    """How much heat a specimen has had by a moment.

    In step ``step``; ``completed`` when that step's dwell was done and the chamber has not
    been hotter than its band since. ``dwell_s`` was counted in that step, at ``mean_c``.
    ``peak_c`` is the hottest reading of the run so far.
    ``final`` is False while the next reading may still move it.
    """

    time_ms: float
    phase: Phase
    step: int
    completed: bool
    dwell_s: float
    mean_c: float | None
    peak_c: float | None
    final: bool


@dataclass(frozen=True, slots=True)
class LookAt:
    """A look, with the heat the specimen had had by then."""

    time_ms: int
    specimen: str
    finding: Finding
    place: Place


@dataclass(frozen=True, slots=True)
class Track:
    """One probe's readings that the fold still needs: the last one used and those after it.

    ``offsets_ms`` count from the start of the run.
    """

    probe: str
    offsets_ms: tuple[float, ...] = ()
    values_c: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Settling:
    """What a rule for settling has to remember of the step under way.

    ``held_since`` is when the unbroken stretch that still lasts began [ms from the start].
    ``tail`` are the last moments: offset [ms], chamber [°C], specimen [°C], and whether the
    stretch before it was recorded.
    """

    held_since: float | None = None
    tail: tuple[tuple[float, float, float, bool], ...] = ()


@dataclass(frozen=True, slots=True)
class RunState:
    """The whole run as known from its events so far.

    ``first_c`` is the first chamber reading, at ``first`` [ms from the start], of several at
    once the hottest; ``peak_c`` the hottest so far [°C];
    ``folded`` is the last moment folded, counted from the start [ms]; None before the first.
    """

    program: Program
    phase: Phase = Phase.NOT_STARTED
    started_ms: int = 0
    time_ms: int = 0
    specimens: tuple[str, ...] = ()
    taken_out: tuple[tuple[str, Place], ...] = ()
    steps: tuple[StepLog, ...] = ()
    excursions: tuple[Excursion, ...] = ()
    holes: tuple[Hole, ...] = ()
    looks: tuple[LookAt, ...] = ()
    first: float | None = None
    first_c: float | None = None
    peak_c: float | None = None
    ended_ms: int | None = None
    reason: str = ""
    folded: float | None = None
    settling: Settling = Settling()
    tracks: tuple[Track, ...] = ()
    specimen_track: Track | None = None
    versions: tuple[tuple[int, Program], ...] = field(default=())

    @property
    def log(self) -> StepLog | None:
        """The log of the step under way, or of the last one begun."""
        return self.steps[-1] if self.steps else None

    @property
    def last_reading_ms(self) -> int | None:
        """Time of the newest chamber reading of any probe; None before the first."""
        offsets = [track.offsets_ms[-1] for track in self.tracks if track.offsets_ms]
        return self.started_ms + int(max(offsets)) if offsets else None

    @property
    def last_readings_c(self) -> dict[str, float]:
        """The newest reading of each chamber probe that has one [°C]."""
        return {track.probe: track.values_c[-1] for track in self.tracks if track.values_c}

    @property
    def in_band(self) -> bool:
        """Whether every chamber probe's newest reading lies in the band of the step."""
        values = self.last_readings_c
        if self.log is None or self.phase not in (Phase.APPROACH, Phase.DWELL):
            return False
        return len(values) == len(self.tracks) and all(map(self.log.step.holds, values.values()))

    @property
    def excursion(self) -> Excursion | None:
        """The excursion going on now, or None."""
        if (
            self.phase is not Phase.DWELL
            or not self.excursions
            or self.folded is None
            or self.in_band
        ):
            return None
        last = self.excursions[-1]
        return last if last.end_ms == self.started_ms + self.folded else None

    @property
    def too_hot(self) -> bool:
        """Whether any reading was above the temperature at which the run should be stopped."""
        limit = self.program.stop_above_c
        return limit is not None and self.peak_c is not None and self.peak_c > limit

    @property
    def cool(self) -> bool:
        """Whether every chamber probe has come down to where the program lets it be opened."""
        limit, values = self.program.cool_down_to_c, self.last_readings_c.values()
        return (
            limit is not None
            and self.phase is Phase.COOL_DOWN
            and len(values) == len(self.tracks)
            and max(values) <= limit
        )

    @property
    def gave_way(self) -> frozenset[str]:
        """Specimens that a look found to have given way."""
        return frozenset(look.specimen for look in self.looks if look.finding.gave_way)

    @property
    def inside(self) -> tuple[str, ...]:
        """Specimens that are still in the chamber."""
        out = {name for name, _ in self.taken_out}
        return tuple(name for name in self.specimens if name not in out)
