"""The demo's messages: readings as SenML packs. Pure.

One form serves history and the present: a SenML pack (RFC 8428, JSON) of one channel with
readings that carry their own times, some hundreds for history, one or a few when live.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from dashboards.demo.physics import DAY_S, Floats
from dashboards.demo.sensors import (
    CHANNELS,
    first_layers_times,
    history_times,
    live_times,
    machine_of,
    readings,
)
from dashboards.demo.winter import Winter

#: Topic of each channel; its SenML name is the same text.
TOPICS = {
    "vat-north": "cellar/north/vat",
    "vat-south": "cellar/south/vat",
    "room-temp": "cellar/room/temperature",
    "room-humidity": "cellar/room/humidity",
    "chamber": "cellar/chamber/temperature",
    "power-north": "cellar/north/power",
    "power-south": "cellar/south/power",
}

#: SenML unit of each channel (RFC 8428, section 12.1).
SENML_UNITS = {
    "vat-north": "Cel",
    "vat-south": "Cel",
    "room-temp": "Cel",
    "room-humidity": "%RH",
    "chamber": "Cel",
    "power-north": "W",
    "power-south": "W",
}

#: Readings in one pack of history; some 6 kB, well below the brokers' limits.
PACK_N = 250


#: The end of the history, which makes a channel live [s]: longer than a reading may be on its
#: way without counting as late.
FRESH_S = 360.0


@dataclass(frozen=True, slots=True)
class Message:
    """One MQTT message to publish, with the number of readings in it."""

    topic: str
    payload: bytes
    reading_n: int


def packs(channel: str, times_s: Floats, values: Floats) -> Iterator[Message]:
    """The readings of one channel as SenML packs of at most :data:`PACK_N`, in time order."""
    for first in range(0, len(times_s), PACK_N):
        times = times_s[first : first + PACK_N].astype(np.int64).tolist()
        numbers = values[first : first + PACK_N].tolist()
        base, unit = times[0], SENML_UNITS[channel]
        records: list[dict[str, float | str]] = [
            {"t": time - base, "v": value} for time, value in zip(times, numbers, strict=True)
        ]
        records[0] = {"bn": TOPICS[channel], "bt": base, "bu": unit, "v": numbers[0]}
        payload = json.dumps(records, separators=(",", ":")).encode()
        yield Message(TOPICS[channel], payload, len(records))


def history(
    winter: Winter, until_s: float, channels: Sequence[str] = CHANNELS
) -> Iterator[Message]:
    """Every reading before ``until_s`` once, each stretch in order of time.

    What the pages need first comes first: the last day of every channel; the vats around the
    first layers of every print and the chamber's runs; then the rest, week by week. The last
    minutes come at the very end: with them a channel is live, and whatever older came after
    that would count as late. They begin with a stretch held back from before: readings that
    went on from the last ones as long after them as they were read would seem to come from a
    clock that is behind.
    """
    yesterday_s, fresh_s = until_s - DAY_S, until_s - FRESH_S
    held_s, held_until_s = fresh_s - FRESH_S, fresh_s - FRESH_S / 2
    schedule = {channel: history_times(winter, channel, until_s) for channel in channels}
    urgent = {channel: _urgent(winter, channel, until_s) for channel in channels}
    for channel in channels:
        times = schedule[channel]
        yield from _sent(winter, channel, _within(times, yesterday_s, held_s))
        yield from _sent(winter, channel, _within(times, held_until_s, fresh_s))
    for channel in channels:
        yield from _sent(winter, channel, _within(urgent[channel], winter.start_s, yesterday_s))
    start_s = winter.start_s
    while start_s < yesterday_s:
        end_s = min(start_s + 7 * DAY_S, yesterday_s)
        for channel in channels:
            week = _within(schedule[channel], start_s, end_s)
            yield from _sent(winter, channel, _without(week, urgent[channel]))
        start_s = end_s
    for channel in channels:
        yield from _sent(winter, channel, _within(schedule[channel], held_s, held_until_s))
        yield from _sent(winter, channel, _within(schedule[channel], fresh_s, until_s))


def last_sent_s(winter: Winter, channel: str, until_s: float) -> float:
    """Time of the reading with which a channel's history ends on its way out [s].

    A topic keeps its order, so when this reading has arrived all of them have.
    """
    *_, last = history(winter, until_s, (channel,))
    records = json.loads(last.payload)
    return float(records[0]["bt"]) + float(records[-1].get("t", 0.0))


def live(winter: Winter, start_s: float, end_s: float) -> Iterator[Message]:
    """What the sensors send in [start_s, end_s), as they send it."""
    for channel in CHANNELS:
        yield from _sent(winter, channel, live_times(channel, start_s, end_s))


def _urgent(winter: Winter, channel: str, until_s: float) -> Floats:
    if channel.startswith("vat-"):
        return first_layers_times(winter, machine_of(channel), until_s)
    if channel == "chamber":
        return history_times(winter, channel, until_s)
    return np.empty(0)


def _without(times_s: Floats, others_s: Floats) -> Floats:
    """The moments that are not among the others; both sorted."""
    if not len(others_s):
        return times_s
    place = np.minimum(np.searchsorted(others_s, times_s), len(others_s) - 1)
    return np.asarray(times_s[others_s[place] != times_s], dtype=np.float64)


def _within(times_s: Floats, start_s: float, end_s: float) -> Floats:
    """The moments in [start_s, end_s)."""
    return times_s[(times_s >= start_s) & (times_s < end_s)]


def _sent(winter: Winter, channel: str, times_s: Floats) -> Iterator[Message]:
    """Packs of what arrives of these moments, in order of time."""
    if len(times_s):
        yield from packs(channel, *readings(winter, channel, times_s))
