"""A whole soak run as a person plays it on the page, its hours told by a clock of our own."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Page, expect

from api.answers import Workshop
from api.evidence import checked_archive
from dashboards.chart_bundle import ChartBundle
from tests.browser.conftest import PATIENCE_MS, Open, Server, drawn, serving
from tests.dashboards import workshops

pytestmark = pytest.mark.services

START = datetime(2026, 1, 20, 9, 0, tzinfo=UTC)


@dataclass
class Bench:
    """The bench: its clock, and what the chamber has done so far (2 K/min, then as set)."""

    workshop: Workshop
    now: datetime = START
    chamber_c: float = 20.0

    def goes_on(self, minutes: int, setpoint_c: float) -> None:
        """The chamber heats towards a setpoint for so many minutes, read every half minute."""
        rows = []
        for _ in range(2 * minutes):
            self.now += timedelta(seconds=30)
            step = min(max(setpoint_c - self.chamber_c, -1.0), 1.0)
            self.chamber_c += step
            rows.append((self.now, round(self.chamber_c + 0.2, 2)))
        workshops.append(self.workshop, "chamber", rows)

    def time(self) -> datetime:
        """The moment it is at the bench."""
        return self.now


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A workshop in which nothing was soaked that day."""
    return Bench(workshops.filled_workshop(tmp_path, START - timedelta(days=3)))


@pytest.fixture
def played(bench: Bench, chart_files: Path) -> Iterator[Server]:
    """Its pages, at the bench's time."""
    with serving(bench.workshop, ChartBundle(chart_files), bench.time) as server:
        yield server


def told(page: Page, words: str) -> None:
    """Wait until a notice says that."""
    notice = page.locator("#notices li", has_text=words)
    expect(notice).to_be_visible(timeout=PATIENCE_MS)


def picture(tmp_path: Path) -> Path:
    """A photograph as a phone takes it."""
    path = tmp_path / "look.jpg"
    Image.new("RGB", (640, 480), (150, 140, 120)).save(path)
    return path


