"""The conditions of a print in each of its windows, against pandas and scipy."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from fastapi.testclient import TestClient

from api.answers import Derived, PrintWindow, Workshop, conditions_of
from api.conditions import Summary
from api.print_conditions import NO_FROST, NO_VAT
from api.prints import Print, Window
from api.record import ChannelLink, Machine, Resin
from api.settings_check import Guidance, Limits
from collector.readings import Mark, Reading, Role, ms_of
from collector.store.contract import Arrival, Gap
from tests.api.print_oracle import figures, joined

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
MORNING = EVENING + timedelta(hours=7)
LATER = EVENING + timedelta(days=60)
GAP_S = 300.0  # of every channel of the tests' workshop

#: 6 layers of 32 s with 8 s between: first layers of 4 min by the settings alone.
SETTINGS = {"bottom_layer_count": 30, "bottom_exposure_s": 32}


def plate(**fields: object) -> Print:
    return Print.model_validate(
        {
            "start": EVENING,
            "end": MORNING,
            "resin": 1,
            "machine": 1,
            "settings": SETTINGS,
            "afterwork": {
                "wash": {"start": MORNING + timedelta(minutes=20), "minutes": 6},
                "drying": {"minutes": 30},
                "cure": {"start": MORNING + timedelta(hours=1), "minutes": 8.5},
            },
            **fields,
        }
    )


def pour(workshop: Workshop, channel: str, table: pd.Series[float], marks: list[int]) -> None:
    """Readings of a channel, indexed by seconds after the evening's start, with their marks."""
    at_ms = [ms_of(EVENING) + round(t * 1_000) for t in table.index]
    rows = zip(at_ms, table, marks, strict=True)
    workshop.received.append(
        [
            Arrival(f"cellar/{channel}", t, (Reading(channel, t, float(v), Mark(m)),))
            for t, v, m in rows
        ]
    )


def traces(seed: int, *, cold: bool = False) -> dict[str, tuple[pd.Series[float], list[int]]]:
    """Twelve hours of vat, room and humidity at uneven steps, with holes and doubtful readings."""
    rng = np.random.default_rng(seed)
    begin = -3 * 3_600
    found = {}
    for channel, level, swing in (
        ("vat-north", 19.0, 3.0),
        ("room-temp", 3.0 if cold else 16.0, 2.5),
        ("room-humid", 55.0, 12.0),
    ):
        times = begin + np.cumsum(rng.integers(8_000, 95_000, 800)) / 1_000
        for _ in range(3):
            hole = rng.uniform(times[0], times[-1])
            times = times[(times < hole) | (times > hole + rng.uniform(400, 3_000))]
        values = level + swing * np.sin((times - begin) / 5_000) + rng.normal(0, 0.1, len(times))
        marks = np.where(rng.random(len(times)) < 0.03, int(Mark.IMPLAUSIBLE), 0)
        values[marks > 0] += 40
        found[channel] = pd.Series(values, index=times), marks.tolist()
    return found


def check(summary: Summary, expected: dict[str, float]) -> None:
    for name, value in expected.items():
        if name not in ("count", "coverage") and summary.withheld is not None:
            assert getattr(summary, name) is None
            continue
        found = getattr(summary, name)
        if np.isnan(value):
            assert found is None
        else:
            assert found == pytest.approx(value, rel=1e-9, abs=1e-9), name


def dew_c(temperature_c: pd.Series[float], humidity_pct: pd.Series[float]) -> pd.Series[float]:
    """Magnus over water with the coefficients of WMO No. 8, Annex 4.B, written another way."""
    gamma = np.log(humidity_pct / 100) + 17.62 * temperature_c / (243.12 + temperature_c)
    return pd.Series(243.12 * gamma / (17.62 - gamma), index=temperature_c.index)


def frost_c(temperature_c: pd.Series[float], humidity_pct: pd.Series[float]) -> pd.Series[float]:
    """The same over ice; there is none above 0 °C."""
    over_water = np.log(humidity_pct / 100) + 17.62 * temperature_c / (243.12 + temperature_c)
    point = pd.Series(272.62 * over_water / (22.46 - over_water), index=temperature_c.index)
    return point.where(point <= 0)


def vapour_g_m3(air_c: pd.Series[float], humidity_pct: pd.Series[float]) -> pd.Series[float]:
    """Ideal gas: 216.679 g K/J times vapour pressure [hPa] over temperature [K] (WMO No. 8)."""
    pressure = 6.112 * np.exp(17.62 * air_c / (243.12 + air_c)) * humidity_pct / 100
    return pd.Series(216.679 * np.asarray(pressure) / (air_c.to_numpy() + 273.15), air_c.index)


