"""The acceptance run in short: a few cells, few logs, the numbers to reach with some slack.

In full, with its table committed: ``python -m tests.bench.causes_acceptance``.
"""

from __future__ import annotations

import pytest

from tests.bench import causes_cold, causes_planning, causes_ranking

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
    "nothing, bad spells, 60 prints",
    "vat temperature -0.6, 60 prints",
    "room humidity, 1 logit per sd, 150 prints",
)


@pytest.mark.parametrize("name", COLD)
def test_question_1_reaches_its_numbers(name: str) -> None:
    cell = next(cell for cell in causes_cold.CELLS if cell.name == name)
    assert causes_cold.run(cell, COLD_LOGS).misses(SLACK) == []


@pytest.mark.parametrize("name", RANKING)
def test_question_2_reaches_its_numbers(name: str) -> None:
    cell = next(cell for cell in causes_ranking.CELLS if cell.name == name)
    assert causes_ranking.run(cell, RANKING_LOGS).misses(SLACK) == []


def test_question_3_reaches_its_numbers() -> None:
    assert causes_planning.run(PLANNING_LOGS).misses(SLACK) == []
