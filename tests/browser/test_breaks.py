"""Ten pieces broken in a row on a phone, by touch and keyboard; the resin sheet on paper."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from api.record import BreakOutcome, Fixture, Gauge, Load
from api.strength import Holding, LoadUnit
from tests.browser.conftest import Open, Server, drawn
from tests.browser.test_axe import found_by_axe

pytestmark = pytest.mark.services


def furnish(server: Server) -> None:
    """A fixture and a gauge up to 20 kgf."""
    record = server.workshop.record
    record.fixtures.add(
        Fixture(
            name="Flat bars", holding=Holding.THREE_POINT, span_mm=64, width_mm=10, thickness_mm=4
        )
    )
    limit = Load(value=20, unit=LoadUnit.KILOGRAM_FORCE)
    record.gauges.add(Gauge(name="Hand gauge", limit=limit))


def test_ten_pieces_in_a_row_on_a_phone(server: Server, open_page: Open) -> None:
    furnish(server)
    watched = open_page(390, has_touch=True, is_mobile=True)
    page = watched.page
    page.goto(f"{server.address}/breaks")
    page.get_by_label("Piece", exact=True).fill("grey 1")
    page.get_by_label("Unit of the load").select_option("kgf")
    for number in range(10):
        expect(page.get_by_label("Piece", exact=True)).to_have_value(f"grey {number + 1}")
        load = page.get_by_label("What the gauge showed")
        if number == 9:
            page.get_by_role("button", name="No break at the gauge’s limit").tap()
        elif number % 2:
            load.fill(f"{10 + number / 2:g}")
            page.get_by_role("button", name="It broke at this load").tap()
        else:
            if number:
                expect(load).to_be_focused()  # type the load, then the enter key: nothing else
            load.fill(f"{10 + number / 2:g}")
            load.press("Enter")
        expect(page.locator("#tests tbody tr")).to_have_count(number + 1)
    tests = [kept.entry for kept in server.workshop.record.breaks.all()]
    assert [test.piece for test in tests] == [f"grey {number + 1}" for number in range(10)]
    assert [test.load.value for test in tests if test.load] == [10 + n / 2 for n in range(9)]
    assert tests[-1].outcome is BreakOutcome.HELD
    drawn(page)
    expect(page.locator(".answer")).to_contain_text("1 of them unbroken at the gauge's limit")
    width = page.evaluate("document.documentElement.scrollWidth")
    assert width <= 390
    assert not watched.complaints


def test_a_piece_of_a_print_is_corrected_and_taken_out_on_a_phone(
    server: Server, open_page: Open
) -> None:
    furnish(server)
    watched = open_page(390, has_touch=True, is_mobile=True)
    page = watched.page
    page.goto(f"{server.address}/prints/40")
    page.get_by_role("link", name="Note a break test of a part").tap()
    load = page.get_by_label("What the gauge showed")
    expect(load).to_be_focused()
    # Piece, resin and cure are those of the print: the load is all that is typed.
    for number, value in enumerate(("14", "15")):
        load.fill(value)
        load.press("Enter")
        expect(page.locator("#tests tbody tr")).to_have_count(number + 1)
    record = server.workshop.record
    tests = [kept.entry for kept in record.breaks.all()]
    parts = [part.name for part in record.prints.get(40).entry.parts]
    assert [(test.print, test.part, test.piece) for test in tests] == [
        (40, name, name) for name in parts[:2]
    ]
    assert {test.resin for test in tests} == {record.prints.get(40).entry.resin}
    assert found_by_axe(page) == []
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_role("link", name="Open the test").tap()
    page.get_by_label("What the gauge showed").fill("12,5")
    page.get_by_role("button", name="Save the correction").tap()
    page.get_by_text("what stood before is kept below").wait_for()
    expect(page.locator("ins")).to_have_text("broke at 12.5 N")
    assert found_by_axe(page) == []
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_role("button", name="Take it off the record").tap()
    expect(page.locator("#tests tbody tr")).to_have_count(1)
    page.get_by_role("button", name="Undo").tap()
    page.get_by_text("What stood before is back.").wait_for()
    assert [kept.entry.part for kept in record.breaks.all()] == parts[:2]
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert not watched.complaints


def test_the_sheet_is_sorted_narrowed_down_and_printed(server: Server, open_page: Open) -> None:
    page = open_page(1280).page
    page.goto(f"{server.address}/resins")
    page.get_by_role("link", name="Plates that failed").click()
    page.wait_for_url("**sort=failed_share*")
    expect(page.locator("th[aria-sort=ascending]")).to_have_text("Plates that failed")
    page.locator("summary", has_text="Which columns").click()
    for box in page.locator("input[name=column]").all()[3:]:
        box.uncheck()
    page.get_by_role("button", name="Show these").click()
    expect(page.locator("thead th")).to_have_count(4)
    page.keyboard.press("Tab")
    assert page.pdf(landscape=True).startswith(b"%PDF")
    page.emulate_media(media="print")
    expect(page.locator(".places-nav")).to_be_hidden()
    expect(page.locator("table.sheet")).to_be_visible()
