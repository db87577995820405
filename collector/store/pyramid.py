"""Sums over minutes, tens of them, hours and days, from which any chart is put together. Pure.

A *summary* holds what a bucket needs of the readings in one such stretch: first and last
(so that neighbours can be joined), extremes, count, the integral from first to last, and the
longest stretch within. The gap limit is known only when a question is asked: a summary whose
longest stretch is no longer than the limit stands for its readings as one part; any other
is left aside and finer ones, in the end the readings, are taken instead.

Summaries are kept in blocks (the minutes of an hour, the tens of minutes and the hours of a
day, 32 days), as arrays of ``SUMMARY`` that have entries only where there are readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from collector.store.stretches import (
    DAY_MS,
    HOUR_MS,
    TEN_MINUTES_MS,
    Parts,
    Times,
    Values,
)

#: Times are from the start of the block, in ms.
SUMMARY = np.dtype(
    [
        ("first_ms", "<u4"),
        ("last_ms", "<u4"),
        ("longest_ms", "<u4"),
        ("count", "<u4"),
        ("first", "<f8"),
        ("last", "<f8"),
        ("low", "<f8"),
        ("high", "<f8"),
        ("area", "<f8"),
    ]
)

Summaries = npt.NDArray[np.void]


@dataclass(frozen=True, slots=True)
class Level:
    """How long the stretch of one summary is, and of one block of them [ms]."""

    width_ms: int
    block_ms: int


TENS = Level(TEN_MINUTES_MS, DAY_MS)
HOURS = Level(HOUR_MS, DAY_MS)
DAYS = Level(DAY_MS, 32 * DAY_MS)


def summarise(times_ms: Times, values: Values, width_ms: int) -> Summaries:
    """One summary for each stretch of ``width_ms`` that has a reading.

    Times are from the start of a block on; there is at least one.
    """
    slots = times_ms // width_ms
    starts = np.concatenate(([0], np.flatnonzero(np.diff(slots)) + 1))
    return summarise_from(times_ms, values, starts)


def summarise_from(times_ms: Times, values: Values, starts: Times) -> Summaries:
    """One summary for the readings from each of these places up to the next; the first is 0."""
    ends = np.append(starts[1:], len(times_ms)) - 1
    stretches = np.append(np.diff(times_ms), 0)
    stretches[ends] = 0  # the way to the next summary belongs to neither
    found = np.zeros(len(starts), dtype=SUMMARY)
    found["first_ms"], found["last_ms"] = times_ms[starts], times_ms[ends]
    found["first"], found["last"] = values[starts], values[ends]
    found["longest_ms"] = np.maximum.reduceat(stretches, starts)
    found["count"] = ends - starts + 1
    found["low"] = np.minimum.reduceat(values, starts)
    found["high"] = np.maximum.reduceat(values, starts)
    with np.errstate(over="ignore", invalid="ignore"):  # values near the largest double
        middles = 0.5 * values + 0.5 * np.append(values[1:], values[-1:])
        found["area"] = np.add.reduceat(stretches * middles, starts)
    return found


def fold(summaries: Summaries) -> Summaries:
    """At least one summary, of the same block, as a single one."""
    first_ms, last_ms = (summaries[name].astype(np.int64) for name in ("first_ms", "last_ms"))
    ways = first_ms[1:] - last_ms[:-1]
    one = np.zeros(1, dtype=SUMMARY)
    one["first_ms"], one["last_ms"] = first_ms[0], last_ms[-1]
    one["first"], one["last"] = summaries["first"][0], summaries["last"][-1]
    one["longest_ms"] = max(int(summaries["longest_ms"].max()), int(ways.max(initial=0)))
    one["count"] = summaries["count"].sum()
    one["low"], one["high"] = summaries["low"].min(), summaries["high"].max()
    with np.errstate(over="ignore", invalid="ignore"):
        middles = 0.5 * summaries["last"][:-1] + 0.5 * summaries["first"][1:]
        one["area"] = summaries["area"].sum() + (ways * middles).sum()
    return one


def rebased(summaries: Summaries, from_ms: int, to_ms: int) -> Summaries:
    """The same summaries in a block with another start."""
    moved = summaries.copy()
    for name in ("first_ms", "last_ms"):
        moved[name] = summaries[name].astype(np.int64) + (from_ms - to_ms)
    return moved


def with_stretch(block: Summaries, start_ms: int, end_ms: int, summaries: Summaries) -> Summaries:
    """A block with all summaries of a stretch taken out, and these (of it, or none) put in.

    The stretch, from the start of the block on, is of whole slots.
    """
    begin, end = np.searchsorted(block["first_ms"], (start_ms, end_ms)).tolist()
    return np.concatenate((block[:begin], summaries, block[end:]))


def of_bytes(body: bytes) -> Summaries:
    """A block as it was before ``tobytes``."""
    summaries: Summaries = np.frombuffer(body, dtype=SUMMARY)
    return summaries


def parts_of(summaries: Summaries, starts_ms: Times) -> Parts:
    """Summaries as parts of the record; ``starts_ms`` is the start of the block of each."""
    return Parts(
        first_ms=summaries["first_ms"] + starts_ms,
        last_ms=summaries["last_ms"] + starts_ms,
        first=np.ascontiguousarray(summaries["first"]),
        last=np.ascontiguousarray(summaries["last"]),
        low=np.ascontiguousarray(summaries["low"]),
        high=np.ascontiguousarray(summaries["high"]),
        area=np.ascontiguousarray(summaries["area"]),
        count=summaries["count"].astype(np.int64),
    )
