"""Doubts about readings as they come in: marks, never changes and never deletions. Pure.

What each mark means (:class:`~collector.readings.Mark`):

IMPLAUSIBLE
    The value is outside what the role can show, or the signal outside what its sensor sends.
STUCK
    The value has been the same to the last digit for longer than such a sensor holds one. How
    long that is grows with the sensor's resolution, which is learned from its smallest step
    of this day and the day before. Only readings from then on are marked.
JUMP
    The value is further from the last trusted one than the role can move in the time between.
    After a lasting step the marks end by themselves, once there was time enough for it.
LATE
    A channel that was live brought a reading long after its time: a message held up on its
    way, or old readings brought in beside the live ones. The reading is as good as any, but
    nobody could know it at its time. A channel that has not been live yet is being filled
    with history (an import, a replay); that is no news to anybody and carries no mark.
CLOCK
    The reading's own time cannot be right: it lies ahead of its arrival, in 1970, or it keeps
    pace with the arrivals at a distance, as a clock does that is behind or has stepped back.
    The first readings after a step back cannot be told from ones held up and are LATE;
    history in order never keeps that pace unless it is played at its own speed: then a
    distance of more than a day counts as history on a channel that was never live.
CONFLICT
    Given by the store when a second value comes for the same time.

All this goes by the collector's own clock at arrival; when that is wrong, every sensor seems
to be.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import inf
from types import MappingProxyType

from collector.calibration import Chain
from collector.channels import Channel
from collector.readings import Mark, Reading, Role, Series
from collector.store.contract import Arrival

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000

#: A clock is ahead when its times lie further than this after their arrival [ms].
AHEAD_MS = MINUTE_MS

#: 1971-01-01T00:00:00Z: a sensor without a clock counts from 1970 on.
YEAR_1971_MS = 365 * DAY_MS

#: Times further back than this are history, not a clock that is behind [ms].
HISTORY_MS = DAY_MS

#: How far back readings must be given to :meth:`Watcher.resume` [ms]: the day before as well.
REMEMBERED_MS = 2 * DAY_MS

#: A clock is told by keeping pace with the arrivals over this long, within this much [ms].
PACE_SPAN_MS = 10_000
PACE_WITHIN_MS = 5_000

#: A value may be held for this long at least and at most, whatever the resolution [ms]. A quiet
#: office holds one to the last digit of three decimals for 1.8 h (the recording in the tests).
LEAST_HOLD_MS = 3 * HOUR_MS
MOST_HOLD_MS = DAY_MS

#: So many equal readings in a row make one stuck, at least.
LEAST_HELD_N = 10

#: Smaller differences are float64's noise, not a sensor's step.
_LEAST_STEP = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a channel may show without raising doubts, in its role's unit.

    ``lowest`` to ``highest`` is plausible. A change is a jump when it is greater than both
    ``least_jump`` and ``fastest_per_min`` times the minutes it took; None: it may jump. A
    value may be held for ``hold_h_per_unit`` hours times the sensor's resolution; None: for
    ever. ``resolution`` is learned when it is not given. ``late_after_ms`` and ``ahead_ms``
    are how far a reading may be behind and ahead of its arrival.
    """

    lowest: float
    highest: float
    fastest_per_min: float | None = None
    least_jump: float = 0.0
    hold_h_per_unit: float | None = None
    resolution: float | None = None
    late_after_ms: int = 5 * MINUTE_MS
    ahead_ms: int = AHEAD_MS


#: Common practice, no source, unless said otherwise.
LIMITS: Mapping[Role, Limits] = MappingProxyType(
    {
        # No resin is printed hotter; 85 °C is what a small digital sensor says at power-on.
        Role.VAT_TEMPERATURE: Limits(
            lowest=-10, highest=80, fastest_per_min=10, least_jump=2, hold_h_per_unit=60
        ),
        Role.ROOM_TEMPERATURE: Limits(
            lowest=-30, highest=60, fastest_per_min=5, least_jump=2, hold_h_per_unit=60
        ),
        # 0 to 100 by definition; sensors are up to 5 %RH off, and 0 is one without its element.
        Role.ROOM_HUMIDITY: Limits(
            lowest=1, highest=105, fastest_per_min=30, least_jump=5, hold_h_per_unit=20
        ),
        # An opened door.
        Role.CHAMBER_TEMPERATURE: Limits(
            lowest=-40, highest=300, fastest_per_min=60, least_jump=10, hold_h_per_unit=60
        ),
        # A part that is put in hot, not a probe that falls off.
        Role.SPECIMEN_TEMPERATURE: Limits(
            lowest=-40, highest=300, fastest_per_min=30, least_jump=5, hold_h_per_unit=60
        ),
        # A socket of 16 A at 250 V; meters read a little below 0 when nothing is drawn.
        Role.PRINTER_POWER: Limits(lowest=-5, highest=4_000),
    }
)


