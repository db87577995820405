"""The print log without script: start, end, outcome, undo, correct, and nothing lost."""

from __future__ import annotations

import html
import re
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from api.answers import Workshop
from api.prints import Cure, Drying, FailureMode, Outcome, Part, Settings, Wash
from api.record import Bottle, Plate
from dashboards import afterwork_form, print_form
from tests.dashboards import workshops

NORTH, SOUTH, OLD = 1, 2, 3
WAITING, RUNNING = 41, 42


def form_values(page: str) -> dict[str, str]:
    """What the fields of the print form hold."""
    values = {
        name: html.unescape(value)
        for name, value in re.findall(
            r'<input(?![^>]*checkbox)[^>]* name="([^"]+)"[^>]* value="([^"]*)"', page
        )
    }
    values |= dict(re.findall(r'type="radio" name="([^"]+)" value="([^"]+)" checked', page))
    for name, value in re.findall(r'<textarea[^>]* name="([^"]+)"[^>]*>([^<]*)<', page):
        values[name] = html.unescape(value)
    return values


def test_a_print_is_started_like_the_machines_last_one(
    filled: Workshop, client: TestClient
) -> None:
    assert "Start a print on North" in client.get("/prints").text
    page = client.get(f"/prints/new?machine={NORTH}").text
    assert "Lamp collar 1, Lamp collar 2" in page
    assert "Takes about 9 h" in page
    answer = client.post("/prints", data=form_values(page))
    assert "The print has started." in answer.text
    (kept,) = [k for k in filled.record.prints.running() if k.entry.machine == NORTH]
    before = filled.record.prints.get(WAITING).entry
    assert kept.entry.start == workshops.NOW
    assert (kept.entry.resin, kept.entry.settings) == (before.resin, before.settings)
    assert [part.name for part in kept.entry.parts] == [part.name for part in before.parts]
    assert kept.entry.outcome is None


def test_a_second_print_on_a_busy_machine_is_refused(filled: Workshop, client: TestClient) -> None:
    assert "Start a print on South" not in client.get("/prints").text
    page = client.get("/prints/new?machine=2").text
    assert "A print runs on this machine," in page
    form = form_values(page)
    answer = client.post("/prints", data=form)
    assert answer.status_code == 409
    assert "is running on this machine already" in answer.text
    assert filled.record.prints.count() == 42


def test_the_quick_start_sent_twice_makes_one_print(filled: Workshop, client: TestClient) -> None:
    """A second tap, or a reload on a bad connection: the form's key tells that it is the same."""
    form = form_values(client.get(f"/prints/new?machine={NORTH}").text)
    first = client.post("/prints", data=form)
    again = client.post("/prints", data=form)
    assert first.url.path == again.url.path == "/prints/43"
    assert "nothing was put on record twice" in again.text
    assert filled.record.prints.count() == 43


def test_a_form_that_was_changed_after_it_was_sent_is_not_taken_for_the_same(
    filled: Workshop, client: TestClient
) -> None:
    form = form_values(client.get(f"/prints/new?machine={NORTH}").text)
    client.post("/prints", data=form)
    later = (workshops.NOW + timedelta(hours=1)).astimezone().strftime("%Y-%m-%dT%H:%M")
    client.post("/prints/43/end", data={"revision": "1", "end": later})
    changed = form | {"note": "another one"}
    answer = client.post("/prints", data=changed)
    assert answer.status_code == 409
    assert "has put print 43 on record already" in answer.text
    assert "another one" in answer.text
    last = client.post("/prints", data=form_values(answer.text))
    assert last.url.path == "/prints/44"
    assert filled.record.prints.get(44).entry.note == "another one"


