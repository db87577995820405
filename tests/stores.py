"""Arrivals to fill any store of readings with."""

from __future__ import annotations

from collections.abc import Iterable

from collector.readings import Reading
from collector.store.contract import Arrival


def arrivals(channel: str, rows: Iterable[tuple[int, float]]) -> list[Arrival]:
    """One message per ``(time_ms, value)`` row, received at the time of its reading."""
    return [
        Arrival(f"cellar/{channel}", time_ms, (Reading(channel, time_ms, value),))
        for time_ms, value in rows
    ]