@pytest.mark.parametrize("seed", range(6))
def test_every_window_equals_an_independent_calculation(workshop: Workshop, seed: int) -> None:
    poured = traces(seed, cold=seed % 2 == 1)
    for channel, (table, marks) in poured.items():
        pour(workshop, channel, table, marks)
    kept = workshop.record.prints.add(plate())
    found = conditions_of(workshop, kept.id, LATER, below_c=18.0, above_c=20.5, least_coverage=0.3)
    assert set(found.windows) == {*PrintWindow} - {PrintWindow.DRYING}

    clean = {channel: table[np.array(marks) == 0] for channel, (table, marks) in poured.items()}
    vat, room, humid = clean["vat-north"], clean["room-temp"], clean["room-humid"]
    air = {
        name: joined(room, humid, (GAP_S, GAP_S), combine)
        for name, combine in (
            (Derived.DEW_POINT, dew_c),
            (Derived.FROST_POINT, frost_c),
            (Derived.ABSOLUTE_HUMIDITY, vapour_g_m3),
        )
    }
    above_room = joined(vat, room, (GAP_S, GAP_S), lambda v, r: v - r)
    seen = 0
    for name, conditions in found.windows.items():
        window = conditions.window
        start_s, end_s = ((at - EVENING).total_seconds() for at in (window.start, window.end))
        expected = {
            Role.ROOM_TEMPERATURE: figures(room, start_s, end_s, GAP_S),
            Role.ROOM_HUMIDITY: figures(humid, start_s, end_s, GAP_S),
        }
        printing = name not in (PrintWindow.WASH, PrintWindow.CURE)
        if printing:
            expected[Role.VAT_TEMPERATURE] = figures(
                vat, start_s, end_s, GAP_S, below=18.0, above=20.5
            )
        assert set(conditions.measured) == set(expected)
        for role, figure in expected.items():
            summary = conditions.measured[role].summary
            check(summary, figure)
            channel = {"vat": "vat-north", "roo": "room-temp"}[role.value[:3]]
            channel = "room-humid" if role is Role.ROOM_HUMIDITY else channel
            table, marks = poured[channel]
            inside = (table.index >= start_s) & (table.index < end_s)
            assert summary.marked_out == int((inside & (np.array(marks) > 0)).sum())
            assert (role in conditions.missing) == (summary.withheld is not None)
        for made, series in {**air, Derived.VAT_MINUS_ROOM: above_room}.items():
            if made in conditions.derived:
                check(conditions.derived[made].summary, figures(series, start_s, end_s, GAP_S))
                seen += conditions.derived[made].summary.withheld is None
            else:
                assert not printing or conditions.not_derived[made]
    assert seen >= 8


def test_frost_point_and_dew_point_are_told_apart(workshop: Workshop) -> None:
    times = np.arange(-8_000, 32_000, 60.0)
    # 15 °C at 30 %RH: dew point -2.459 over water; frost point -2.14 (CoolProp, PsychroLib).
    pour(workshop, "room-temp", pd.Series(15.0, index=times), [0] * len(times))
    pour(workshop, "room-humid", pd.Series(30.0, index=times), [0] * len(times))
    kept = workshop.record.prints.add(plate())
    whole = conditions_of(workshop, kept.id, LATER).whole
    assert whole is not None
    means = {made: one.summary.mean for made, one in whole.derived.items()}
    assert means[Derived.DEW_POINT] == pytest.approx(-2.459, abs=0.001)
    assert means[Derived.FROST_POINT] == pytest.approx(-2.14, abs=0.05)
    assert means[Derived.ABSOLUTE_HUMIDITY] == pytest.approx(3.8388, abs=1e-3)
    assert whole.not_derived == {Derived.VAT_MINUS_ROOM: f"it needs the vat temperature: {NOTHING}"}


NOTHING = "no record in this window"


def test_above_zero_there_is_no_frost_point(workshop: Workshop) -> None:
    times = np.arange(0, 26_000, 60.0)
    pour(workshop, "room-temp", pd.Series(20.0, index=times), [0] * len(times))
    pour(workshop, "room-humid", pd.Series(60.0, index=times), [0] * len(times))
    kept = workshop.record.prints.add(plate())
    whole = conditions_of(workshop, kept.id, LATER).whole
    assert whole is not None
    assert whole.not_derived[Derived.FROST_POINT] == NO_FROST
    assert whole.derived[Derived.DEW_POINT].summary.mean == pytest.approx(12.0, abs=0.05)