def test_a_print_from_the_form(filled: Workshop, client: TestClient) -> None:
    form = form_values(client.get("/prints/new").text)
    form |= {
        "machine": str(NORTH),
        "resin": "2",
        "parts": "Collar left\n\n  Collar right ",
        "normal_exposure_s": "2,8",
        "logged_vat_c": "",
        "note": "new bottle",
    }
    answer = client.post("/prints", data=form)
    assert answer.url.path == "/prints/43"
    plate = filled.record.prints.get(43).entry
    assert plate.start == workshops.NOW
    assert plate.parts == (Part(name="Collar left"), Part(name="Collar right"))
    assert plate.settings.normal_exposure_s == 2.8
    assert plate.note == "new bottle"


def test_a_form_sent_twice_makes_one_print(filled: Workshop, client: TestClient) -> None:
    form = form_values(client.get("/prints/new").text)
    form |= {
        "machine": str(NORTH),
        "resin": "1",
        "start": "2026-01-10T08:00",
        "end": "2026-01-10T12:00",
    }
    assert client.post("/prints", data=form).url.path == "/prints/43"
    assert client.post("/prints", data=form).url.path == "/prints/43"
    assert filled.record.prints.count() == 43


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"machine": ""}, "no machine was chosen"),
        ({"resin": "999"}, "there is no resin 999 on record"),
        ({"start": "14 January"}, "is not a time"),
        ({"normal_exposure_s": "two"}, "is not a number"),
        ({"normal_exposure_s": "-1"}, "greater than 0"),
        ({"start": "2026-01-10T08:00", "end": "2026-01-10T07:00"}, "ends after it starts"),
        ({"parts": "Collar\nCollar"}, "same name"),
    ],
)
def test_a_refused_form_comes_back_with_all_that_was_typed(
    filled: Workshop, client: TestClient, change: dict[str, str], said: str
) -> None:
    typed = {
        "machine": str(NORTH),
        "resin": "1",
        "parts": "Collar",
        "note": "typed with care",
        "start": "2026-01-10T08:00",
        "end": "2026-01-10T12:00",
        "layer_height_mm": "0.05",
    }
    typed |= change
    answer = client.post("/prints", data=typed)
    assert answer.status_code == 422
    assert said.lower() in html.unescape(answer.text).lower()
    shown = form_values(answer.text)
    for name, text in typed.items():
        if text and name != "resin":
            assert shown[name] == text
    assert filled.record.prints.count() == 42


def test_one_tap_says_what_came_of_a_plate_and_another_takes_it_back(
    filled: Workshop, client: TestClient
) -> None:
    page = client.get("/prints").text
    assert f'action="/prints/{WAITING}/outcome"' in page
    answer = client.post(
        f"/prints/{WAITING}/outcome", data={"outcome": "failed", "revision": "1", "from": "list"}
    )
    assert "Undo" in answer.text
    assert filled.record.prints.get(WAITING).entry.failed_share == 1.0
    client.post(f"/prints/{WAITING}/undo", data={"revision": "2"})
    assert filled.record.prints.get(WAITING).entry.failed_share is None
    assert filled.record.prints.get(WAITING).revision == 3


def test_part_by_part_with_how_it_failed(filled: Workshop, client: TestClient) -> None:
    client.post(
        f"/prints/{WAITING}/parts",
        data={
            "revision": "1",
            "outcome-0": "good",
            "modes-0": "warped",
            "outcome-1": "failed",
            "modes-1": ["layers_parted", "warped"],
            "note-1": "at 12 mm",
            "outcome-2": "flawed",
        },
    )
    parts = filled.record.prints.get(WAITING).entry.parts
    assert [part.outcome for part in parts] == [
        Outcome.GOOD,
        Outcome.FAILED,
        Outcome.FLAWED,
        None,
    ]
    assert parts[0].modes == ()
    assert parts[1].modes == (FailureMode.LAYERS_PARTED, FailureMode.WARPED)
    page = client.get(f"/prints/{WAITING}").text
    assert "layers parted, warped" in page
    assert "became" in page


