"""The prints of a log as columns: temperature, failed share, resins, settings, order. Pure.

One row is one print (plate). Its parts fail together, so a plate is never several rows; its
failed share carries how much of it failed (method: "the print is the unit").
"""

from __future__ import annotations

import hashlib
import math
import zlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: No print left out before.
NOTHING: Mapping[str, int] = MappingProxyType({})

#: A setting logged in fewer of the prints than this share cannot be adjusted for.
LOGGED_SHARE = 0.8

#: No resin prints outside these temperatures [°C]: a sensor that fails reads there.
POSSIBLE_C = (-50.0, 150.0)

#: A setting or condition beyond this is a slip of the pen and counts as not logged.
MOST_SETTING = 1e9

#: A failed share this close to 0 or 1 is that: no plate has a million parts, sums round.
ROUNDED_SHARE = 1e-6

#: What is left of a column, as a share of its own size, below which it tells nothing new.
NOTHING_NEW = 1e-7


@dataclass(frozen=True, slots=True)
class PrintRow:
    """One print of an analysis.

    ``id`` names it, ``start_ms`` [ms since 1970 UTC] puts it in order, ``temperature_c`` is the
    vat temperature of its first-layers window [°C], ``failed_share`` failed parts over parts
    looked at (0 to 1), ``settings`` numbers by name; one that was not logged is not there.
    """

    id: str
    start_ms: int
    temperature_c: float
    failed_share: float
    resin: str
    settings: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """The prints that can be used, in start order, as columns of length ``n``.

    ``resins`` are names in the order of their first prints, so that a new name changes nothing,
    and ``resin_of`` indexes them; ``settings`` are the columns of
    the settings that changed, by sorted name, an unlogged value at the mean of the others.
    ``left_out`` counts prints by the reason they are not here; ``warnings`` say what could not
    be adjusted for.
    """

    rows: tuple[PrintRow, ...]
    temperature_c: Floats
    failed_share: Floats
    resins: tuple[str, ...]
    resin_of: Ints
    settings: Mapping[str, Floats]
    left_out: Mapping[str, int]
    warnings: tuple[str, ...]

    @property
    def prints_n(self) -> int:
        """How many prints there are."""
        return len(self.rows)

    @property
    def failures(self) -> float:
        """Failed plates, a plate failed in part counting for its share."""
        return float(self.failed_share.sum())

    @property
    def good(self) -> float:
        """Good plates, counted the same way."""
        return float((1.0 - self.failed_share).sum())

    @property
    def resin_marks(self) -> Floats:
        """One 0/1 column per resin, shape (n, resins)."""
        return np.eye(len(self.resins))[self.resin_of]

    @property
    def order(self) -> Floats:
        """``time`` of the method: −1 to +1, evenly by order."""
        return np.linspace(-1.0, 1.0, self.prints_n)

    def adjusters(self, *, but: str | None = None, order: bool = False) -> Adjusters:
        """Resins but the first, changed settings without ``but``, and the order if asked for."""
        marks = [self.resin_marks[:, 1:]] if len(self.resins) > 1 else []
        others = [column[:, None] for name, column in self.settings.items() if name != but]
        last = [self.order[:, None]] if order else []
        return Adjusters.of(np.hstack([np.empty((self.prints_n, 0)), *marks, *others, *last]))


def log_of(rows: Iterable[PrintRow], left_out: Mapping[str, int] = NOTHING) -> Log:
    """The usable prints of ``rows`` in start order; the others are counted with their reason.

    Given in any order they make the same log. ``left_out`` brings counts of prints that were
    left out before.
    """
    reasons = Counter({reason: n for reason, n in left_out.items() if n > 0})
    kept: dict[str, PrintRow] = {}
    for row in sorted(rows, key=in_order):
        fault = fault_of(row) or ("listed twice" if row.id in kept else None)
        if fault:
            reasons[fault] += 1
        else:
            kept[row.id] = _rounded(row)
    used = tuple(kept.values())
    resins = tuple(dict.fromkeys(row.resin for row in used))
    settings, warnings = _changed_settings(used)
    return Log(
        rows=used,
        temperature_c=np.array([row.temperature_c for row in used], dtype=np.float64),
        failed_share=np.array([row.failed_share for row in used], dtype=np.float64),
        resins=resins,
        resin_of=np.array([resins.index(row.resin) for row in used], dtype=np.int64),
        settings=settings,
        left_out=dict(sorted(reasons.items())),
        warnings=warnings,
    )


def in_order(row: PrintRow) -> tuple[int, str, str]:
    """Start order; prints that start together in the order of their ids."""
    return row.start_ms, row.id, repr(row)


