"""A phone in a gloved hand on a bad connection: three taps each, and nothing typed is lost."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Locator, Page, Route, expect

from tests.browser.conftest import Open, Server

pytestmark = pytest.mark.services

#: The lower part of a phone's screen, where a thumb reaches without changing the grip [px].
THUMB_FROM_PX = 844 / 3


@dataclass
class Thumb:
    """A thumb on a phone: every tap is counted, and lands on something large enough."""

    page: Page
    taps: int = 0

    def tap(self, target: Locator) -> None:
        box = target.bounding_box()
        assert box is not None
        assert box["width"] >= 44
        assert box["height"] >= 44
        self.taps += 1
        target.tap()


@pytest.fixture
def thumb(server: Server, open_page: Open) -> Thumb:
    """A phone that shows the Prints page."""
    page = open_page(390, has_touch=True, is_mobile=True).page
    page.goto(f"{server.address}/prints")
    return Thumb(page)


def test_a_print_is_started_in_two_taps_and_taken_back_in_one(server: Server, thumb: Thumb) -> None:
    thumb.tap(thumb.page.get_by_role("link", name="Start a print on North"))
    go = thumb.page.get_by_role("button", name="Started now")
    expect(go).to_be_in_viewport()
    box = go.bounding_box()
    assert box is not None
    assert box["y"] > THUMB_FROM_PX
    thumb.tap(go)
    thumb.page.wait_for_url("**/prints/43?done=start")
    assert thumb.taps == 2
    kept = server.workshop.record.prints.get(43)
    before = server.workshop.record.prints.get(41).entry
    assert (kept.entry.resin, kept.entry.settings) == (before.resin, before.settings)
    assert kept.entry.running
    thumb.tap(thumb.page.get_by_role("button", name="Undo", exact=True))
    thumb.page.wait_for_url("**/prints?gone=43")
    assert thumb.taps == 3
    assert server.workshop.record.prints.count() == 42
    thumb.tap(thumb.page.get_by_role("button", name="Undo", exact=True))
    thumb.page.wait_for_url("**/prints?done=43")
    assert server.workshop.record.prints.get(43).entry.running


def test_which_part_failed_is_said_in_three_taps(server: Server, thumb: Thumb) -> None:
    thumb.tap(thumb.page.get_by_role("link", name="Some failed"))
    thumb.page.wait_for_url("**/prints/41/outcome")
    choices = thumb.page.locator(".part").first.locator(".choices.thumb .choice")
    boxes = [box for box in (choices.nth(n).bounding_box() for n in range(3)) if box is not None]
    assert len({round(box["y"]) for box in boxes}) == 1  # side by side,
    assert sum(box["width"] for box in boxes) > 330  # as wide as the phone lets them be
    second = thumb.page.locator(".part").nth(1)
    thumb.tap(second.locator("label.choice", has_text="failed"))
    save = thumb.page.get_by_role("button", name="Save what came of it")
    expect(save).to_be_in_viewport()
    thumb.tap(save)
    thumb.page.wait_for_url("**/prints/41?done=outcome")
    assert thumb.taps == 3
    parts = server.workshop.record.prints.get(41).entry.parts
    assert [part.outcome for part in parts] == ["good", "failed", "good", "good"]


def test_from_the_room_it_is_three_taps_too(server: Server, thumb: Thumb) -> None:
    page = thumb.page
    page.goto(server.address)
    thumb.tap(page.locator("#waiting a.entry").first)
    thumb.tap(page.locator(".part").first.locator("label.choice", has_text="failed"))
    thumb.tap(page.get_by_role("button", name="Save what came of it"))
    page.wait_for_url("**/prints/41?done=outcome")
    assert thumb.taps == 3
    assert server.workshop.record.prints.get(41).entry.parts[0].outcome == "failed"
    page.goto(server.address)
    thumb.tap(page.get_by_role("link", name="Start a print on North"))
    thumb.tap(page.get_by_role("button", name="Started now"))
    page.wait_for_url("**/prints/43?done=start")
    assert thumb.taps == 5


def test_how_it_failed_and_where_it_stood_is_a_tap_each(server: Server, thumb: Thumb) -> None:
    thumb.page.goto(f"{server.address}/prints/41/outcome")
    part = thumb.page.locator(".part").nth(2)
    thumb.tap(part.locator("label.choice", has_text="flawed"))
    thumb.tap(part.locator("label.choice", has_text="came off its supports"))
    thumb.tap(part.locator("summary"))
    thumb.tap(part.locator("label.choice", has_text=re.compile("^back left$")))
    thumb.tap(thumb.page.get_by_role("button", name="Save what came of it"))
    thumb.page.wait_for_url("**/prints/41?done=outcome")
    assert thumb.taps == 5
    seen = server.workshop.record.prints.get(41).entry.parts[2]
    assert (seen.outcome, seen.modes, seen.place) == ("flawed", ("came_off_supports",), "back_left")


def test_a_whole_plate_is_judged_in_one_tap_and_taken_back_in_another(
    server: Server, thumb: Thumb
) -> None:
    thumb.tap(thumb.page.get_by_role("button", name="✕ All failed").first)
    thumb.page.wait_for_url("**/prints?done=41")
    assert server.workshop.record.prints.get(41).entry.outcome == "failed"
    thumb.tap(thumb.page.get_by_role("button", name="Undo", exact=True))
    thumb.page.get_by_text("not looked at yet").first.wait_for()
    assert server.workshop.record.prints.get(41).entry.outcome is None
    assert thumb.taps == 2


def test_a_change_is_seen_in_the_summary_before_anything_is_on_record(
    server: Server, thumb: Thumb
) -> None:
    page = thumb.page
    page.goto(f"{server.address}/prints/new?machine=1")
    page.get_by_text("Change something").tap()
    page.locator("label.choice", has_text="Kiln Amber").tap()
    page.get_by_label("Normal exposure").fill("14")
    summary = page.locator("#summary")
    expect(summary).to_contain_text("A normal exposure of 14 s is above the usual 1 to 10 s.")
    expect(summary).to_contain_text("Kiln Amber")
    assert server.workshop.record.prints.count() == 42


def test_a_photograph_is_sent_when_it_is_taken_and_comes_back_after_it_was_removed(
    server: Server, thumb: Thumb, tmp_path: Path
) -> None:
    taken = tmp_path / "collar.jpg"
    Image.new("RGB", (1_600, 1_200), (120, 90, 40)).save(taken)
    page = thumb.page
    page.goto(f"{server.address}/prints/41")
    with page.expect_file_chooser() as chooser:
        thumb.tap(page.locator("label.picture"))
    chooser.value.set_files(taken)
    page.wait_for_url("**/prints/41?done=photograph-1#photographs")
    assert thumb.taps == 1
    small = page.locator(".photographs img")
    expect(small).to_be_visible()
    page.wait_for_function("() => document.querySelector('.photographs img').naturalWidth === 480")
    thumb.tap(page.get_by_role("button", name="Remove"))
    page.wait_for_url("**/prints/41?done=no-photograph-1#photographs")
    expect(small).to_have_count(0)
    thumb.tap(page.get_by_role("button", name="Undo", exact=True))
    page.wait_for_url("**/prints/41?done=photograph-1#photographs")
    expect(small).to_have_count(1)
    assert thumb.taps == 3


def test_a_photograph_that_is_too_large_is_refused_before_it_is_sent(
    server: Server, thumb: Thumb, tmp_path: Path
) -> None:
    taken = tmp_path / "collar.jpg"
    taken.write_bytes(bytes(17 * 1_048_576))
    thumb.page.goto(f"{server.address}/prints/41")
    thumb.page.locator("input[name=picture]").set_input_files(taken)
    thumb.page.get_by_text("This picture is too large: 17 MiB.").wait_for()
    assert server.workshop.record.photographs.of(print_id=41) == []


# ---- a bad connection ------------------------------------------------------------------------


def test_without_a_connection_nothing_is_sent_and_nothing_typed_is_lost(
    server: Server, thumb: Thumb
) -> None:
    page = thumb.page
    page.goto(f"{server.address}/prints/new?machine=1")
    page.get_by_text("Change something").tap()
    page.get_by_label("Note", exact=True).fill("typed with gloves on")
    page.context.set_offline(True)
    page.get_by_role("button", name="Started now").tap()
    page.get_by_text("No connection to vatside: nothing was sent.").wait_for()
    assert page.get_by_label("Note", exact=True).input_value() == "typed with gloves on"
    assert server.workshop.record.prints.count() == 42
    page.context.set_offline(False)
    page.get_by_text("The connection is back.").wait_for()
    page.reload()
    page.get_by_text("What you typed before is still here.").wait_for()
    assert page.get_by_label("Note", exact=True).input_value() == "typed with gloves on"
    page.get_by_role("button", name="Started now").tap()
    page.wait_for_url("**/prints/43?done=start")
    assert server.workshop.record.prints.get(43).entry.note == "typed with gloves on"
    page.goto(f"{server.address}/prints/new?machine=3")
    assert page.get_by_text("What you typed before is still here.").count() == 0


def test_what_was_typed_for_one_machine_does_not_turn_up_at_another(
    server: Server, thumb: Thumb
) -> None:
    page = thumb.page
    page.goto(f"{server.address}/prints/new?machine=1")
    page.get_by_text("Change something").tap()
    page.get_by_label("Note", exact=True).fill("for North")
    page.goto(f"{server.address}/prints/new?machine=3")
    assert page.get_by_label("Note", exact=True).input_value() == ""
    page.goto(f"{server.address}/prints/new?machine=1")
    assert page.get_by_label("Note", exact=True).input_value() == "for North"
    page.get_by_role("button", name="Start afresh").tap()
    assert page.get_by_label("Note", exact=True).input_value() == ""
    page.reload()
    assert page.get_by_text("What you typed before is still here.").count() == 0


def test_an_answer_that_is_lost_on_the_way_makes_one_print(server: Server, thumb: Thumb) -> None:
    """The form arrives, the answer does not; reloaded and sent again it is the same print."""
    page = thumb.page
    page.goto(f"{server.address}/prints/new?machine=1")
    page.get_by_text("Change something").tap()
    page.get_by_label("Note", exact=True).fill("sent twice")

    def lose(route: Route) -> None:
        route.fetch(max_redirects=0)
        route.abort()

    page.route("**/prints", lose)
    with page.expect_event("requestfailed"):
        page.get_by_role("button", name="Started now").tap()
    page.unroute("**/prints")
    assert server.workshop.record.prints.count() == 43
    page.goto(f"{server.address}/prints/new?machine=1")
    page.get_by_text("On record already:").wait_for()
    assert page.get_by_label("Note", exact=True).input_value() == "sent twice"
    page.get_by_role("button", name="Started now").tap()
    page.wait_for_url("**/prints/43?done=before")
    assert server.workshop.record.prints.count() == 43


def test_a_verdict_without_a_connection_says_so(server: Server, thumb: Thumb) -> None:
    thumb.page.context.set_offline(True)
    thumb.page.get_by_role("button", name="✓ All good").first.tap()
    thumb.page.get_by_text("No connection to vatside: nothing was noted.").wait_for()
    assert server.workshop.record.prints.get(41).entry.outcome is None
    thumb.page.context.set_offline(False)
    thumb.page.get_by_role("button", name="✓ All good").first.tap()
    thumb.page.wait_for_url("**/prints?done=41")


def test_two_people_at_one_print_see_both_and_lose_nothing(server: Server, open_page: Open) -> None:
    first, second = open_page(390).page, open_page(390).page
    for page in (first, second):
        page.goto(f"{server.address}/prints/41/correct")
    first.get_by_label("Note", exact=True).fill("the first one’s words")
    first.get_by_label("Layer count").fill("1300")
    first.get_by_role("button", name="Save the correction").click()
    first.wait_for_url("**/prints/41?done=correct")
    second.get_by_label("Note", exact=True).fill("the second one’s words")
    second.get_by_role("button", name="Save the correction").click()
    second.get_by_text("Somebody else changed print 41").wait_for()
    for words in ("the first one’s words", "the second one’s words"):
        second.get_by_role("cell", name=words).wait_for()
    assert second.get_by_label("Note", exact=True).input_value() == "the second one’s words"
    assert second.get_by_label("Layer count").input_value() == "1300"
    assert server.workshop.record.prints.get(41).entry.note == "the first one’s words"
    second.get_by_role("button", name="Save mine over it").click()
    second.wait_for_url("**/prints/41?done=correct")
    plate = server.workshop.record.prints.get(41).entry
    assert (plate.note, plate.settings.layer_count) == ("the second one’s words", 1300)


def test_what_was_typed_before_anothers_change_does_not_overwrite_it_after_a_reload(
    server: Server, open_page: Open
) -> None:
    first, second = open_page(390).page, open_page(390).page
    for page in (first, second):
        page.goto(f"{server.address}/prints/41/correct")
    second.get_by_label("Note", exact=True).fill("mine")
    first.get_by_label("Layer count").fill("1300")
    first.get_by_role("button", name="Save the correction").click()
    first.wait_for_url("**/prints/41?done=correct")
    second.reload()
    second.get_by_text("What you typed before is still here.").wait_for()
    second.get_by_role("button", name="Save the correction").click()
    second.get_by_text("Somebody else changed print 41").wait_for()
    assert second.get_by_label("Layer count").input_value() == "1300"
