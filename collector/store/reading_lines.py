"""Readings as lines of InfluxDB's line protocol. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from collector.store.flux import Place
from collector.store.lines import float_text, series
from collector.store.settling import Point


def lines_of(
    place: Place, points: Iterable[Point], *, unit_per_ms: int = 1, field: str = "value"
) -> Iterator[str]:
    """Points as lines: ``field`` always a float, field ``marks`` always an integer.

    Times are in milliseconds, or with ``unit_per_ms`` in that part of one.
    """
    heads: dict[tuple[str, int], str] = {}
    for point in points:
        head = heads.get((point.channel, point.nth))
        if head is None:
            tags = {"channel": point.channel}
            measurement = place.measurement
            if point.nth:
                measurement, tags["nth"] = place.conflicts.measurement, str(point.nth)
            head = heads[point.channel, point.nth] = series(measurement, tags)
        value = "" if point.value is None else f"{field}={float_text(point.value)},"
        yield f"{head} {value}marks={point.marks}i {point.time_ms * unit_per_ms}"
