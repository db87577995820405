"""Question 3 against its numbers to reach: two planned rounds of six after thirty prints."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from api.causes import PrintRow, Verdict, answer
from api.causes.curve import span_of
from api.causes.next_prints import MARGIN_C, REACH_C, Plan, plan
from api.causes.posterior import RiskModel, draw
from api.causes.rows import log_of, seed_of
from tests.bench.acceptance_table import Cell, Figures, at_least, at_most
from tests.bench.causes_worlds import (
    DAY_MS,
    LIMIT_C,
    Logistic,
    World,
    one_resin,
    part_of_a_year,
)

BEFORE_N, PLANNED_N = 30, 12

#: How well the owner hits the temperature that was planned [°C].
HIT_C = 0.4


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


def follow(world: World, seed: int) -> Followed | None:
    """One workshop; None when nothing could be planned."""
    ordinary = world.log(seed, BEFORE_N + PLANNED_N)
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
        rows = rows + _printed(world, rows, found.order_c, rng)
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
    world: World, rows: Sequence[PrintRow], order_c: Sequence[float], rng: np.random.Generator
) -> list[PrintRow]:
    """The planned prints with their outcomes, one a day after the others."""
    temperature_c = np.asarray(order_c) + rng.normal(0.0, HIT_C, len(order_c))
    risk = world.curve(temperature_c, np.zeros(len(order_c)))
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


HEADINGS = (
    "width, planned to ordinary",
    "two-sided, planned",
    "two-sided, ordinary",
    "planned less twice ordinary",
    "coverage",
    "forecast to obtained",
    "planning, s",
)


def run(world: World, logs_n: int) -> Figures:
    """All workshops, seeds 0 to ``logs_n`` - 1."""
    began = time.process_time()
    told = [f for seed in range(logs_n) if (f := follow(world, seed)) is not None]
    planned, ordinary, forecast, obtained, planned_share, ordinary_share, coverage = (
        float(np.mean([getattr(f, name) for f in told]))
        for name in (
            *("planned_c", "ordinary_c", "forecast_c", "obtained_c"),
            *("planned_two_sided", "ordinary_two_sided", "covered"),
        )
    )
    values = (
        planned / ordinary,
        planned_share,
        ordinary_share,
        planned_share - 2.0 * ordinary_share,
        coverage,
        forecast / obtained,
        float(np.median([f.plan_s for f in told])),
    )
    return Figures(logs_n, dict(zip(HEADINGS, values, strict=True)), time.process_time() - began)


def _cell(world: World) -> Cell:
    bounds = (
        at_most("width, planned to ordinary", 0.75),
        at_least("planned less twice ordinary", 0.0),
        at_least("coverage", 0.93),
        at_least("forecast to obtained", 0.75),
        at_most("forecast to obtained", 1.25),
        at_most("planning, s", 1.0),
    )
    name = f"{world.name}, {BEFORE_N} prints and {PLANNED_N} more"
    return Cell(name, partial(run, world), bounds)


#: The method's cell, in two parts of the year: it says nothing of that.
CELLS = tuple(
    _cell(World(f"logistic -0.5, {name}", room, Logistic(-0.5)))
    for name, room in (("part of a year", part_of_a_year), ("one year to two", one_resin))
)

NOTE = (
    "Mean width of the limit's interval, ends clipped to 8 to 34 °C, after two planned rounds of"
    " six against that after twelve ordinary prints. The forecast is of the first round. Which"
    " part of the year the thirty prints before and the twelve after cover, the method does not"
    " say: a third to two thirds of one, or one to two whole ones."
    "\n\n"
    "Twice as many two-sided answers as without a plan are missed within one standard error (0.03)"
    " over part of a year, and clearly where the ordinary prints cover every season by themselves;"
    " there the width is missed too, by 0.019. Both depend on the room. Another simulator, written"
    " from the method's text alone (60 workshops a figure, vats of 19.5 °C on the mean unless"
    " said): two-sided with a plan and without 0.78 and 0.58 over a year, 0.65 and 0.53 where vats"
    " wander, 0.55 and 0.07 where they are 22.5 °C on the mean and seldom come near the limit by"
    " themselves; the widths stand as 0.68, 0.81 and 0.62, the forecast to what was obtained as"
    " 1.28, 1.15 and 1.05, and with 8 % of failures that have nothing to do with temperature as"
    " 0.99 over a year: the prior of the method expects a tenth of such failures."
    "\n\n"
    "An earlier run had 0.702 and 0.741 for the width and 1.183 and 1.285 for the forecast. Its"
    " seeds came from the prints' ids, which are alike in all logs, so every workshop printed its"
    " six in one and the same order, cold and warm by turns. Now each has an order of its own."
    " Pairs of one cold and one warm print, each pair in random order, were tried on the same"
    " logs, 400 a world: widths 0.760 and 0.762, forecast 1.081 and 1.162; not clearly better, so"
    " the order stays the method's."
)
