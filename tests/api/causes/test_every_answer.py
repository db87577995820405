"""What holds for the answers to all questions: degenerate logs, repetition, what they rest on."""

from __future__ import annotations

import dataclasses
import json
import math
import random
import re
from collections.abc import Callable, Iterator, Mapping, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
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


#: Values as they come from broken sensors, slipped keys and other programs' tables.
ODD_TEMPERATURES_C = [15.0, 20.0, 20.0, 25.0, 12.5, -0.0, 293.15, 1e308, math.nan, -math.inf]
ODD_SHARES = [0.0, -0.0, 1.0, 1 / 3, 2 / 3, 2.0**-52, 1.0 + 1e-9, 5e-324, 0.05, math.nan]
ODD_SETTINGS = [2.5, 2.6, 1e9, 1e-9, -0.0, 5e-324, 1e300, math.nan, math.inf]


def _leaves(node: object, path: str = "") -> Iterator[tuple[str, object]]:
    if isinstance(node, dict):
        for key, below in node.items():
            yield from _leaves(below, f"{path}.{key}")
    elif isinstance(node, list):
        for below in node:
            yield from _leaves(below, path)
    else:
        yield path, node


def _is_plain(found: ColdAnswer | Ranking | Plan | PrintOnItsOwn) -> None:
    """No number is not a number, unbounded or minus zero, and none is said as a power of ten."""
    for path, leaf in _leaves(json.loads(TypeAdapter(type(found)).dump_json(found))):
        if isinstance(leaf, float):
            assert math.isfinite(leaf), path
            assert leaf != 0.0 or math.copysign(1.0, leaf) > 0.0, path
        elif isinstance(leaf, str):
            assert not re.search(r"\bnan\b|\binf\b|[-−]0\.0\b|\de[+-]\d|None", leaf), (path, leaf)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.floats(10.0, 30.0), st.sampled_from(ODD_TEMPERATURES_C)),
            st.sampled_from(ODD_SHARES),
            st.sampled_from(["Willow", "Kiln Amber", ""]),
            st.dictionaries(
                st.sampled_from(["exposure_s", "delay_s"]), st.sampled_from(ODD_SETTINGS)
            ),
            st.booleans(),
        ),
        max_size=40,
    ),
    st.sampled_from([0.05, 0.2, 0.5]),
)
def test_odd_logs_are_answered_plainly_and_alike_in_any_order(
    log: list[tuple[float, float, str, dict[str, float], bool]], level: float
) -> None:
    rows = [
        PrintRow(f"{i - twice}", i // 3, temperature_c, share, resin, changed)
        for i, (temperature_c, share, resin, changed, twice) in enumerate(log)
    ]
    conditions = with_conditions(rows)
    mixed, conditions_mixed = rows[:], conditions[:]
    random.Random(len(rows)).shuffle(mixed)
    random.Random(len(rows)).shuffle(conditions_mixed)
    found = answer(rows, level=level)
    _is_plain(found)
    assert answer(mixed, level=level) == found
    if found.threshold is not None and found.temperatures is not None:
        for bound in (found.threshold.lo_c, found.threshold.hi_c):
            within = (found.temperatures.coldest_c, found.temperatures.warmest_c)
            assert bound is None or within[0] <= bound <= within[1]
    ranking = rank(conditions)
    _is_plain(ranking)
    assert rank(conditions_mixed) == ranking
    _is_plain(plan(rows, level=level))
    for row in conditions[:1]:
        _is_plain(unusual(row, conditions))


def test_an_id_listed_twice_brings_the_same_conditions_in_any_order() -> None:
    """The print that is kept and the conditions that are looked at are of one and the same row."""
    rows = with_conditions(winter(60, seed=3))
    again = [
        dataclasses.replace(row, conditions={"vat temperature": 20.0, "room humidity": 40.0})
        for row in rows[:20]
    ]
    assert rank([*rows, *again]) == rank([*again, *rows])


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
