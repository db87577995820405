"""What holds for the answers to all questions: degenerate logs, repetition, what they rest on."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence

import pytest
from pydantic import TypeAdapter

from api.causes import ColdAnswer, PrintRow, answer
from api.causes.next_prints import Plan, plan
from api.causes.ranking import ConditionRow, Ranking, rank
from api.causes.tables import band_sentences, bands
from api.causes.two_groups import two_resins, two_settings
from api.causes.unusual import PrintOnItsOwn, unusual
from api.causes_answers import TableRests
from api.plan_answers import NextPrints
from api.readiness import Readiness
from tests.api.causes.logs import winter
from tests.api.causes.test_answer import DEGENERATE


def with_conditions(rows: Sequence[PrintRow]) -> list[ConditionRow]:
    """The same prints with two conditions each."""
    return [
        ConditionRow(
            r.id,
            r.start_ms,
            r.failed_share,
            r.resin,
            r.settings,
            {"vat temperature": r.temperature_c, "room humidity": 50.0 + i % 7},
        )
        for i, r in enumerate(rows)
    ]


@pytest.mark.parametrize("name", DEGENERATE)
def test_no_question_fails_on_a_log_that_is_hardly_one(name: str) -> None:
    """Warnings are errors in this suite: none may reach the console either."""
    rows = DEGENERATE[name]
    found = rank(with_conditions(rows))
    assert found.sentences
    TypeAdapter(Ranking).dump_json(found)
    planned = plan(rows)
    assert planned.sentences
    TypeAdapter(Plan).dump_json(planned)
    usable = [r for r in rows if 0.0 <= r.failed_share <= 1.0 and -50 < r.temperature_c < 150]
    counted = bands([r.temperature_c for r in usable], [r.failed_share for r in usable])
    assert sum(band.prints_n for band in counted) == len(usable)
    band_sentences(counted)
    assert two_resins(rows, "Willow", "Kiln Amber").sentences
    assert two_settings(rows, "exposure_s", 2.0).sentences
    for row in with_conditions(rows)[:1]:
        assert unusual(row, with_conditions(rows)).sentences


def test_two_thousand_prints_are_ranked_and_planned() -> None:
    rows = winter(2_000, seed=2)
    assert rank(with_conditions(rows)).lead_set == ("vat temperature",)
    assert plan(rows).answered


ASKED: Mapping[str, Callable[[list[PrintRow]], object]] = {
    "limit": answer,
    "conditions": lambda rows: rank(with_conditions(rows)),
    "next prints": plan,
    "two resins": lambda rows: two_resins(rows, "Willow", "Kiln Amber"),
    "one print": lambda rows: unusual(with_conditions(rows)[3], with_conditions(rows)),
}


@pytest.mark.parametrize("question", ASKED)
def test_the_same_log_gives_the_same_answer_to_the_bit(question: str) -> None:
    rows = winter(60, seed=11)
    first, again = ASKED[question](rows), ASKED[question]([dataclasses.replace(r) for r in rows])
    assert first == again
    as_bytes = TypeAdapter(type(first))
    assert as_bytes.dump_json(first) == as_bytes.dump_json(again)


@pytest.mark.parametrize(
    ("shape", "names"),
    [
        (ColdAnswer, "method version fingerprint counts seed warnings"),
        (Ranking, "method version fingerprint prints_n failures left_out dropped seed warnings"),
        (Plan, "method version fingerprint seed"),
        (NextPrints, "suggestion prints_n failures left_out warnings comparison_method"),
        (TableRests, "method version fingerprint prints_n failures left_out seed warnings"),
        (Readiness, "method version fingerprint readings_n"),
        (PrintOnItsOwn, "method version fingerprint peers_n not_compared"),
    ],
    ids=lambda value: value.__name__ if isinstance(value, type) else "",
)
def test_every_answer_carries_what_it_rests_on(shape: type, names: str) -> None:
    assert set(names.split()) <= {field.name for field in dataclasses.fields(shape)}


def test_a_changed_log_changes_every_mark() -> None:
    rows = winter(60, seed=11)
    changed = [dataclasses.replace(rows[3], failed_share=1.0 - rows[3].failed_share), *rows[:3]]
    changed += rows[4:]
    for make in (
        answer,
        plan,
        lambda r: rank(with_conditions(sorted(r, key=lambda p: p.start_ms))),
    ):
        assert make(rows).fingerprint != make(changed).fingerprint
