"""One failed print against the good prints like it."""

from __future__ import annotations

import math
import re

import pytest

from api.causes.ranking import ConditionRow
from api.causes.unusual import unusual


def row(
    name: str, humidity: float, vat: float = 22.0, failed: float = 0.0, **settings: float
) -> ConditionRow:
    conditions = {"room humidity": humidity, "vat temperature": vat}
    return ConditionRow(name, 0, failed, "Willow", settings, conditions)


GOOD = [row(f"good-{i}", 45.0 + i, 21.0 + 0.2 * i, exposure=2.0) for i in range(11)]


def test_what_was_unusual_comes_first_with_its_distance_and_coverage() -> None:
    """Median 50, median absolute deviation 3: 80 lies 30 / (1.4826 * 3) = 6.745 off, by hand."""
    found = unusual(row("bad", 80.0, 22.1, 1.0, exposure=2.0), GOOD, {"room humidity": 0.92})
    first, second = found.oddities
    assert first.name == "room humidity"
    assert first.distance == pytest.approx(30.0 / (1.4826 * 3.0))
    assert first.unusual
    assert (first.median, first.usual_lo, first.usual_hi) == (50.0, 46.0, 54.0)
    assert not second.unusual
    assert found.same_settings
    assert found.sentences[0] == (
        "room humidity was 80, higher than usual: 46 to 54 in most of 11 good prints of Willow"
        " with the same settings; 92 % of it was recorded."
    )
    assert found.sentences[1] == "Unusual does not mean that it had to do with the failure."


def test_numbers_are_said_with_their_unit_in_digits_that_tell_them_apart() -> None:
    units = {"room humidity": "%RH"}
    plain = unusual(row("bad", 80.126, 22.1, 1.0, exposure=2.0), GOOD, units=units)
    assert plain.oddities[0].unit == "%RH"
    assert plain.sentences[0].startswith(
        "room humidity was 80.1 %RH, higher than usual: 46 to 54 %RH in most of 11 good prints"
    )
    steady = [row(f"same-{i}", 20.0 + i / 1e4, exposure=2.0) for i in range(11)]
    close = unusual(row("bad", 20.004, 22.0, 1.0, exposure=2.0), steady, units=units)
    assert close.sentences[0].startswith(
        "room humidity was 20.004 %RH, higher than usual: 20 to 20.001 %RH"
    )


def test_nothing_stands_out() -> None:
    found = unusual(row("bad", 51.0, 22.1, 1.0, exposure=2.0), GOOD)
    assert found.sentences == (
        "Nothing stands out against 11 good prints of Willow with the same settings.",
    )


def test_prints_with_other_settings_stand_in_where_there_are_too_few() -> None:
    found = unusual(row("bad", 20.0, 22.1, 1.0, exposure=3.0), GOOD)
    assert not found.same_settings
    assert found.peers_n == 11
    assert "lower than usual" in found.sentences[0]
    assert "Fewer than five good prints had the same settings" in found.sentences[-1]


def test_failed_prints_and_other_resins_and_itself_are_no_peers() -> None:
    others = [
        *GOOD[:4],
        row("failed", 50.0, failed=1.0, exposure=2.0),
        ConditionRow("other", 0, 0.0, "Kiln Amber", {}, {"room humidity": 50.0}),
        row("bad", 50.0, exposure=2.0),
    ]
    found = unusual(row("bad", 80.0, failed=1.0, exposure=2.0), others)
    assert found.peers_n == 4
    assert found.oddities == ()
    assert found.sentences == (
        "Nothing to compare with yet: 4 good prints of Willow. Needs 5 with readings.",
    )


def test_a_condition_that_was_not_read_says_so() -> None:
    found = unusual(row("bad", math.nan, 22.1, 1.0, exposure=2.0), GOOD)
    assert found.not_compared == {"room humidity": "not read in this print"}
    assert found.sentences[-1] == "room humidity: not read in this print."


def test_peers_that_all_agree_make_any_difference_unusual() -> None:
    same = [row(f"same-{i}", 45.0, 22.0, exposure=2.0) for i in range(6)]
    odd = unusual(row("bad", 46.0, 22.0, 1.0, exposure=2.0), same)
    assert odd.oddities[0].distance is None
    assert odd.oddities[0].unusual
    assert odd.oddities[1].distance == 0.0


def test_no_word_of_blame() -> None:
    found = unusual(row("bad", 80.0, 30.0, 1.0, exposure=2.0), GOOD)
    assert not re.search(r"caus|because|due to|blame|fault", " ".join(found.sentences))
