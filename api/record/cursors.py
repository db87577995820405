"""Cursors of lists given page by page: the time and id after which a list goes on. Pure."""

from __future__ import annotations

import re

from collector.errors import InvalidError

#: Eighteen digits always fit the record's file.
_CURSOR_NUMBER = re.compile(r"[0-9]{1,18}")


def read_cursor(cursor: str) -> tuple[int, int]:
    """Time [ms] and id of a cursor. Raises ``InvalidError``."""
    numbers = [int(text) for text in cursor.split("-") if _CURSOR_NUMBER.fullmatch(text)]
    if len(numbers) != 2 or cursor.count("-") != 1:
        raise InvalidError(
            "that is no cursor of this list",
            where="cursor",
            remedy="Take the cursor from `next` of the page before, or leave it out.",
        )
    return numbers[0], numbers[1]
