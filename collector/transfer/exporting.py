"""Readings out of a store, channel by channel and day by day."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from collector.store.contract import KeepsConflicts, ReadingStore
from collector.store.days import END_MS, FIRST_MS, days
from collector.transfer.rows import Block, Row, rows_of


@dataclass(slots=True)
class Exported:
    """How many readings and second values went out so far, by channel."""

    readings_n: dict[str, int] = field(default_factory=dict)
    seconds_n: int = 0

    @property
    def rows_n(self) -> int:
        """Rows in the file."""
        return sum(self.readings_n.values()) + self.seconds_n


def rows_from(
    store: ReadingStore,
    channels: Sequence[str],
    units: Mapping[str, str],
    done: Exported,
    *,
    start_ms: int | None = None,
    end_ms: int | None = None,
    progress: Callable[[Exported], None] = lambda _: None,
) -> Iterator[Row]:
    """The rows of these channels in a window, in time order; what went out is noted in ``done``.

    Second values come along where the store tells them. Readings that come in meanwhile may or
    may not be among them.
    """
    window = (FIRST_MS if start_ms is None else start_ms, END_MS if end_ms is None else end_ms)
    for channel in channels:
        done.readings_n[channel] = 0
        for first_ms, last_ms, series in days(store, channel, *window):
            seconds = (
                store.conflicts(channel, first_ms, last_ms)
                if isinstance(store, KeepsConflicts)
                else []
            )
            yield from rows_of(Block(units.get(channel), series, seconds))
            done.readings_n[channel] += len(series)
            done.seconds_n += len(seconds)
            progress(done)
