"""Moments as the record stores them: whole milliseconds since 1970 UTC."""

from __future__ import annotations

from datetime import datetime

from api.prints import EARLIEST, LATEST
from collector.errors import InvalidError
from collector.readings import moment_of, ms_of


def stored(moment: datetime, field: str) -> int:
    """A moment as it is stored [ms since 1970 UTC]; refuses what is a slip of the pen."""
    if not EARLIEST <= moment <= LATEST:
        raise InvalidError(
            "a time lies between the years 1970 and 2200",
            where=field,
            remedy="Check the date.",
        )
    return ms_of(moment)


def stored_or_none(moment: datetime | None, field: str) -> int | None:
    """The same for a moment that may not have been noted."""
    return None if moment is None else stored(moment, field)


def moment_or_none(time_ms: int | None) -> datetime | None:
    """A stored moment back; None where none was noted."""
    return None if time_ms is None else moment_of(time_ms)