def limits_of(channel: Channel) -> Limits:
    """The limits of its role, with those in their place that the channel has of its own."""
    usual = LIMITS[channel.role]
    lowest, highest = channel.plausible_min, channel.plausible_max
    fastest_per_min = channel.jump_limit_per_min
    return replace(
        usual,
        lowest=usual.lowest if lowest is None else lowest,
        highest=usual.highest if highest is None else highest,
        fastest_per_min=usual.fastest_per_min if fastest_per_min is None else fastest_per_min,
    )


class Watcher:
    """Marks the readings of one channel as they arrive; deterministic, no clock of its own."""

    __slots__ = (
        "_clock_off",
        "_day",
        "_held",
        "_held_last_ms",
        "_held_n",
        "_held_since_ms",
        "_hold_ms",
        "_last_ms",
        "_limits",
        "_live",
        "_pace_lag_ms",
        "_pace_since_ms",
        "_step",
        "_step_before",
        "_trusted",
        "_trusted_ms",
    )

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._live = False
        self._clock_off = False
        self._pace_lag_ms: int | None = None
        self._pace_since_ms = 0
        self._last_ms: int | None = None
        self._trusted: float | None = None
        self._trusted_ms = 0
        self._held = inf
        self._held_n = 0
        self._held_since_ms = self._held_last_ms = 0
        self._day = 0
        self._step = self._step_before = inf
        self._hold_ms = self._hold_of()

    def marks(self, time_ms: int, value: float, received_ms: int) -> Mark:
        """The doubts about a new reading; ``value`` in the role's unit, converted and corrected.

        Call it once for every reading, in the order they arrive.
        """
        limits = self._limits
        doubts = 0 if limits.lowest <= value <= limits.highest else _IMPLAUSIBLE
        lag_ms = received_ms - time_ms
        if -limits.ahead_ms <= lag_ms <= limits.late_after_ms and time_ms >= YEAR_1971_MS:
            self._live = True
            self._pace_lag_ms = None
            clock_off = False
        else:
            untimely = self._untimely(time_ms, received_ms)
            doubts |= untimely
            clock_off = untimely == _CLOCK
        if clock_off is not self._clock_off:
            self._clock_off = clock_off
            self._last_ms = None  # another time line: nothing before it can be compared
        return _MARKS[self._judge(time_ms, value, doubts)]

    def resume(self, readings: Series, now_ms: int) -> None:
        """Take up where a watcher before a restart left off.

        ``readings`` are the channel's last :data:`REMEMBERED_MS` on disk, in the role's unit.
        Readings that came out of order were not judged then and are now; apart from them the
        state is the one that was left. A channel silent for a day counts as not live yet.
        """
        untimely = int(Mark.LATE | Mark.CLOCK)
        distrusted = int(Mark.IMPLAUSIBLE | Mark.JUMP)
        last_ms = None
        for time_ms, value, marks in zip(
            readings.times_ms.tolist(),
            readings.values.tolist(),
            readings.marks.tolist(),
            strict=True,
        ):
            if not marks & untimely:
                self._judge(time_ms, value, marks & distrusted)
                last_ms = time_ms
        self._live = last_ms is not None and now_ms - last_ms <= HISTORY_MS

    def _untimely(self, time_ms: int, received_ms: int) -> int:
        """LATE, CLOCK or nothing for a reading whose time is not about that of its arrival."""
        lag_ms = received_ms - time_ms
        if lag_ms < 0 or time_ms < YEAR_1971_MS:
            self._pace_lag_ms = None
            return _CLOCK
        if not self._live and lag_ms > HISTORY_MS:
            return 0
        pace_lag_ms = self._pace_lag_ms
        if pace_lag_ms is None or abs(lag_ms - pace_lag_ms) > PACE_WITHIN_MS:
            self._pace_lag_ms = lag_ms
            self._pace_since_ms = received_ms
        elif received_ms - self._pace_since_ms >= PACE_SPAN_MS:
            self._pace_lag_ms = lag_ms  # a clock that is off also drifts
            return _CLOCK
        return _LATE if self._live else 0

    def _judge(self, time_ms: int, value: float, doubts: int) -> int:
        """Add STUCK and JUMP to the doubts about a reading, and remember it."""
        last_ms = self._last_ms
        if last_ms is None or time_ms < last_ms - HISTORY_MS:
            self._start(time_ms, value, doubts)
            return doubts
        if time_ms <= last_ms:
            return doubts  # out of order: its neighbours are not at hand
        self._last_ms = time_ms
        if time_ms // DAY_MS != self._day:
            self._turn_day(time_ms)
        doubts |= self._stuck(time_ms, value) | self._jump(time_ms, value)
        if not doubts & _DISTRUSTED:
            self._trusted = value
            self._trusted_ms = time_ms
        return doubts

    def _start(self, time_ms: int, value: float, doubts: int) -> None:
        """Begin a line of readings that can be compared with each other."""
        self._last_ms = time_ms
        if time_ms // DAY_MS != self._day:
            self._turn_day(time_ms)
        self._hold(time_ms, value)
        self._trusted = None if doubts & _DISTRUSTED else value
        self._trusted_ms = time_ms

    def _stuck(self, time_ms: int, value: float) -> int:
        """STUCK when the value has been held for too long; a silence as long ends the holding."""
        if value != self._held or time_ms - self._held_last_ms > self._hold_ms:
            step = abs(value - self._held)
            if _LEAST_STEP < step < self._step:
                self._step = step
                self._hold_ms = self._hold_of()
            self._hold(time_ms, value)
            return 0
        self._held_n += 1
        self._held_last_ms = time_ms
        too_long = time_ms - self._held_since_ms > self._hold_ms
        return _STUCK if too_long and self._held_n >= LEAST_HELD_N else 0

    def _hold(self, time_ms: int, value: float) -> None:
        self._held, self._held_n = value, 1
        self._held_since_ms = self._held_last_ms = time_ms

    def _jump(self, time_ms: int, value: float) -> int:
        """JUMP when the value is too far from the last trusted one for the time between."""
        per_min = self._limits.fastest_per_min
        if per_min is None or self._trusted is None:
            return 0
        change = abs(value - self._trusted)
        if change <= self._limits.least_jump:
            return 0
        return _JUMP if change * MINUTE_MS > per_min * (time_ms - self._trusted_ms) else 0

    def _turn_day(self, time_ms: int) -> None:
        day = time_ms // DAY_MS
        self._step_before = self._step if day == self._day + 1 else inf
        self._step = inf
        self._day = day
        self._hold_ms = self._hold_of()

    def _hold_of(self) -> float:
        """How long a value may be held [ms], by the resolution known."""
        per_unit = self._limits.hold_h_per_unit
        if per_unit is None:
            return inf
        resolution = self._limits.resolution or min(self._step, self._step_before)
        return min(max(per_unit * HOUR_MS * resolution, LEAST_HOLD_MS), MOST_HOLD_MS)


