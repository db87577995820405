"""How far a sensor's clock is off, measured from when its readings arrive. Pure.

The offset is the median of arrival minus own time over the recent messages of one channel
that carry a time of their own; positive when the sensor is behind. It is measured only while
it is steady: messages held up on their way, and history brought in, come at a pace of their
own and leave the measurement alone. All of it goes by the collector's own clock; when that
is off, every sensor seems off by the same.
"""

from __future__ import annotations

import enum
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from statistics import median

from collector.quality import YEAR_1971_MS
from collector.readings import moment_of
from collector.store.contract import Arrival

#: A clock is right within this much, and an offset that moves by more has stepped [ms].
TOLERANCE_MS = 60_000

#: A message is looked at this long after the last one that was, at the soonest [ms].
EVERY_MS = 5_000

#: The offset is the median of so many messages, about.
MEDIAN_OF_N = 15

#: A new offset is believed after so many messages over so long, within so much [ms].
STEADY_N = 3
STEADY_SPAN_MS = 40_000
STEADY_WITHIN_MS = 20_000

#: Enough messages, :data:`EVERY_MS` apart, to reach over :data:`STEADY_SPAN_MS`.
_STRAYS_N = 16


class Condition(enum.StrEnum):
    """How a sensor's clock stands."""

    NOT_MEASURED = "not measured"
    RIGHT = "right"
    AHEAD = "ahead"
    BEHIND = "behind"
    AT_1970 = "at 1970"
    UNSTEADY = "unsteady"


@dataclass(frozen=True, slots=True)
class Step:
    """A clock was set or lost its time at ``at_ms`` by ours; the offset before and after [ms]."""

    at_ms: int
    offset_before_ms: int
    offset_after_ms: int

    @property
    def back_ms(self) -> int:
        """How far the clock stepped back [ms]; negative when it stepped on."""
        return self.offset_after_ms - self.offset_before_ms

    def words(self, now_ms: int, zone: tzinfo = UTC) -> str:
        """Such as ``stepped back 55 min at 14:02``."""
        way = "back" if self.back_ms > 0 else "forward"
        return (
            f"stepped {way} {span_words(self.back_ms)} at {_time_words(self.at_ms, now_ms, zone)}"
        )


@dataclass(frozen=True, slots=True)
class ClockState:
    """What is known of a sensor's clock.

    ``offset_ms`` is arrival minus own time, positive behind, None while there is no steady
    one; ``since_ms`` when the condition began by our clock; ``step`` the last step seen.
    """

    condition: Condition = Condition.NOT_MEASURED
    offset_ms: int | None = None
    since_ms: int | None = None
    step: Step | None = None

    def words(self, now_ms: int, zone: tzinfo = UTC) -> str:
        """For the Health page, such as ``55 min behind since 14:02``; the day when not today."""
        if self.since_ms is None or self.condition is Condition.NOT_MEASURED:
            return "not measured yet"
        since = f"since {_time_words(self.since_ms, now_ms, zone)}"
        match self.condition:
            case Condition.RIGHT:
                return "right"
            case Condition.AT_1970:
                return f"without a clock, at 1970, {since}"
            case Condition.UNSTEADY:
                return f"no steady offset {since}: readings are coming in from the past"
        return f"{span_words(self.offset_ms or 0)} {self.condition.value} {since}"


def span_words(span_ms: int) -> str:
    """A length of time in its two largest units, without a sign, such as ``1 h 5 min``."""
    seconds = round(abs(span_ms) / 1_000)
    for (size, name), (small, small_name) in zip(_SIZES, (*_SIZES[1:], (1, "")), strict=True):
        if seconds >= size or size == 1:
            whole, rest = divmod(seconds, size)
            part = rest // small if small_name else 0
            return f"{whole} {name}" + (f" {part} {small_name}" if part else "")
    raise AssertionError("unreachable")


_SIZES = ((86_400, "d"), (3_600, "h"), (60, "min"), (1, "s"))


