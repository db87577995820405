"""A reading as a file holds it, and what may be wrong with one. Pure.

Every form (CSV, Parquet, line protocol, SenML) is a way to write the same rows: channel, time,
value, unit, marks, and ``nth``, which is 0 for the reading of a time and counts the second
values that came beside it from 1. Values are as they were received unless a file says
otherwise, so that a file that is read back gives the same readings to the last bit.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from collector.errors import PayloadError
from collector.readings import Mark, Reading, Series


class Values(enum.StrEnum):
    """What the values in a file are; only received ones can be read back."""

    RECEIVED = "received"
    CONVERTED = "converted"
    BELIEVED = "believed"

    @property
    def column(self) -> str:
        """Name of the column or field that holds them."""
        return "value" if self is Values.RECEIVED else self.value


class Row(NamedTuple):
    """One reading of a file; ``unit`` None where the file does not say."""

    channel: str
    time_ms: int
    value: float
    marks: int = 0
    nth: int = 0
    unit: str | None = None


class Fault(NamedTuple):
    """Why a row cannot be taken, what to do, and the row as it stands in the file.

    After a ``fatal`` one nothing of the file can be trusted any more.
    """

    what: str
    remedy: str
    raw: str = ""
    fatal: bool = False


Found = Row | Fault


class Block(NamedTuple):
    """A stretch of one channel: its readings, and the second values of their times in order."""

    unit: str | None
    series: Series
    seconds: Sequence[Reading] = ()


def rows_of(block: Block) -> Iterator[Row]:
    """The rows of a block in time order, second values after the first of their time."""
    channel, unit, series = block.series.channel, block.unit, block.series
    seconds = iter(block.seconds)
    second = next(seconds, None)
    nth = 0
    for time_ms, value, marks in zip(
        series.times_ms.tolist(), series.values.tolist(), series.marks.tolist(), strict=True
    ):
        yield Row(channel, time_ms, value, marks, 0, unit)
        nth = 0
        while second is not None and second.time_ms <= time_ms:
            nth += 1
            yield Row(channel, second.time_ms, second.value, int(second.marks), nth, unit)
            second = next(seconds, None)


def marks_text(bits: int) -> str:
    """Marks by name, with a space between; bits without a name as a hexadecimal number."""
    if not bits:
        return ""
    names = [(mark.name or "").lower() for mark in Mark if mark and bits & mark]
    rest = bits & ~_ALL
    return " ".join([*names, f"0x{rest:02x}"] if rest else names)


def marks_of(text: str) -> int:
    """The bits of marks written as :func:`marks_text` does; raises ``PayloadError``."""
    bits = 0
    for word in text.split():
        bit = _BY_NAME.get(word)
        if bit is None:
            bit = _unnamed(word)
        bits |= bit
    return bits


def _unnamed(word: str) -> int:
    try:
        bits = int(word, 16) if word.startswith("0x") else -1
    except ValueError:
        bits = -1
    if not 0 < bits < 256:
        raise PayloadError(f"{word[:40]!r} is no mark; marks are {', '.join(_BY_NAME)}")
    return bits


_BY_NAME = {(mark.name or "").lower(): int(mark) for mark in Mark if mark}
_ALL = sum(_BY_NAME.values())
