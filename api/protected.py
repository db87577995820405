"""Which readings belong to a print or a soak run on record, so that no rule takes them out."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from urllib.parse import quote

from pydantic import ValidationError

from api.print_conditions import BEFORE_START
from api.prints import Afterwork
from collector.errors import StoreError
from collector.readings import ms_of

#: A soak run without an end is protected for good [ms since 1970]: up to the year 10000.
NO_END_MS = 253_402_300_800_000

#: No print takes longer; one whose end was never noted is protected for so long, and one of
#: which only the order is known about that time [ms].
LONGEST_PRINT_MS = 7 * 86_400_000

_BEFORE_MS = BEFORE_START // timedelta(milliseconds=1)

#: A half-open window [ms since 1970].
Window = tuple[int, int]


def protected_windows(path: Path) -> list[Window]:
    """Of every print, with the hours before it and its afterwork, and of every soak run.

    Read anew from ``record.db``, which is not changed. Raises ``StoreError`` when it is not
    there or cannot be understood: then nobody knows what may be taken out.
    """
    try:
        with closing(
            sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True)
        ) as record:
            prints = record.execute(
                "SELECT start_ms, end_ms, order_only, afterwork FROM print"
            ).fetchall()
            soaks = record.execute("SELECT started_ms, ended_ms FROM soak").fetchall()
        windows = [window for row in prints for window in _of_print(*row)]
    except (sqlite3.Error, ValidationError) as error:
        raise StoreError(
            f"The record of prints and soak runs cannot be read ({error}).",
            where=str(path),
            remedy="Start the pages once, which make it, or put a backup in its place.",
        ) from error
    for start_ms, end_ms in soaks:
        windows.append((start_ms, NO_END_MS if end_ms is None else end_ms + 1))
    return windows


def _of_print(
    start_ms: int, end_ms: int | None, order_only: int, afterwork: str
) -> Iterator[Window]:
    """Ends count in: what happened in their millisecond belongs to them."""
    begin_ms = start_ms - (LONGEST_PRINT_MS if order_only else _BEFORE_MS)
    unknown = order_only or end_ms is None
    until_ms = max(start_ms, end_ms or start_ms) + (LONGEST_PRINT_MS if unknown else 0)
    yield begin_ms, until_ms + 1
    for _, stage in Afterwork.model_validate_json(afterwork):
        window = None if stage is None else stage.window
        if window is not None:
            yield ms_of(window.start), ms_of(window.end) + 1
