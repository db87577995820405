"""Every page in real Chromium: drawn, quiet, on this server alone, legible and within reach."""

from __future__ import annotations

import pytest

from collector.readings import moment_of, ms_of
from tests.browser.conftest import Open, Server, drawn

pytestmark = pytest.mark.services

#: The pages, with the number of charts on each.
PAGES = {
    "/": 3,
    "/prints": 0,
    "/prints/new": 0,
    "/prints/refused": 0,
    "/prints/import": 0,
    "/prints/new?machine=1": 0,
    "/prints/41/outcome": 0,
    "/prints/found": 0,
    "/prints/41": 2,
    "/prints/41/correct": 0,
    "/causes": 1,
    "/soak": 1,
    "/soak/1": 1,
    "/breaks": 0,
    "/resins": 0,
    "/shelf": 0,
    "/shelf/resins/1": 0,
    "/shelf/machines/1": 0,
    "/health": 0,
    "/sensors": 0,
    "/sensors/chamber?boiling_read_c=99.1&pressure_hpa=1000&preview=yes": 0,
}

#: Marks that vega draws data with, as against axes and grids.
MARKS = ".mark-line path, .mark-symbol path, .mark-area path"

#: Opens every fold, so that what is inside is measured too.
UNFOLD = "document.querySelectorAll('details').forEach(d => d.open = true)"

#: Controls whose hit area is smaller than 44 px either way. A link inside a sentence is let
#: off, as in WCAG 2.2, 2.5.8.
SMALL = """() => [...document.querySelectorAll('a, button, input, select, textarea, summary')]
  .filter(e => e.checkVisibility() && e.type !== 'hidden' && !e.matches('.skip, p a, li a.inline'))
  .map(e => [e, (e.closest('label') ?? e).getBoundingClientRect()])
  .filter(([e, box]) => box.height < 44 || box.width < 44)
  .map(([e, box]) => `${e.outerHTML.slice(0, 90)} ${box.width} x ${box.height}`)"""

#: Texts whose contrast with what lies behind them is below WCAG AA (4.5, or 3 when large).
FAINT = """() => {
  const parts = (colour) => colour.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map(c => c / 255)
    .map(c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4)
    .reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
  const behind = (e) => {
    for (; e; e = e.parentElement) {
      const colour = parts(getComputedStyle(e).backgroundColor);
      if (colour.length < 4 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const faint = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || !e.checkVisibility()) continue;
    if (e.closest('script, .skip, .unseen')) continue;
    const style = getComputedStyle(e);
    const ink = e.closest('svg') ? style.fill : style.color;
    if (!ink.startsWith('rgb')) continue;
    const [a, b] = [light(parts(ink)), light(behind(e))].sort((x, y) => y - x);
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && style.fontWeight >= 700);
    if ((a + 0.05) / (b + 0.05) < (large ? 3 : 4.5)) {
      faint.push(`${walker.currentNode.textContent.trim().slice(0, 40)} ${ink}`);
    }
  }
  return faint;
}"""


@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_drawn_quietly_and_from_this_server_alone(
    looked_at: Server, open_page: Open, path: str
) -> None:
    watched = open_page()
    answer = watched.page.goto(looked_at.address + path)
    assert answer is not None
    assert answer.ok
    drawn(watched.page)
    charts = watched.page.locator("figure[data-chart] svg.marks")
    assert charts.count() == PAGES[path]
    for number in range(PAGES[path]):
        assert charts.nth(number).locator(MARKS).count() > 0
    assert watched.complaints == []
    assert {url for url in watched.requests if not url.startswith(looked_at.address)} == set()


@pytest.mark.parametrize("path", PAGES)
def test_a_phone_shows_it_without_scrolling_sideways_and_within_a_thumbs_reach(
    looked_at: Server, open_page: Open, path: str
) -> None:
    page = open_page(390, has_touch=True, is_mobile=True).page
    page.goto(looked_at.address + path)
    drawn(page)
    page.evaluate(UNFOLD)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.evaluate(SMALL) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_every_text_stands_out_from_its_paper(
    looked_at: Server, open_page: Open, path: str, scheme: str
) -> None:
    page = open_page(color_scheme=scheme).page
    page.goto(looked_at.address + path)
    drawn(page)
    page.evaluate(UNFOLD)
    assert page.evaluate(FAINT) == []


def test_every_control_can_be_reached_by_key_and_shows_it(
    looked_at: Server, open_page: Open
) -> None:
    page = open_page().page
    page.goto(f"{looked_at.address}/prints")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    controls = "[...document.querySelectorAll('a, button, summary')]"
    wanted = page.evaluate(f"{controls}.filter(e => e.checkVisibility()).length")
    seen = set()
    for _ in range(wanted):
        seen.add(
            page.evaluate("[...document.querySelectorAll('*')].indexOf(document.activeElement)")
        )
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none", page.evaluate("document.activeElement.outerHTML")
        page.keyboard.press("Tab")
    assert len(seen) == wanted


