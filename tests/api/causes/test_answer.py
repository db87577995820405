"""Question 1 as a user meets it: every situation of the table, and logs that are no logs."""

from __future__ import annotations

import dataclasses
import importlib
import math
import random
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from api.causes import ColdAnswer, PrintRow, Verdict, answer, words
from api.causes.classical import ClassicalFit, SeparationNote
from api.causes.curve import Span
from api.causes.link import Direction
from collector.errors import InvalidError
from tests.api.causes.logs import DAY_MS, ORING_ANY, ORING_F, celsius, rows_of, winter

FORBIDDEN = re.compile(r"caus|because|due to|\bp\s*[=<]|p-value|significan", re.IGNORECASE)


def said(found: ColdAnswer) -> str:
    return " ".join(found.sentences)


def test_a_winter_of_cold_failures_gives_a_limit_with_both_ends() -> None:
    found = answer(winter(150, seed=3))
    assert found.verdict is Verdict.BETWEEN_TWO_BOUNDS
    assert found.threshold is not None
    lo, mid, hi = found.threshold.lo_c, found.threshold.mid_c, found.threshold.hi_c
    assert lo is not None
    assert mid is not None
    assert hi is not None
    assert lo < mid < hi
    assert lo < 19.0 < hi, "the truth the winter was drawn from"
    assert hi - lo < 4.0
    assert "Failures go with cold resin in your log: 150 prints" in said(found)
    assert "1 in 5 fails somewhere between" in said(found)
    assert "the warmest you have logged" in said(found)
    assert "typical print" in said(found)


def test_the_curve_falls_and_its_band_holds_it() -> None:
    curve = answer(winter(150, seed=3)).curve
    assert curve is not None
    assert all(a > b for a, b in zip(curve.mid, curve.mid[1:], strict=False))
    assert all(0 <= a <= b <= c <= 1 for a, b, c in zip(curve.lo, curve.mid, curve.hi, strict=True))
    steps = [b - a for a, b in zip(curve.temperature_c, curve.temperature_c[1:], strict=False)]
    assert steps[:-1] == pytest.approx([0.25] * (len(steps) - 1))


def test_the_curve_is_asked_only_within_the_log() -> None:
    found = answer(winter(150, seed=3))
    assert found.curve is not None
    at = found.curve.at(found.curve.temperature_c[4])
    assert at is not None
    assert (at.lo, at.share, at.hi) == (found.curve.lo[4], found.curve.mid[4], found.curve.hi[4])
    assert found.curve.at(found.curve.temperature_c[0] - 0.1) is None
    assert found.curve.at(found.curve.temperature_c[-1] + 0.1) is None


def test_too_few_prints_says_what_is_missing() -> None:
    found = answer(winter(9, seed=1))
    assert found.verdict is Verdict.TOO_FEW
    assert found.sentences[0].startswith("Not enough yet: 9 prints")
    assert "15 prints with a vat temperature" in said(found)
    assert found.link is None
    assert found.curve is None
    assert found.threshold is None


def test_too_few_failures_or_good_prints_or_degrees() -> None:
    temperatures = [15.0 + i % 10 for i in range(30)]
    few = answer(rows_of(temperatures, [1.0, 1.0] + [0.0] * 28))
    assert few.verdict is Verdict.TOO_FEW
    assert "3 failures" in few.sentences[1]
    bad = answer(rows_of(temperatures, [0.0, 0.0] + [1.0] * 28))
    assert bad.verdict is Verdict.TOO_FEW
    assert "3 good prints" in bad.sentences[1]
    narrow = answer(rows_of([20.0 + 0.09 * (i % 30) for i in range(30)], [0.0, 1.0] * 15))
    assert narrow.verdict is Verdict.TOO_FEW
    assert "at least 3 °C apart (so far 2.6 °C)" in narrow.sentences[1]


def test_no_link_gives_the_rate_and_the_curve_but_no_limit() -> None:
    found = answer(winter(60, seed=5, slope_per_c=0.0))
    assert found.verdict is Verdict.NOT_LINKED
    assert "do not go with vat temperature clearly enough to tell from chance" in said(found)
    assert "95 % interval" in said(found)
    assert "what to print next" in said(found)
    assert found.threshold is None
    assert found.curve is not None


def test_a_curve_that_cannot_be_computed_gives_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    module = importlib.import_module("api.causes.answer")
    monkeypatch.setattr(module, "draw", lambda model, seed: None)
    found = answer(winter(60, seed=3))
    assert found.verdict is Verdict.NOT_COMPUTED
    assert "could not be computed" in said(found)
    assert found.threshold is None
    assert found.curve is None


