"""Readings as lines of InfluxDB's line protocol, as our own store in InfluxDB has them. Pure.

A reading is ``reading,channel=vat-north value=20.5,marks=0i 1767268800000000000``; a second value
for a time lies in the measurement ``reading_conflict`` under the tag ``nth``. Times are in
nanoseconds, which other tools expect unless told.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from collector.errors import InvalidError, PayloadError
from collector.reading_time import within
from collector.store import flux
from collector.store.line_reader import FIRST_NS, LAST_NS, ReadPoint, points_in
from collector.store.reading_lines import lines_of
from collector.store.settling import Point
from collector.transfer.rows import Fault, Found, Row, Values

#: The units that times may be in, and how many of each make a second.
PRECISIONS = {"ns": 10**9, "us": 10**6, "ms": 10**3, "s": 1}


def written(
    rows: Iterable[Row], measurement: str, values: Values = Values.RECEIVED
) -> Iterator[str]:
    """The lines; raises ``InvalidError`` for what the protocol cannot say."""
    place = flux.Place("", measurement)
    lines = lines_of(place, _points(rows), unit_per_ms=10**6, field=values.column)
    return (line + "\n" for line in lines)


def _points(rows: Iterable[Row]) -> Iterator[Point]:
    for row in rows:
        if not FIRST_NS <= row.time_ms * 10**6 <= LAST_NS:
            raise InvalidError(
                f"{row.channel} has a reading at {row.time_ms} ms since 1970, which line protocol "
                "cannot say in nanoseconds.",
                where="line protocol",
                remedy="Use another form, or leave those times out.",
            )
        yield Point(row.channel, row.time_ms, row.value, row.marks, row.nth)


#: A line as we write it, but for names with escaped characters: measurement, channel, nth, value,
#: marks, time. Whatever it takes, the strict reader takes for the same, and far more slowly.
_OURS = re.compile(
    r"([A-Za-z0-9_.\-]+),channel=([A-Za-z0-9_.:/\-]+)(?:,nth=([1-9]\d{0,8}))?"
    r" value=(-?\d{1,20}(?:\.\d{1,20})?(?:[eE][+-]?\d\d?)?)(?:,marks=(\d{1,2})i)?"
    r" ((?:[1-8]\d{18}|\d{1,18}))\r?\n?",
    re.ASCII,
)


def read(lines: Iterable[str], measurement: str, precision: str) -> Iterator[tuple[int, Found]]:
    """Line number and row of each line; comments and empty lines are passed over."""
    second = flux.Place("", measurement).conflicts.measurement
    for number, line in enumerate(lines, start=1):
        parts = _OURS.fullmatch(line)
        try:
            if parts is not None and parts[1] == (second if parts[3] else measurement):
                _, channel, nth, value, marks, time = parts.groups("0")
                time_ms = _time(int(time), precision)
                yield number, Row(channel, time_ms, float(value), int(marks), int(nth))
            elif found := list(points_in(line)):
                yield number, _row(found[0], measurement, precision)
        except PayloadError as fault:
            raw = line.rstrip("\r\n")
            yield number, Fault(fault.what, "Correct the line.", raw)


def _row(point: ReadPoint, measurement: str, precision: str) -> Row:
    second = flux.Place("", measurement).conflicts.measurement
    if point.name not in (measurement, second):
        raise PayloadError(f"its measurement is {point.name!r}, not {measurement!r}")
    tags = dict(point.tags)
    if "channel" not in tags:
        raise PayloadError("it has no tag channel")
    strange = tags.keys() - {"channel", "nth"} | {one.key for one in point.fields} - _FIELDS
    if strange:
        raise PayloadError(f"{', '.join(sorted(strange))} has no place in a reading")
    fields = {one.key: one for one in point.fields}
    if "value" not in fields:
        raise PayloadError("it has no field value")
    value = fields["value"]
    if value.kind not in ("float", "integer", "unsigned"):
        raise PayloadError(f"its value is a {value.kind}, no number")
    return Row(
        tags["channel"],
        _time(point.time, precision),
        _float(value.value),
        _marks(fields["marks"].value if "marks" in fields else 0),
        _nth(tags.get("nth"), second=point.name == second),
    )


_FIELDS = {"value", "marks"}


def _time(time: int | None, precision: str) -> int:
    if time is None:
        raise PayloadError("it has no time")
    return within(time * 1_000 // PRECISIONS[precision])


def _float(value: float | str) -> float:
    found = float(value)
    if found != value:
        raise PayloadError(f"{value} cannot be kept to the last digit")
    return found


def _marks(value: object) -> int:
    if type(value) is not int or not 0 <= value < 256:
        raise PayloadError(f"{value!r} are no marks; they are a whole number of 0 to 255")
    return value


def _nth(text: str | None, *, second: bool) -> int:
    if text is None:
        return int(second)
    if not (text.isascii() and text.isdigit() and 0 < int(text) < 10**9):
        raise PayloadError(f"{text[:40]!r} is no number of a second value (nth)")
    return int(text)
