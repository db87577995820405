"""Conditions in words: what is withheld says why, and dew point and frost point are told apart."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from api.answers import PrintWindow, Workshop, conditions_of
from api.phases import phases_of
from api.prints import Print
from api.record import Resin
from collector.channels import Channel
from collector.readings import Role
from dashboards.print_report import (
    HEADS,
    phase_lines,
    phase_sentences,
    sentence_of,
    told,
)
from tests.dashboards import workshops

START = datetime(2026, 1, 14, 18, 0, tzinfo=UTC)
NOW = START + timedelta(hours=12)


def cellar_with(
    folder: Path, *, vat_c: float | None, room_c: float, humid_pct: float
) -> tuple[Workshop, int]:
    """Four hours of steady readings, one a minute, and a print of three hours; its id."""
    channels = [
        Channel(id="room", place="Cellar", role=Role.ROOM_TEMPERATURE, topic="a"),
        Channel(id="humid", place="Cellar", role=Role.ROOM_HUMIDITY, topic="b"),
        Channel(id="vat", place="Vat", role=Role.VAT_TEMPERATURE, topic="c"),
    ]
    workshop = workshops.empty_workshop(folder, channels)
    moments = [START + timedelta(minutes=m) for m in np.arange(-130, 200).tolist()]
    for channel, value in (("room", room_c), ("humid", humid_pct), ("vat", vat_c)):
        if value is not None:
            workshops.append(workshop, channel, [(at, value) for at in moments])
    workshop.record.resins.add(Resin(name="Willow"))
    workshop.record.machines.add(workshops._machine("North", "vat"))
    plate = Print(start=START, end=START + timedelta(hours=3), resin=1, machine=1)
    return workshop, workshop.record.prints.add(plate).id


def test_dry_cold_air_has_a_frost_point_beside_its_dew_point(tmp_path: Path) -> None:
    # 15 °C and 30 %: dew point −2.459 °C over water by the same formula; the frost point over ice
    # is −2.141 °C by PsychroLib and lies within 0.05 K of that by ours.
    workshop, number = cellar_with(tmp_path, vat_c=21, room_c=15, humid_pct=30)
    found = conditions_of(workshop, number, NOW)
    sentence = sentence_of(found.windows[PrintWindow.WHOLE])
    assert "dew point −2.5 °C, frost point −2." in sentence
    assert "6.0 K above the room" in sentence
    whole = next(one for one in told(found, NOW) if one.key == "whole")
    lines = {line.name: dict(zip(HEADS, line.figures, strict=True)) for line in whole.lines}
    assert lines["Dew point"]["Mean"] == "−2.46 °C"
    frost_c = -float(lines["Frost point"]["Mean"].removeprefix("−").removesuffix(" °C"))
    assert frost_c == pytest.approx(-2.141, abs=0.05)
    assert lines["Resin in the vat"]["Per hour"] == "0.00 K"
    assert lines["Resin in the vat"]["Outside its limits"] == "never"
    workshops.close(workshop)


def test_a_cold_vat_tells_minutes_and_degree_hours(tmp_path: Path) -> None:
    workshop, number = cellar_with(tmp_path, vat_c=16.5, room_c=18, humid_pct=60)
    sentence = sentence_of(conditions_of(workshop, number, NOW).windows[PrintWindow.WHOLE])
    # Three hours, 1.5 K below the usual 18 °C.
    assert "16.5 °C on average, 3 h below 18 °C (4.50 degree-hours); 1.5 K below the room" in (
        sentence
    )
    assert "frost point" not in sentence
    workshops.close(workshop)


def test_what_is_not_told_says_why(tmp_path: Path) -> None:
    workshop, number = cellar_with(tmp_path, vat_c=None, room_c=18, humid_pct=60)
    whole = next(
        one for one in told(conditions_of(workshop, number, NOW), NOW) if one.key == "whole"
    )
    assert "The resin’s temperature is not told: no record in this window." in whole.sentence
    reasons = {line.name: line.withheld for line in whole.lines if line.withheld}
    assert reasons == {
        "Resin in the vat": "no record in this window",
        "Vat above room": "it needs the vat temperature: no record in this window",
    }
    workshops.close(workshop)


SETTINGS = {
    "layer_count": 1_000,
    "normal_exposure_s": 2.5,
    "bottom_exposure_s": 32.0,
    "bottom_layer_count": 6,
    "transition_layer_count": 4,
    "lift_distance_mm": 8.0,
    "lift_speed_mm_min": 60.0,
    "retract_speed_mm_min": 120.0,
    "light_off_delay_s": 1.0,
}


@pytest.mark.parametrize(
    ("longer_s", "said"),
    [(460.0, "Each layer took 0.46 s more"), (-60.0, "Each layer took 0.06 s less")],
)
def test_phases_say_what_each_layer_took(longer_s: float, said: str) -> None:
    # By hand: 6 x 32 + 4 x (32 + 2.5) / 2 + 990 x 2.5 s exposed; 1,000 x (1 + 8 + 4) s between.
    planned_s = 192 + 69 + 2_475 + 13_000
    end = START + timedelta(seconds=planned_s + longer_s)
    plate = Print.model_validate(
        {"start": START, "end": end, "resin": 1, "machine": 1, "settings": SETTINGS}
    )
    phases = phases_of(plate, NOW)
    told = " ".join(phase_sentences(phases, plate))
    assert said in told
    assert "By its settings alone it takes 4 h 22 min" in told
    lines = phase_lines(phases, plate, NOW)
    assert [(line.name, line.layers) for line in lines] == [
        ("First layers", "6"),
        ("Transition", "4"),
        ("Body", "990"),
    ]