def test_warm_side_worse_gives_no_cold_limit() -> None:
    rows = [
        dataclasses.replace(r, temperature_c=38.0 - r.temperature_c) for r in winter(150, seed=3)
    ]
    found = answer(rows)
    assert found.verdict is Verdict.WARM_SIDE_WORSE
    assert "Failures go with warm resin" in said(found)
    assert found.link is not None
    assert found.link.direction is Direction.HIGH
    assert found.threshold is None


@pytest.mark.parametrize(
    ("verdict", "log", "phrase"),
    [
        (
            Verdict.SAFE_ABOVE_ONLY,
            winter(60, seed=13, slope_per_c=-0.2, shift=0.5),
            "How much colder would do: not known yet.",
        ),
        (
            Verdict.UNSAFE_BELOW_ONLY,
            winter(60, seed=1, slope_per_c=-0.2, shift=0.5),
            "A safe temperature: not known yet.",
        ),
        (
            Verdict.NO_LIMIT_YET,
            winter(25, seed=1, slope_per_c=-0.3, shift=0.5),
            "but no limit can be given yet",
        ),
    ],
)
def test_an_end_that_is_not_known_is_not_stated(
    verdict: Verdict, log: list[PrintRow], phrase: str
) -> None:
    found = answer(log)
    assert found.verdict is verdict
    assert phrase in said(found)
    if verdict is Verdict.NO_LIMIT_YET:
        assert found.threshold is None
        return
    assert found.threshold is not None
    assert found.threshold.mid_c is None
    assert (found.threshold.hi_c is None) == (verdict is Verdict.UNSAFE_BELOW_ONLY)
    assert (found.threshold.lo_c is None) == (verdict is Verdict.SAFE_ABOVE_ONLY)


def test_a_limit_warmer_than_everything_logged_is_said_to_lie_there() -> None:
    """No bound is named outside the log, yet what the log shows of itself is."""
    rng = np.random.default_rng(8)
    temperatures = np.append(rng.uniform(12.5, 17.0, 149), 17.0)
    failed = rng.random(150) < 1.0 / (1.0 + np.exp(-(math.log(0.25) - 0.8 * (temperatures - 19.0))))
    found = answer(rows_of(temperatures.tolist(), failed.astype(float).tolist()))
    assert found.verdict is Verdict.NO_LIMIT_YET
    assert found.threshold is None
    assert "no limit can be given yet" in said(found)
    assert "Even at 17.0 °C, the warmest you have logged, more than 1 in 5 fails." in said(found)
    assert "if there is one, lies warmer than anything you logged" in said(found)


def test_a_limit_colder_than_everything_logged_is_said_to_lie_there() -> None:
    below = words.beyond_the_log(Span(11.0, 15.0, 18.9), 0.5, 19.0, 26.0)
    assert "Even at 19.0 °C, the coldest you have logged" in below[0]
    assert "a typical print fails less than 1 in 2" in below[0]
    assert "lies colder than anything you logged" in below[1]
    assert words.beyond_the_log(Span(11.0, 19.5, 30.0), 0.5, 19.0, 26.0) == []


def test_a_link_between_parts_of_the_year_only_is_called_seasonal() -> None:
    """The cellar cools over the autumn while a machine wears: failures rise with time alone."""
    rng = np.random.default_rng(0)
    passed = np.arange(60) / 59
    temperatures = 25.0 - 9.0 * passed + rng.normal(0.0, 1.5, 60)
    failed = rng.random(60) < 0.6 * passed**2
    found = answer(rows_of(temperatures.tolist(), failed.astype(float).tolist()))
    assert found.link is not None
    assert found.link.only_seasonal
    assert "The link is mostly between parts of the year" in said(found)


def test_an_upturn_on_the_warm_side_is_mentioned_but_not_estimated() -> None:
    rng = np.random.default_rng(1)
    temperatures = rng.uniform(12.0, 29.0, 150)
    risk = np.where(temperatures < 18.0, 0.8, np.where(temperatures > 26.5, 0.5, 0.03))
    failed = rng.random(150) < risk
    found = answer(rows_of(temperatures.tolist(), failed.astype(float).tolist()))
    assert found.warm_side
    assert "Failures rise again on the warm side" in said(found)


def test_a_resin_has_its_own_limit_only_with_prints_and_failures_of_its_own() -> None:
    rows = winter(150, seed=3)
    rows += [dataclasses.replace(rows[0], id="rare", start_ms=200 * DAY_MS, resin="Fathom Clear")]
    found = answer(rows)
    assert {own.resin for own in found.per_resin} == {"Harbour Grey", "Kiln Amber", "Willow"}
    assert all(own.prints_n >= 10 and own.failures >= 3 for own in found.per_resin)
    assert "Harbour Grey (" in said(found)
    assert "Fathom Clear" not in said(found)


