"""The band of the curve: counted into bins it is what sorting every draw gives."""

from __future__ import annotations

import numpy as np
import pytest

from api.causes.curve import share_quantiles
from api.causes.posterior import weighted_quantiles

AT = np.array([0.025, 0.5, 0.975])


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("shape", [0.02, 0.5, 3.0])
def test_quantiles_by_bins_are_those_by_sorting(seed: int, shape: float) -> None:
    rng = np.random.default_rng(seed)
    shares = rng.beta(shape, 2.0, 3_000)
    weights = rng.exponential(size=3_000) ** 3
    weights /= weights.sum()
    assert share_quantiles(shares, weights, AT) == pytest.approx(
        weighted_quantiles(shares, weights, AT), abs=1e-12
    )


@pytest.mark.parametrize("share", [0.0, 1.0, 0.3])
def test_draws_that_all_agree_have_one_quantile(share: float) -> None:
    shares, weights = np.full(50, share), np.full(50, 0.02)
    assert share_quantiles(shares, weights, AT).tolist() == [share] * 3
