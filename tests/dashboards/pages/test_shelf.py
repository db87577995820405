"""Resins, bottles, plates and machines: put on record, corrected, taken back, by two people."""

from __future__ import annotations

import html
import re
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from api.answers import Workshop
from api.prints import Spot
from api.record import Machine
from collector.readings import Role
from dashboards import words
from tests.dashboards import workshops
from tests.dashboards.pages.test_prints import form_values

NORTH, SOUTH = 1, 2


def values(page: str) -> dict[str, str]:
    """What the fields of a form hold, its lists too."""
    found = form_values(page)
    for name, options in re.findall(r'<select id="[^"]+" name="([^"]+)"[^>]*>(.*?)</select>', page):
        chosen = re.search(r'value="([^"]*)" selected', options)
        found[name] = chosen[1] if chosen else ""
    return found


def test_a_resin_with_its_printed_ranges(filled: Workshop, client: TestClient) -> None:
    form = values(client.get("/shelf/resins/1").text) | {
        "density_g_cm3": "1,1",
        "price_per_kg": "32",
        "normal_exposure_s_low": "2",
        "normal_exposure_s_high": "3,5",
        "temperature_c_low": "22",
        "temperature_c_high": "30",
    }
    answer = client.post("/shelf/resins/1", data=form)
    resin = filled.record.resins.get(1).entry
    assert (resin.density_g_cm3, resin.price_per_kg) == (1.1, 32)
    assert resin.guidance.normal_exposure_s is not None
    assert resin.guidance.normal_exposure_s.high == 3.5
    assert resin.guidance.bottom_exposure_s is None
    assert "2 to 3.5 s" in answer.text
    assert "Undo" in answer.text
    client.post("/shelf/resins/1/undo", data={"revision": "2"})
    assert filled.record.resins.get(1).entry.density_g_cm3 is None


def test_a_printed_range_is_named_where_a_setting_lies_outside_it(
    filled: Workshop, client: TestClient
) -> None:
    form = values(client.get("/shelf/resins/1").text)
    form |= {"normal_exposure_s_low": "3", "normal_exposure_s_high": "4"}
    client.post("/shelf/resins/1", data=form)
    page = client.get("/prints/new?machine=1").text
    assert "is below the resin&#39;s printed 3 to 4 s" in page
    assert "Limit: printed on the resin by its maker." in page


@pytest.mark.parametrize(
    ("change", "field", "said"),
    [
        ({"temperature_c_low": "22"}, "temperature_c_high", "two ends"),
        (
            {"temperature_c_low": "30", "temperature_c_high": "22"},
            "temperature_c_low",
            "swap them",
        ),
        ({"density_g_cm3": "heavy"}, "density_g_cm3", "is not a number"),
        ({"name": ""}, "name", "at least 1 character"),
    ],
)
def test_a_fault_stands_at_its_field_and_nothing_is_lost(
    filled: Workshop, client: TestClient, change: dict[str, str], field: str, said: str
) -> None:
    form = values(client.get("/shelf/resins/1").text) | {"note": "typed with care"} | change
    answer = client.post("/shelf/resins/1", data=form)
    assert answer.status_code == 422
    text = html.unescape(answer.text)
    assert said in text
    assert f'<a href="#{field}">' in text
    assert "typed with care" in text
    assert filled.record.resins.get(1).revision == 1


def test_a_bottle_from_opened_to_empty_by_taps(filled: Workshop, client: TestClient) -> None:
    form = values(client.get("/shelf/bottles/new").text)
    client.post("/shelf/bottles", data=form | {"resin": "1", "lot": "26-014"})
    client.post("/shelf/bottles", data=form | {"resin": "1", "lot": "26-014"})
    assert len(filled.record.bottles.all()) == 1
    for revision, what in enumerate(("opened", "mixed", "emptied"), start=1):
        page = client.post(
            "/shelf/bottles/1/now", data={"what": what, "revision": str(revision)}
        ).text
        assert getattr(filled.record.bottles.get(1).entry, what) == workshops.NOW
    assert "Mixed now" not in page
    client.post("/shelf/bottles/1/undo", data={"revision": "4"})
    assert filled.record.bottles.get(1).entry.emptied is None
    assert client.post("/shelf/bottles/1/now", data={"what": "spilt"}).status_code == 422


def test_the_bottle_in_use_is_copied_to_the_next_print(
    filled: Workshop, client: TestClient
) -> None:
    form = values(client.get("/shelf/bottles/new").text)
    client.post("/shelf/bottles", data=form | {"resin": "1", "lot": "26-014"})
    plate = filled.record.prints.get(41).entry
    filled.record.prints.change(41, plate.model_copy(update={"bottle": 1}))
    assert "lot 26-014" in client.get("/prints/new?machine=1").text
    client.post("/shelf/bottles/1/now", data={"what": "emptied"})
    assert values(client.get("/prints/new?machine=1").text).get("bottle", "") == ""