def test_a_print_is_started_judged_and_taken_back_by_keyboard_alone(
    server: Server, open_page: Open
) -> None:
    page = open_page().page
    page.goto(f"{server.address}/prints")
    page.get_by_role("link", name="Start a print on North").focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Started now").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/prints/43?done=start")
    page.get_by_role("button", name="It has ended now").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/prints/43?done=end")
    page.get_by_role("link", name="Some failed").focus()
    page.keyboard.press("Enter")
    page.locator("input[name=outcome-0][value=failed]").focus()
    page.keyboard.press("Space")
    page.locator("input[name=modes-0][value=warped]").focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Save what came of it").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/prints/43?done=outcome")
    part = server.workshop.record.prints.get(43).entry.parts[0]
    assert (part.outcome, part.modes) == ("failed", ("warped",))
    page.get_by_role("button", name="Undo", exact=True).focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/prints/43?done=undo")
    assert server.workshop.record.prints.get(43).entry.parts[0].outcome is None


def test_on_a_phone_an_outcome_is_two_taps_from_the_room(server: Server, open_page: Open) -> None:
    page = open_page(390, has_touch=True, is_mobile=True).page
    page.goto(server.address)
    page.get_by_role("link", name="Prints", exact=True).tap()
    page.locator("form[action='/prints/41/outcome'] button[value=good]").first.tap()
    page.wait_for_url("**/prints?done=41")
    assert server.workshop.record.prints.get(41).entry.outcome == "good"
    page.get_by_role("button", name="Undo").tap()
    page.wait_for_url("**/prints?done=41")
    page.get_by_text("not looked at yet").first.wait_for()
    assert server.workshop.record.prints.get(41).entry.outcome is None


def test_nothing_typed_is_lost_on_reload_and_it_goes_once_it_is_saved(
    server: Server, open_page: Open
) -> None:
    page = open_page(390).page
    page.goto(f"{server.address}/prints/new")
    page.get_by_label("Parts on the plate").fill("Collar with a slot")
    page.get_by_label("Note").fill("typed with gloves on")
    page.locator("label", has_text="North").click()
    page.reload()
    assert page.get_by_label("Note").input_value() == "typed with gloves on"
    assert page.get_by_label("Parts on the plate").input_value() == "Collar with a slot"
    assert page.locator("input[name=machine]:checked").count() == 1
    page.get_by_role("button", name="Started now").click()
    page.wait_for_url("**/prints/43?done=start")
    assert server.workshop.record.prints.get(43).entry.note == "typed with gloves on"
    page.goto(f"{server.address}/prints/new")
    assert page.get_by_label("Note").input_value() == ""


def test_pages_without_script_have_their_words_tables_and_forms(
    server: Server, open_page: Open
) -> None:
    page = open_page(java_script_enabled=False).page
    page.goto(server.address)
    assert page.locator(".value").first.inner_text() == "23.2"
    page.locator("figure summary").first.click()
    assert page.locator("figure table").first.is_visible()
    page.goto(f"{server.address}/prints")
    page.locator("form[action='/prints/41/outcome'] button[value=failed]").first.click()
    assert server.workshop.record.prints.get(41).entry.outcome == "failed"


def test_the_clock_of_the_chart_is_the_servers(server: Server, open_page: Open) -> None:
    """A viewer in another zone sees the same hours as the words, which name their zone."""
    watched = open_page(timezone_id="Pacific/Auckland")
    watched.page.goto(f"{server.address}/prints/41")
    drawn(watched.page)
    start = server.workshop.record.prints.get(41).entry.start
    whole_hour_ms = (ms_of(start) // 3_600_000 + 2) * 3_600_000
    hour = moment_of(whole_hour_ms).astimezone().strftime("%H:%M")
    ticks = watched.page.locator("#panel-0 .role-axis-label text").all_text_contents()
    assert hour in ticks or hour == "00:00", ticks


#: Words that are broken in two, among what is pressed: a name of ours is never as long as that.
BROKEN = """() => [...document.querySelectorAll('.places-nav a, .choice span, button, .button')]
  .filter(e => e.checkVisibility()).flatMap(e => {
    const walker = document.createTreeWalker(e, NodeFilter.SHOW_TEXT), broken = [];
    while (walker.nextNode()) {
      for (const word of walker.currentNode.textContent.matchAll(/\\S+/g)) {
        const range = document.createRange();
        range.setStart(walker.currentNode, word.index);
        range.setEnd(walker.currentNode, word.index + word[0].length);
        if (range.getClientRects().length > 1) broken.push(word[0]);
      }
    }
    return broken;
  })"""


def test_no_word_is_broken_on_what_is_pressed(looked_at: Server, open_page: Open) -> None:
    page = open_page(390).page
    broken = {}
    for path in PAGES:
        page.goto(looked_at.address + path)
        page.evaluate(UNFOLD)
        broken[path] = page.evaluate(BROKEN)
    assert {path: words for path, words in broken.items() if words} == {}


def test_long_unbroken_names_widen_no_page(server: Server, open_page: Open) -> None:
    """As long as a name may be and nowhere to break, with what could be taken for markup in it."""
    name = 'Ä"<b>&' + "w" * 74
    watched = open_page(390)
    page = watched.page
    for things in ("resins", "machines", "soaks"):
        address = f"{server.address}/api/{things}/1"
        answer = page.request.patch(address, data={"name": name})
        assert answer.ok, answer.text()
    wide = {}
    for path in PAGES:
        page.goto(server.address + path)
        page.evaluate(UNFOLD)
        wide[path] = page.evaluate("document.documentElement.scrollWidth")
    assert {path: width for path, width in wide.items() if width > 390} == {}
    assert page.locator("b").count() == 0
    assert watched.complaints == []
