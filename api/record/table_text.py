"""A table as a spreadsheet saves it: its text, the sign between cells, numbers, times. Pure."""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta, tzinfo

from collector.errors import InvalidError

#: Signs that part the cells of a row, the usual one first.
DELIMITERS = (",", ";", "\t")

_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
_DECIMAL_COMMA = re.compile(r"[+-]?(\d{1,3}(\.\d{3})+|\d*),\d+")
_NUMBER = re.compile(r"[+-]?[\d.,]*\d[\d.,]*")
_DAY = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})[ T]+(\d{1,2}):(\d{2})(?::(\d{2}))?")


def decoded(content: bytes) -> tuple[str, str]:
    """The text of a table and what it was written in: UTF-8, UTF-16 or, failing both, the old
    code page of Western spreadsheets, in which every byte but five means something.

    Raises ``InvalidError`` where it is none of them.
    """
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8", "cp1252")
    for encoding in encodings:
        try:
            return content.decode(encoding).removeprefix("\ufeff"), encoding
        except UnicodeDecodeError:
            continue
    raise InvalidError(
        "the table is no text", where="table", remedy="Save it as CSV in UTF-8 and choose it anew."
    )


def delimiter_of(text: str) -> str:
    """The sign that parts the cells, by which of them the first row has most outside quotes."""
    first = re.sub(r'"(?:[^"]|"")*"', "", text.removeprefix("\ufeff").lstrip("\r\n"))
    line = first.partition("\n")[0]
    return max(DELIMITERS, key=line.count)


def rows_of(text: str) -> Iterator[list[str]]:
    """Every row's cells, the empty rows too. Raises ``InvalidError`` naming the line."""
    reader = csv.reader(
        _LINE.findall(text.removeprefix("\ufeff")),
        delimiter=delimiter_of(text),
        strict=True,
    )
    try:
        yield from reader
    except csv.Error as error:
        raise InvalidError(
            f"the table cannot be read: {error}",
            where=f"line {reader.line_num}",
            remedy="Save it as CSV with commas, semicolons or tabs between cells, in UTF-8.",
        ) from None


def is_decimal_comma(cell: str) -> bool:
    """Whether a cell can only be a number with a decimal comma, such as ``18,5``."""
    return _DECIMAL_COMMA.fullmatch(cell.strip()) is not None


def with_point(cell: str) -> str:
    """A number with a decimal comma as one with a point; any other cell as it is."""
    text = cell.strip()
    return text.replace(".", "").replace(",", ".") if is_decimal_comma(text) else cell


def without_unit(cell: str, unit: str) -> str:
    """A number without the unit that its field has anyway (``2.6 s``); any other cell as it is."""
    text = cell.strip()
    bare = text.removesuffix(unit).rstrip() if unit else text
    return bare if bare != text and _NUMBER.fullmatch(bare) else cell


def day_in(cell: str) -> date:
    """The day that a cell tells, as ``2026-01-14`` or ``14.1.2026``. Raises ``ValueError``."""
    text = cell.strip()
    day_first = _DAY.fullmatch(text)
    if day_first is None:
        return date.fromisoformat(text)
    day, month, year = map(int, day_first.groups())
    return date(year, month, day)


def moment_in(cell: str, zone: tzinfo) -> datetime:
    """The moment that a cell tells, in ``zone`` where it names none itself.

    Written as ``2026-01-14 20:30`` (seconds, T, Z and offsets as in ISO 8601), or with the day
    first and full stops, ``14.1.2026 20:30``. A time that comes twice in autumn is the first of
    both. Raises ``ValueError`` with what is wrong.
    """
    text = cell.strip()
    day_first = _DAY_FIRST.fullmatch(text)
    if day_first is not None:
        day, month, year, hour, minute, second = (int(part or 0) for part in day_first.groups())
        found = datetime(year, month, day, hour, minute, second)
    else:
        found = datetime.fromisoformat(text)
        if len(text) <= len("2026-01-14"):
            raise ValueError("it has no time of day")
    if found.tzinfo is not None:
        return found.astimezone(UTC)
    before, after = (found.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1))
    if (before or timedelta()) < (after or timedelta()):
        raise ValueError("the clocks skipped it in spring")
    return (found - (before or timedelta())).replace(tzinfo=UTC)
