"""Question 3 against its numbers to reach: two planned rounds of six after thirty prints."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from api.causes import PrintRow, Verdict, answer
from api.causes.curve import span_of
from api.causes.next_prints import MARGIN_C, REACH_C, Plan, plan
from api.causes.posterior import RiskModel, draw
from api.causes.rows import log_of, seed_of
from tests.bench.causes_worlds import DAY_MS, LIMIT_C, Logistic, World, part_of_a_year

BEFORE_N, PLANNED_N = 30, 12

#: How well the owner hits the temperature that was planned [°C].
HIT_C = 0.4

WORLD = World("logistic -0.5, part of a year", part_of_a_year, Logistic(-0.5))


@dataclass(frozen=True)
class Followed:
    """One workshop that planned its twelve next prints, and its twin that just went on."""

    forecast_c: float
    obtained_c: float
    planned_c: float
    ordinary_c: float
    covered: bool
    planned_two_sided: bool
    ordinary_two_sided: bool
    plan_s: float


@dataclass(frozen=True)
class PlanningFigures:
    """What the cell came to, over the logs for which a plan could be made."""

    width_ratio: float
    planned_two_sided: float
    ordinary_two_sided: float
    coverage: float
    forecast_ratio: float
    plan_s: float
    seconds: float

    @property
    def name(self) -> str:
        return CELL

    @property
    def shown(self) -> tuple[float, ...]:
        """The figures under :data:`HEADINGS`."""
        return (
            self.width_ratio,
            self.planned_two_sided,
            self.ordinary_two_sided,
            self.coverage,
            self.forecast_ratio,
            self.plan_s,
        )

    def misses(self, slack: float = 0.0) -> list[str]:
        """Which numbers were not reached; ``slack`` widens them for short runs."""
        found = []
        if self.width_ratio > 0.75 + slack:
            found.append(f"width ratio {self.width_ratio:.2f} > 0.75")
        if self.planned_two_sided < 2.0 * self.ordinary_two_sided - slack:
            found.append("two-sided answers not doubled")
        if self.coverage < 0.93 - slack:
            found.append(f"coverage {self.coverage:.3f} < 0.93")
        if abs(self.forecast_ratio - 1.0) > 0.25 + slack:
            found.append(f"forecast {self.forecast_ratio:.2f} of obtained")
        return found


CELL = f"{WORLD.name}, {BEFORE_N} prints and {PLANNED_N} more"

HEADINGS = (
    "width, planned to ordinary",
    "two-sided, planned",
    "two-sided, ordinary",
    "coverage",
    "forecast to obtained",
    "planning, s",
)

NOTE = (
    "Mean width of the limit's interval, ends clipped to 8 to 34 °C, after two planned rounds of"
    " six against that after twelve ordinary prints. The forecast is of the first round."
)


def follow(seed: int) -> Followed | None:
    """One workshop; None when nothing could be planned."""
    ordinary = WORLD.log(seed, BEFORE_N + PLANNED_N)
    rows = ordinary[:BEFORE_N]
    rng = np.random.default_rng([seed, 3])
    plans: list[Plan] = []
    obtained, seconds = 0.0, 0.0
    for round_n in (1, 2):
        began = time.process_time()
        found = plan(rows, round_n=round_n)
        seconds += time.process_time() - began
        if not found.answered:
            return None
        plans.append(found)
        rows = rows + _printed(rows, found.order_c, rng)
        obtained = obtained or _span(rows)[0]
    width, covered = _span(rows)
    forecast = plans[0].width_after_c
    assert forecast is not None
    return Followed(
        forecast_c=forecast,
        obtained_c=obtained,
        planned_c=width,
        ordinary_c=_span(ordinary)[0],
        covered=covered,
        planned_two_sided=answer(rows).verdict is Verdict.BETWEEN_TWO_BOUNDS,
        ordinary_two_sided=answer(ordinary).verdict is Verdict.BETWEEN_TWO_BOUNDS,
        plan_s=seconds / 2.0,
    )


def _printed(
    rows: Sequence[PrintRow], order_c: Sequence[float], rng: np.random.Generator
) -> list[PrintRow]:
    """The planned prints with their outcomes, one a day after the others."""
    temperature_c = np.asarray(order_c) + rng.normal(0.0, HIT_C, len(order_c))
    risk = WORLD.curve(temperature_c, np.zeros(len(order_c)))
    failed = rng.random(len(order_c)) < risk
    start = len(rows)
    return [
        replace(
            rows[0],
            id=f"print-{start + i}",
            start_ms=(start + i) * DAY_MS,
            temperature_c=float(temperature_c[i]),
            failed_share=float(failed[i]),
        )
        for i in range(len(order_c))
    ]


def _span(rows: Sequence[PrintRow]) -> tuple[float, bool]:
    """Clipped width of the limit's interval [°C] and whether it holds the truth."""
    log = log_of(rows)
    draws = draw(RiskModel.of(log), seed_of(log.rows))
    assert draws is not None
    span = span_of(draws, 0.20)
    lo, hi = np.clip([span.lo_c, span.hi_c], REACH_C[0] - MARGIN_C, REACH_C[1] + MARGIN_C)
    return float(hi - lo), span.lo_c <= LIMIT_C <= span.hi_c


def run(logs_n: int) -> PlanningFigures:
    """All workshops, seeds 0 to ``logs_n`` - 1."""
    began = time.process_time()
    told = [f for f in map(follow, range(logs_n)) if f is not None]
    planned, ordinary, forecast, obtained = (
        float(np.mean([getattr(f, name) for f in told]))
        for name in ("planned_c", "ordinary_c", "forecast_c", "obtained_c")
    )
    return PlanningFigures(
        width_ratio=planned / ordinary,
        planned_two_sided=float(np.mean([f.planned_two_sided for f in told])),
        ordinary_two_sided=float(np.mean([f.ordinary_two_sided for f in told])),
        coverage=float(np.mean([f.covered for f in told])),
        forecast_ratio=forecast / obtained,
        plan_s=float(np.median([f.plan_s for f in told])),
        seconds=time.process_time() - began,
    )
