"""Times for messages that carry none: that of their arrival, each channel's a moment apart. Pure.

What waited at the broker comes all at once, many messages in one millisecond. Dated alike they
would look like second values for one reading, or like the same reading twice; so each is dated
at least a millisecond after the one before it.
"""

from __future__ import annotations

from collections.abc import Mapping

from collector.readings import Reading
from collector.store.contract import Arrival

#: Further ahead of its arrival no reading is dated [ms]; the clock that dates may also be set back.
MOST_AHEAD_MS = 60_000


class ArrivalTimes:
    """The last time given in each channel."""

    def __init__(self, last_ms: Mapping[str, int] | None = None) -> None:
        self._last_ms = dict(last_ms or {})

    def spread(self, arrival: Arrival) -> Arrival:
        """The same message, its readings that are dated by the arrival moved on where need be.

        Only for a message that is ``undated``. Readings with another time are left alone.
        """
        readings = tuple(self._spread(one, arrival.received_ms) for one in arrival.readings)
        return arrival if readings == arrival.readings else arrival.with_readings(readings)

    def _spread(self, reading: Reading, received_ms: int) -> Reading:
        if reading.time_ms != received_ms:
            return reading
        last_ms = self._last_ms.get(reading.channel)
        if last_ms is None or not received_ms <= last_ms < received_ms + MOST_AHEAD_MS:
            self._last_ms[reading.channel] = received_ms
            return reading
        self._last_ms[reading.channel] = last_ms + 1
        return Reading(reading.channel, last_ms + 1, reading.value, reading.marks)
