"""The demo's dice against the published generator and their stated distributions."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest

from dashboards.demo.dice import Dice


def test_the_stream_is_the_published_generator() -> None:
    # First outputs of splitmix64 for seed 1234567, as its reference program by S. Vigna
    # prints them (from memory).
    dice = Dice(1_234_567)
    assert [dice.word() for _ in range(3)] == [
        6_457_827_717_110_365_317,
        3_203_168_211_198_807_973,
        9_817_491_932_198_370_423,
    ]


def test_chances_are_uniform_and_normal_ones_normal() -> None:
    dice = Dice(5)
    draws = np.array([dice.random() for _ in range(20_000)])
    assert draws.min() >= 0.0
    assert draws.max() < 1.0
    counts, _ = np.histogram(draws, bins=10, range=(0.0, 1.0))
    assert ((counts - 2_000) ** 2 / 2_000).sum() < 27.9  # chi-square, 9 df, 0.1 %
    bells = np.array([dice.normal(66.0, 3.0) for _ in range(20_000)])
    assert bells.mean() == pytest.approx(66.0, abs=4 * 3.0 / math.sqrt(20_000))
    assert bells.std() == pytest.approx(3.0, rel=0.03)
    assert (np.abs(bells - 66.0) < 3.0).mean() == pytest.approx(0.6827, abs=0.014)


def test_weights_are_kept_and_what_weighs_nothing_never_comes() -> None:
    dice = Dice(6)
    counts = Counter(dice.choice("abcd", (0.5, 0.3, 0.2, 0.0)) for _ in range(10_000))
    assert counts["d"] == 0
    for option, share in zip("abc", (0.5, 0.3, 0.2), strict=True):
        assert abs(counts[option] / 10_000 - share) < 4 * math.sqrt(share * (1 - share) / 10_000)


def test_a_sample_has_no_double_and_leaves_none_out_in_the_long_run() -> None:
    dice = Dice(7)
    seen: Counter[int] = Counter()
    for _ in range(2_000):
        drawn = dice.sample(range(10), 3)
        assert len(set(drawn)) == 3
        seen.update(drawn)
    assert all(abs(seen[number] - 600) < 4 * math.sqrt(2_000 * 0.3 * 0.7) for number in range(10))
