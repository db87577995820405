"""The acceptance run in short: a few cells, few logs, the numbers to reach with some slack.

In full, with its table committed: ``python -m tests.bench.causes_acceptance``.
"""

from __future__ import annotations

import pytest

from tests.bench import causes_cold, causes_planning, causes_ranking
from tests.bench.acceptance_table import Cell

#: Three standard errors of a share of 0.95 over the logs of a short run, and a little more.
COLD_LOGS, RANKING_LOGS, PLANNING_LOGS, SLACK = 40, 25, 12, 0.12

COLD = (
    "logistic -0.35, 60 prints",
    "logistic -0.8, 60 prints",
    "8 % unrelated failures, 60 prints",
    "resins, settings by season, 60 prints",
    "no link, bad spells, 60 prints",
    "no link, resins, settings by season, 60 prints",
    "logistic -0.35, level 0.1, 60 prints",
    "plates, parts 0.5, 40 prints",
)
RANKING = (
    "tight room: nothing, bad spells, 60 prints",
    "loose room: vat temperature -0.6, 60 prints",
    "tight room: room humidity, 1 logit per sd, 150 prints",
)


PLANNING = ("logistic -0.5, part of a year, 30 prints and 12 more",)

SHORT = [
    *((causes_cold.CELLS, name, COLD_LOGS) for name in COLD),
    *((causes_ranking.CELLS, name, RANKING_LOGS) for name in RANKING),
    *((causes_planning.CELLS, name, PLANNING_LOGS) for name in PLANNING),
]


@pytest.mark.parametrize(("cells", "name", "logs_n"), SHORT, ids=[name for _, name, _ in SHORT])
def test_a_short_run_reaches_the_numbers(cells: tuple[Cell, ...], name: str, logs_n: int) -> None:
    cell = next(cell for cell in cells if cell.name == name)
    assert cell.misses(cell.run(logs_n), SLACK) == []