@pytest.mark.parametrize("prints_n", [15, 23, 40, 80])
@pytest.mark.parametrize("shift", [-1.5, 0.0, 1.5])
def test_no_bound_outside_the_log_and_no_forbidden_word(prints_n: int, shift: float) -> None:
    for seed in range(3):
        found = answer(winter(prints_n, seed=100 + seed, shift=shift))
        assert not FORBIDDEN.search(said(found)), said(found)
        assert found.temperatures is not None
        bounds = [found.threshold] if found.threshold else []
        for bound in [b for t in bounds for b in (t.lo_c, t.mid_c, t.hi_c) if b is not None]:
            assert found.temperatures.coldest_c <= bound <= found.temperatures.warmest_c


def test_other_levels_are_said_in_their_own_words() -> None:
    rows = winter(150, seed=3)
    assert "1 in 10 fails" in said(answer(rows, level=0.10))
    assert "30 % fails" in said(answer(rows, level=0.30))
    colder, warmer = answer(rows, level=0.30).threshold, answer(rows, level=0.15).threshold
    assert colder is not None
    assert warmer is not None
    assert colder.mid_c is not None
    assert warmer.mid_c is not None
    assert colder.mid_c < warmer.mid_c


@pytest.mark.parametrize("level", [0.0, 0.04, 0.51, 1.0, math.nan])
def test_a_level_that_cannot_be_asked_for_is_refused(level: float) -> None:
    with pytest.raises(InvalidError) as refused:
        answer(winter(30, seed=1), level=level)
    assert refused.value.where == "level"


