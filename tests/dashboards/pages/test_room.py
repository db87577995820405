"""The Room: values with their age, silences in words, °C and %RH apart, gaps open."""

from __future__ import annotations

import itertools
import json
import re
from datetime import timedelta

from starlette.testclient import TestClient

from api.answers import Workshop
from collector.readings import ms_of
from tests.dashboards import workshops


def datasets(page: str) -> dict[str, dict[str, dict[str, list[float]]]]:
    """The rows of every chart of a page, by its id."""
    found = re.findall(
        r'<figure id="([^"]+)".*?<script type="application/json">(.*?)</script>', page, re.DOTALL
    )
    return {id: json.loads(rows) for id, rows in found}


def shapes(page: str) -> list[str]:
    return re.findall(r'data-chart="([^"]+)"', page)


def test_every_channel_is_on_the_board_with_value_and_age(client: TestClient) -> None:
    page = client.get("/").text
    for channel in workshops.CHANNELS:
        assert f'data-channel="{channel.id}"' in page
    now = client.get("/room/now").json()
    assert now["texts"]["value-vat-north"] == "23.2"
    assert now["texts"]["age-vat-north"] == "just now"
    assert now["texts"]["value-room-humidity"] == "64"


def test_a_silent_channel_says_for_how_long(client: TestClient) -> None:
    now = client.get("/room/now").json()
    assert now["texts"]["age-vat-south"] == "Silent for 3 h"
    assert now["marks"] == {
        "vat-north": False,
        "vat-south": True,
        "room-temp": False,
        "room-humidity": False,
        "chamber": False,
    }
    assert "Silent for 3 h" in client.get("/").text


def test_a_channel_without_a_reading_says_so(empty_client: TestClient) -> None:
    page = empty_client.get("/").text
    assert page.count("No reading yet") == len(workshops.CHANNELS)


def test_temperature_and_humidity_have_panels_of_their_own(client: TestClient) -> None:
    page = client.get("/").text
    assert shapes(page) == ["panel-temperature", "panel-humidity", "panel-temperature"]
    rows = datasets(page)
    assert max(rows["panel-0"]["readings"]["mean"]) < 30
    assert min(rows["panel-1"]["readings"]["mean"]) > 50
    assert max(rows["panel-2"]["readings"]["mean"]) > 55


def test_the_hours_lost_in_the_night_stay_open(client: TestClient) -> None:
    """North said nothing for two hours: no line touches them, and none is parted elsewhere."""
    rows = datasets(client.get("/?hours=24").text)["panel-0"]["readings"]
    north = [i for i, trace in enumerate(rows["trace"]) if trace == 0]
    lost = [ms_of(workshops.NOW - timedelta(hours=hours)) for hours in (12, 10)]
    for a, b in itertools.pairwise(north):
        over_the_hole = rows["at"][a] < lost[1] and rows["at"][b] > lost[0]
        assert (rows["segment"][a] != rows["segment"][b]) == over_the_hole


def test_the_trend_line_is_lifted_over_the_hole(client: TestClient) -> None:
    trends = client.get("/room/charts?hours=24").json()["trends"]
    assert trends["vat-north"].count("M") >= 2
    assert trends["room-temp"].count("M") == 1


def test_the_live_answers_say_what_the_page_says(client: TestClient) -> None:
    page = client.get("/").text
    for name, text in client.get("/room/now").json()["texts"].items():
        assert re.search(rf'data-live="{name}">{re.escape(text)}<', page), name
    assert client.get("/room/charts?hours=6").json()["figures"] == datasets(page)


def test_what_runs_is_on_the_page_and_a_hot_chamber_is_cautioned(client: TestClient) -> None:
    page = client.get("/").text
    assert 'href="/prints/42"' in page
    assert 'href="/soak/1"' in page
    assert "independent thermal cut-out" in page


def test_a_cold_chamber_needs_no_caution(empty: Workshop, empty_client: TestClient) -> None:
    workshops.append(empty, "chamber", [(workshops.NOW, 20.0)])
    assert "independent thermal cut-out" not in empty_client.get("/").text
