"""What is entered of a print beyond the quick way, and two people at one print."""

from __future__ import annotations

import html
import re
from datetime import timedelta

from starlette.testclient import TestClient

from api.answers import Workshop
from api.prints import Spot
from api.record import Bottle, Plate, PlatePart
from dashboards import words
from tests.dashboards import workshops
from tests.dashboards.pages.test_prints import NORTH, RUNNING, WAITING, form_values


def test_two_corrections_are_shown_side_by_side_and_neither_is_lost(
    filled: Workshop, client: TestClient
) -> None:
    mine = form_values(client.get(f"/prints/{WAITING}/correct").text)
    theirs = mine | {"layer_count": "1300", "note": "theirs"}
    client.post(f"/prints/{WAITING}", data=theirs)
    answer = client.post(
        f"/prints/{WAITING}", data=mine | {"note": "mine", "normal_exposure_s": "3"}
    )
    assert answer.status_code == 409
    text = html.unescape(answer.text)
    assert "Somebody else changed print 41" in text
    assert re.search(r"Note</th>.*nothing</td>.*theirs</td>.*mine</td>", text)
    assert filled.record.prints.get(WAITING).entry.note == "theirs"
    shown = form_values(answer.text)
    assert (shown["note"], shown["normal_exposure_s"]) == ("mine", "3")
    assert shown["layer_count"] == "1300"
    client.post(f"/prints/{WAITING}", data=shown)
    plate = filled.record.prints.get(WAITING).entry
    assert (plate.note, plate.settings.layer_count) == ("mine", 1300)
    assert plate.settings.normal_exposure_s == 3


def test_two_verdicts_on_the_parts_are_shown_side_by_side(
    filled: Workshop, client: TestClient
) -> None:
    client.post(f"/prints/{WAITING}/parts", data={"revision": "1", "outcome-0": "failed"})
    answer = client.post(
        f"/prints/{WAITING}/parts",
        data={"revision": "1", "outcome-0": "", "outcome-1": "flawed", "note-1": "a nick"},
    )
    assert answer.status_code == 409
    assert "a nick" in answer.text
    assert filled.record.prints.get(WAITING).entry.parts[1].outcome is None
    checked = re.findall(r'name="(outcome-\d)" value="(\w+)" checked', answer.text)
    assert checked == [("outcome-0", "failed"), ("outcome-1", "flawed")]


def test_a_verdict_and_anothers_note_do_not_get_in_each_others_way(
    filled: Workshop, client: TestClient
) -> None:
    plate = filled.record.prints.get(WAITING).entry
    filled.record.prints.change(WAITING, plate.model_copy(update={"note": "theirs"}))
    client.post(f"/prints/{WAITING}/outcome", data={"outcome": "good", "revision": "1"})
    plate = filled.record.prints.get(WAITING).entry
    assert (plate.note, plate.outcome) == ("theirs", "good")


def test_two_ends_of_one_print_are_not_written_over_each_other(
    filled: Workshop, client: TestClient
) -> None:
    theirs, mine = (workshops.NOW - timedelta(minutes=n) for n in (50, 20))
    for at in (theirs, mine):
        answer = client.post(
            f"/prints/{RUNNING}/end", data={"revision": "1", "end": words.field_time(at)}
        )
    assert answer.status_code == 409
    assert (
        "somebody else has noted that it ended today 14:10, and you say today 14:40" in answer.text
    )
    assert filled.record.prints.get(RUNNING).entry.end == theirs


def test_an_end_that_is_refused_is_still_in_its_field(client: TestClient) -> None:
    typed = "2026-01-01T00:00"
    answer = client.post(f"/prints/{RUNNING}/end", data={"revision": "1", "end": typed})
    assert answer.status_code == 422
    assert f'name="end" value="{typed}"' in answer.text


def test_the_same_verdict_twice_is_no_conflict(filled: Workshop, client: TestClient) -> None:
    for _ in range(2):
        answer = client.post(
            f"/prints/{WAITING}/outcome", data={"outcome": "good", "revision": "1"}
        )
        assert answer.status_code == 200
    assert filled.record.prints.get(WAITING).revision == 2


def test_another_way_to_fail_needs_words_and_the_fault_stands_at_its_field(
    filled: Workshop, client: TestClient
) -> None:
    form = {"revision": "1", "outcome-0": "good", "outcome-1": "failed", "modes-1": "other"}
    answer = client.post(f"/prints/{WAITING}/parts", data=form)
    assert answer.status_code == 422
    assert (
        'aria-invalid="true" autofocus aria-describedby="note-1-fault note-1-hint"' in answer.text
    )
    assert 'value="other" checked' in answer.text
    assert filled.record.prints.get(WAITING).entry.outcome is None
    client.post(f"/prints/{WAITING}/parts", data=form | {"note-1": "dust in the vat"})
    assert filled.record.prints.get(WAITING).entry.parts[1].note == "dust in the vat"


def test_where_a_part_stood_is_noted_and_copied_to_the_next_print(
    filled: Workshop, client: TestClient
) -> None:
    client.post(
        f"/prints/{WAITING}/parts",
        data={"revision": "1", "outcome-0": "good", "place-0": "back_left"},
    )
    assert filled.record.prints.get(WAITING).entry.parts[0].place == "back_left"
    client.post("/prints", data=form_values(client.get(f"/prints/new?machine={NORTH}").text))
    part = filled.record.prints.get(43).entry.parts[0]
    assert (part.place, part.outcome) == ("back_left", None)


