"""Question 2: which conditions go with failures, and when none can be named."""

from __future__ import annotations

import dataclasses
import math
import random
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.causes.link import Direction
from api.causes.multiplicity import holm
from api.causes.ranking import ConditionRow, Ranking, rank, rank_correlation
from api.causes.ranking_words import Standing
from api.causes.rows import PrintRow, log_of
from collector.errors import InvalidError
from tests.api.causes.logs import DAY_MS
from tests.bench.causes_ranking import TIGHT, RankingWorld

RESINS = ("Harbour Grey", "Kiln Amber", "Willow")
FORBIDDEN = re.compile(r"caus|because|due to|\bp\s*[=<]|p-value|significan", re.IGNORECASE)


def workshop(
    prints_n: int, *, seed: int, cause: str | None = "room humidity", size: float = 1.6
) -> list[ConditionRow]:
    """A log of conditions: vat and room go together, humidity, age and exposure on their own."""
    rng = np.random.default_rng(seed)
    vat = 20.0 + 3.0 * np.sin(np.arange(prints_n) / 9.0) + rng.normal(0.0, 1.5, prints_n)
    columns = {
        "vat temperature": vat,
        "room temperature": vat - 1.5 + rng.normal(0.0, 0.2, prints_n),
        "room humidity": rng.normal(50.0, 8.0, prints_n),
        "resin age": np.arange(prints_n) % 17 + 0.0,
        "bottom_exposure_s": 30.0 + 2.0 * (np.arange(prints_n) // 11 % 3),
    }
    logit = np.full(prints_n, -1.5)
    if cause:
        x = columns[cause]
        logit += size * (x - x.mean()) / max(float(x.std()), 1e-9)
    failed = rng.random(prints_n) < 1.0 / (1.0 + np.exp(-logit))
    return [
        ConditionRow(
            id=f"print-{i}",
            start_ms=i * DAY_MS,
            failed_share=float(failed[i]),
            resin=RESINS[i % 3],
            settings={"bottom_exposure_s": float(columns["bottom_exposure_s"][i])},
            conditions={name: float(column[i]) for name, column in columns.items()},
        )
        for i in range(prints_n)
    ]


def said(found: Ranking) -> str:
    return " ".join(found.sentences)


def standing(found: Ranking, name: str) -> Standing:
    return next(c.standing for c in found.candidates if c.name == name)


def test_the_condition_that_failures_go_with_is_named_alone() -> None:
    found = rank(workshop(120, seed=1))
    assert found.answered
    assert found.lead_set == ("room humidity",)
    first = found.candidates[0]
    assert first.name == "room humidity"
    assert first.direction is Direction.HIGH
    assert first.standing is Standing.FLAGGED
    assert "Failures go with high room humidity in your log (120 prints" in said(found)
    assert first.effect is not None
    assert first.effect.lo < first.effect.odds_ratio < first.effect.hi
    assert first.effect.lo < math.exp(1.6) < first.effect.hi, "what the log was drawn with"
    assert "times the odds of failing (95 % interval" in said(found)
    assert not FORBIDDEN.search(said(found))


def test_conditions_that_move_together_are_one_finding() -> None:
    found = rank(workshop(120, seed=4, cause="vat temperature", size=-1.6))
    assert {"vat temperature", "room temperature"} <= set(found.lead_set)
    assert "which of them matters cannot be told apart" in said(found)
    vat = next(c for c in found.candidates if c.name == "vat temperature")
    room = next(c for c in found.candidates if c.name == "room temperature")
    assert vat.direction is Direction.LOW
    assert "vat temperature" in room.moves_with or "room temperature" in vat.moves_with
    assert not FORBIDDEN.search(said(found))


def test_what_is_only_carried_along_by_the_first_is_not_flagged() -> None:
    """The room follows the vat loosely; failures are drawn from the vat alone."""
    rng = np.random.default_rng(1)
    rows = [
        dataclasses.replace(
            row,
            conditions={
                "vat temperature": row.conditions["vat temperature"],
                "room temperature": row.conditions["vat temperature"] + float(rng.normal(0, 2.5)),
            },
        )
        for row in workshop(150, seed=4, cause="vat temperature", size=-2.0)
    ]
    found = rank(rows)
    assert found.lead_set == ("vat temperature",)
    assert standing(found, "room temperature") is Standing.EXPLAINED
    assert (
        "room temperature goes with failures only as far as it goes with vat temperature."
        in found.sentences
    )


def test_none_stands_out_where_there_is_nothing() -> None:
    found = rank(workshop(60, seed=3, cause=None))
    assert found.answered
    assert found.lead_set == ()
    assert all(c.standing is not Standing.FLAGGED for c in found.candidates)
    assert "None stands out from chance. With 60 prints only a strong link" in said(found)
    assert [c.rank for c in found.candidates] == [1, 2, 3, 4, 5]


def test_a_slow_change_is_only_seasonal() -> None:
    rng = np.random.default_rng(8)
    passed = np.arange(80) / 79
    rows = [
        dataclasses.replace(
            row,
            failed_share=float(rng.random() < 0.7 * passed[i] ** 2),
            conditions={"room humidity": 60.0 - 20.0 * passed[i] + float(rng.normal(0.0, 1.5))},
        )
        for i, row in enumerate(workshop(80, seed=8))
    ]
    found = rank(rows)
    assert standing(found, "room humidity") is Standing.ONLY_SEASONAL
    assert "room humidity, only seasonal" in said(found)


@pytest.mark.parametrize(
    ("rows", "phrase"),
    [
        ([], "Not enough yet: 0 prints, 0 failures."),
        (workshop(1, seed=1), "Not enough yet: 1 print"),
        (workshop(19, seed=1), "Not enough yet: 19 prints"),
        (
            [
                dataclasses.replace(r, failed_share=float(i < 4))
                for i, r in enumerate(workshop(60, seed=1))
            ],
            "Not enough yet: 60 prints, 4 failures.",
        ),
        (
            [
                dataclasses.replace(r, failed_share=float(i > 3))
                for i, r in enumerate(workshop(60, seed=1))
            ],
            "5 good prints",
        ),
        (
            [dataclasses.replace(r, conditions={}) for r in workshop(60, seed=1)],
            "There is no condition to look at",
        ),
        (
            [dataclasses.replace(r, resin=r.id) for r in workshop(60, seed=1)],
            "Needs more prints: so many resins",
        ),
    ],
)
def test_a_log_that_cannot_tell_is_refused_in_words(rows: list[ConditionRow], phrase: str) -> None:
    found = rank(rows)
    assert not found.answered
    assert found.candidates == ()
    assert phrase in said(found)


def test_a_condition_seldom_read_or_constant_is_dropped_with_its_reason() -> None:
    rows = [
        dataclasses.replace(
            row,
            conditions={
                **row.conditions,
                "chamber": 20.0,
                **({"lamp": float(i)} if i % 2 else {"lamp": math.nan}),
            },
        )
        for i, row in enumerate(workshop(120, seed=1))
    ]
    found = rank(rows)
    assert found.dropped == {
        "chamber": "the same in every print",
        "lamp": "read in only 60 of 120 prints",
    }
    assert found.lead_set == ("room humidity",)
    assert "Not looked at: lamp: read in only 60 of 120 prints." in said(found)


def test_prints_without_a_reading_of_a_kept_condition_are_left_out_and_counted() -> None:
    rows = workshop(120, seed=1)
    rows[7] = dataclasses.replace(
        rows[7], conditions={k: v for k, v in rows[7].conditions.items() if k != "resin age"}
    )
    found = rank(rows, left_out={"still running": 1})
    assert found.prints_n == 119
    assert found.left_out == {"a condition was not read": 1, "still running": 1}


def test_more_than_a_dozen_conditions_are_refused() -> None:
    rows = [
        dataclasses.replace(r, conditions={f"condition {k}": float(i * k % 7) for k in range(16)})
        for i, r in enumerate(workshop(60, seed=1))
    ]
    with pytest.raises(InvalidError):
        rank(rows)


def test_a_dozen_constant_conditions_are_dropped_and_change_nothing() -> None:
    rows = workshop(60, seed=3)
    constant = {f"constant {k}": float(k) for k in range(12)}
    more = [dataclasses.replace(r, conditions={**r.conditions, **constant}) for r in rows]
    assert rank(more).candidates == rank(rows).candidates
    assert set(constant) <= set(rank(more).dropped)


def test_the_order_of_prints_and_a_constant_setting_change_nothing() -> None:
    rows = workshop(80, seed=6)
    mixed = [dataclasses.replace(r, settings={**r.settings, "layer_height_mm": 0.05}) for r in rows]
    random.Random(1).shuffle(mixed)
    one, other = rank(rows), rank(mixed)
    assert one.candidates == other.candidates
    assert one.sentences == other.sentences


def test_a_change_of_unit_changes_no_standing() -> None:
    rows = workshop(80, seed=6, cause="vat temperature", size=-1.5)
    in_f = [
        dataclasses.replace(
            r,
            conditions={
                **r.conditions,
                "vat temperature": r.conditions["vat temperature"] * 1.8 + 32.0,
            },
        )
        for r in rows
    ]
    for a, b in zip(rank(rows).candidates, rank(in_f).candidates, strict=True):
        assert (a.name, a.standing, a.p_shift) == (b.name, b.standing, b.p_shift)
        assert a.p_firth == pytest.approx(b.p_firth, rel=1e-6)


def test_holm_over_the_candidates_is_what_the_ranking_reports() -> None:
    """The single p come from the ratio statistics, chi-square with one degree of freedom."""
    found = rank(workshop(60, seed=3, cause=None))
    single = [math.erfc(math.sqrt(c.statistic / 2.0)) for c in found.candidates]
    assert [c.p_firth for c in found.candidates] == pytest.approx(holm(single))


def test_rank_correlation_within_resin_ignores_what_differs_between_resins() -> None:
    """Within each resin the two run against each other; over all they seem to go together."""
    rows = [PrintRow(f"{i:02}", i, 20.0, 0.0, "ab"[i // 10]) for i in range(20)]
    log = log_of(rows)
    a = np.arange(10.0).tolist() + (100.0 + np.arange(10.0)).tolist()
    b = (-np.arange(10.0)).tolist() + (100.0 - np.arange(10.0)).tolist()
    assert rank_correlation(np.array(a), np.array(b), log) == pytest.approx(-1.0)


def test_rank_correlation_of_one_resin_is_spearmans() -> None:
    from scipy.stats import spearmanr

    rng = np.random.default_rng(3)
    a, b = rng.integers(0, 6, 40).astype(float), rng.integers(0, 6, 40).astype(float)
    log = log_of([PrintRow(f"{i:02}", i, 20.0, 0.0, "a") for i in range(40)])
    assert rank_correlation(a, b, log) == pytest.approx(float(spearmanr(a, b)[0]))


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.0, 0.0, 0.5, 1.0]),
            st.sampled_from(["Willow", "Harbour Grey"]),
            st.sampled_from([14.0, 20.0, 20.0, math.nan, 1e8]),
            st.sampled_from([1.0, 2.0]),
        ),
        min_size=20,
        max_size=40,
    )
)
def test_whatever_is_logged_is_ranked_or_refused_in_words(
    log: list[tuple[float, str, float, float]],
) -> None:
    rows = [
        ConditionRow(f"{i}", i // 3, y, resin, {"lift": x}, {"vat": t, "lift": x, "twice": 2 * x})
        for i, (y, resin, t, x) in enumerate(log)
    ]
    found = rank(rows)
    assert found.sentences
    assert not FORBIDDEN.search(said(found))


def test_an_interval_does_not_depend_on_the_fits_before_it() -> None:
    """A log in which a fit begun where another had ended led astray, and the interval with it."""
    cause = "vat temperature"
    world = RankingWorld("vat temperature -0.6", cause, -0.6, per_sd=False, room=TIGHT)
    found = rank(world.log(102, 60))
    effects = [one.effect for one in found.candidates if one.effect is not None]
    assert effects
    assert all(effect.lo < effect.odds_ratio < effect.hi for effect in effects)