def test_a_run_from_its_program_to_the_printed_report(
    bench: Bench, played: Server, open_page: Open, tmp_path: Path
) -> None:
    watched = open_page(390, has_touch=True, is_mobile=True)
    page = watched.page
    bench.goes_on(1, 20.0)
    page.goto(f"{played.address}/soak")
    page.locator("summary", has_text="Program, specimens and probes").tap()
    page.get_by_label("Name of the run").fill("Collars, short")
    page.locator("label", has_text="Own steps").first.tap()
    page.get_by_label("Own steps").last.fill("50 10 2\n60 10 2 ramp 2.5 within 30")
    # Before anything starts it says what was understood, and when it would be done.
    expect(page.locator("#plan")).to_contain_text("the last dwell is done about")
    page.locator("summary", has_text="The program in words").tap()
    expect(page.locator("#plan")).to_contain_text("changing by at most 2.5 K/min")
    page.get_by_label("Specimen 1: name").fill("amber 1")
    page.get_by_label("Specimen 2: name").fill("willow 1")
    page.get_by_role("button", name="Start the record of this run").tap()
    page.wait_for_url("**/soak/2")

    # The bell is off until somebody turns it on, and rings once for each thing.
    page.get_by_role("button", name="Ring when something is to be done").tap()
    expect(page.get_by_role("button", name="Stop ringing")).to_be_visible()

    done_at = page.locator('[data-live="finish"]')
    before = done_at.text_content()
    bench.goes_on(15, 50.0)
    told(page, "In band at 50 °C ± 2 K")
    # It climbs at 2 K/min, twice as fast as was thought before there was anything to go by.
    expect(done_at).not_to_have_text(before or "", timeout=PATIENCE_MS)
    expect(page.locator("#notices")).to_have_attribute("data-rung", "1", timeout=PATIENCE_MS)
    page.reload()
    told(page, "In band at 50 °C ± 2 K")
    expect(page.locator('[data-live="phase"]')).to_have_text("dwelling", timeout=PATIENCE_MS)

    bench.goes_on(10, 50.0)
    told(page, "Look at every specimen: step 1 is done.")
    told(page, "Set the chamber to 60 °C.")
    page.reload()
    page.get_by_role("button", name="All sound, seen now").tap()
    page.wait_for_url("**/soak/2#looks")

    bench.goes_on(6, 60.0)
    bench.goes_on(10, 60.0)
    told(page, "Look at every specimen: step 2 is done.")
    told(page, "Every step is done.")
    page.reload()
    page.locator("summary", has_text="Piece by piece").tap()
    pieces = page.locator("fieldset.part")
    pieces.nth(0).locator("label.choice", has_text="sound").tap()
    pieces.nth(1).locator("label.choice", has_text="sagged").tap()
    pieces.nth(1).get_by_label("Sag, if it sagged").fill("1,5")
    page.get_by_role("button", name="Log these looks").tap()
    page.wait_for_url("**/soak/2#looks")

    # A slip is put right where it stands, a photograph removed by mistake comes back.
    page.locator("summary", has_text="looks so far").tap()
    slip = page.locator("#looks li", has_text="willow 1: sagged, 1.5 mm")
    slip.locator("summary", has_text="Correct").tap()
    slip.get_by_label("Sag, if it sagged").fill("2,5")
    slip.get_by_role("button", name="Keep the correction").tap()
    sagged = page.locator("#looks li", has_text="willow 1: sagged, 2.5 mm")
    sagged.locator("input[type=file]").set_input_files(picture(tmp_path))
    expect(page.locator("#looks img.small")).to_have_count(1)
    sagged.get_by_role("button", name="Remove").tap()
    expect(page.locator("#looks")).to_contain_text("The photograph is off the record.")
    expect(page.locator("#looks img.small")).to_have_count(0)
    page.get_by_role("button", name="Undo").tap()
    expect(page.locator("#looks img.small")).to_have_count(1)

    bench.goes_on(5, 20.0)
    page.reload()
    page.get_by_role("button", name="The run is over").tap()
    expect(page.locator('[data-live="phase"]')).to_have_text("finished")
    drawn(page)
    stood = page.locator("section", has_text="What each piece stood")
    expect(stood).to_contain_text("Sound when last looked at, after the whole dwell of step 2")
    expect(stood).to_contain_text("Gave way after the whole dwell of step 1")

    page.get_by_role("link", name="Report to print").tap()
    expect(page.locator("h1")).to_have_text("Collars, short", timeout=PATIENCE_MS)
    expect(page.locator("img")).to_have_count(1)
    assert page.evaluate("document.images[0].naturalWidth") > 0
    assert page.evaluate("document.scripts.length") == 0
    # A phone cannot print here; the same document can be made a PDF of.
    assert page.pdf().startswith(b"%PDF")
    with page.expect_download() as coming:
        page.goto(f"{played.address}/soak/2")
        page.get_by_role("link", name="Evidence bundle").tap()
    archive = Path(coming.value.path()).read_bytes()
    assert checked_archive(archive).faults == ()
    with zipfile.ZipFile(io.BytesIO(archive)) as opened:
        assert any(name.startswith("photographs/") for name in opened.namelist())
    assert not [said for said in watched.complaints if "AudioContext" not in said]
    own = played.address
    assert all(url.startswith((own, "data:")) for url in watched.requests)


def test_two_viewers_and_a_restart_see_the_same(
    bench: Bench, played: Server, open_page: Open
) -> None:
    bench.workshop.record.soaks.add(workshops.short_run(START))
    bench.goes_on(20, 50.0)
    first, second = open_page(390).page, open_page(1280).page
    for page in (first, second):
        page.goto(f"{played.address}/soak/2")
        told(page, "In band at 50 °C ± 2 K")
    clock = first.locator('[data-live="clock"]').text_content()
    assert clock == second.locator('[data-live="clock"]').text_content() == "0:06"
    played.stop()
    played.start()
    bench.goes_on(3, 50.0)
    for page in (first, second):
        expect(page.locator('[data-live="clock"]')).to_have_text("0:09", timeout=PATIENCE_MS)