def test_a_print_taken_off_the_log_comes_back(filled: Workshop, client: TestClient) -> None:
    before = filled.record.prints.get(1).entry
    answer = client.post("/prints/1/delete", data={"revision": "1", "sure": "yes"})
    assert "Off the log" in answer.text
    client.post("/prints/1/undo", data={"revision": "1", "from": "list"})
    assert filled.record.prints.get(1).entry == before


def test_a_start_is_taken_back_and_that_too(filled: Workshop, client: TestClient) -> None:
    form = form_values(client.get(f"/prints/new?machine={NORTH}").text)
    started = client.post("/prints", data=form).text
    assert 'action="/prints/43/undo"' in started
    gone = client.post("/prints/43/undo", data={"revision": "1"})
    assert "Off the log" in gone.text
    assert filled.record.prints.count() == 42
    client.post("/prints/43/undo", data={"revision": "1"})
    assert filled.record.prints.get(43).entry.running


def test_unusual_settings_are_warned_of_with_their_limits_source_and_never_refused(
    filled: Workshop, client: TestClient
) -> None:
    form = form_values(client.get(f"/prints/new?machine={NORTH}").text)
    form |= {"normal_exposure_s": "14"}
    told = client.post("/prints/new/summary", data=form).text
    assert "A normal exposure of 14 s is above the usual 1 to 10 s." in told
    assert "Limit: common practice, no source." in told
    looked = client.post("/prints", data=form | {"look": "yes"}).text
    assert "A normal exposure of 14 s" in looked
    assert filled.record.prints.count() == 42
    answer = client.post("/prints", data=form)
    assert "A normal exposure of 14 s" in answer.text
    assert filled.record.prints.get(43).entry.settings.normal_exposure_s == 14


def test_a_length_that_cannot_be_planned_says_what_it_needs(client: TestClient) -> None:
    form = form_values(client.get(f"/prints/new?machine={NORTH}").text)
    told = client.post("/prints/new/summary", data=form | {"layer_count": ""}).text
    assert "When it is done cannot be told. It needs layer count." in told


def test_afterwork_is_noted_and_offered_to_the_next_print_without_its_times(
    filled: Workshop, client: TestClient
) -> None:
    form = form_values(client.get(f"/prints/{WAITING}/correct").text)
    form |= {
        "wash_start": words.field_time(workshops.NOW - timedelta(hours=4)),
        "wash_minutes": "8",
        "wash_fluid": "isopropanol",
        "wash_power_level": "4",
        "wash_fluid_used_ml": "60",
        "wash_fluid_price_per_l": "6,50",
        "cure_minutes": "12",
        "cure_wavelength_nm": "405",
        "cure_temperature_c": "45",
    }
    answer = client.post(f"/prints/{WAITING}", data=form)
    afterwork = filled.record.prints.get(WAITING).entry.afterwork
    assert afterwork.wash is not None
    assert afterwork.cure is not None
    assert afterwork.drying is None
    assert (afterwork.wash.minutes, afterwork.wash.fluid_price_per_l) == (8, 6.5)
    assert afterwork.cure.wavelength_nm == 405
    assert "wash fluid 0.39" in answer.text
    offered = form_values(client.get(f"/prints/{RUNNING}/correct?afterwork=last").text)
    assert (offered["wash_fluid"], offered["wash_start"], offered["wash_minutes"]) == (
        "isopropanol",
        "",
        "8",
    )
    assert filled.record.prints.get(RUNNING).entry.afterwork.wash is None


def test_a_fault_in_the_afterwork_stands_at_its_field(client: TestClient) -> None:
    form = form_values(client.get(f"/prints/{WAITING}/correct").text) | {"wash_minutes": "0"}
    answer = client.post(f"/prints/{WAITING}", data=form)
    assert answer.status_code == 422
    assert '<a href="#wash_minutes">Washed for</a>' in answer.text


def test_another_plate_brings_its_own_parts(filled: Workshop, client: TestClient) -> None:
    left = PlatePart(name="Housing left", place=Spot.LEFT)
    plate = filled.record.plates.add(
        Plate(name="Housings", parts=(left, PlatePart(name="Housing right")))
    ).id
    form = form_values(client.get(f"/prints/new?machine={NORTH}").text)
    client.post("/prints", data=form | {"plate": str(plate)})
    started = filled.record.prints.get(43).entry
    assert [part.name for part in started.parts] == ["Housing left", "Housing right"]
    assert (started.plate, started.parts[0].place) == (plate, Spot.LEFT)


def test_a_bottle_of_another_resin_is_refused_by_name(filled: Workshop, client: TestClient) -> None:
    amber = filled.record.bottles.add(Bottle(resin=2, lot="26-014")).id
    form = form_values(client.get(f"/prints/new?machine={NORTH}").text)
    answer = client.post("/prints", data=form | {"bottle": str(amber)})
    assert answer.status_code == 422
    assert "The bottle (lot 26-014) holds Kiln Amber, not Harbour Grey" in answer.text


def test_an_order_only_print_gets_its_start_by_a_correction(
    filled: Workshop, client: TestClient
) -> None:
    seen = filled.record.prints.get(1).entry
    kept = filled.record.prints.add(seen.model_copy(update={"order_only": True, "end": None}))
    form = form_values(client.get(f"/prints/{kept.id}/correct").text)
    client.post(f"/prints/{kept.id}", data=form | {"note": "still not known"})
    assert filled.record.prints.get(kept.id).entry.order_only
    form = form_values(client.get(f"/prints/{kept.id}/correct").text)
    client.post(f"/prints/{kept.id}", data=form | {"start": "2025-11-20T18:00"})
    assert not filled.record.prints.get(kept.id).entry.order_only
