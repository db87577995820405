"""The shared types of a reading: its role, its channel, its unit and its time. Pure.

A *channel* is one quantity from one sensor (``vat-north``: temperature of a vat, °C).
A *reading* is one value of a channel at one moment. Times are whole milliseconds since
1970-01-01 UTC wherever they are stored or computed with, aware UTC ``datetime`` at the rim.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Self

import numpy as np
import numpy.typing as npt


class Role(enum.StrEnum):
    """What a channel measures; it fixes the unit the value is kept in."""

    VAT_TEMPERATURE = "vat_temperature"
    ROOM_TEMPERATURE = "room_temperature"
    ROOM_HUMIDITY = "room_humidity"
    CHAMBER_TEMPERATURE = "chamber_temperature"
    SPECIMEN_TEMPERATURE = "specimen_temperature"
    PRINTER_POWER = "printer_power"

    @property
    def unit(self) -> str:
        """The unit readings of this role are kept in: ``°C``, ``%RH`` or ``W``."""
        return _UNIT_OF[self]


_UNIT_OF = {
    Role.VAT_TEMPERATURE: "°C",
    Role.ROOM_TEMPERATURE: "°C",
    Role.ROOM_HUMIDITY: "%RH",
    Role.CHAMBER_TEMPERATURE: "°C",
    Role.SPECIMEN_TEMPERATURE: "°C",
    Role.PRINTER_POWER: "W",
}


class Mark(enum.IntFlag):
    """Doubts about a reading. A mark is added; the value is never changed or removed."""

    NONE = 0
    IMPLAUSIBLE = 1
    STUCK = 2
    JUMP = 4
    LATE = 8
    CLOCK = 16
    CONFLICT = 32


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one channel: ``time_ms`` since 1970 UTC, ``value`` in the role's unit."""

    channel: str
    time_ms: int
    value: float
    marks: Mark = Mark.NONE


@dataclass(frozen=True, slots=True)
class Series:
    """Readings of one channel in time order, as arrays of equal length.

    ``times_ms`` int64 [ms since 1970 UTC], strictly increasing; ``values`` float64 [the role's
    unit]; ``marks`` uint8, bits of :class:`Mark`.
    """

    channel: str
    times_ms: npt.NDArray[np.int64]
    values: npt.NDArray[np.float64]
    marks: npt.NDArray[np.uint8]

    @classmethod
    def of(cls, channel: str, rows: Iterable[tuple[int, float, int]]) -> Self:
        """Build from ``(time_ms, value, marks)`` rows that are in time order already."""
        triples = list(rows)
        return cls(
            channel,
            np.array([t for t, _, _ in triples], dtype=np.int64),
            np.array([v for _, v, _ in triples], dtype=np.float64),
            np.array([m for _, _, m in triples], dtype=np.uint8),
        )

    def without(self, marks: Mark) -> Self:
        """The same series with every reading left out that carries one of ``marks``."""
        keep = (self.marks & int(marks)) == 0
        return type(self)(self.channel, self.times_ms[keep], self.values[keep], self.marks[keep])

    def between(self, before: Reading | None, after: Reading | None) -> Self:
        """The same series with a reading put before it and one after it, where there are such."""
        if before is None and after is None:
            return self
        outer = [
            [] if one is None else [(one.time_ms, one.value, int(one.marks))]
            for one in (before, after)
        ]
        pieces = (Series.of(self.channel, outer[0]), self, Series.of(self.channel, outer[1]))
        return type(self)(
            self.channel,
            np.concatenate([piece.times_ms for piece in pieces]),
            np.concatenate([piece.values for piece in pieces]),
            np.concatenate([piece.marks for piece in pieces]),
        )

    def __len__(self) -> int:
        return len(self.times_ms)

    def __iter__(self) -> Iterator[Reading]:
        for time_ms, value, marks in zip(
            self.times_ms.tolist(), self.values.tolist(), self.marks.tolist(), strict=True
        ):
            yield Reading(self.channel, time_ms, value, Mark(marks))


def ms_of(moment: datetime) -> int:
    """Whole milliseconds since 1970 UTC of an aware ``datetime`` (floored).

    Raises ``ValueError`` for a ``datetime`` without a zone: it names no moment.
    """
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone; add Z or an offset")
    since = moment.astimezone(UTC) - _EPOCH
    return (since.days * 86_400 + since.seconds) * 1_000 + since.microseconds // 1_000


def moment_of(time_ms: int) -> datetime:
    """The aware UTC ``datetime`` of a time in whole milliseconds since 1970."""
    seconds, ms = divmod(time_ms, 1_000)
    return datetime.fromtimestamp(seconds, UTC).replace(microsecond=ms * 1_000)


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
