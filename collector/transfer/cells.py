"""A table's row, cell by cell, for the forms that have columns. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from math import isfinite

from collector.channels import TimeForm
from collector.errors import InvalidError, PayloadError
from collector.local_times import LocalTimes
from collector.reading_time import WITHOUT_OFFSET, time_ms
from collector.transfer.rows import Row, Values, marks_of

TIME_FIELDS = ("time", "unix_s", "unix_ms")
FIELDS = ("channel", *TIME_FIELDS, "value", "unit", "marks", "nth")

#: What a table of ours has, in this order.
OWN_FIELDS = ("channel", "time", "value", "unit", "marks", "nth")


@dataclass(frozen=True, slots=True)
class Columns:
    """How a table is read: ``named`` gives the field of a heading, ``channel`` that of all rows.

    A heading that is a field's own name needs no mention. ``zone`` is that of times which name
    none; without it they are faults. With ``decimal_comma`` a number may be written ``18,5``.
    """

    named: Mapping[str, str] | None = None
    channel: str | None = None
    zone: tzinfo | None = None
    decimal_comma: bool = False

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


class RowMaker:
    """Makes rows of the cells of one table, in the order in which they stand there."""

    def __init__(self, columns: Columns) -> None:
        self._channel = columns.channel
        self._local_times = None if columns.zone is None else LocalTimes(columns.zone)
        self._decimal_comma = columns.decimal_comma

    def row(self, cells: Mapping[str, object]) -> Row:
        """The row that the cells give by field; an empty text or None is no cell.

        Raises ``PayloadError`` when they give none.
        """
        if self._decimal_comma:
            cells = {field: _with_point(cells[field], field) for field in cells}
        channel = _text(cells, "channel") or self._channel or _absent("channel")
        return Row(
            channel,
            self._time(cells, channel),
            _number(cells.get("value")),
            _marks(cells.get("marks")),
            _nth(cells.get("nth")),
            _text(cells, "unit"),
        )

    def _time(self, cells: Mapping[str, object], channel: str) -> int:
        for field, form in _FORMS.items():
            found = cells.get(field)
            if found is None or found == "":
                continue
            if type(found) is not str:
                return time_ms(found, form)
            if form is _RFC3339:
                return self._written(found.strip(), channel)
            number = _number(found)
            return time_ms(int(number) if number.is_integer() else number, form)
        raise PayloadError("the time is missing")

    def _written(self, text: str, channel: str) -> int:
        """A time as text: with its offset, or local where a zone is known."""
        if self._local_times is not None:
            found_ms = self._local_times.time_ms(text, channel)
            if found_ms is not None:
                return found_ms
        try:
            found_ms = time_ms(text, _RFC3339)
        except PayloadError as fault:
            raise _advised(text, fault) from None
        if self._local_times is not None:
            self._local_times.note(found_ms, channel)
        return found_ms


def _advised(text: str, fault: PayloadError) -> PayloadError:
    """A fault of a time as text, with the option that may help."""
    if WITHOUT_OFFSET.fullmatch(text):
        return PayloadError(
            f"the time {text!r} has no offset; name the zone of such times with --zone"
        )
    if text.isdigit():
        return PayloadError(
            f"the time {text[:40]!r} is no date; for Unix time say --column HEADING=unix_s or "
            "unix_ms"
        )
    return fault


def delimiter_of(heading: str) -> str:
    """What parts the cells: of comma, semicolon and tab what the heading has most of."""
    return max(",;\t", key=heading.count)


def _with_point(found: object, field: str) -> object:
    if field in _NUMBERS and isinstance(found, str) and "." not in found:
        return found.replace(",", ".", 1)
    return found


def _absent(field: str) -> str:
    raise PayloadError(f"the {field} is missing")


def _text(cells: Mapping[str, object], field: str) -> str | None:
    found = cells.get(field)
    return str(found).strip() or None if found is not None else None


_NUMBERS = ("value", "unix_s", "unix_ms")

_RFC3339 = TimeForm.RFC3339  # found faster than in the enum

_FORMS: Mapping[str, TimeForm] = {
    "time": _RFC3339,
    "unix_s": TimeForm.UNIX_S,
    "unix_ms": TimeForm.UNIX_MS,
}


def _number(found: object) -> float:
    if found is None or found == "":
        raise PayloadError("the value is missing")
    text = str(found).strip()
    # float() alone would take 1_000, nan and digits of other scripts.
    if isinstance(found, str) and not _NUMBER.issuperset(text):
        comma = "; with --decimal-comma it is one" if _DECIMAL_COMMA.fullmatch(text) else ""
        raise PayloadError(f"{text[:40]!r} is no number{comma}")
    try:
        value = float(text)
    except ValueError:
        raise PayloadError(f"{text[:40]!r} is no number") from None
    if isinstance(found, bool) or not isfinite(value):
        raise PayloadError(f"{text[:40]!r} is no number that can be kept")
    return value


_NUMBER = frozenset("0123456789+-.eE")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)


def _marks(found: object) -> int:
    return marks_of(str(found)) if found else 0


def _nth(found: object) -> int:
    if not found or found == "0":
        return 0
    text = str(found).strip()
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise PayloadError(f"{text[:40]!r} is no number of a second value (nth)")
    return int(text)
