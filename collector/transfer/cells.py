"""A table's row, cell by cell, for the forms that have columns. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

from collector.channels import TimeForm
from collector.errors import InvalidError, PayloadError
from collector.reading_time import time_ms
from collector.transfer.rows import Row, Values, marks_of

TIME_FIELDS = ("time", "unix_s", "unix_ms")
FIELDS = ("channel", *TIME_FIELDS, "value", "unit", "marks", "nth")

#: What a table of ours has, in this order.
OWN_FIELDS = ("channel", "time", "value", "unit", "marks", "nth")


@dataclass(frozen=True, slots=True)
class Columns:
    """How a table is read: ``named`` gives the field of a heading, ``channel`` that of all rows.

    A heading that is a field's own name needs no mention.
    """

    named: Mapping[str, str] | None = None
    channel: str | None = None

    def places(self, headings: Sequence[str], where: str) -> dict[str, int]:
        """The place of each field; raises ``InvalidError`` naming what is missing or double."""
        named = self.named or {}
        for heading, field in named.items():
            if field not in FIELDS:
                raise InvalidError(
                    f"There is no field {field!r}.",
                    where="--column",
                    remedy=f"Use one of {', '.join(FIELDS)}.",
                )
            if heading not in headings:
                raise InvalidError(
                    f"There is no column {heading!r}.",
                    where=where,
                    remedy=f"Its columns are: {', '.join(headings)}.",
                )
        places: dict[str, int] = {}
        for place, heading in enumerate(headings):
            field = named.get(heading, heading)
            if field not in FIELDS:
                continue
            if field in places:
                raise InvalidError(
                    f"Two columns are the {field}.", where=where, remedy="Keep one of them."
                )
            places[field] = place
        self._check(places, headings, where)
        return places

    def _check(self, places: Mapping[str, int], headings: Sequence[str], where: str) -> None:
        if "value" not in places:
            computed = [kind.column for kind in Values if kind.column in headings]
            if computed:
                raise InvalidError(
                    f"The values are {computed[0]} ones, computed from what was received.",
                    where=where,
                    remedy="Import a file of received values: `vatside export readings` as it is.",
                )
            raise _missing("value", headings, where)
        if sum(one in places for one in TIME_FIELDS) != 1:
            raise _missing("time", headings, where)
        if "channel" not in places and self.channel is None:
            raise _missing("channel", headings, where)


def _missing(field: str, headings: Sequence[str], where: str) -> InvalidError:
    also = {
        "time": " (RFC 3339), unix_s or unix_ms, one of them",
        "channel": ", or name one channel for all rows with --channel ID",
    }.get(field, "")
    return InvalidError(
        f"No column tells the {field}.",
        where=where,
        remedy=f"Say which, such as --column HEADING={field}{also}. "
        f"The columns are: {', '.join(headings)}.",
    )


def row_of(cells: Mapping[str, object], channel: str | None) -> Row:
    """The row that the cells of a table give by field; an empty text or None is no cell.

    Raises ``PayloadError`` when they give none.
    """
    return Row(
        _text(cells, "channel") or channel or _absent("channel"),
        _time(cells),
        _number(cells.get("value")),
        _marks(cells.get("marks")),
        _nth(cells.get("nth")),
        _text(cells, "unit"),
    )


def _absent(field: str) -> str:
    raise PayloadError(f"the {field} is missing")


def _text(cells: Mapping[str, object], field: str) -> str | None:
    found = cells.get(field)
    return str(found).strip() or None if found is not None else None


def _time(cells: Mapping[str, object]) -> int:
    for field, form in _FORMS.items():
        found = cells.get(field)
        if found is None or found == "":
            continue
        if isinstance(found, str) and form is not TimeForm.RFC3339:
            found = _number(found)
            found = int(found) if found.is_integer() else found
        return time_ms(found.strip() if isinstance(found, str) else found, form)
    raise PayloadError("the time is missing")


_FORMS: Mapping[str, TimeForm] = {
    "time": TimeForm.RFC3339,
    "unix_s": TimeForm.UNIX_S,
    "unix_ms": TimeForm.UNIX_MS,
}


def _number(found: object) -> float:
    if found is None or found == "":
        raise PayloadError("the value is missing")
    text = str(found).strip()
    # float() alone would take 1_000, nan and digits of other scripts.
    if isinstance(found, str) and not _NUMBER.issuperset(text):
        raise PayloadError(f"{text[:40]!r} is no number")
    try:
        value = float(text)
    except ValueError:
        raise PayloadError(f"{text[:40]!r} is no number") from None
    if isinstance(found, bool) or not isfinite(value):
        raise PayloadError(f"{text[:40]!r} is no number that can be kept")
    return value


_NUMBER = frozenset("0123456789+-.eE")


def _marks(found: object) -> int:
    return marks_of(str(found)) if found else 0


def _nth(found: object) -> int:
    if not found or found == "0":
        return 0
    text = str(found).strip()
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise PayloadError(f"{text[:40]!r} is no number of a second value (nth)")
    return int(text)