def fault_of(row: PrintRow) -> str | None:
    """Why a print cannot be used at all, or None."""
    if not math.isfinite(row.temperature_c):
        return "vat temperature is not a number"
    if not POSSIBLE_C[0] <= row.temperature_c <= POSSIBLE_C[1]:
        return "vat temperature is impossible"
    if not math.isfinite(row.failed_share):
        return "failed share is not a number"
    if not -ROUNDED_SHARE <= row.failed_share <= 1.0 + ROUNDED_SHARE:
        return "failed share is not between 0 and 1"
    return None


def _rounded(row: PrintRow) -> PrintRow:
    """The print with a share that is 0 or 1 but for rounding put right, and no minus zero."""
    share = row.failed_share + 0.0
    for whole in (0.0, 1.0):
        if abs(share - whole) <= ROUNDED_SHARE:
            share = whole
    return replace(row, temperature_c=row.temperature_c + 0.0, failed_share=share)


def legible(value: float) -> bool:
    """Whether a setting or condition is a number that can be meant."""
    return abs(value) <= MOST_SETTING


def _changed_settings(
    rows: Sequence[PrintRow],
) -> tuple[Mapping[str, Floats], tuple[str, ...]]:
    """Columns of the settings that changed, and warnings about those logged too seldom."""
    columns: dict[str, Floats] = {}
    warnings: list[str] = []
    for name in sorted({name for row in rows for name in row.settings}):
        column = np.array([row.settings.get(name, math.nan) for row in rows], dtype=np.float64)
        logged = np.abs(column) <= MOST_SETTING
        if not logged.any() or np.ptp(column[logged]) <= 1e-9 * np.abs(column[logged]).max():
            continue
        if logged.mean() < LOGGED_SHARE:
            warnings.append(
                f"{name} changed but was logged in only {int(logged.sum())} of {len(rows)} prints:"
                " it could not be adjusted for."
            )
            continue
        columns[name] = np.where(logged, column, column[logged].mean())
    return columns, tuple(warnings)


def usual_step(column: Floats) -> float:
    """Median size of the changes from one print to the next, those without a change left out."""
    changes = np.abs(np.diff(column))
    scale = float(np.abs(column).max(initial=0.0))
    changes = changes[changes > 1e-9 * scale]
    return float(np.median(changes)) if len(changes) else 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Adjusters:
    """Columns to adjust for (n, k), freed of those that repeat others.

    ``basis`` (n, k + 1) spans them and the constant, orthonormal.
    """

    columns: Floats
    basis: Floats

    @classmethod
    def of(cls, columns: Floats) -> Adjusters:
        """The columns, in order, that are no sum of a constant and the columns before them."""
        kept: list[Floats] = []
        basis = np.full((len(columns), 1), 1.0 / math.sqrt(max(len(columns), 1)))
        for column in columns.T:
            size = float(np.linalg.norm(column - column.mean())) if len(column) else 0.0
            rest = _beyond(basis, column)
            left = float(np.linalg.norm(rest))
            new = left > NOTHING_NEW * max(size, 1e-300)
            if new and size > 1e-9 * float(np.abs(column).max()):
                kept.append(column)
                basis = np.column_stack([basis, rest / left])
        return cls(np.column_stack(kept) if kept else np.empty((len(columns), 0)), basis)

    def residual(self, column: Floats) -> Floats:
        """What least squares on the constant and the columns leaves of another one.

        Exactly zero where nothing but rounding is left.
        """
        left = _beyond(self.basis, column)
        size = float(np.linalg.norm(column - column.mean()))
        return left if float(np.linalg.norm(left)) > NOTHING_NEW * size else np.zeros_like(left)

    @property
    def spare_prints(self) -> int:
        """Prints beyond those that constant, columns, one condition and the order use up."""
        return len(self.columns) - int(self.columns.shape[1]) - 3


def _beyond(basis: Floats, column: Floats) -> Floats:
    """What an orthonormal basis leaves of a column; twice, for the digits."""
    rest = column - basis @ (basis.T @ column)
    return np.asarray(rest - basis @ (basis.T @ rest))


def seed_of(rows: Iterable[PrintRow]) -> int:
    """The seed of every random step: the CRC-32 of the outcomes of rows in start order.

    The same log repeats, and so it does with its prints renamed or its degrees converted.
    """
    return zlib.crc32(" ".join(f"{row.failed_share:.6f}" for row in rows).encode())


def fingerprint_of(rows: Iterable[PrintRow], *asked: object) -> str:
    """Sixteen hexadecimal digits that change when any input changes; order does not matter."""
    lines = sorted(
        repr(
            (r.id, r.start_ms, r.temperature_c, r.failed_share, r.resin, sorted(r.settings.items()))
        )
        for r in rows
    )
    text = "\n".join([*lines, *map(repr, asked)])
    return hashlib.sha256(text.encode()).hexdigest()[:16]