def test_a_sensor_counts_only_while_it_was_linked(workshop: Workshop) -> None:
    times = np.arange(-9_000, 26_000, 60.0)
    pour(workshop, "vat-north", pd.Series(20.0, index=times), [0] * len(times))
    since = EVENING - timedelta(minutes=30)
    moved = ChannelLink(
        channel="vat-north",
        role=Role.VAT_TEMPERATURE,
        since=since,
        until=EVENING + timedelta(hours=2),
    )
    workshop.record.machines.change(1, Machine(name="North", channels=(moved,)))
    kept = workshop.record.prints.add(plate())
    found = conditions_of(workshop, kept.id, LATER)
    shares = {
        name: window.measured[Role.VAT_TEMPERATURE].summary.coverage
        for name, window in found.windows.items()
        if Role.VAT_TEMPERATURE in window.measured
    }
    assert shares[PrintWindow.BEFORE_START] == pytest.approx(0.25, abs=0.01)
    assert shares[PrintWindow.FIRST_LAYERS] == 1
    assert shares[PrintWindow.WHOLE] == pytest.approx(2 / 7, abs=0.01)
    assert found.whole is not None
    assert "it takes 50%" in found.whole.missing[Role.VAT_TEMPERATURE]
    elsewhere = workshop.record.prints.add(plate(start=EVENING + timedelta(hours=3)))
    whole = conditions_of(workshop, elsewhere.id, LATER).whole
    assert whole is not None
    assert whole.missing[Role.VAT_TEMPERATURE] == NO_VAT


def test_the_limits_are_the_resins_own_or_the_usual_or_as_asked(workshop: Workshop) -> None:
    times = np.arange(0, 26_000, 60.0)
    pour(workshop, "vat-north", pd.Series(20.0, index=times), [0] * len(times))
    kept = workshop.record.prints.add(plate())

    def limits(**asked: float) -> Any:
        whole = conditions_of(workshop, kept.id, LATER, left_out=Mark.IMPLAUSIBLE, **asked).whole
        assert whole is not None
        summary = whole.measured[Role.VAT_TEMPERATURE].summary
        return summary.below, summary.above, summary.minutes_below

    assert limits() == (18, 35, 0)
    guidance = Guidance(temperature_c=Limits(low=22, high=28))
    workshop.record.resins.change(1, Resin(name="Harbour Grey", guidance=guidance))
    assert limits() == (22, 28, pytest.approx(420))
    assert limits(below_c=15.0) == (15, 28, 0)


def test_afterwork_is_taken_up_to_now_and_only_when_its_times_are_known(
    workshop: Workshop,
) -> None:
    kept = workshop.record.prints.add(plate())
    at = MORNING + timedelta(minutes=23)
    found = conditions_of(workshop, kept.id, at)
    assert PrintWindow.CURE not in found.windows
    assert found.windows[PrintWindow.WASH].window == Window(at - timedelta(minutes=3), at)
    assert Role.VAT_TEMPERATURE not in found.windows[PrintWindow.WASH].missing


def test_all_windows_go_over_http(client: TestClient, workshop: Workshop) -> None:
    for channel, (table, marks) in traces(0).items():
        pour(workshop, channel, table, marks)
    kept = workshop.record.prints.add(plate())
    address = f"/api/prints/{kept.id}/conditions"
    found = client.get(address, params={"coverage": 0.05, "below": 19, "above": 21}).json()
    for name in PrintWindow:
        assert (found[name.value] is None) == (name is PrintWindow.DRYING)
    whole = found["whole"]
    assert whole["derived"]["dew_point"]["unit"] == "°C"
    assert whole["derived"]["absolute_humidity"]["unit"] == "g/m³"
    assert whole["derived"]["vat_minus_room"]["channel"] == "vat-north, room-temp"
    vat = whole["measured"]["vat_temperature"]
    assert (vat["below"], vat["above"]) == (19, 21)
    assert vat["minutes_above"] > 0 < vat["degree_hours_above"]
    strict = client.get(address, params={"coverage": 1}).json()
    assert "it takes 100%" in strict["whole"]["missing"]["vat_temperature"]
    assert client.get(address, params={"coverage": 0}).status_code == 422
    assert ms_of(datetime.fromisoformat(found["before_start"]["end"])) == ms_of(EVENING)


def test_a_gap_that_reaches_over_an_edge_is_told_however_little_of_it_lies_within(
    workshop: Workshop,
) -> None:
    """The readings around it lie further off than the gap limit, and only 3 minutes are lost."""
    length = int((MORNING - EVENING).total_seconds())
    times = [-10_800.0, *range(180, length - 180 + 1, 60), length + 7_200.0]
    for channel in ("vat-north", "room-temp", "room-humid"):
        pour(workshop, channel, pd.Series(20.0, index=times), [0] * len(times))
    kept = workshop.record.prints.add(plate())
    whole = conditions_of(workshop, kept.id, LATER).whole
    assert whole is not None
    begin, end = ms_of(EVENING), ms_of(MORNING)
    lost = (Gap(begin, begin + 180_000), Gap(end - 180_000, end))
    told = [*whole.measured.values(), whole.derived[Derived.DEW_POINT]]
    assert [one.summary.gaps for one in told] == [lost] * 4
    # A record that only ends there has no hole: nobody knows yet what comes.
    workshop.received.delete_range("vat-north", end, end + 10_000_000)
    again = conditions_of(workshop, kept.id, LATER).whole
    assert again is not None
    assert again.measured[Role.VAT_TEMPERATURE].summary.gaps == lost[:1]
    assert again.derived[Derived.VAT_MINUS_ROOM].summary.gaps == lost[:1]
