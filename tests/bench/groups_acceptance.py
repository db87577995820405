"""The acceptance run of the replicates and break loads: seeded groups with known truth.

In full, one process of one core, some ten minutes::

    OMP_NUM_THREADS=1 nice -n 19 .venv/bin/python -m tests.bench.groups_acceptance

It rewrites ``tests/bench/groups_acceptance.md``; ``--logs 40`` runs fewer groups a cell and
writes nothing. It ends with 1 when a number is not reached.
"""

from __future__ import annotations

import argparse
import datetime
import math
import sys
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from api.soak.replicates import Bracket, differences, median_failure
from api.strength import Break, median_load, ratios

LOGS_N = 400
DOCUMENT = Path(__file__).with_name("groups_acceptance.md")
STEP_C, FIRST_C, LAST_C = 5.0, 40.0, 140.0
Floats = npt.NDArray[np.float64]

#: Draws with median 0 and standard deviation 1, by shape.
SHAPES: dict[str, Callable[[np.random.Generator, int], Floats]] = {
    "normal": lambda rng, n: rng.standard_normal(n),
    "Weibull": lambda rng, n: _standard(rng.weibull(2.0, n), 2.0),
    "left-skewed": lambda rng, n: -_standard(rng.weibull(1.5, n), 1.5),
}


def _standard(values: Floats, shape: float) -> Floats:
    median = math.log(2) ** (1 / shape)
    first, second = math.gamma(1 + 1 / shape), math.gamma(1 + 2 / shape)
    return np.asarray((values - median) / math.sqrt(second - first**2))


@dataclass(frozen=True)
class Figures:
    """What one cell came to, and the numbers to reach (None: not asked)."""

    name: str
    median: float
    between: float
    false: float
    told: float
    milliseconds: float
    least_median: float
    least_between: float
    most_false: float
    least_told: float | None

    def misses(self) -> list[str]:
        """What was not reached."""
        wrong = []
        if self.median < self.least_median:
            wrong.append(f"median covered {self.median:.3f} < {self.least_median}")
        if self.between < self.least_between:
            wrong.append(f"difference covered {self.between:.3f} < {self.least_between}")
        if self.false > self.most_false:
            wrong.append(f"falsely flagged {self.false:.3f} > {self.most_false}")
        if self.least_told is not None and self.told < self.least_told:
            wrong.append(f"flagged {self.told:.3f} < {self.least_told}")
        return wrong

    def row(self) -> str:
        """One row of the table."""
        reached = "; ".join(self.misses()) or "reached"
        return (
            f"| {self.name} | {self.median:.3f} | {self.between:.3f} | {self.false:.3f} "
            f"| {self.told:.2f} | {self.milliseconds:.0f} | {reached} |"
        )


# --- heat: stepped tests -------------------------------------------------------------------


@dataclass(frozen=True)
class Heat:
    """Parts of two resins with equal medians and one 10 K better; spreads [K]."""

    parts: int
    spread: float
    other_spread: float
    shape: str = "normal"
    chamber_sd: float | None = None
    least_told: float | None = None

    @property
    def name(self) -> str:
        run = "" if self.chamber_sd is None else f", one run, chamber sd {self.chamber_sd:g}"
        return f"n {self.parts}, spread {self.spread:g}/{self.other_spread:g}, {self.shape}{run}"

    def run(self, logs: int) -> Figures:
        rng = np.random.default_rng(zlib.crc32(self.name.encode()))
        covered = between = false = told = 0
        begun = time.perf_counter()
        for _ in range(logs):
            base = rng.uniform(75, 85)
            a = self._parts(rng, base, self.spread, "a")
            b = self._parts(rng, base, self.other_spread, "b")
            c = self._parts(rng, base + 10, self.spread, "c")
            sd = 1.5 if self.chamber_sd is None else self.chamber_sd
            interval = median_failure(a, chamber_sd_k=sd).interval
            covered += interval is not None and interval.holds(base)
            (same,) = differences({"a": a, "b": b}, chamber_sd_k=sd)
            (apart,) = differences({"a": a, "c": c}, chamber_sd_k=sd)
            between += same.interval.holds(0)
            false += same.flagged
            told += apart.flagged
        spent = (time.perf_counter() - begun) / logs / 3 * 1_000
        shares = (covered / logs, between / logs, false / logs, told / logs)
        median = 0.92 if self.chamber_sd is None else 0.93
        return Figures(self.name, *shares, spent, median, 0.93, 0.07, self.least_told)

    def _parts(
        self, rng: np.random.Generator, median: float, spread: float, name: str
    ) -> list[Bracket]:
        error = 0.0 if self.chamber_sd is None else rng.normal(0, self.chamber_sd)
        found = []
        for i, draw in enumerate(SHAPES[self.shape](rng, self.parts).tolist()):
            # A chamber that is hotter than it says makes parts fail at a lower reading.
            step = math.ceil((median + spread * draw - error - FIRST_C) / STEP_C)
            low, high = FIRST_C + STEP_C * (step - 1), FIRST_C + STEP_C * step
            low = -math.inf if step <= 0 else min(low, LAST_C)
            high = FIRST_C if step <= 0 else high if high <= LAST_C else math.inf
            found.append(Bracket(str(i), name if self.chamber_sd else str(i % 3), low, high))
        return found


