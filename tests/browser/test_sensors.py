"""The guided entry and Health in real Chromium: on a phone, by keyboard, and without script."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import Page, expect

from api.answers import Workshop
from collector.readings import Mark, Reading, ms_of
from collector.store.contract import Arrival, Refusal
from tests.browser.conftest import Open, Server, drawn
from tests.dashboards import workshops

pytestmark = pytest.mark.services


def in_ice(workshop: Workshop) -> None:
    """The cellar's sensor has lain in ice water for some minutes and reads 0.4 °C too much.

    Its clock is ahead by as much, so that what the workshop was filled with lies before.
    """
    now = datetime.now(UTC)
    rows = [(now + timedelta(seconds=5 * k), 0.4 + 0.01 * (k % 3)) for k in range(1, 50)]
    workshops.append(workshop, "room-temp", rows)


def entered(server: Server, page: Page) -> None:
    page.wait_for_url("**/sensors/room-temp?done=entered")
    (kept,) = server.workshop.record.calibrations.all()
    (pair,) = kept.entry.pairs
    assert (pair.found, pair.true) == ("ice_point", 0.0)
    assert pair.read == pytest.approx(0.41, abs=0.011)


def test_the_ice_point_is_taken_by_thumb_on_a_phone(server: Server, open_page: Open) -> None:
    in_ice(server.workshop)
    page = open_page(390, has_touch=True, is_mobile=True).page
    page.goto(server.address)
    page.get_by_role("link", name="Health", exact=True).first.tap()
    page.get_by_role("link", name="Calibrate a sensor").tap()
    page.get_by_role("link", name="Cellar, room temperature").tap()
    expect(page.get_by_text("It has settled.")).to_be_visible()
    page.get_by_role("button", name="Take the mean as the ice point").tap()
    page.wait_for_url("**take=ice**")
    page.get_by_role("button", name="Show what it would do").tap()
    page.wait_for_url("**preview=yes**")
    expect(page.get_by_role("heading", name="What it would do")).to_be_in_viewport()
    page.get_by_role("button", name="Put it on record").tap()
    entered(server, page)
    page.get_by_role("button", name="Take it back").tap()
    page.wait_for_url("**?done=back")
    assert server.workshop.record.calibrations.all() == []


def test_the_ice_point_is_taken_by_keyboard_alone(server: Server, open_page: Open) -> None:
    in_ice(server.workshop)
    page = open_page().page
    page.goto(f"{server.address}/sensors/room-temp")
    page.get_by_label("Air pressure where you are").focus()
    page.keyboard.type("1000")
    page.keyboard.press("Enter")
    # Enter looks again and loses nothing; it takes no point by accident.
    page.wait_for_url("**look=again**")
    assert page.get_by_label("Air pressure where you are").input_value() == "1000"
    assert page.get_by_label("It read in ice water").input_value() == ""
    page.get_by_role("button", name="Take the mean as the ice point").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**take=ice**")
    page.get_by_role("button", name="Show what it would do").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**preview=yes**")
    page.get_by_role("button", name="Put it on record").focus()
    page.keyboard.press("Enter")
    entered(server, page)


def test_the_ice_point_is_taken_without_script(server: Server, open_page: Open) -> None:
    in_ice(server.workshop)
    page = open_page(java_script_enabled=False).page
    page.goto(f"{server.address}/sensors/room-temp")
    page.get_by_role("button", name="Take the mean as the ice point").click()
    page.get_by_role("button", name="Show what it would do").click()
    page.get_by_role("button", name="Put it on record").click()
    entered(server, page)


def test_a_page_that_is_open_follows_the_sensor_and_the_calibration(
    server: Server, open_page: Open
) -> None:
    room, sensor = open_page().page, open_page().page
    room.goto(server.address)
    sensor.goto(f"{server.address}/sensors/room-temp")
    expect(sensor.locator("#live[data-state=live]")).to_be_visible()
    expect(room.locator("#live[data-state=live]")).to_be_visible()
    in_ice(server.workshop)
    expect(sensor.locator("[data-live=settled]")).to_have_text("It has settled.")
    expect(room.locator("[data-live=value-room-temp]")).to_have_text("0.4")
    form = {"reference_read": "0", "reference_true": "2", "valid_from": "2026-01-01T00:00"}
    answer = sensor.request.post(
        f"{server.address}/sensors/room-temp/calibrations", form=dict(form), max_redirects=0
    )
    assert answer.status == 303
    expect(room.locator("[data-live=value-room-temp]")).to_have_text("2.4")


def test_health_follows_and_a_doubtful_reading_is_drawn_apart(
    server: Server, open_page: Open
) -> None:
    watched = open_page()
    page = watched.page
    page.goto(f"{server.address}/health")
    expect(page.locator("#live[data-state=live]")).to_be_visible()
    expect(page.locator("[data-live=messages-refused]")).to_have_text("0")
    now_ms = ms_of(datetime.now(UTC))
    doubtful = Reading("vat-north", now_ms - 30 * 60_000 - 1, 85.0, Mark.IMPLAUSIBLE)
    refused = Arrival("cellar/<i>x</i>", now_ms, (), (Refusal("no number"),), b"\xff\x00")
    server.workshop.received.append([refused, Arrival("cellar", now_ms, (doubtful,))])
    expect(page.locator("[data-live=messages-refused]")).to_have_text("1")
    expect(page.locator("[data-live=last-24-hours-vat-north]")).to_have_text("1 implausible")
    page.reload()
    expect(page.get_by_text("ff 00")).to_be_visible()
    expect(page.get_by_text("cellar/<i>x</i>")).to_be_visible()
    page.goto(server.address)
    drawn(page)
    diamonds = page.locator("#panel-0 svg.marks .mark-symbol path[stroke='var(--alarm)']")
    assert diamonds.count() == 1
    page.get_by_text("Which readings are drawn").click()
    page.get_by_role("link", name="Every reading").click()
    page.wait_for_url("**counted=all**")
    drawn(page)
    ticks = page.locator("#panel-0 .role-axis-label text").all_text_contents()
    assert "80" in ticks, ticks
    assert watched.complaints == []