_IMPLAUSIBLE = int(Mark.IMPLAUSIBLE)
_STUCK = int(Mark.STUCK)
_JUMP = int(Mark.JUMP)
_LATE = int(Mark.LATE)
_CLOCK = int(Mark.CLOCK)
_DISTRUSTED = _IMPLAUSIBLE | _JUMP

#: Every combination, made once: making one costs more than all the judging.
_MARKS = tuple(Mark(bits) for bits in range(2 * int(max(Mark))))


_NONE = Mark.NONE
_AS_RECEIVED = Chain()
_NO_CHAINS: Mapping[str, Chain] = MappingProxyType({})


class Watchers:
    """A watcher for each channel; marks whole messages on their way to the store.

    ``limits`` are those of single channels where the role's do not fit. The chains that are
    given with a message turn received values into the role's unit, as of now.
    """

    def __init__(
        self, channels: Iterable[Channel], limits: Mapping[str, Limits] = MappingProxyType({})
    ) -> None:
        self._limits = {one.id: limits.get(one.id, LIMITS[one.role]) for one in channels}
        self._watchers = {channel: Watcher(own) for channel, own in self._limits.items()}

    def marked(self, arrival: Arrival, chains: Mapping[str, Chain] = _NO_CHAINS) -> Arrival:
        """The same message with marks added to its readings; values stay as received."""
        received_ms = arrival.received_ms
        doubted = False
        marked = []
        for reading in arrival.readings:
            doubts = self._doubts(reading, chains.get(reading.channel), received_ms)
            if doubts is not _NONE:
                doubted = True
                reading = Reading(
                    reading.channel, reading.time_ms, reading.value, doubts | reading.marks
                )
            marked.append(reading)
        return arrival.with_readings(tuple(marked)) if doubted else arrival

    def resume(
        self,
        channel: str,
        received: Series,
        now_ms: int,
        chains: Mapping[str, Chain] = _NO_CHAINS,
    ) -> None:
        """Take up a channel after a restart or with another chain; see :meth:`Watcher.resume`.

        ``received`` as on disk, before the chain.
        """
        chain = chains.get(channel, _AS_RECEIVED)
        values = chain.apply(received.values, received.times_ms)
        self.forget(channel)
        self._watchers[channel].resume(replace(received, values=values), now_ms)

    def forget(self, channel: str) -> None:
        """Begin a channel anew: nothing before can be compared with what comes."""
        self._watchers[channel] = Watcher(self._limits[channel])

    def _doubts(self, reading: Reading, chain: Chain | None, received_ms: int) -> Mark:
        watcher = self._watchers.get(reading.channel)
        if watcher is None:
            return _NONE
        if chain is None:
            return watcher.marks(reading.time_ms, reading.value, received_ms)
        value = chain.apply_one(reading.value, reading.time_ms)
        doubts = watcher.marks(reading.time_ms, value, received_ms)
        if chain.signal is not None and chain.signal.outside_one(reading.value):
            doubts |= Mark.IMPLAUSIBLE
        return doubts
