"""What we ask InfluxDB, in Flux. Pure.

Every query is a fixed text; names, channels and times go beside it as parameters, which the
server gets as values of a syntax tree and never as text to be read again. Only a downsampling
task, which the server keeps as bare text, has its two names written into it, as escaped
literals.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.readings import moment_of

#: First and last time that InfluxDB can keep [ms since 1970]: int64 nanoseconds, whole ms.
FIRST_MS = -9_223_372_036_854
LAST_MS = 9_223_372_036_854

#: Second values of a channel and time lie beside the first in a measurement of their own.
CONFLICT = "_conflict"

Parameter = str | datetime | timedelta

_SOURCE = """from(bucket: _bucket)
    |> range(start: _start, stop: _stop)
    |> filter(fn: (r) => r._measurement == _measurement{more})"""
_CHANNEL = " and r.channel == _channel"
_VALUE = ' and r._field == "value"'


@dataclass(frozen=True, slots=True)
class Query:
    """A fixed text and the parameters that go beside it."""

    text: str
    parameters: Mapping[str, Parameter]


@dataclass(frozen=True, slots=True)
class Place:
    """Where the readings lie: a bucket, and a measurement in it."""

    bucket: str
    measurement: str

    @property
    def conflicts(self) -> Place:
        """Where the second values lie."""
        return Place(self.bucket, self.measurement + CONFLICT)

    def window(self, start_ms: int, end_ms: int) -> dict[str, Parameter]:
        """The parameters of every query; the window is cut to what InfluxDB can keep."""
        return {
            "_bucket": self.bucket,
            "_measurement": self.measurement,
            "_start": moment_of(max(start_ms, FIRST_MS)),
            "_stop": moment_of(min(end_ms, LAST_MS)),
        }


def empty(start_ms: int, end_ms: int) -> bool:
    """Whether a window has nothing in it for InfluxDB, which refuses to be asked for such."""
    return max(start_ms, FIRST_MS) >= min(end_ms, LAST_MS)


def readings(place: Place, channel: str, start_ms: int, end_ms: int) -> Query:
    """Values and marks of a channel: rows of ``_field``, ``_time`` and ``_value``."""
    return _query(
        place, channel, start_ms, end_ms, _CHANNEL, 'keep(columns: ["_time", "_field", "_value"])'
    )


def conflicts(place: Place, channel: str, start_ms: int, end_ms: int) -> Query:
    """The same of second values, with ``nth``."""
    return _query(
        place.conflicts,
        channel,
        start_ms,
        end_ms,
        _CHANNEL,
        'keep(columns: ["_time", "_field", "_value", "nth"])',
    )


def times(place: Place, channel: str, start_ms: int, end_ms: int) -> Query:
    """Times of a channel's readings alone."""
    return _query(place, channel, start_ms, end_ms, _CHANNEL + _VALUE, 'keep(columns: ["_time"])')


def first(place: Place, channel: str, start_ms: int, end_ms: int) -> Query:
    """Value and marks of the first reading in the window."""
    return _query(place, channel, start_ms, end_ms, _CHANNEL, "first()")


def last(place: Place, channel: str, start_ms: int, end_ms: int) -> Query:
    """Value and marks of the last reading in the window."""
    return _query(place, channel, start_ms, end_ms, _CHANNEL, "last()")


def latest(place: Place) -> Query:
    """Value and marks of the last reading of every channel."""
    return _query(place, None, FIRST_MS, LAST_MS, "", "last()")


def count(
    place: Place, channel: str | None, start_ms: int = FIRST_MS, end_ms: int = LAST_MS
) -> Query:
    """Number of readings, of one channel or of each."""
    return _query(
        place, channel, start_ms, end_ms, (_CHANNEL if channel else "") + _VALUE, "count()"
    )


#: What :func:`windows` can ask of each window, and how. The integral is the area under the straight
#: lines between the readings of a window [unit·ms] (Flux standard library, ``integral``).
AGGREGATES: Mapping[str, str] = {
    "min": "min()",
    "max": "max()",
    "integral": "integral(unit: 1ms)",
    "count": "count()",
    "first": "first()",
    "last": "last()",
}


def windows(
    place: Place, channel: str, start_ms: int, end_ms: int, every_ms: int, aggregate: str
) -> Query:
    """One aggregate of the values in each window of ``every_ms`` from ``start_ms`` on.

    Rows of ``_start`` (of the window), ``_time`` (of first and last alone) and ``_value``;
    windows without a reading are left out.
    """
    query = _query(
        place,
        channel,
        start_ms,
        end_ms,
        _CHANNEL + _VALUE,
        f"window(every: _every, offset: _offset)\n    |> {AGGREGATES[aggregate]}",
    )
    return Query(
        query.text,
        {
            **query.parameters,
            "_every": timedelta(milliseconds=every_ms),
            "_offset": timedelta(milliseconds=max(start_ms, FIRST_MS) % every_ms),
        },
    )


def _query(
    place: Place, channel: str | None, start_ms: int, end_ms: int, more: str, end: str
) -> Query:
    parameters = place.window(start_ms, end_ms)
    if channel is not None:
        parameters["_channel"] = channel
    return Query(f"{_SOURCE.format(more=more)}\n    |> {end}\n", parameters)


def minutes_task(place: Place, target: str) -> str:
    """A task that keeps minima, maxima, means and counts of each minute in bucket ``target``.

    It runs each hour over the last three, so that what comes two hours late is in. Charts and
    verdicts never read its bucket; it is for keeping longer than the readings themselves.
    """
    parts = "\n".join(
        f"source\n    |> aggregateWindow(every: 1m, fn: {name}, createEmpty: false,"
        f' timeSrc: "_start")\n    |> set(key: "_field", value: "{name}")\n'
        f"    |> to(bucket: {literal(target)})\n"
        for name in ("min", "max", "mean", "count")
    )
    return (
        f"option task = {{name: {literal(task_name(place))}, every: 1h, offset: 5m}}\n\n"
        f"source = from(bucket: {literal(place.bucket)})\n"
        f"    |> range(start: -3h)\n"
        f"    |> filter(fn: (r) => r._measurement == {literal(place.measurement)}"
        f' and r._field == "value")\n\n{parts}'
    )


def task_name(place: Place) -> str:
    """Name of the downsampling task, by which it is found again."""
    return f"vatside: minutes of {place.measurement} in {place.bucket}"


def literal(text: str) -> str:
    """A text as a Flux string literal."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${")
    return '"' + escaped.replace("\n", "\\n").replace("\r", "\\r") + '"'
