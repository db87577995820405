"""One print's page as a report: every window told, then in figures; phases, warnings, the rest."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.answers import Derived, PrintWindow, Workshop, conditions_of
from api.prints import Afterwork, Print
from api.record import Bottle, Plate, Resin
from collector.readings import Role
from tests.dashboards import workshops

WAITING, RUNNING = 41, 42


def whole_print(workshop: Workshop, **changes: Any) -> int:
    """A print of last night with everything on record that can be; its id."""
    now = workshops.NOW
    record = workshop.record
    bottle = record.bottles.add(
        Bottle(resin=1, lot="26-014", opened=now - timedelta(days=12), price_per_kg=40)
    )
    plate = record.plates.add(Plate(name="Lamp collars"))
    grey = record.resins.get(1).entry
    record.resins.change(1, Resin(**{**dict(grey), "density_g_cm3": 1.1, "price_per_kg": 32}))
    start = now - timedelta(hours=9)
    end = start + timedelta(hours=4)
    fields: dict[str, Any] = {
        "start": start,
        "end": end,
        "resin": 1,
        "machine": 1,
        "bottle": bottle.id,
        "plate": plate.id,
        "resin_used_ml": 50,
        "settings": {
            "layer_height_mm": 0.05,
            "layer_count": 900,
            "normal_exposure_s": 2.6,
            "bottom_exposure_s": 30,
            "bottom_layer_count": 5,
            "transition_layer_count": 6,
            "lift_distance_mm": 6,
            "lift_speed_mm_min": 60,
            "retract_speed_mm_min": 150,
            "light_off_delay_s": 0.5,
        },
        "parts": [{"name": "Collar", "outcome": "good", "place": "back_left"}],
        "afterwork": {
            "wash": {
                "start": end + timedelta(minutes=10),
                "minutes": 8,
                "fluid": "alcohol, can 2",
                "power_level": 3,
                "fluid_used_ml": 100,
                "fluid_price_per_l": 6,
            },
            "drying": {"start": end + timedelta(minutes=20), "minutes": 30},
            "cure": {"start": end + timedelta(hours=1), "minutes": 6, "wavelength_nm": 405},
        },
    }
    return record.prints.add(Print.model_validate(fields | changes)).id


def text_of(page: str) -> str:
    """A page's text with its blanks folded."""
    bare = re.sub(r"<script.*?</script>", " ", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", bare)))


def tables_of(page: str) -> dict[str, dict[str, dict[str, str]]]:
    """Every window's figures: window, quantity, heading, text."""
    found = {}
    for key, inside in re.findall(
        r'<details id="figures-([a-z-]+)".*?>(.*?)</details>', page, re.DOTALL
    ):
        rows = {}
        for name, cells in re.findall(r'scope="row">([^<]+)</th>(.*?)</tr>', inside, re.DOTALL):
            cells_by_head = re.findall(r'data-head="([^"]+)">([^<]*)<', cells)
            rows[name] = dict(cells_by_head) or {"Withheld": text_of(cells).strip()}
        found[key] = rows
    return found


def test_every_window_is_told_and_every_figure_is_the_apis(
    filled: Workshop, client: TestClient
) -> None:
    number = whole_print(filled)
    page = client.get(f"/prints/{number}").text
    tables = tables_of(page)
    assert list(tables) == [
        "before-start", "first-layers", "body", "whole", "wash", "drying", "cure"
    ]  # fmt: skip
    found = conditions_of(filled, number, workshops.NOW)
    for window in (PrintWindow.BEFORE_START, PrintWindow.WHOLE):
        vat = found.windows[window].measured[Role.VAT_TEMPERATURE].summary
        shown = tables[window.value.replace("_", "-")]
        assert shown["Resin in the vat"]["Mean"] == f"{vat.mean:.2f} °C"
        assert shown["Resin in the vat"]["Deviation"] == f"{vat.deviation:.2f} K"
        dew = found.windows[window].derived[Derived.DEW_POINT].summary
        assert shown["Dew point"]["Mean"] == f"{dew.mean:.2f} °C"
        assert "Frost point" not in shown  # the air was never so dry
        above = found.windows[window].derived[Derived.VAT_MINUS_ROOM].summary
        assert shown["Vat above room"]["Mean"] == f"{above.mean:.2f} K"
        assert shown["Water in the air"]["Mean"].endswith("g/m³")
    assert "Resin in the vat" not in tables["wash"]
    assert tables["cure"]["Room temperature"]["Recorded"] == "100 %"
    told = text_of(page)
    assert "First layers" in told
    first = found.windows[PrintWindow.FIRST_LAYERS].measured[Role.VAT_TEMPERATURE].summary
    assert f"The resin was {first.mean:.1f} °C on average" in told


def test_a_figure_is_withheld_with_its_reason_and_the_share_can_be_set(
    filled: Workshop, client: TestClient
) -> None:
    # North's sensor lost two hours of the night in which print 41 began.
    usual = tables_of(client.get(f"/prints/{WAITING}").text)
    assert "longest gap 2 h" in usual["whole"]["Resin in the vat"]["Recorded"]
    strict = client.get(f"/prints/{WAITING}?recorded=90")
    vat = tables_of(strict.text)["whole"]["Resin in the vat"]
    assert "Mean" not in vat
    assert "it takes 90%" in text_of(strict.text)
    assert 'value="90"' in strict.text


def test_limits_may_be_given_and_are_counted(filled: Workshop, client: TestClient) -> None:
    number = whole_print(filled)
    usual = tables_of(client.get(f"/prints/{number}").text)["whole"]["Resin in the vat"]
    assert usual["Outside its limits"] == "never"
    page = client.get(f"/prints/{number}?below=20,5&above=21")
    cold = tables_of(page.text)["whole"]["Resin in the vat"]["Outside its limits"]
    assert re.search(r"below 20\.5 °C \([0-9.]+ degree-hours\).*above 21 °C", cold)


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("recorded=0", "out of bounds"),
        ("recorded=half", "is not a number"),
        ("below=500", "out of bounds"),
        ("above=nan", "out of bounds"),
        ("counted=some", "plausible"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused(
    client: TestClient, query: str, said: str
) -> None:
    answer = client.get(f"/prints/{WAITING}?{query}")
    assert answer.status_code == 422
    assert said in html.unescape(answer.text)


def test_phases_are_told_with_what_each_layer_took(filled: Workshop, client: TestClient) -> None:
    number = whole_print(filled)
    told = text_of(client.get(f"/prints/{number}").text)
    # By hand: 5 x 30 + 6 transition layers + 889 x 2.6 s, 900 x 8.9 s between; 4 h are 14,400 s.
    assert re.search(r"First layers \S+ \d\d:\d\d \d+ min 5 Transition \S+ \d\d:\d\d", told)
    assert "Between two exposures lie" in told
    assert "by its real duration" in told
    assert "more than its settings explain" in told


def test_what_cannot_both_be_true_is_said_first(filled: Workshop, client: TestClient) -> None:
    start = workshops.NOW - timedelta(hours=9)
    number = whole_print(filled, end=start + timedelta(minutes=40), afterwork={})
    told = text_of(client.get(f"/prints/{number}").text)
    assert told.index("Worth a second look.") < told.index("What came of it?")
    assert "at the very least, and it took 0 h 40 min" in told
    quiet = text_of(client.get(f"/prints/{RUNNING}").text)
    assert "Worth a second look." not in quiet


def test_bottle_plate_afterwork_and_cost_are_told(filled: Workshop, client: TestClient) -> None:
    number = whole_print(filled)
    told = text_of(client.get(f"/prints/{number}").text)
    assert "Plate Lamp collars" in told
    # Opened 12 days before now, and the print began 9 h before now.
    assert "lot 26-014, opened 11 days 15 h before" in told
    assert "alcohol, can 2, 8 min, power level 3, fluid used 100 ml" in told
    assert "6 min, lamp 405 nm" in told
    # 50 ml x 1.1 g/ml x 40 per kg = 2.20 (the bottle's own price), 100 ml x 6 per l = 0.60.
    assert "2.80 (resin 2.20, wash fluid 0.60)" in told
    plate = filled.record.prints.get(number).entry
    unwashed = plate.model_copy(update={"afterwork": Afterwork()})
    filled.record.prints.change(number, unwashed)
    told = text_of(client.get(f"/prints/{number}").text)
    assert (
        "resin 2.20 alone; the wash fluid used and the wash fluid's price were not noted, "
        "so the whole is not known" in told
    )


def test_a_running_print_says_when_it_will_be_done(filled: Workshop, client: TestClient) -> None:
    told = text_of(client.get(f"/prints/{RUNNING}").text)
    assert "Done at about" in told
    assert "by its settings" in told


def test_what_stood_before_a_correction_is_told_whole(filled: Workshop, client: TestClient) -> None:
    number = whole_print(filled)
    ledger = filled.record.prints
    plate = ledger.get(number).entry
    cut = Print.model_validate({**plate.model_dump(), "bottle": None, "afterwork": {}})
    ledger.change(number, cut)
    told = text_of(client.get(f"/prints/{number}").text)
    assert "Bottle: lot 26-014 became nothing" in told
    assert "Wash: alcohol, can 2, 8 min" in told


def test_a_print_of_which_only_the_order_is_known_has_no_windows(
    filled: Workshop, client: TestClient
) -> None:
    number = whole_print(filled, end=None, order_only=True, afterwork={})
    page = client.get(f"/prints/{number}").text
    assert tables_of(page) == {}
    assert "only the order" in text_of(page)
    assert 'id="phases"' not in page


def test_a_window_in_which_nothing_was_recorded_has_no_empty_chart(
    filled: Workshop, client: TestClient
) -> None:
    start = workshops.NOW - timedelta(days=400)
    plate = Print(start=start, end=start + timedelta(hours=5), resin=1, machine=1)
    number = filled.record.prints.add(plate).id
    page = client.get(f"/prints/{number}?done=start").text
    assert "data-chart" not in page
    assert "no record in this window" in page
    # It is over, so it is not said to have started.
    assert "The print is on record." in page
    assert "data-chart" in client.get("/prints/41").text
