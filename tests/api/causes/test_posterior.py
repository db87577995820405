"""Draws where the first ones tell little: several resins, settings that wander, few failures."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from api.causes import PrintRow, posterior
from api.causes.posterior import FEWEST_DRAWS, RiskModel, draw
from api.causes.rows import log_of, seed_of
from tests.api.causes.logs import winter


def wandering(seed: int) -> list[PrintRow]:
    """A winter of three resins in which three settings wander."""
    rng = np.random.default_rng(seed)
    rows = winter(120, seed=seed, slope_per_c=-0.3, base=0.05)
    steps = (rng.random((120, 3)) < 0.15) * rng.normal(size=(120, 3))
    walked = np.cumsum(steps, axis=0)
    return [
        dataclasses.replace(
            row, settings={f"setting {k}": float(value) for k, value in enumerate(values)}
        )
        for row, values in zip(rows, walked, strict=True)
    ]


def test_draws_go_on_from_what_the_last_ones_fit_until_enough_count(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    log = log_of(wandering(10))
    model, seed = RiskModel.of(log), seed_of(log.rows)
    found = draw(model, seed)
    assert found is not None
    assert found.effective_n >= FEWEST_DRAWS
    other = draw(model, seed + 1)
    assert other is not None
    for share in (0.25, 0.5, 0.75):
        one, two = (
            float(np.average(np.exp(-d.s) < share, weights=d.weights)) for d in (found, other)
        )
        assert one == pytest.approx(two, abs=0.1)
    monkeypatch.setattr(posterior, "_TURNS", 0)
    assert draw(model, seed) is None
