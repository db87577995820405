"""A recording: the rows of a CSV file, each with its time, read one by one.

Times may be ISO 8601 dates and times, with an offset or local to a zone, or Unix seconds or
milliseconds. A row is never in memory longer than it takes.
"""

from __future__ import annotations

import csv
import gzip
import math
import re
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from collector.errors import InvalidError
from collector.local_times import LocalTimes
from collector.reading_time import END_MS
from collector.readings import ms_of

#: A number as CSV files write it: a decimal point, no grouping.
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)

#: Unix times below this are taken for seconds (year 5138), from it on for milliseconds (1973).
_SECONDS_BELOW = 100_000_000_000


def open_text(path: Path) -> TextIO:
    """A file as text, unpacked where its name ends in ``.gz``; bad UTF-8 shows as U+FFFD."""
    try:
        if path.suffix == ".gz":
            return gzip.open(path, "rt", encoding="utf-8-sig", errors="replace", newline="")
        return path.open(encoding="utf-8-sig", errors="replace", newline="")
    except OSError as error:
        raise InvalidError(
            f"The file cannot be read ({error.strerror}).",
            where=str(path),
            remedy="Name a CSV file that exists and may be read.",
        ) from error


def share_read(handle: TextIO, size: int) -> float:
    """How much of a file of that size [bytes] has been read through a handle on it, 0 to 1."""
    raw = getattr(handle, "buffer", None)
    raw = getattr(raw, "fileobj", None) or raw
    return 0.0 if raw is None else min(1.0, raw.tell() / max(1, size))


def time_zone(name: str) -> ZoneInfo:
    """A zone by its name; raises ``InvalidError`` when this machine does not know it."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InvalidError(
            f"There is no time zone {name!r} on this machine.",
            where="zone",
            remedy="Use a name like Europe/Berlin, or UTC.",
        ) from error


class Recording:
    """The rows of a CSV file: line, time or the reason why not, and the cells asked for."""

    def __init__(
        self,
        handle: TextIO,
        path: Path,
        columns: Sequence[str],
        time_column: str | None,
        zone: ZoneInfo,
    ) -> None:
        self._handle = handle
        self._path = path
        self._zone = zone
        self._local_times = LocalTimes(zone)
        self._size = max(1, path.stat().st_size)
        self._rows = csv.reader(handle)
        header, self._first = self._next(), self._next()
        if header is None:
            raise InvalidError(
                "The file is empty.", where=str(path), remedy="Name a CSV file with a header line."
            )
        self._names = [name.strip() for name in header]
        self._places = [self._place_of(name) for name in columns]
        self.time_name, self._time_place = self._find_time(time_column)

    def __iter__(self) -> Iterator[tuple[int, int | str, list[str | None]]]:
        """Line, time [ms since 1970] or what is wrong with it, and the cells (None: no cell)."""
        row = self._first
        while row is not None:
            if row:
                cells = [row[i] if i < len(row) else None for i in self._places]
                cell = row[self._time_place] if self._time_place < len(row) else ""
                yield self._rows.line_num, self._time(cell), cells
            row = self._next()

    @property
    def share(self) -> float:
        """How much of the file has been read, 0 to 1."""
        return share_read(self._handle, self._size)

    def _next(self) -> list[str] | None:
        try:
            return next(self._rows, None)
        except (csv.Error, OSError, EOFError) as error:
            raise InvalidError(
                f"The file cannot be read on from here ({error}).",
                where=f"{self._path}, line {self._rows.line_num + 1}",
                remedy="Save it as CSV in UTF-8, with commas between the columns.",
            ) from error

    def _place_of(self, name: str) -> int:
        if name not in self._names:
            raise InvalidError(
                f"There is no column {name!r}.",
                where=f"{self._path}, line 1",
                remedy=f"Its columns are: {', '.join(self._names)}.",
            )
        return self._names.index(name)

    def _find_time(self, name: str | None) -> tuple[str, int]:
        """The column named, else the first whose first cell is written as a date and time."""
        if name is not None:
            return name, self._place_of(name)
        for place, cell in enumerate(self._first or []):
            if place < len(self._names) and isinstance(_moment(cell), datetime):
                return self._names[place], place
        raise InvalidError(
            "No column of the first row holds a date and time.",
            where=f"{self._path}, line 2",
            remedy=f"Name the one with the times; the columns are: {', '.join(self._names)}.",
        )

    def _time(self, cell: str) -> int | str:
        found: datetime | int | None = _moment(cell)
        if found is None:
            return f"{cell.strip()[:40]!r} is no time"
        if isinstance(found, datetime) and found.tzinfo is None:
            found = self._local_times.moment(found)
            if found is None:
                return f"{cell.strip()!r} was skipped by the clocks of {self._zone.key}"
        try:
            time_ms = found if isinstance(found, int) else ms_of(found)
        except OverflowError:
            time_ms = -1
        if not 0 <= time_ms < END_MS:
            return f"{cell.strip()[:40]!r} is not within 1970 to 9999"
        self._local_times.note(time_ms)
        return time_ms


def _moment(cell: str) -> datetime | int | None:
    """A date and time, or Unix time as whole ms; None for anything else."""
    text = cell.strip()
    if NUMBER.fullmatch(text):
        unix = float(text)
        ms = unix * 1_000 if abs(unix) < _SECONDS_BELOW else unix
        return round(ms) if math.isfinite(ms) else None
    try:
        return datetime.fromisoformat(text) if len(text) >= 16 else None
    except ValueError:
        return None