DEGENERATE = {
    "none": [],
    "one": winter(1, seed=1),
    "two": winter(2, seed=1),
    "all failed": rows_of([15.0 + i % 9 for i in range(40)], [1.0] * 40),
    "none failed": rows_of([15.0 + i % 9 for i in range(40)], [0.0] * 40),
    "one temperature": rows_of([20.0] * 40, [0.0, 1.0] * 20),
    "identical rows": [winter(1, seed=1)[0]] * 40,
    "identical but for the id": rows_of([20.0] * 40, [1.0] * 40),
    "not a number": [
        *winter(10, seed=1),
        PrintRow("a", 0, math.nan, 0.0, "Willow"),
        PrintRow("b", 0, 20.0, math.nan, "Willow"),
        PrintRow("c", 0, math.inf, 1.0, "Willow"),
        PrintRow("d", 0, 20.0, 1.5, "Willow"),
        PrintRow("e", 0, -127.0, 1.0, "Willow"),
    ],
    "a resin with one print": [
        *winter(40, seed=1),
        PrintRow("rare", 99 * DAY_MS, 17.0, 1.0, "Fathom Clear"),
    ],
    "every print its own resin": [
        dataclasses.replace(r, resin=f"resin {r.id}") for r in winter(40, seed=1)
    ],
    "temperature is the resin": [
        dataclasses.replace(
            r, resin="Willow" if i % 2 else "Kiln Amber", temperature_c=18.0 + 4 * (i % 2)
        )
        for i, r in enumerate(winter(40, seed=1))
    ],
    "separated": rows_of([14.0] * 10 + [24.0] * 30, [1.0] * 10 + [0.0] * 30),
    "separated, mixed in time": rows_of([14.0, 24.0, 23.0] * 15, [1.0, 0.0, 0.0] * 15),
    "half plates": rows_of([14.0, 24.0, 23.0] * 15, [0.5, 0.5, 0.5] * 15),
    "order is the temperature": rows_of([14.0 + 0.2 * i for i in range(60)], [1.0, 0.0] * 30),
    "settings nobody could adjust for": [
        dataclasses.replace(
            r, settings={f"setting {k}": float((i * (k + 3)) % 7) for k in range(30)}
        )
        for i, r in enumerate(winter(40, seed=1))
    ],
    "settings not numbers": [
        dataclasses.replace(r, settings={"exposure_s": math.nan, "delay_s": math.inf})
        for r in winter(40, seed=1)
    ],
}


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([14.0, 17.0, 17.000001, 20.0, 24.5, 99.0]),
            st.sampled_from([0.0, 0.0, 0.25, 1.0]),
            st.sampled_from(["Willow", "Harbour Grey", ""]),
            st.sampled_from([2.0, 2.5, 1e8, -3.0]),
        ),
        min_size=15,
        max_size=40,
    )
)
def test_whatever_is_logged_is_answered_in_words(
    log: list[tuple[float, float, str, float]],
) -> None:
    rows = [
        PrintRow(f"{i}", i // 3, t, y, resin, {"exposure_s": x, "lift": x * 2.0, "delay_s": i % 2})
        for i, (t, y, resin, x) in enumerate(log)
    ]
    found = answer(rows)
    assert found.sentences
    assert not FORBIDDEN.search(said(found))


@pytest.mark.parametrize("name", DEGENERATE)
def test_a_log_that_is_hardly_one_is_answered_in_words(name: str) -> None:
    """Warnings are errors in this suite: none may reach the console either."""
    found = answer(DEGENERATE[name])
    assert found.sentences
    assert isinstance(found.verdict, Verdict)
    TypeAdapter(ColdAnswer).dump_json(found)


def test_what_is_not_a_number_is_left_out_and_counted() -> None:
    found = answer(DEGENERATE["not a number"], left_out={"no reading": 2})
    assert found.counts.prints_n == 10
    assert found.counts.left_out == {
        "failed share is not a number": 1,
        "failed share is not between 0 and 1": 1,
        "no reading": 2,
        "vat temperature is impossible": 1,
        "vat temperature is not a number": 2,
    }
    assert "Left out: 7 prints" in said(found)
    assert "no reading (2)" in said(found)


def test_two_thousand_prints_are_answered() -> None:
    found = answer(winter(2_000, seed=2))
    assert found.verdict is Verdict.BETWEEN_TWO_BOUNDS
    assert found.counts.prints_n == 2_000


def test_plates_failed_in_part_count_for_their_share() -> None:
    rows = [dataclasses.replace(r, failed_share=r.failed_share * 0.25) for r in winter(60, seed=9)]
    found = answer(rows)
    assert found.counts.failures == pytest.approx(sum(r.failed_share for r in rows))


def test_the_same_log_gives_the_same_answer_in_any_order() -> None:
    rows = winter(60, seed=11)
    mixed = rows[:]
    random.Random(4).shuffle(mixed)
    assert answer(rows) == answer(mixed) == answer(rows)


def test_a_constant_setting_changes_nothing() -> None:
    rows = winter(60, seed=11)
    with_constant = [dataclasses.replace(r, settings={"layer_height_mm": 0.05}) for r in rows]
    plain, constant = answer(rows), answer(with_constant)
    assert plain.sentences == constant.sentences
    assert plain.link == constant.link
    assert plain.threshold == constant.threshold


def test_fahrenheit_on_the_way_in_changes_nothing() -> None:
    rows = winter(60, seed=11)
    there_and_back = [
        dataclasses.replace(r, temperature_c=celsius(r.temperature_c * 1.8 + 32.0)) for r in rows
    ]
    one, other = answer(rows), answer(there_and_back)
    assert one.sentences == other.sentences
    assert one.verdict is other.verdict


def test_prints_and_resins_renamed_keep_their_answer_to_the_bit() -> None:
    names = {"Harbour Grey": "Willow", "Kiln Amber": "Fathom Clear", "Willow": "Harbour Grey"}
    for seed in (3, 11, 17):
        rows = winter(90, seed=seed)
        renamed = [
            dataclasses.replace(r, id=f"plate {999 - i}", resin=names[r.resin])
            for i, r in enumerate(rows)
        ]
        one, other = answer(rows), answer(renamed)
        assert one.verdict is other.verdict
        assert one.threshold == other.threshold
        assert one.curve == other.curve
        assert sorted(own.threshold.hi_c or 0.0 for own in one.per_resin) == sorted(
            own.threshold.hi_c or 0.0 for own in other.per_resin
        )
        assert one.fingerprint != other.fingerprint


def test_a_changed_outcome_changes_the_fingerprint() -> None:
    rows = winter(30, seed=11)
    changed = [dataclasses.replace(rows[0], failed_share=1.0 - rows[0].failed_share), *rows[1:]]
    assert answer(rows).fingerprint != answer(changed).fingerprint
    assert answer(rows).fingerprint != answer(rows, level=0.3).fingerprint


def test_a_setting_logged_now_and_then_is_said_not_to_be_adjusted_for() -> None:
    rows = [
        dataclasses.replace(r, settings={"normal_exposure_s": 2.0 + i % 3} if i % 2 else {})
        for i, r in enumerate(winter(40, seed=1))
    ]
    (warning,) = answer(rows).warnings
    assert "normal_exposure_s changed but was logged in only 20 of 40 prints" in warning


def test_the_classical_fit_stands_beside_the_answer() -> None:
    rows = rows_of([celsius(t) for t in ORING_F], [float(y) for y in ORING_ANY])
    fit = answer(rows).classical
    assert isinstance(fit, ClassicalFit)
    assert fit.celsius.slope == pytest.approx(-0.417893, abs=1e-6)


def test_separation_is_named_and_never_printed_as_a_number() -> None:
    note = answer(DEGENERATE["separated, mixed in time"]).classical
    assert isinstance(note, SeparationNote)
    assert "Separation: all failures at 14.0 °C or colder" in note.sentence
    none = answer(DEGENERATE["none failed"]).classical
    assert isinstance(none, SeparationNote)
    assert "No print failed" in none.sentence
