"""What the collector remembers of each channel for the Health page. Pure."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Mapping
from statistics import median

from collector.clocks import ClockState, Condition
from collector.readings import Mark
from collector.status import ChannelStatus
from collector.store.contract import Arrival

#: The usual interval is the median of so many, and known after so many.
INTERVALS_N = 15
LEAST_INTERVALS_N = 3

#: Messages closer together than this are a burst: what waited at the broker, or sent twice [ms].
BURST_MS = 100


class ChannelTally:
    """The messages of one channel: when, how often, with what doubts."""

    __slots__ = ("before", "intervals", "last_received_ms", "last_time_ms", "marks", "status")

    def __init__(self, before: ChannelStatus) -> None:
        """``before`` is what was known when the collector last stopped."""
        self.before = before
        self.last_received_ms = before.last_received_ms
        self.last_time_ms: int | None = None
        self.intervals: deque[int] = deque(maxlen=INTERVALS_N)
        self.marks: Counter[int] = Counter()
        self.status = (before.battery, before.radio, before.sensor_ms)

    def note(self, time_ms: int, received_ms: int) -> None:
        """A message came; ``time_ms`` is that of the newest reading in it."""
        self.last_received_ms = received_ms
        if self.last_time_ms is not None and time_ms >= self.last_time_ms + BURST_MS:
            self.intervals.append(time_ms - self.last_time_ms)
        self.last_time_ms = time_ms

    def interval_ms(self) -> int | None:
        """The usual time between its messages [ms]; from before the start until it is known."""
        known = list(self.intervals)
        return round(median(known)) if len(known) >= LEAST_INTERVALS_N else self.before.interval_ms


class ChannelTallies:
    """The tallies of all channels."""

    def __init__(self, channels: Iterable[str], before: Mapping[str, ChannelStatus]) -> None:
        self._tallies = {
            channel: ChannelTally(before.get(channel, ChannelStatus(channel=channel)))
            for channel in channels
        }

    def note(self, arrival: Arrival) -> None:
        """A message came that is not a repeated one; its readings carry their marks."""
        newest: dict[str, int] = {}
        tallies = self._tallies
        for reading in arrival.readings:
            channel = reading.channel
            if channel not in newest or reading.time_ms > newest[channel]:
                newest[channel] = reading.time_ms
            if reading.marks:
                tallies[channel].marks[reading.marks.value] += 1
        for channel, time_ms in newest.items():
            tallies[channel].note(time_ms, arrival.received_ms)
        for sensor in arrival.sensors:
            self._tallies[sensor.channel].status = (
                sensor.battery,
                sensor.radio,
                arrival.received_ms,
            )

    def statuses(self, clocks: Mapping[str, ClockState]) -> tuple[ChannelStatus, ...]:
        """What is known of every channel; a clock not measured yet is as it was before."""
        return tuple(
            ChannelStatus(
                channel=channel,
                last_received_ms=tally.last_received_ms,
                interval_ms=tally.interval_ms(),
                marks=_by_name(tally.marks),
                clock=_measured(clocks.get(channel, ClockState()), tally.before.clock),
                battery=tally.status[0],
                radio=tally.status[1],
                sensor_ms=tally.status[2],
            )
            for channel, tally in self._tallies.items()
        )


def _by_name(counts: Counter[int]) -> dict[str, int]:
    """How many readings carry each mark, of counts by combinations of marks."""
    seen = list(counts.items())
    by_mark = {
        mark.name.lower(): sum(n for bits, n in seen if bits & mark) for mark in Mark if mark.name
    }
    return {name: count for name, count in by_mark.items() if count}


def _measured(now: ClockState, before: ClockState) -> ClockState:
    return before if now.condition is Condition.NOT_MEASURED else now
