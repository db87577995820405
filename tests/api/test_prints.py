"""Plates, parts and phases, by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from pydantic import ValidationError

from api.prints import (
    FailureMode,
    Outcome,
    Part,
    Print,
    Window,
    window_of,
)

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
NIGHT = Window(EVENING, EVENING + timedelta(hours=7))

GOOD, FLAWED, FAILED = Outcome.GOOD, Outcome.FLAWED, Outcome.FAILED


def plate(*outcomes: Outcome | None, end: datetime | None = None) -> Print:
    parts = tuple(Part(name=f"collar {n}", outcome=o) for n, o in enumerate(outcomes))
    return Print(start=EVENING, end=end, resin=1, machine=1, parts=parts)


@pytest.mark.parametrize(
    ("outcomes", "share", "worst"),
    [
        ((), None, None),
        ((None, None), None, None),
        ((GOOD, None), 0.0, GOOD),
        ((GOOD, FLAWED), 0.0, FLAWED),
        ((FAILED, GOOD, FLAWED, None, FAILED), 0.5, FAILED),
    ],
)
def test_a_plate_is_judged_by_the_parts_that_were_looked_at(
    outcomes: tuple[Outcome | None, ...], share: float | None, worst: Outcome | None
) -> None:
    assert plate(*outcomes).failed_share == share
    assert plate(*outcomes).outcome == worst


def test_a_print_runs_until_an_end_or_an_outcome_is_noted() -> None:
    assert plate(None).running
    assert not plate(None, end=NIGHT.end).running
    assert not plate(GOOD).running


def test_a_running_print_reaches_up_to_now_and_never_ends_before_it_starts() -> None:
    later = EVENING + timedelta(hours=1)
    assert window_of(plate(), later) == Window(EVENING, later)
    assert window_of(plate(), EVENING - timedelta(hours=1)).length_s == 0
    assert window_of(plate(end=NIGHT.end), later) == NIGHT


@pytest.mark.parametrize(
    "wrong",
    [
        {"outcome": GOOD, "modes": (FailureMode.WARPED,)},
        {"modes": (FailureMode.WARPED,)},
        {"name": ""},
        {"outcome": "splendid"},
    ],
)
def test_a_part_that_makes_no_sense_cannot_be_made(wrong: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Part.model_validate({"name": "collar", **wrong})
