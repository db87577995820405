"""When a step has settled: the rules of :class:`~api.soak.program.Settle`. Pure.

Published rules differ, and on one trace they give different moments; which one a program
takes is part of its record.
"""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt

from api.soak.bands import INSTANT_MS, InBand, in_band
from api.soak.profile import Floats, Rows
from api.soak.program import Settle, SettleRule
from api.soak.state import RunState, Settling, StepLog

Flags = npt.NDArray[np.bool_]


def settled_at(
    settle: Settle, log: StepLog, rows: Rows, band: InBand, state: RunState
) -> tuple[float | None, Settling]:
    """The offset [ms] at which a step settles within these rows, and what to remember if not.

    ``band`` is where all chamber probes are in the band of the step.
    """
    specimen = rows.mean if rows.specimen is None else rows.specimen
    if settle.rule in (SettleRule.IN_BAND, SettleRule.NEAR_FINAL):
        if settle.rule is SettleRule.NEAR_FINAL:
            setpoint = log.step.setpoint_c
            low, high = setpoint - settle.within_k, setpoint + settle.within_k
            both = band.together(*in_band(rows.offsets, specimen, low, high))
            band = InBand(both.enter, both.leave, both.inside & rows.specimen_recorded)
        return _held(rows.offsets, band, settle.hold_min * 60_000, state.settling)
    tail = _Tail.of(state.settling, rows, specimen)
    steady = tail.slow(settle) if settle.rule is SettleRule.SLOW_CHANGE else tail.steady(settle)
    inside = (rows.chamber >= log.step.low_c) & (rows.chamber <= log.step.high_c)
    ready = np.flatnonzero(inside.all(axis=1) & steady[-len(rows) :] & rows.read)
    if len(ready):
        return float(rows.offsets[ready[0]]), Settling()
    return None, tail.kept(settle.over_min * 60_000)


def _held(
    offsets: Floats, band: InBand, hold_ms: float, settling: Settling
) -> tuple[float | None, Settling]:
    """When a band has been held for so long without a break."""
    whole_left = band.inside & (band.enter == offsets[:-1])
    whole_right = band.inside & (band.leave == offsets[1:])
    goes_on = np.concatenate(([settling.held_since is not None], whole_right[:-1])) & whole_left
    starts = np.where(goes_on, -np.inf, np.where(band.inside, band.enter, -np.inf))
    if len(starts) and goes_on[0] and settling.held_since is not None:
        starts[0] = settling.held_since
    since = np.maximum.accumulate(starts)
    reached = np.flatnonzero(band.inside & (since + hold_ms <= band.leave + INSTANT_MS))
    if len(reached):
        first = int(reached[0])
        moment = max(float(since[first]) + hold_ms, float(band.enter[first]))
        return min(moment, float(band.leave[first])), Settling()
    lasting = float(since[-1]) if len(since) and whole_right[-1] else None
    return None, Settling(held_since=lasting)


class _Tail:
    """The last moments of a step: those remembered and those of the new rows."""

    def __init__(self, offsets: Floats, chamber: Floats, specimen: Floats, known: Flags) -> None:
        self.offsets, self.chamber, self.specimen, self.known = offsets, chamber, specimen, known
        # Where the unbroken record that reaches up to each moment begins.
        begins = np.where(known, -np.inf, offsets)
        begins[0] = offsets[0]
        self.begins = np.maximum.accumulate(begins)

    @classmethod
    def of(cls, settling: Settling, rows: Rows, specimen: Floats) -> _Tail:
        """What is remembered with new rows behind it; the first row is remembered already."""
        old = settling.tail[:-1]
        first = settling.tail[-1][3] if settling.tail else False
        known = np.concatenate(([first], rows.recorded & rows.specimen_recorded))
        chamber = rows.mean
        # A probe that never reported has no value; it is never looked at, and must equal itself.
        return cls(
            np.concatenate(([row[0] for row in old], rows.offsets)),
            np.concatenate(([row[1] for row in old], np.nan_to_num(chamber))),
            np.concatenate(([row[2] for row in old], np.nan_to_num(specimen))),
            np.concatenate(([row[3] for row in old], known)).astype(bool),
        )

    def kept(self, over_ms: float) -> Settling:
        """What must be remembered to look back so far from any later moment."""
        back = int(np.searchsorted(self.offsets, self.offsets[-1] - over_ms, side="right")) - 1
        first = max(back, int(np.searchsorted(self.offsets, self.begins[-1])))
        columns = (self.offsets, self.chamber, self.specimen, self.known)
        rows = zip(*(column[first:].tolist() for column in columns), strict=True)
        return Settling(tail=tuple((o, c, s, k) for o, c, s, k in rows))

    def slow(self, settle: Settle) -> Flags:
        """Moments at which the specimen has changed little from ``over_min`` before."""
        before = self.offsets - settle.over_min * 60_000
        change = np.abs(self.specimen - np.interp(before, self.offsets, self.specimen))
        return (self.begins <= before) & (change <= settle.change_k)

    def steady(self, settle: Settle) -> Flags:
        """Moments up to which chamber and specimen were steady, together, for ``over_min``."""
        over_ms = settle.over_min * 60_000
        apart = self.chamber - self.specimen
        return (
            (self.begins <= self.offsets - over_ms)
            & (_range_over(self.offsets, self.chamber, over_ms) <= settle.change_k)
            & (_range_over(self.offsets, self.specimen, over_ms) <= settle.change_k)
            & (_highest_over(self.offsets, apart, over_ms) <= settle.apart_k)
            & (_highest_over(self.offsets, -apart, over_ms) <= settle.apart_k)
        )


def _range_over(offsets: Floats, values: Floats, over_ms: float) -> Floats:
    return _highest_over(offsets, values, over_ms) + _highest_over(offsets, -values, over_ms)


def _highest_over(offsets: Floats, values: Floats, over_ms: float) -> Floats:
    """The highest value in the time up to each moment, its beginning interpolated."""
    edges = np.interp(offsets - over_ms, offsets, values)
    highest = np.empty(len(values))
    falling: deque[int] = deque()
    for i, value in enumerate(values.tolist()):
        while falling and values[falling[-1]] <= value:
            falling.pop()
        falling.append(i)
        while offsets[falling[0]] < offsets[i] - over_ms:
            falling.popleft()
        highest[i] = max(values[falling[0]], edges[i])
    return highest
