"""Readings as CSV (RFC 4180, UTF-8): a heading line and a line for each reading. Pure."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from itertools import chain
from operator import itemgetter

from collector.errors import InvalidError, PayloadError
from collector.readings import moment_of
from collector.transfer.cells import OWN_FIELDS, Columns, RowMaker, delimiter_of
from collector.transfer.rows import Fault, Found, Row, Values, marks_text


def written(rows: Iterable[Row], values: Values = Values.RECEIVED) -> Iterator[str]:
    """The lines of a table: times as RFC 3339 in UTC, values in the fewest exact digits."""
    heading = [values.column if field == "value" else field for field in OWN_FIELDS]
    yield ",".join(heading) + "\n"
    for row in rows:
        marks = marks_text(row.marks) if row.marks else ""
        yield (
            f"{row.channel},{time_text(row.time_ms)},{row.value!r},"
            f"{row.unit or ''},{marks},{row.nth}\n"
        )


def time_text(time_ms: int) -> str:
    """A time as ``2026-01-14T19:30:00.000Z``."""
    return moment_of(time_ms).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def read(lines: Iterable[str], columns: Columns, where: str) -> Iterator[tuple[int, Found]]:
    """Line number (the heading is 1) and row of each line; empty lines are passed over.

    Raises ``InvalidError`` when the table as a whole cannot be read.
    """
    coming = iter(lines)
    heading = next(coming, "")
    delimiter = delimiter_of(heading)
    cells_of = csv.reader(chain([heading], coming), delimiter=delimiter, strict=True)
    make = RowMaker(columns)
    try:
        headings = [cell.strip() for cell in next(cells_of, [])]
    except csv.Error as error:
        raise _unreadable(where, 1, error) from None
    if not headings:
        raise InvalidError("The file is empty.", where=where, remedy="Name a table with headings.")
    places = columns.places(headings, f"{where}, line 1")
    fields, most = tuple(places), max(places.values())
    cells_wanted = itemgetter(*places.values())  # of two at least, so it gives a tuple
    while True:
        try:
            cells = next(cells_of)
        except StopIteration:
            return
        except csv.Error as error:
            yield cells_of.line_num, _broken(error)
            return
        if not cells:
            continue
        if len(cells) <= most:
            short = f"it has {len(cells)} cells where the heading has {len(headings)}"
            yield cells_of.line_num, Fault(short, "Complete the row.", delimiter.join(cells))
            continue
        try:
            yield cells_of.line_num, make.row(dict(zip(fields, cells_wanted(cells), strict=True)))
        except PayloadError as fault:
            yield cells_of.line_num, Fault(fault.what, "Correct the row.", delimiter.join(cells))


def _broken(error: csv.Error) -> Fault:
    return Fault(
        f"from here on it is no CSV ({error})", "Save the table as CSV in UTF-8.", fatal=True
    )


def _unreadable(where: str, line: int, error: csv.Error) -> InvalidError:
    return InvalidError(
        f"It is no CSV ({error}).",
        where=f"{where}, line {line}",
        remedy="Save the table as CSV in UTF-8.",
    )