def test_a_plate_with_places_and_a_part_taken_off(filled: Workshop, client: TestClient) -> None:
    form = values(client.get("/shelf/plates/new").text) | {
        "name": "Housings",
        "resin_ml": "80",
        "part-0": "Housing left",
        "spot-0": "left",
        "part-2": "Housing right",
    }
    client.post("/shelf/plates", data=form)
    plate = filled.record.plates.get(1).entry
    assert [part.name for part in plate.parts] == ["Housing left", "Housing right"]
    assert plate.parts[0].place is Spot.LEFT
    form = values(client.get("/shelf/plates/1").text)
    client.post("/shelf/plates/1", data=form | {"part-0": "", "part-2": "Lid"})
    parts = filled.record.plates.get(1).entry.parts
    assert [part.name for part in parts] == ["Housing right", "Lid"]
    twice = values(client.get("/shelf/plates/1").text) | {"part-3": "Lid"}
    assert "same name" in client.post("/shelf/plates/1", data=twice).text


def test_a_sensor_moved_and_that_is_taken_back_on_both_machines(
    filled: Workshop, client: TestClient
) -> None:
    at = workshops.NOW - timedelta(days=2)
    form = {"moved_channel": "vat-north", "moved_at": words.field_time(at), "revision": "1"}
    answer = client.post(f"/shelf/machines/{SOUTH}/moved", data=form)

    def measured(machine: int) -> list[str | None]:
        entry: Machine = filled.record.machines.get(machine).entry
        before, after = at - timedelta(minutes=1), at
        return [entry.channel(Role.VAT_TEMPERATURE, moment) for moment in (before, after)]

    assert (measured(NORTH), measured(SOUTH)) == (
        ["vat-north", None],
        ["vat-south", "vat-north"],
    )
    undo = form_values(answer.text[answer.text.index("/undo") :])
    client.post(f"/shelf/machines/{SOUTH}/undo", data=undo)
    assert (measured(NORTH), measured(SOUTH)) == (
        ["vat-north", "vat-north"],
        ["vat-south", "vat-south"],
    )


def test_a_sensor_with_its_times_by_hand(filled: Workshop, client: TestClient) -> None:
    form = values(client.get(f"/shelf/machines/{NORTH}").text)
    form |= {"until-0": "2026-01-05T09:00"}
    client.post(f"/shelf/machines/{NORTH}", data=form)
    (link,) = filled.record.machines.get(NORTH).entry.channels
    assert (link.since, words.field_time(link.until)) == (None, "2026-01-05T09:00")
    form = values(client.get(f"/shelf/machines/{SOUTH}").text)
    form |= {"until-0": "2026-01-02T09:00", "channel-1": "vat-north", "since-1": "2026-01-04T09:00"}
    answer = client.post(f"/shelf/machines/{SOUTH}", data=form)
    assert answer.status_code == 409
    assert "belongs to North over the same time" in answer.text
    assert '<a href="#channel-1">' in answer.text
    client.post(f"/shelf/machines/{SOUTH}", data=form | {"since-1": "2026-01-05T09:00"})
    assert len(filled.record.machines.get(SOUTH).entry.channels) == 2


def test_a_machine_keeps_its_limits_when_it_is_corrected(
    filled: Workshop, client: TestClient
) -> None:
    client.post(f"/room/limits/{NORTH}", data={"vat_from_c": "21"})
    form = values(client.get(f"/shelf/machines/{NORTH}").text)
    client.post(f"/shelf/machines/{NORTH}", data=form | {"note": "serviced"})
    machine = filled.record.machines.get(NORTH).entry
    assert (machine.note, machine.limits.vat_from_c) == ("serviced", 21)


def test_what_is_used_stays_and_what_is_not_goes_and_comes_back(
    filled: Workshop, client: TestClient
) -> None:
    refused = client.post("/shelf/resins/1/delete", data={"revision": "1"})
    assert refused.status_code == 409
    assert "it is in use" in refused.text
    gone = client.post("/shelf/resins/3/delete", data={"revision": "1"})
    assert "Off the record:</strong> Willow" in gone.text
    client.post("/shelf/resins/3/undo", data={"revision": "1"})
    assert filled.record.resins.get(3).entry.name == "Willow"


def test_two_people_at_one_plate_lose_nothing(filled: Workshop, client: TestClient) -> None:
    form = values(client.get("/shelf/plates/new").text)
    client.post("/shelf/plates", data=form | {"name": "Housings", "part-0": "Housing"})
    mine = values(client.get("/shelf/plates/1").text)
    client.post("/shelf/plates/1", data=mine | {"part-1": "Their lid"})
    answer = client.post("/shelf/plates/1", data=mine | {"part-1": "My lid", "note": "mine"})
    assert answer.status_code == 409
    assert "Somebody else changed this plate" in answer.text
    client.post("/shelf/plates/1", data=values(answer.text))
    plate = filled.record.plates.get(1).entry
    assert [part.name for part in plate.parts] == ["Housing", "Their lid", "My lid"]
    assert plate.note == "mine"


def test_a_channel_that_is_not_there_is_refused(client: TestClient) -> None:
    form = values(client.get(f"/shelf/machines/{NORTH}").text) | {"channel-1": "nowhere"}
    answer = client.post(f"/shelf/machines/{NORTH}", data=form)
    assert answer.status_code == 422
    assert "there is no channel" in html.unescape(answer.text).lower()
