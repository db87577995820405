"""Several probes, each with its own times, put onto one grid of moments. Pure.

A moment can be folded once every probe has reported beyond it or is known to be lost: a
probe is lost while its last reading is further back than the gap limit. On the grid each
probe runs straight between its readings; a stretch counts as recorded only where every
chamber probe has a reading on either side no further apart than the gap limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
import numpy.typing as npt

from api.soak.state import Track

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """n moments of a run and the n-1 stretches between them.

    ``offsets`` [ms from the start] (n); ``read`` (n) whether a probe was read at that very
    moment, as looks and ends of steps are on the grid too; ``chamber`` [°C] (n, probes);
    ``specimen`` [°C] (n) or None; ``recorded`` and ``specimen_recorded`` (n-1); ``highest`` and
    ``lowest`` [°C] (n) of the chamber readings made at that very moment, NaN where none was.
    """

    offsets: Floats
    read: Flags
    chamber: Floats
    specimen: Floats | None
    recorded: Flags
    specimen_recorded: Flags
    highest: Floats
    lowest: Floats

    def __len__(self) -> int:
        return len(self.offsets)

    @property
    def mean(self) -> Floats:
        """Mean of the chamber probes at each moment [°C]."""
        # Column by column: numpy is slow along short rows.
        return np.asarray(sum(self.chamber.T) / self.chamber.shape[1])

    @property
    def spread(self) -> Floats:
        """How far the probes stand apart at each recorded moment [K]; NaN with only one."""
        if self.chamber.shape[1] == 1:
            return np.full(len(self), np.nan)
        apart = reduce(np.maximum, self.chamber.T) - reduce(np.minimum, self.chamber.T)
        known = np.concatenate(([False], self.recorded)) | np.concatenate((self.recorded, [False]))
        return np.where(known, apart, np.nan)

    def piece(self, first: int, last: int) -> Rows:
        """Rows ``first`` to ``last``, both included."""
        rows, stretches = slice(first, last + 1), slice(first, last)
        return Rows(
            self.offsets[rows],
            self.read[rows],
            self.chamber[rows],
            None if self.specimen is None else self.specimen[rows],
            self.recorded[stretches],
            self.specimen_recorded[stretches],
            self.highest[rows],
            self.lowest[rows],
        )

    def after(self, index: int, offset: float) -> Rows:
        """What lies after a moment within stretch ``index``, the moment itself first."""
        rest = self.piece(index, len(self) - 1)
        left, right = rest.offsets[0], rest.offsets[1]
        share = (offset - left) / (right - left)
        return Rows(
            _led_by(offset, rest.offsets),
            np.concatenate(([False], rest.read[1:])),
            _led_by(rest.chamber[0] + share * (rest.chamber[1] - rest.chamber[0]), rest.chamber),
            None
            if rest.specimen is None
            else _led_by(
                rest.specimen[0] + share * (rest.specimen[1] - rest.specimen[0]), rest.specimen
            ),
            rest.recorded,
            rest.specimen_recorded,
            _led_by(np.nan, rest.highest),
            _led_by(np.nan, rest.lowest),
        )


def _led_by(first: Floats | float, array: Floats) -> Floats:
    led = array.copy()
    led[0] = first
    return led


@dataclass(frozen=True, slots=True, eq=False)
class Pending:
    """One probe's readings still needed, as arrays: offsets [ms] and values [°C]."""

    offsets: Floats
    values: Floats

    @classmethod
    def of(cls, track: Track) -> Pending:
        """Readings kept in a state."""
        return cls(np.array(track.offsets_ms, float), np.array(track.values_c, float))

    def kept(self, probe: str) -> Track:
        """The same readings, to be kept in a state."""
        return Track(probe, tuple(self.offsets.tolist()), tuple(self.values.tolist()))

    def with_more(self, offsets: Floats, values: Floats) -> Pending:
        """With newer readings behind."""
        return Pending(
            np.concatenate((self.offsets, offsets)), np.concatenate((self.values, values))
        )

    def from_(self, offset: float) -> Pending:
        """Only the last reading at or before a moment and those after it."""
        index = max(int(np.searchsorted(self.offsets, offset, side="right")) - 1, 0)
        return Pending(self.offsets[index:], self.values[index:])


def frontier(probes: Sequence[Pending], gap_limit_ms: float) -> float:
    """Offset up to which everything is known [ms]."""
    lasts = [float(probe.offsets[-1]) if len(probe.offsets) else 0.0 for probe in probes]
    newest = max(lasts)
    return min((last for last in lasts if newest - last <= gap_limit_ms), default=newest)


def on_grid(
    chamber: Sequence[Pending],
    specimen: Pending | None,
    after: float | None,
    until: float,
    moments: Sequence[float],
    gap_limit_ms: float,
) -> Rows | None:
    """Everything from ``after`` to ``until``, both included; ``moments`` are added.

    None when there is nothing yet. Without an ``after`` the grid begins with the
    first reading of any chamber probe.
    """
    read = np.unique(np.concatenate([probe.offsets for probe in chamber]))
    read = read[(read >= (-np.inf if after is None else after)) & (read <= until)]
    if after is None and len(read) == 0:
        return None
    first = float(read[0]) if after is None else after
    beside = np.empty(0) if specimen is None else specimen.offsets
    grid = np.unique(np.concatenate((read, [first], beside, moments)))
    grid = grid[(grid >= first) & (grid <= until)]
    columns = [_on(probe, grid, gap_limit_ms) for probe in chamber]
    raw = [_raw(probe, grid) for probe in chamber]
    values, recorded = zip(*columns, strict=True)
    other = None if specimen is None else _on(specimen, grid, gap_limit_ms)
    return Rows(
        grid,
        np.isin(grid, read) | np.isin(grid, beside),
        np.column_stack(values),
        None if other is None else other[0],
        np.logical_and.reduce(recorded),
        np.ones(len(grid) - 1, bool) if other is None else other[1],
        reduce(np.fmax, raw),
        reduce(np.fmin, raw),
    )


def _on(probe: Pending, grid: Floats, gap_limit_ms: float) -> tuple[Floats, Flags]:
    """A probe's values on the grid, and which of the stretches between are recorded."""
    if len(probe.offsets) == 0:
        return np.full(len(grid), np.nan), np.zeros(len(grid) - 1, bool)
    left = np.searchsorted(probe.offsets, grid[:-1], side="right") - 1
    right = np.minimum(left + 1, len(probe.offsets) - 1)
    apart = probe.offsets[right] - probe.offsets[np.maximum(left, 0)]
    known = (left >= 0) & (apart > 0) & (apart <= gap_limit_ms)
    return np.interp(grid, probe.offsets, probe.values), known


def _raw(probe: Pending, grid: Floats) -> Floats:
    """A probe's readings made at the very moments of the grid, NaN elsewhere."""
    values = np.full(len(grid), np.nan)
    inside = (probe.offsets >= grid[0]) & (probe.offsets <= grid[-1])
    values[np.searchsorted(grid, probe.offsets[inside])] = probe.values[inside]
    return values