HEAT = (
    *(Heat(n, s, s) for n in (3, 5, 8, 10) for s in (1.5, 3.0, 6.0)),
    *(Heat(n, 6.0, 1.5) for n in (3, 5, 8, 10)),
    *(Heat(n, 4.0, 4.0, shape) for n in (3, 5, 10) for shape in ("Weibull", "left-skewed")),
    Heat(3, 2.0, 2.0, least_told=0.80),
    Heat(5, 2.0, 2.0, least_told=0.97),
    Heat(5, 4.0, 4.0, least_told=0.80),
    *(Heat(n, 3.0, 3.0, chamber_sd=sd) for n in (3, 8) for sd in (1.0, 2.0)),
)


# --- load: break tests ---------------------------------------------------------------------


@dataclass(frozen=True)
class Load:
    """Parts of two groups of equal median load and one 1.3 times as strong."""

    parts: int
    scatter: float
    held_share: float = 0.0
    shape: str = "log-normal"
    least_told: float | None = None

    @property
    def name(self) -> str:
        return (
            f"n {self.parts}, scatter {self.scatter:.0%}, {self.held_share:.0%} held, {self.shape}"
        )

    def run(self, logs: int) -> Figures:
        rng = np.random.default_rng(zlib.crc32(self.name.encode()))
        limit = math.inf
        if self.held_share:
            limit = float(np.quantile(self._loads(rng, 100_000), 1 - self.held_share))
        medians = covered = between = false = told = 0
        begun = time.perf_counter()
        for _ in range(logs):
            a, b = (self._group(rng, 1.0, limit) for _ in range(2))
            c = self._group(rng, 1.3, limit * 1.3)
            interval = median_load(a).interval_n
            medians += interval is not None
            covered += interval is not None and interval.holds(100)
            same, apart = ratios({"a": a, "b": b}), ratios({"a": a, "c": c})
            between += not same or same[0].interval.holds(1)
            false += bool(same) and same[0].flagged
            told += bool(apart) and apart[0].flagged
        spent = (time.perf_counter() - begun) / logs / 3 * 1_000
        shares = (covered / medians, between / logs, false / logs, told / logs)
        return Figures(self.name, *shares, spent, 0.88, 0.90, 0.10, self.least_told)

    def _loads(self, rng: np.random.Generator, n: int) -> Floats:
        """Loads with median 100 N."""
        if self.shape == "log-normal":
            return np.asarray(100 * np.exp(rng.normal(0, self.scatter, n)))
        if self.shape == "normal":
            return np.maximum(100 * (1 + self.scatter * rng.standard_normal(n)), 5.0)
        shape = 1.2 / self.scatter  # close to the wanted coefficient of variation
        return np.asarray(100 * rng.weibull(shape, n) / math.log(2) ** (1 / shape))

    def _group(self, rng: np.random.Generator, times: float, limit: float) -> list[Break]:
        loads = times * self._loads(rng, self.parts)
        return [Break(str(i), min(x, limit), x <= limit) for i, x in enumerate(loads.tolist())]


LOAD = (
    *(Load(n, s) for n in (3, 5, 8, 10) for s in (0.10, 0.30)),
    *(Load(n, 0.15, h) for n in (3, 5, 8, 10) for h in (0.2, 0.4)),
    *(Load(n, 0.20, 0.2, shape) for n in (3, 5, 10) for shape in ("Weibull", "normal")),
    Load(3, 0.15, least_told=0.18),
    Load(5, 0.15, least_told=0.58),
    Load(8, 0.15, least_told=0.85),
)


def main(arguments: list[str] | None = None) -> int:
    """Run the cells, print the tables and, when run in full, rewrite the document."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--logs", type=int, default=LOGS_N)
    logs = parser.parse_args(arguments).logs
    lines = ["# Replicates and break loads: acceptance", ""]
    lines += [f"{logs} seeded cases a cell; run on {datetime.date.today():%Y-%m-%d}.", ""]
    missed = False
    for title, cells in (("Heat: stepped tests, 5 K", HEAT), ("Load: break tests", LOAD)):
        lines += [f"## {title}", ""]
        lines += [
            "| cell | median covered | difference covered | falsely flagged | better one told |"
        ]
        lines[-1] += " ms a comparison | against the numbers to reach |"
        lines += ["|---|---|---|---|---|---|---|"]
        figures = []
        for cell in cells:
            figures.append(cell.run(logs))
            lines.append(figures[-1].row())
            print(lines[-1], flush=True)
            missed = missed or bool(figures[-1].misses())
        covered = float(np.mean([f.between for f in figures]))
        false = float(np.mean([f.false for f in figures]))
        lines += ["", f"Mean over cells: covered {covered:.3f}, falsely flagged {false:.3f}.", ""]
        print(lines[-2])
    if logs >= LOGS_N:
        DOCUMENT.write_text("\n".join(lines), encoding="utf-8")
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
