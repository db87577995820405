"""The live pages: new readings show, a break is said, and the charts come when they are made."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboards import chart_bundle
from dashboards.chart_bundle import ChartBundle
from tests.browser.conftest import Open, Server, drawn, serving
from tests.dashboards import workshops

pytestmark = pytest.mark.services


class Waiting(ChartBundle):
    """Chart files that are not begun by the app."""

    def start(self) -> None:
        """Leave it to the test."""


def test_a_new_reading_shows_by_itself(server: Server, open_page: Open) -> None:
    page = open_page().page
    page.goto(server.address)
    page.get_by_text("Live", exact=True).wait_for()
    south = page.locator("[data-channel=vat-south]")
    assert south.locator(".age").inner_text() == "Silent for 3 h"
    workshops.append(server.workshop, "vat-south", [(datetime.now(UTC), 26.31)])
    south.locator(".value", has_text="26.3").wait_for()
    page.wait_for_function(
        "!document.querySelector('[data-channel=vat-south]').classList.contains('silent')"
    )


def test_the_advice_follows_the_vat_and_keeps_what_is_being_typed(
    server: Server, open_page: Open
) -> None:
    page = open_page().page
    page.goto(server.address)
    page.get_by_text("Live", exact=True).wait_for()
    assert page.locator("[data-live=ready-1]").inner_text() == "Yes"
    page.get_by_text("Your own limits for North").click()
    page.locator("#humidity_to_pct-1").fill("55")
    workshops.append(server.workshop, "vat-north", [(datetime.now(UTC), 14.9)])
    page.get_by_text("The vat of North is at 14.9 °C").wait_for()
    assert page.locator("[data-live=ready-1]").inner_text() != "Yes"
    assert page.locator("#humidity_to_pct-1").input_value() == "55"


def test_a_break_is_said_and_the_page_goes_on_after_it(server: Server, open_page: Open) -> None:
    page = open_page().page
    page.goto(server.address)
    page.get_by_text("Live", exact=True).wait_for()
    server.stop()
    page.get_by_text("Reconnecting").wait_for()
    workshops.append(server.workshop, "vat-north", [(datetime.now(UTC), 27.08)])
    server.start()
    page.get_by_text("Live", exact=True).wait_for()
    page.locator("[data-channel=vat-north] .value", has_text="27.1").wait_for()


def test_a_feed_that_was_answered_with_an_error_or_put_away_is_taken_up_again(
    server: Server, open_page: Open
) -> None:
    watched = open_page()
    page = watched.page
    page.route("**/api/live", lambda route: route.fulfill(status=503, body="starting"))
    page.goto(server.address)
    page.get_by_text("Reconnecting").wait_for()
    page.unroute("**/api/live")
    page.get_by_text("Live", exact=True).wait_for()
    # As the browser does with a page that is left and gone back to.
    page.evaluate("window.dispatchEvent(new PageTransitionEvent('pagehide', {persisted: true}))")
    with page.expect_response("**/api/live") as taken_up:
        page.evaluate("dispatchEvent(new PageTransitionEvent('pageshow', {persisted: true}))")
    assert taken_up.value.ok


def test_the_dwell_clock_runs_without_a_reload(server: Server, open_page: Open) -> None:
    page = open_page(390).page
    page.goto(f"{server.address}/soak/1")
    page.get_by_text("Live", exact=True).wait_for()
    page.get_by_text("The clock runs: the chamber is in its band.").wait_for()
    workshops.append(server.workshop, "chamber", [(datetime.now(UTC), 71.2)])
    page.get_by_text("The clock stands: the chamber is out of its band.").wait_for()
    said = page.locator('[data-live="next"]', has_text="Bring the chamber back to 60 °C ± 2 K.")
    said.wait_for()


def test_a_page_is_there_before_its_charts_and_waits_for_them_visibly(
    tmp_path: Path, open_page: Open
) -> None:
    now = datetime.now(UTC).replace(microsecond=0)
    workshop = workshops.filled_workshop(tmp_path / "store", now)
    charts = Waiting(tmp_path / "charts")
    with serving(workshop, charts) as server:
        watched = open_page()
        watched.page.goto(f"{server.address}/causes")
        watched.page.get_by_text("The charts are being prepared").wait_for()
        assert watched.page.get_by_text("Failures go with cold resin").is_visible()
        chart_bundle.make(tmp_path / "charts" / charts.key)
        drawn(watched.page)
        assert watched.page.locator("#risk svg.marks").is_visible()
        assert watched.complaints == []
