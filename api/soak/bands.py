"""Where straight pieces of a chamber's profile run through the band of a step. Pure.

Every function works on all stretches of :class:`~api.soak.profile.Rows` at once. A stretch
that enters or leaves the band is split at the crossing, found by linear interpolation; with
several probes it is in band where all of them are.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np
import numpy.typing as npt

from api.soak.profile import Floats, Rows

#: What is shorter than this is rounding, not time [ms].
INSTANT_MS = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class InBand:
    """Per stretch, the part in band: ``enter`` to ``leave`` [ms offset]; ``inside`` if any."""

    enter: Floats
    leave: Floats
    inside: npt.NDArray[np.bool_]

    @property
    def lengths(self) -> Floats:
        """Length in band of each stretch [ms]; 0 where it never is."""
        return np.where(self.inside, self.leave - self.enter, 0.0)

    def since(self, moment: float) -> InBand:
        """Only what comes after a moment."""
        enter = np.maximum(self.enter, moment)
        return InBand(enter, self.leave, self.inside & (self.leave - enter > INSTANT_MS))

    def together(self, enter: Floats, leave: Floats) -> InBand:
        """Only what is also in another band."""
        enter, leave = np.maximum(self.enter, enter), np.minimum(self.leave, leave)
        return InBand(enter, leave, self.inside & (leave - enter > INSTANT_MS))


def in_band(offsets: Floats, values: Floats, low: float, high: float) -> tuple[Floats, Floats]:
    """When one probe enters and leaves a band within each stretch [ms offset].

    Where it never is in band it leaves no later than it enters.
    """
    left, right = offsets[:-1], offsets[1:]
    within = (low <= values) & (values <= high)
    if within.all():
        return left, right
    first, last = values[:-1], values[1:]
    first_in, last_in = within[:-1], within[1:]
    change = last - first
    steady = change == 0
    pace = (right - left) / np.where(steady, 1.0, change)
    at_low, at_high = left + (low - first) * pace, left + (high - first) * pace
    enter = np.where(first_in, left, np.minimum(at_low, at_high))
    leave = np.where(last_in, right, np.maximum(at_low, at_high))
    never = (steady & ~first_in) | ((first < low) & (last < low)) | ((first > high) & (last > high))
    return np.where(never, right, np.clip(enter, left, right)), np.where(
        never, left, np.clip(leave, left, right)
    )


def all_in_band(rows: Rows, low: float, high: float) -> InBand:
    """The recorded part of each stretch in which every chamber probe is in band."""
    both = [in_band(rows.offsets, column, low, high) for column in rows.chamber.T]
    enter = reduce(np.maximum, [enter for enter, _ in both])
    leave = reduce(np.minimum, [leave for _, leave in both])
    return InBand(enter, leave, rows.recorded & (leave - enter > INSTANT_MS))


def watched(rows: Rows, begin: float, end: float) -> tuple[Floats, Floats]:
    """Recorded length [ms] of each stretch within [begin, end], and the area under it [°C ms].

    The area is that of the mean of all chamber probes.
    """
    left, right = rows.offsets[:-1], rows.offsets[1:]
    mean = rows.mean
    rate = (mean[1:] - mean[:-1]) / (right - left)
    start, stop = np.clip(left, begin, end), np.clip(right, begin, end)
    length = np.where(rows.recorded, stop - start, 0.0)
    middle = mean[:-1] + rate * ((start - left) + (stop - left)) / 2
    return length, np.where(length > 0, length * middle, 0.0)


@dataclass(frozen=True, slots=True)
class OutOfBand:
    """One unbroken recorded part out of band [ms offset], and how far beyond it went [K]."""

    begin: float
    end: float
    over_k: float
    under_k: float


def out_of_band(
    rows: Rows, band: InBand, low: float, high: float, begin: float, end: float
) -> list[OutOfBand]:
    """The parts out of band between the moments ``begin`` and ``end``, both in band or ends."""
    left, right = rows.offsets[:-1], rows.offsets[1:]
    if np.array_equal(band.enter, left) and np.array_equal(band.leave, right):
        return []
    starts = np.column_stack((left, band.leave))
    ends = np.column_stack((np.where(band.inside, band.enter, right), right))
    kept = np.column_stack((ends[:, 0] > left, band.inside & (band.leave < right)))
    kept &= rows.recorded[:, None] & (starts >= begin) & (ends <= end)
    flat_starts, flat_ends = starts[kept], ends[kept]
    if len(flat_starts) == 0:
        return []
    over = reduce(np.maximum, rows.chamber.T) - high
    under = low - reduce(np.minimum, rows.chamber.T)
    first = np.concatenate(([0], 1 + np.flatnonzero(flat_starts[1:] != flat_ends[:-1])))
    last = np.concatenate((first[1:], [len(flat_starts)])) - 1
    deepest = [
        np.maximum.reduceat(_deepest(side, band.inside)[kept], first) for side in (over, under)
    ]
    return [
        OutOfBand(float(flat_starts[i]), float(flat_ends[j]), max(float(o), 0), max(float(u), 0))
        for i, j, o, u in zip(first, last, *deepest, strict=True)
    ]


def _deepest(beyond: Floats, inside: npt.NDArray[np.bool_]) -> Floats:
    """How far either part of each stretch goes beyond the band; (n-1, 2)."""
    before = np.where(inside, beyond[:-1], np.maximum(beyond[:-1], beyond[1:]))
    return np.column_stack((before, beyond[1:]))


def holes(rows: Rows) -> list[tuple[float, float]]:
    """The unbroken parts that were not recorded [ms offset]."""
    missing = np.flatnonzero(~rows.recorded)
    if len(missing) == 0:
        return []
    first = np.concatenate(([0], 1 + np.flatnonzero(np.diff(missing) > 1)))
    last = np.concatenate((first[1:], [len(missing)])) - 1
    return [
        (float(rows.offsets[missing[i]]), float(rows.offsets[missing[j] + 1]))
        for i, j in zip(first, last, strict=True)
    ]