def _time_words(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    then, now = moment_of(time_ms).astimezone(zone), moment_of(now_ms).astimezone(zone)
    clock = f"{then:%H:%M}"
    return clock if then.date() == now.date() else f"{clock} on {then:%Y-%m-%d}"


class ClockWatch:
    """Measures one sensor's clock from its messages; deterministic, no clock of its own.

    It begins anew after a restart and knows the offset again within a minute of messages.
    """

    def __init__(self) -> None:
        self._level: deque[int] = deque(maxlen=MEDIAN_OF_N)
        self._strays: deque[tuple[int, int]] = deque(maxlen=_STRAYS_N)  # (received, offset)
        self._strays_since_ms = 0
        self._looked_ms: int | None = None
        self._state = ClockState()

    @property
    def state(self) -> ClockState:
        """What is known by now."""
        return self._state

    def note(self, time_ms: int, received_ms: int) -> None:
        """A live message came; ``time_ms`` is the newest own time in it."""
        if self._looked_ms is not None and 0 <= received_ms - self._looked_ms < EVERY_MS:
            return
        self._looked_ms = received_ms
        offset_ms = received_ms - time_ms
        if self._level and abs(offset_ms - median(self._level)) <= TOLERANCE_MS:
            self._level.append(offset_ms)
            self._strays.clear()
            self._conclude(time_ms, received_ms, self._state.step)
        else:
            self._stray(time_ms, received_ms, offset_ms)

    def _stray(self, time_ms: int, received_ms: int, offset_ms: int) -> None:
        """An offset that does not fit: once enough of them agree, they are the new one."""
        if not self._strays:
            self._strays_since_ms = received_ms
        self._strays.append((received_ms, offset_ms))
        steady = self._steady()
        if not steady:
            self._conclude(time_ms, self._strays_since_ms, self._state.step)
            return
        since_ms, step = steady[0][0], self._state.step
        offsets = [offset for _, offset in steady]
        if self._level:
            step = Step(since_ms, round(median(self._level)), round(median(offsets)))
        self._level.clear()
        self._level.extend(offsets)
        self._strays.clear()
        self._conclude(time_ms, since_ms, step)

    def _steady(self) -> list[tuple[int, int]]:
        """The newest strays as far back as they agree; nothing when those are too few."""
        agreeing: list[tuple[int, int]] = []
        lowest = highest = self._strays[-1][1]
        for received_ms, offset_ms in reversed(self._strays):
            lowest, highest = min(lowest, offset_ms), max(highest, offset_ms)
            if highest - lowest > STEADY_WITHIN_MS:
                break
            agreeing.append((received_ms, offset_ms))
        agreeing.reverse()
        long_enough = agreeing[-1][0] - agreeing[0][0] >= STEADY_SPAN_MS
        return agreeing if len(agreeing) >= STEADY_N and long_enough else []

    def _conclude(self, time_ms: int, since_ms: int, step: Step | None) -> None:
        condition, offset_ms = self._condition(time_ms)
        if condition is self._state.condition and step is self._state.step:
            since_ms = since_ms if self._state.since_ms is None else self._state.since_ms
        self._state = ClockState(condition, offset_ms, since_ms, step)

    def _condition(self, time_ms: int) -> tuple[Condition, int | None]:
        if len(self._strays) >= STEADY_N:
            return Condition.UNSTEADY, None
        if not self._level:
            return Condition.NOT_MEASURED, None
        offset_ms = round(median(self._level))
        if self._strays:  # one or two that disagree change nothing yet
            return self._state.condition, offset_ms
        if time_ms < YEAR_1971_MS:
            return Condition.AT_1970, offset_ms
        if abs(offset_ms) <= TOLERANCE_MS:
            return Condition.RIGHT, offset_ms
        return (Condition.BEHIND if offset_ms > 0 else Condition.AHEAD), offset_ms


class Clocks:
    """A :class:`ClockWatch` for every channel that gives its readings a time of their own.

    ``always`` are those of them of which every reading has one: a message in which others are
    dated by their arrival tells of their clocks too.
    """

    def __init__(self, channels: frozenset[str], always: frozenset[str] = frozenset()) -> None:
        self._watches = {channel: ClockWatch() for channel in sorted(channels)}
        self._always = {channel: self._watches[channel] for channel in sorted(always)}

    @property
    def states(self) -> Mapping[str, ClockState]:
        """What is known of each channel's clock by now."""
        return {channel: watch.state for channel, watch in self._watches.items()}

    def note(self, arrival: Arrival) -> None:
        """A live message came. Leave out retained ones: they were sent at another time."""
        newest: dict[str, int] = {}
        watches = self._always if arrival.undated else self._watches
        for reading in arrival.readings:
            if reading.channel in watches:
                before = newest.get(reading.channel, reading.time_ms)
                newest[reading.channel] = max(before, reading.time_ms)
        for channel, time_ms in newest.items():
            watches[channel].note(time_ms, arrival.received_ms)