def test_a_plate_without_named_parts_is_judged_whole(filled: Workshop, client: TestClient) -> None:
    form = {"machine": str(NORTH), "resin": "1"}
    path = client.post("/prints", data=form).url.path
    client.post(f"{path}/outcome", data={"outcome": "good", "revision": "1"})
    (part,) = filled.record.prints.get(43).entry.parts
    assert (part.name, part.outcome) == (print_form.WHOLE_PLATE, Outcome.GOOD)


def test_end_now_or_earlier(filled: Workshop, client: TestClient) -> None:
    client.post(f"/prints/{RUNNING}/end", data={"revision": "1"})
    assert filled.record.prints.get(RUNNING).entry.end == workshops.NOW
    client.post(f"/prints/{RUNNING}/undo", data={"revision": "2"})
    earlier = workshops.NOW - timedelta(minutes=30)
    typed = earlier.astimezone().strftime("%Y-%m-%dT%H:%M")
    client.post(f"/prints/{RUNNING}/end", data={"revision": "3", "end": typed})
    assert filled.record.prints.get(RUNNING).entry.end == earlier


def test_an_end_before_the_start_is_refused_on_the_prints_own_page(
    filled: Workshop, client: TestClient
) -> None:
    answer = client.post(f"/prints/{RUNNING}/end", data={"end": "2026-01-01T00:00"})
    assert answer.status_code == 422
    assert "ends after it starts" in answer.text
    assert filled.record.prints.get(RUNNING).entry.running


def test_two_people_at_one_print_overwrite_nothing(filled: Workshop, client: TestClient) -> None:
    client.post(f"/prints/{WAITING}/outcome", data={"outcome": "good", "revision": "1"})
    answer = client.post(f"/prints/{WAITING}/outcome", data={"outcome": "failed", "revision": "1"})
    assert answer.status_code == 409
    assert "Somebody else changed this print" in answer.text
    assert filled.record.prints.get(WAITING).entry.outcome is Outcome.GOOD


def test_a_correction_keeps_what_stood_before(filled: Workshop, client: TestClient) -> None:
    before = filled.record.prints.get(1).entry
    form = form_values(client.get("/prints/1/correct").text)
    form |= {"note": "the lamp was old"}
    answer = client.post("/prints/1", data=form)
    after = filled.record.prints.get(1).entry
    assert after == before.model_copy(update={"note": "the lamp was old"})
    assert "Note: <del>nothing</del> became <ins>the lamp was old</ins>" in answer.text


def test_renamed_parts_keep_what_was_seen_of_them(filled: Workshop, client: TestClient) -> None:
    form = form_values(client.get("/prints/1/correct").text)
    form["parts"] = form["parts"].replace("Lamp collar 1", "Collar with a nick")
    client.post("/prints/1", data=form)
    part = filled.record.prints.get(1).entry.parts[0]
    assert part.name == "Collar with a nick"
    assert part.outcome is not None


def test_taking_a_print_off_needs_the_tick(filled: Workshop, client: TestClient) -> None:
    assert client.post("/prints/1/delete", data={"revision": "1"}).status_code == 422
    client.post("/prints/1/delete", data={"revision": "1", "sure": "yes"})
    assert client.get("/prints/1").status_code == 404
    assert filled.record.prints.revisions(1)[-1].change == "deleted"


def test_the_conditions_say_how_much_was_recorded(client: TestClient) -> None:
    """Print 41 ran over the two hours that North's sensor lost: 7 of its 9 hours are known."""
    page = client.get(f"/prints/{WAITING}").text
    whole = page[page.index("Whole print: every figure") :]
    assert "78 %, longest gap 2 h</td>" in whole


def test_a_print_without_a_sensor_says_why_it_has_no_conditions(client: TestClient) -> None:
    page = client.get("/prints/1").text
    assert "no vat sensor was linked to the machine then" in page
    assert "noted by hand" in page


