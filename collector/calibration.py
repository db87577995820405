"""From what was received to what was true: the conversion chain of a channel. Pure.

A chain is a :class:`~collector.signals.Signal` (ohms or millivolts to °C; left out where the
sensor sends the role's unit itself) and then the :class:`Correction` in force. What was
received is never rewritten: the chain is applied when a reading is asked for, so a
correction that is entered late and dated back takes effect on old readings.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf, isfinite
from typing import Self

import numpy as np
import numpy.typing as npt

from collector.errors import InvalidError
from collector.signals import Signal, Values

Times = npt.NDArray[np.int64]

#: Decimals that a corrected value keeps, as a converted one does (:mod:`collector.units`).
DECIMALS = 9

#: Beyond it those decimals are below float64's own step, and nothing is rounded.
_ROUNDED_BELOW = 1e6


@dataclass(frozen=True, slots=True)
class Correction:
    """What a sensor reads against what is true, valid from ``from_ms`` [ms since 1970 UTC].

    ``points`` are ``(read, true)`` pairs in the role's unit, in rising order. One pair is an
    offset. Two or more are joined by straight lines; before the first and after the last
    pair the nearest line goes straight on, which is a guess that grows with the distance.

    Raises ``InvalidError`` unless both columns rise strictly: a correction that turns back
    would give two readings one temperature.
    """

    from_ms: int
    points: tuple[tuple[float, float], ...]
    note: str = ""

    def __post_init__(self) -> None:
        if not self.points or not all(isfinite(x) for point in self.points for x in point):
            raise InvalidError(
                "a correction needs at least one pair of numbers.",
                where="points",
                remedy="Give what the sensor read and what was true.",
            )
        for column, name in ((0, "read"), (1, "true")):
            values = [point[column] for point in self.points]
            if any(after <= before for before, after in pairwise(values)):
                raise InvalidError(
                    f"the {name} values of a correction do not rise from pair to pair.",
                    where="points",
                    remedy="Sort the pairs by what was read; if the true values then fall"
                    " or repeat, one of them was taken down wrongly.",
                )

    @classmethod
    def offset(cls, from_ms: int, added: float, note: str = "") -> Self:
        """Add a constant to every reading [role's unit]."""
        return cls(from_ms, ((0.0, added),), note)

    @property
    def affine(self) -> bool:
        """Whether it is one straight line, so that means map exactly too."""
        return len(self.points) <= 2

    def covers(self, read: float) -> bool:
        """Whether a reading lies between the outer pairs; beyond them the line is a guess."""
        return self.points[0][0] <= read <= self.points[-1][0]

    def apply(self, values: Values) -> Values:
        """Corrected values of readings, both in the role's unit."""
        read = np.array([point[0] for point in self.points])
        true = np.array([point[1] for point in self.points])
        if len(read) == 1:
            return rounded(values + (true[0] - read[0]))
        slopes = np.diff(true) / np.diff(read)
        place = np.clip(np.searchsorted(read, values, side="right") - 1, 0, len(slopes) - 1)
        corrected = true[place] + slopes[place] * (values - read[place])
        # Rounding may lift the end of a line above the start of the next one by a bit.
        ends = np.append(true[1:-1], np.inf)
        return rounded(np.minimum(corrected, ends[place]))

    def apply_one(self, value: float) -> float:
        """The corrected value of one reading, as :meth:`apply` within 1e-9, but faster."""
        points = self.points
        if len(points) == 1:
            return round(value + (points[0][1] - points[0][0]), DECIMALS)
        place = 0
        if len(points) > 2:
            place = min(max(bisect.bisect_right(points, (value, inf)) - 1, 0), len(points) - 2)
        read, true = points[place]
        next_read, next_true = points[place + 1]
        return round(true + (next_true - true) / (next_read - read) * (value - read), DECIMALS)


def rounded(values: Values) -> Values:
    """Values without float64's noise: :data:`DECIMALS` decimals, far below any sensor's."""
    return np.where(np.abs(values) < _ROUNDED_BELOW, np.round(values, DECIMALS), values)


def apply(
    values: Values,
    times_ms: Times,
    signal: Signal | None = None,
    corrections: Iterable[Correction] = (),
) -> Values:
    """Received values of one channel, corrected; arrays of equal length.

    ``values`` in the signal's unit, or the role's when there is no signal; ``times_ms`` of
    the readings decide which correction counts: the one with the latest ``from_ms`` not
    after the reading, and of two from the same moment the one given last. Readings before
    the first correction are converted only.
    """
    return Chain(signal, tuple(corrections)).apply(values, times_ms)


@dataclass(frozen=True, slots=True)
class Chain:
    """The signal and the corrections of one channel, in order of their date."""

    signal: Signal | None = None
    corrections: tuple[Correction, ...] = ()
    changes_ms: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        ordered = tuple(sorted(self.corrections, key=lambda one: one.from_ms))  # stable
        object.__setattr__(self, "corrections", ordered)
        object.__setattr__(self, "changes_ms", tuple(one.from_ms for one in ordered))

    @property
    def rising(self) -> bool:
        """Whether a greater received value means a greater corrected one; NTC ohms do not."""
        return self.signal is None or self.signal.rising

    @property
    def changes_nothing(self) -> bool:
        """Whether values come out as they went in, always."""
        return self.signal is None and not self.corrections

    def correction_at(self, time_ms: int) -> Correction | None:
        """The correction in force at a time; None before the first one."""
        place = bisect.bisect_right(self.changes_ms, time_ms)
        return self.corrections[place - 1] if place else None

    def apply(self, values: Values, times_ms: Times) -> Values:
        """Corrected values [role's unit] of received ones; see :func:`apply`."""
        converted = values if self.signal is None else rounded(self.signal.celsius(values))
        if not self.corrections:
            return converted
        place = np.searchsorted(np.array(self.changes_ms), times_ms, side="right") - 1
        corrected = converted.copy()
        for number in np.unique(place[place >= 0]).tolist():
            here = place == number
            corrected[here] = self.corrections[number].apply(converted[here])
        return corrected

    def apply_one(self, value: float, time_ms: int) -> float:
        """The corrected value of one reading, as :meth:`apply` within 1e-9, but faster."""
        if self.signal is not None:
            value = round(self.signal.celsius_one(value), DECIMALS)
        correction = self.correction_at(time_ms) if self.corrections else None
        return value if correction is None else correction.apply_one(value)

    def outside(self, values: Values) -> npt.NDArray[np.bool_]:
        """Which received values are beyond the signal's range and so mean no temperature."""
        if self.signal is None:
            return np.zeros(len(values), dtype=np.bool_)
        return self.signal.outside(values)
