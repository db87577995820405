"""How numbers are said: never as a power of ten, never as minus nothing."""

from __future__ import annotations

import pytest

from api.causes import words


@pytest.mark.parametrize(
    ("value", "digits", "said"),
    [
        (1_234.5, 3, "1230"),
        (9.96, 2, "10"),
        (0.05, 4, "0.05"),
        (-0.5, 3, "−0.5"),
        (-0.0, 3, "0"),
        (1e-5, 3, "0.00001"),
        (1e9, 3, "1000000000"),
    ],
)
def test_a_number_is_said_with_all_its_noughts(value: float, digits: int, said: str) -> None:
    assert words.plain(value, digits) == said


def test_a_difference_of_nothing_has_no_sign() -> None:
    assert [words.points(share) for share in (-0.004, 0.0, 0.004)] == ["0", "0", "0"]
    assert [words.points(share) for share in (-0.25, 0.25)] == ["−25", "+25"]
