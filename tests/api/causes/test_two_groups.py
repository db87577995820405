"""Two resins or two settings side by side, and the comparison that turns round."""

from __future__ import annotations

import pytest

from api.causes import PrintRow
from api.causes.proportions import newcombe
from api.causes.tables import fisher
from api.causes.two_groups import two_resins, two_settings


def prints(
    resin: str, temperature_c: float, failed: int, good: int, exposure_s: float = 2.0
) -> list[PrintRow]:
    return [
        PrintRow(
            id=f"{resin} {temperature_c} {exposure_s} {i}",
            start_ms=i,
            temperature_c=temperature_c,
            failed_share=float(i < failed),
            resin=resin,
            settings={"normal_exposure_s": exposure_s},
        )
        for i in range(failed + good)
    ]


def test_two_resins_by_the_exact_test_and_the_difference() -> None:
    found = two_resins(
        prints("Willow", 20, 9, 1) + prints("Kiln Amber", 20, 3, 7), "Willow", "Kiln Amber"
    )
    assert found.table == ((9, 1), (3, 7))
    assert found.fisher == fisher(((9, 1), (3, 7)))
    assert found.difference == newcombe(9, 10, 3, 10)
    assert found.sentences[0] == "Willow: 9 of 10 prints failed; Kiln Amber: 3 of 10 prints failed."
    assert "+60 percentage points (95 % interval +17 to +81)" in found.sentences[1]
    assert found.sentences[2] == "Prints of Willow fail more often in your log."
    assert len(found.sentences) == 3


def test_a_comparison_that_turns_round_within_temperature_is_pointed_out() -> None:
    """Checks 3.10 in small: the better resin was printed when it was cold."""
    rows = [
        *prints("Willow", 15.0, 12, 3),
        *prints("Willow", 25.0, 1, 9),
        *prints("Kiln Amber", 15.5, 9, 1),
        *prints("Kiln Amber", 25.5, 10, 20),
    ]
    found = two_resins(rows, "Willow", "Kiln Amber")
    assert found.strata is not None
    assert found.strata.strata_n == 2
    # Σ ad/n over Σ bc/n, by hand.
    by_hand = (12 * 1 / 25 + 1 * 20 / 40) / (3 * 9 / 25 + 9 * 10 / 40)
    assert found.strata.odds_ratio == pytest.approx(by_hand)
    assert found.strata.crude == pytest.approx(13 * 21 / (12 * 19))
    assert found.strata.reversed
    assert (
        "Within the same bands of vat temperature the comparison turns round" in found.sentences[-1]
    )


def test_two_settings_are_compared_within_resins() -> None:
    rows = [
        *prints("Willow", 20, 1, 9, 2.0),
        *prints("Willow", 20, 6, 4, 3.0),
        *prints("Kiln Amber", 20, 2, 8, 2.0),
        *prints("Kiln Amber", 20, 7, 3, 3.0),
    ]
    found = two_settings(rows, "normal_exposure_s", 2.5)
    assert found.table == ((3, 17), (13, 7))
    assert found.strata is not None
    assert found.strata.strata_n == 2
    assert not found.strata.reversed
    assert (
        found.sentences[2] == "Prints of normal_exposure_s above 2.5 fail more often in your log."
    )


def test_groups_that_never_met_are_compared_with_care() -> None:
    found = two_resins(
        prints("Willow", 15, 3, 3) + prints("Kiln Amber", 25, 2, 4), "Willow", "Kiln Amber"
    )
    assert found.strata is None
    assert "compare with care" in found.sentences[-1]


def test_a_group_without_a_print_is_refused_in_words() -> None:
    found = two_resins(prints("Willow", 15, 3, 3), "Willow", "Fathom Clear")
    assert found.fisher is None
    assert found.sentences == ("Not enough yet: 6 prints of Willow and 0 of Fathom Clear.",)
    assert two_settings([], "lift", 1.0).difference is None
