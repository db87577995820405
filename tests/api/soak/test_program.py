"""Programs of the soak bench: what may be entered, and how long they take."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from pydantic import ValidationError

from api.soak.program import (
    READY_MADE,
    Finding,
    Look,
    SoakRun,
    Specimen,
    Step,
)

STARTED = datetime(2026, 1, 14, 9, 0, tzinfo=UTC)


def run(**changes: object) -> SoakRun:
    fields: dict[str, object] = {
        "name": "Kiln Amber, first batch",
        "program": READY_MADE[0],
        "chamber_channels": ("chamber-air",),
        "specimens": (Specimen(name="A1", resin=2), Specimen(name="A2", resin=2)),
        "started": STARTED,
    }
    return SoakRun.model_validate(fields | changes)


def test_the_band_holds_its_own_edges() -> None:
    step = Step(setpoint_c=60, tolerance_k=2)
    assert step.holds(58)
    assert step.holds(62)
    assert not step.holds(57.99)
    assert not step.holds(62.01)


def test_ready_made_programs_climb_and_say_where_they_come_from() -> None:
    hourly, preferred, narrow, long, ramp = READY_MADE
    assert [step.setpoint_c for step in hourly.steps] == [50, 60, 70, 80, 90, 100, 110, 120]
    assert {step.dwell_min for step in hourly.steps} == {60}
    assert "no source" in hourly.note
    # IEC 60068-2-2 preferred temperatures 55, 70, 85, 100, 125 °C; shortest duration 2 h.
    assert [step.setpoint_c for step in preferred.steps] == [55, 70, 85, 100, 125]
    assert [step.setpoint_c for step in narrow.steps] == [50, 55, 60, 65, 70, 75, 80]
    # IEC 60068-2-2 preferred: 70 °C, 16 h.
    assert (long.steps[0].setpoint_c, long.steps[0].dwell_min) == (70, 960)
    # ISO 75 and ASTM D648 heat at 2 °C/min (test-house pages).
    assert ramp.steps[0].ramp_limit_k_per_min == 2
    assert all("compl" not in program.note for program in READY_MADE)


@pytest.mark.parametrize(
    "wrong",
    [
        {"ended": STARTED},
        {"ended": STARTED - timedelta(hours=1)},
        {"abandoned": "smell of burning"},
        {"specimens": (Specimen(name="A1"), Specimen(name="A1"))},
        {"chamber_channels": ()},
        {"chamber_channels": ("air", "air")},
        {"chamber_channels": ("air",), "specimen_channel": "air"},
        {"started": datetime(2026, 1, 14, 9, 0)},
        {"surprise": 1},
    ],
)
def test_a_run_that_does_not_hang_together_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        run(**wrong)


def test_a_run_comes_back_from_json_as_it_went() -> None:
    whole = run(ended=STARTED + timedelta(hours=3), abandoned="power cut")
    assert SoakRun.model_validate_json(whole.model_dump_json()) == whole


def test_a_sag_belongs_to_a_sagged_specimen() -> None:
    look = Look(specimen="A1", time=STARTED, finding=Finding.SAGGED, sag_mm=1.5)
    assert look.sag_mm == 1.5
    with pytest.raises(ValidationError, match="sag_mm belongs to"):
        Look(specimen="A1", time=STARTED, finding=Finding.SOUND, sag_mm=1.5)


def test_a_change_of_colour_alone_is_not_giving_way() -> None:
    assert not Finding.SOUND.gave_way
    assert not Finding.DISCOLOURED.gave_way
    assert Finding.SAGGED.gave_way
    assert Finding.CRAZED.gave_way


@pytest.mark.parametrize("dwell", [0, -1, float("nan"), float("inf")])
def test_a_step_needs_a_real_dwell(dwell: float) -> None:
    with pytest.raises(ValidationError):
        Step(setpoint_c=60, dwell_min=dwell)