def test_the_log_is_asked_by_plate_bottle_and_failure_mode_and_paged(
    filled: Workshop, client: TestClient
) -> None:
    plate = filled.record.plates.add(Plate(name="Four collars")).id
    kept = filled.record.prints.get(5)
    bottle = filled.record.bottles.add(Bottle(resin=kept.entry.resin, lot="26-014")).id
    told = {"plate": plate, "bottle": bottle}
    filled.record.prints.change(5, kept.entry.model_copy(update=told))

    def listed(address: str) -> list[str]:
        page = client.get(address).text
        return re.findall(r'<a class="entry" href="/prints/(\d+)"', page[page.index('id="log"') :])

    assert listed(f"/prints?plate={plate}") == ["5"]
    assert listed(f"/prints?bottle={bottle}") == ["5"]
    assert "Harbour Grey, lot 26-014</option>" in client.get("/prints").text
    off = [
        str(kept.id)
        for kept in reversed(filled.record.prints.all())
        if any(FailureMode.OFF_SUPPORTS in part.modes for part in kept.entry.parts)
    ]
    assert listed("/prints?mode=came_off_supports") == off
    first = client.get("/prints")
    (further,) = re.findall(r'href="(/prints\?before=[^"]+)">Earlier prints', first.text)
    assert "Newest prints" not in first.text
    pages = [*listed("/prints"), *listed(html.unescape(further))]
    assert pages == [str(kept.id) for kept in reversed(filled.record.prints.all())]
    assert 'href="/prints?#log">Newest prints' in client.get(html.unescape(further)).text
    assert client.get("/prints?mode=exploded").status_code == 422


def test_a_filter_that_nothing_fits_says_so(client: TestClient) -> None:
    assert "No print on record fits all of that." in client.get("/prints?since=2030-01-01").text


def test_an_empty_log_says_what_to_do(empty_client: TestClient) -> None:
    assert "bring in the log you have kept so far" in empty_client.get("/prints").text


def test_filters_live_in_the_address(client: TestClient) -> None:
    failed = client.get("/prints?outcome=failed").text
    log = failed[failed.index("The log") :]
    assert 'class="outcome good"' not in log
    assert '<option value="failed" selected>' in log
    earlier = re.search(r'href="(/prints\?[^"]*before=[^"]+)"', client.get("/prints").text)
    assert earlier is not None
    page = client.get(html.unescape(earlier[1])).text
    assert page[page.index("The log") :].count('class="entry"') == 12


def test_an_empty_record_leads_to_resins_and_machines(
    empty: Workshop, empty_client: TestClient
) -> None:
    assert "Put a resin and a machine on record first" in empty_client.get("/prints").text
    empty_client.post("/shelf/resins", data={"name": "Willow", "density_g_cm3": "1,08"})
    empty_client.post("/shelf/machines", data={"name": "North", "channel-0": "vat-north"})
    assert empty.record.resins.get(1).entry.density_g_cm3 == 1.08
    (link,) = empty.record.machines.get(1).entry.channels
    assert (link.channel, link.role) == ("vat-north", "vat_temperature")
    again = empty_client.post("/shelf/resins", data={"name": "willow", "category": "flexible"})
    assert again.status_code == 409
    assert 'value="flexible"' in again.text


def test_every_setting_of_the_record_is_on_the_form() -> None:
    assert [field.name for field in print_form.SETTING_FIELDS] == list(Settings.model_fields)


def test_every_stage_of_the_afterwork_is_on_the_form() -> None:
    for stage, model in (("wash", Wash), ("drying", Drying), ("cure", Cure)):
        fields = {"start", *(field.name for field in afterwork_form.STAGES[stage][1])}
        assert fields == set(model.model_fields)


def test_caution_stands_where_resin_is_handled(client: TestClient) -> None:
    for path in ("/prints", "/prints/new", f"/prints/{WAITING}"):
        page = client.get(path).text
        assert "nitrile gloves" in page
        assert "safety data sheet" in page
