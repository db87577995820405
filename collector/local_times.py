"""Times that name no zone of their own, as moments in a zone that is said for all of them. Pure."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, tzinfo

from collector.errors import PayloadError
from collector.reading_time import WITHOUT_OFFSET, within
from collector.readings import ms_of

#: As many write it, the day first: ``14.1.2026 20:30``.
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})[ T](\d{1,2}):(\d\d)(?::(\d\d))?", re.ASCII)


class LocalTimes:
    """Resolves the times of one file, in the order in which they stand there.

    An hour in autumn comes twice. A time in it is the first of both unless that would go back
    behind the time before it, of the same ``line`` (a channel, say) where there are several.
    """

    def __init__(self, zone: tzinfo) -> None:
        self._zone = zone
        self._previous_ms: dict[str, float] = {}

    def moment(self, local: datetime, line: str = "") -> datetime | None:
        """The moment of a local time; None when the clocks skipped it in spring."""
        first, second = (local.replace(tzinfo=self._zone, fold=fold) for fold in (0, 1))
        if first.utcoffset() == second.utcoffset():
            return first
        if first.astimezone(UTC).astimezone(self._zone).replace(tzinfo=None) != local:
            return None
        return second if ms_of(first) <= self._previous_ms.get(line, -math.inf) else first

    def note(self, time_ms: int, line: str = "") -> None:
        """A time was read, whatever way."""
        self._previous_ms[line] = time_ms

    def time_ms(self, text: str, line: str = "") -> int | None:
        """Whole milliseconds since 1970 of a date and time without an offset.

        None where the text is nothing of the kind. Raises ``PayloadError`` when the clocks
        skipped it, when it does not exist, or outside 1970 to 9999.
        """
        try:
            local = _local(text)
        except ValueError as fault:
            raise PayloadError(f"the time {text[:40]!r} does not exist: {fault}") from None
        if local is None:
            return None
        moment = self.moment(local, line)
        if moment is None:
            raise PayloadError(f"the time {text[:40]!r} was skipped by the clocks of {self._zone}")
        try:
            found_ms = within(ms_of(moment))
        except OverflowError:
            raise PayloadError(f"the time {text[:40]!r} is not within 1970 to 9999") from None
        self.note(found_ms, line)
        return found_ms


def _local(text: str) -> datetime | None:
    if WITHOUT_OFFSET.fullmatch(text):
        return datetime.fromisoformat(text.upper())
    day_first = _DAY_FIRST.fullmatch(text)
    if day_first is None:
        return None
    day, month, year, hour, minute, second = (int(part or 0) for part in day_first.groups())
    return datetime(year, month, day, hour, minute, second)
