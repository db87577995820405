"""axe-core finds nothing on any page: at both widths, light and dark, with every fold open."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Page

from api.photographs import keep_photograph
from api.record import Bottle, Plate, PlatePart
from dashboards.chart_bundle import ChartBundle
from tests.browser.conftest import Open, Server, drawn, serving
from tests.dashboards import workshops

pytestmark = pytest.mark.services

#: Every page of the site; add yours. What needs a form sent first stands in its own test below.
PAGES = [
    "/",
    "/prints",
    "/prints?outcome=failed",
    "/prints/new",
    "/prints/new?machine=1",
    "/prints/new?machine=2",
    "/prints/41/outcome",
    "/prints/41/correct?afterwork=last",
    "/prints/found",
    "/prints/refused",
    "/prints/import",
    "/prints/41?recorded=90&below=20",
    "/prints/1",
    "/prints/41",
    "/prints/42",
    "/prints/41/correct",
    "/causes",
    "/soak",
    "/soak/1",
    "/breaks",
    "/breaks?by=soak_history&measure=stress",
    "/resins",
    "/resins?sort=failed_share&column=failed_share",
    "/shelf",
    "/shelf/resins/1",
    "/shelf/bottles/new",
    "/shelf/plates/new",
    "/shelf/machines/1",
    "/shelf/fixtures/new",
    "/shelf/gauges/new",
    "/health",
    "/sensors",
    "/sensors/chamber?boiling_read_c=99.1&pressure_hpa=1000&preview=yes",
    "/prints/9999",
]

#: Widths, schemes, and what axe is asked there: every rule, or those that colours can break.
EVERY_RULE: dict[str, Any] = {"resultTypes": ["violations"]}
COLOURS: dict[str, Any] = {**EVERY_RULE, "runOnly": ["color-contrast", "link-in-text-block"]}
VIEWS: tuple[tuple[int, Literal["light", "dark"], dict[str, Any]], ...] = (
    (390, "light", EVERY_RULE),
    (390, "dark", COLOURS),
    (1280, "light", COLOURS),
    (1280, "dark", EVERY_RULE),
)

#: Opens every fold, so that what is inside is looked at too.
UNFOLD = "document.querySelectorAll('details').forEach(d => d.open = true)"


def found_by_axe(page: Page) -> list[str]:
    """What axe finds on a page as it stands, at both widths, light and dark: a line each."""
    drawn(page)
    page.evaluate(UNFOLD)
    found: list[str] = []
    for width, scheme, options in VIEWS:
        page.set_viewport_size({"width": width, "height": 844})
        page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        answer: dict[str, Any] = Axe().run(page, options=options).response
        found += [
            f"{width} {scheme} {broken['id']}: {node['target']} {node['html'][:160]}"
            for broken in answer["violations"]
            for node in broken["nodes"]
        ]
    return found


@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing(looked_at: Server, open_page: Open, path: str) -> None:
    page = open_page().page
    page.goto(looked_at.address + path)
    assert found_by_axe(page) == []


@pytest.fixture
def night(tmp_path: Path, chart_files: Path) -> Iterator[Server]:
    """The filled workshop with a run in the power, a bottle, a plate and a photograph."""
    now = datetime.now(UTC).replace(microsecond=0)
    workshop = workshops.filled_workshop(tmp_path, now)
    workshops.run_in_the_power(workshop, now)
    record = workshop.record
    record.bottles.add(Bottle(resin=1, lot="26-014", opened=now))
    record.plates.add(Plate(name="Housings", parts=(PlatePart(name="Housing"),)))
    taken = io.BytesIO()
    Image.new("RGB", (640, 480), (120, 90, 40)).save(taken, "JPEG")
    keep_photograph(record, taken.getvalue(), print_id=41)
    with serving(workshop, ChartBundle(chart_files)) as one:
        yield one


def test_axe_finds_nothing_once_forms_were_sent(night: Server, open_page: Open) -> None:
    """What was just done, what is refused and where two people clash, in the order of a morning."""
    page = open_page(390).page
    found: dict[str, list[str]] = {}

    def look(state: str) -> None:
        lines = found_by_axe(page)
        if lines:
            found[state] = lines

    page.goto(f"{night.address}/prints")
    page.locator("#found").wait_for()
    look("runs in the power")
    page.get_by_role("button", name="Not a print").click()
    page.get_by_text("No print:").wait_for()
    look("a run dismissed")
    page.get_by_role("button", name="✕ All failed").first.click()
    page.get_by_text("Noted:").wait_for()
    look("a verdict noted")
    page.goto(f"{night.address}/prints/41/correct")
    page.get_by_label("Layer count").fill("many")
    page.get_by_role("button", name="Save the correction").click()
    page.get_by_text("Not saved.").wait_for()
    look("a correction refused")
    page.get_by_label("Layer count").fill("1300")
    kept = night.workshop.record.prints.get(41)
    theirs = kept.entry.model_copy(update={"note": "theirs"})
    night.workshop.record.prints.change(41, theirs, revision=kept.revision)
    page.get_by_role("button", name="Save the correction").click()
    page.get_by_text("Somebody else changed print 41").wait_for()
    look("two at one print")
    page.goto(f"{night.address}/prints/41")
    page.locator(".photographs img").wait_for()
    look("a photograph, and an undo")
    page.goto(f"{night.address}/shelf")
    page.get_by_role("button", name="Mixed now").click()
    page.get_by_text("Noted:").wait_for()
    look("the shelf, something noted")
    page.goto(f"{night.address}/shelf/plates/1")
    page.get_by_label("Resin it takes").fill("much")
    page.get_by_role("button", name="Save").click()
    page.get_by_text("Not saved.").wait_for()
    look("a plate refused")
    page.context.set_offline(True)
    page.get_by_role("button", name="Save").click()
    page.get_by_text("No connection to vatside").wait_for()
    look("cut off")
    assert found == {}


def test_axe_does_find_what_is_wrong(looked_at: Server, open_page: Open) -> None:
    """The check itself is no ornament: a field without a label is found."""
    page = open_page().page
    page.goto(f"{looked_at.address}/shelf/resins/1")
    page.evaluate("document.querySelector('label[for=name]').remove()")
    assert any(" label: " in line for line in found_by_axe(page))
