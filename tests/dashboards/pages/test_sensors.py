"""The guided entry of a calibration: take, look, preview, put on record, take back; no script."""

from __future__ import annotations

import html
import re
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from api.answers import Workshop
from api.calibrating import judged
from collector.readings import Series, ms_of
from dashboards.pages.sensors import LABELS
from tests.dashboards import workshops
from tests.dashboards.pages.test_health import text_of

NOW_MS = ms_of(workshops.NOW)


def soaked(workshop: Workshop, channel: str, value: float, n: int = 24) -> None:
    """The last minutes of a sensor at one temperature, every ten seconds up to now."""
    start = workshops.NOW + timedelta(seconds=1)
    rows = [(start + timedelta(seconds=10 * k), value + 0.02 * (k % 3)) for k in range(n)]
    workshops.append(workshop, channel, rows)


def fields_of(page: str) -> dict[str, str]:
    """What the fields of the guided entry hold."""
    pairs = re.findall(r'<input id="(\w+)" [^>]*?value="([^"]*)"', page)
    return {name: html.unescape(value) for name, value in pairs}


def test_ice_and_boiling_point_are_taken_previewed_and_put_on_record(
    filled: Workshop, client: TestClient
) -> None:
    soaked(filled, "room-temp", 0.40)
    page = client.get("/sensors/room-temp?take=ice&pressure_hpa=1000").text
    fields = fields_of(page)
    assert (fields["ice_read_c"], fields["pressure_hpa"]) == ("0.42", "1000")
    assert "It has settled." in page
    seen = client.get(
        "/sensors/room-temp",
        params={**fields, "boiling_read_c": "99.1", "preview": "yes", "valid_from": ""},
    ).text
    said = text_of(seen)
    # 99.61 °C at 1000 hPa: IAPWS R7-97(2012), table 36, saturation at 0.1 MPa is 372.755 919 K.
    assert "It read 99.10 °C where 99.61 °C ± 0.1 K was true" in said
    assert "It read 0.42 °C where 0.00 °C ± 0.1 K was true: melting ice" in said
    assert "at 1000 hPa" in said
    assert filled.record.calibrations.all() == []
    form = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', seen))
    since = (workshops.NOW - timedelta(days=1)).astimezone()
    form["valid_from"] = since.strftime("%Y-%m-%dT%H:%M")
    before = filled.store.before("room-temp", NOW_MS)
    done = client.post("/sensors/room-temp/calibrations", data=form)
    assert done.status_code == 200
    assert "On record." in done.text
    (kept,) = filled.record.calibrations.all()
    assert [pair.found for pair in kept.entry.pairs] == ["ice_point", "boiling_point"]
    assert "IAPWS R7-97" in kept.entry.note
    after = filled.store.before("room-temp", NOW_MS)
    assert before is not None
    assert after is not None
    slope = 99.606 / (99.1 - 0.42)
    assert after.value == pytest.approx((before.value - 0.42) * slope, abs=2e-3)
    assert "corrected since" in client.get("/sensors").text
    back = client.post(f"/sensors/room-temp/calibrations/{kept.id}/delete")
    assert "Taken back." in back.text
    assert filled.store.before("room-temp", NOW_MS) == before


def test_the_mean_is_of_what_was_received_not_of_what_is_corrected_already(
    filled: Workshop, client: TestClient
) -> None:
    soaked(filled, "vat-north", 0.40)
    form = {"reference_read": "0.40", "reference_true": "5"}
    client.post("/sensors/vat-north/calibrations", data=form)
    assert fields_of(client.get("/sensors/vat-north?take=ice").text)["ice_read_c"] == "0.42"


def test_a_sensor_that_still_moves_or_is_silent_says_so(
    filled: Workshop, client: TestClient
) -> None:
    falling = [(workshops.NOW + timedelta(seconds=10 * k), 20.0 - k) for k in range(1, 20)]
    workshops.append(filled, "room-temp", falling)
    texts = client.get("/sensors/room-temp/now").json()["texts"]
    assert texts["settled"].startswith("Not yet: it still moves: by ")
    hasty = text_of(client.get("/sensors/room-temp?take=ice").text)
    assert "Taken, but not yet settled: it still moves" in hasty
    assert "fallen silent" in client.get("/sensors/vat-south/now").json()["texts"]["settled"]


def test_an_empty_workshop_has_nothing_to_take(empty_client: TestClient) -> None:
    page = empty_client.get("/sensors/vat-north?take=ice").text
    assert fields_of(page)["ice_read_c"] == ""
    assert "Not yet: there is no reading yet." in page


@pytest.mark.parametrize(
    ("typed", "where"),
    [
        ({}, "reference_read"),
        ({"ice_read_c": "21"}, "ice_read_c"),
        ({"boiling_read_c": "99"}, "pressure_hpa"),
        ({"boiling_read_c": "99", "pressure_hpa": "1013", "height_m": "10"}, "pressure_hpa"),
        ({"boiling_read_c": "40", "pressure_hpa": "1013"}, "boiling_read_c"),
        ({"boiling_read_c": "99", "height_m": "9000"}, "height_m"),
        ({"reference_read": "20"}, "reference_true"),
        ({"reference_read": "20", "reference_true": "1e20"}, "reference_true"),
        ({"ice_read_c": "0.4", "valid_from": "yesterday"}, "valid_from"),
    ],
)
def test_a_slip_is_told_with_its_field_and_nothing_typed_is_lost(
    filled: Workshop, client: TestClient, typed: dict[str, str], where: str
) -> None:
    answer = client.get("/sensors/chamber", params={**typed, "preview": "yes"})
    assert answer.status_code == 422
    assert f'<a href="#{where}">{LABELS[where]}</a>: ' in answer.text
    for name, text in typed.items():
        assert fields_of(answer.text)[name] == text
    posted = client.post("/sensors/chamber/calibrations", data=typed)
    assert posted.status_code == 422
    assert filled.record.calibrations.all() == []


def test_heights_are_told_with_their_source(client: TestClient) -> None:
    typed = {"boiling_read_c": "98", "height_m": "500", "preview": "yes"}
    said = text_of(client.get("/sensors/chamber", params=typed).text)
    # ISO 2533, table: 954.61 hPa at 500 m.
    assert (
        "at 955 hPa: standard atmosphere, ISO 2533, 500 m above the sea in average weather" in said
    )
    better = text_of(client.get("/sensors/chamber", params={**typed, "sea_level_hpa": "1030"}).text)
    assert "with 1030 hPa at sea level" in better


def test_cautions_stand_where_the_work_can_hurt(client: TestClient) -> None:
    vat, chamber, humidity = (
        client.get(f"/sensors/{one}").text for one in ("vat-north", "chamber", "room-humidity")
    )
    assert "Boiling water and its steam scald." in vat
    assert "Uncured resin:" in vat
    assert "Hot chamber:" in chamber
    assert "Boiling" not in humidity
    assert "Another instrument" in humidity


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ([0.1, 0.2, 0.1, 0.2], None),
        ([0.1, 0.2, 0.1], "too few"),
        ([0.1, 0.2, 0.1, 0.5], "still moves: by 0.40 °C"),
        ([], "no reading"),
    ],
)
def test_settled_means_enough_readings_within_little(values: list[float], why: str | None) -> None:
    series = Series.of("x", [(k * 10_000, value, 0) for k, value in enumerate(values)])
    found = judged(series, 180.0, "°C")
    assert (found.why_not is None) == (why is None)
    if why is not None:
        assert why in (found.why_not or "")
