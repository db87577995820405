"""The break bench without script: a row of pieces, and what is said of groups of them."""

from __future__ import annotations

import csv
import html
import io
import random
import re
from datetime import timedelta

import pytest
from PIL import Image
from starlette.testclient import TestClient

from api.answers import Workshop
from api.prints import Print
from api.record import Bottle, BreakOutcome, Load, SoakedAs
from api.strength import LoadUnit
from dashboards import print_form
from dashboards.break_form import FIELDS, entered, next_piece
from dashboards.pages import breaks
from tests.dashboards import workshops
from tests.dashboards.pages.test_any_form import JUNK

FIXTURE = {
    "name": "Flat bars",
    "holding": "three_point",
    "span_mm": "64",
    "width_mm": "10",
    "thickness_mm": "4",
}
GAUGE = {"name": "Hand gauge", "limit": "50", "unit": "kgf"}
TEST = {
    "piece": "amber 1",
    "load": "12,5",
    "unit": "kgf",
    "outcome": "broke",
    "resin": "2",
    "fixture": "1",
    "gauge": "1",
}


@pytest.fixture
def bench(client: TestClient) -> TestClient:
    """A bench with a fixture and a gauge."""
    assert client.post("/breaks/fixtures", data=FIXTURE).status_code == 200
    assert client.post("/breaks/gauges", data=GAUGE).status_code == 200
    return client


def field(page: str, name: str) -> str:
    """What an input of the page holds."""
    found = re.search(rf'<input[^>]*name="{name}"[^>]*value="([^"]*)"', page)
    assert found, name
    return html.unescape(found[1])


def test_a_row_of_pieces_one_after_the_other(filled: Workshop, bench: TestClient) -> None:
    page = bench.post("/breaks", data=TEST)
    (kept,) = filled.record.breaks.all()
    # kgf = 9.80665 N exactly (3rd CGPM, 1901).
    assert kept.entry.load is not None
    assert kept.entry.load.newtons == 12.5 * 9.80665
    assert kept.entry.tested == workshops.NOW
    assert field(page.text, "piece") == "amber 2"
    assert field(page.text, "load") == ""
    assert '<option value="kgf" selected>' in page.text
    assert "broke at 123 N" in page.text
    # 3 F L / (2 b h^2) of 122.583 N over 64 mm on 10 x 4 mm: 73.55 MPa.
    assert "73.5 MPa" in page.text or "73.6 MPa" in page.text

    held = TEST | {"piece": "amber 2", "load": "", "outcome": "no_break_at_the_limit"}
    page = bench.post("/breaks", data=held)
    last = filled.record.breaks.all()[-1].entry
    assert (last.outcome, last.load) == (BreakOutcome.HELD, None)
    assert "at least 490 N: no break at the gauge&#39;s limit" in page.text
    assert "cannot say" in page.text
    bench.post(f"/breaks/{filled.record.breaks.all()[-1].id}/delete")
    assert len(filled.record.breaks.all()) == 1


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"load": ""}, "no load was given"),
        ({"load": "hard"}, "is not a number"),
        ({"load": "60"}, "limit"),
        ({"outcome": "no_break_at_the_limit"}, "has no load"),
        ({"piece": ""}, "the piece has no name"),
        ({"fixture": "9"}, "9"),
        ({"soak": "1:nobody"}, "no specimen nobody"),
        ({"soak": "rubbish"}, "none of the list"),
        ({"origin": "2:nobody"}, "no part named nobody"),
        ({"origin": "1"}, "print 1 is of resin 1 (harbour grey), not of resin 2 (kiln amber)"),
        ({"origin": "9999"}, "no print 9999"),
        ({"cured": "2026-02-01T10:00"}, "before its cure ended"),
    ],
)
def test_a_slip_is_told_and_nothing_typed_is_lost(
    filled: Workshop, bench: TestClient, change: dict[str, str], said: str
) -> None:
    answer = bench.post("/breaks", data=TEST | change)
    assert answer.status_code in (409, 422)
    assert said in html.unescape(answer.text).lower()
    assert filled.record.breaks.all() == []
    assert field(answer.text, "piece") == (TEST | change)["piece"]


def test_groups_are_compared_in_words_and_drawn(filled: Workshop, bench: TestClient) -> None:
    loads = {"2": (10, 11, 12, 13, 14), "1": (4, 4.5, 5, 5.5, 6)}
    for resin, values in loads.items():
        for number, value in enumerate(values):
            piece = {"piece": f"{resin}-{number}", "load": str(value), "resin": resin}
            bench.post("/breaks", data=TEST | piece)
    page = html.unescape(bench.get("/breaks").text)
    assert "Kiln Amber: half of such pieces break below" in page
    assert "times the load of" in page
    assert 'data-chart="breaks"' in page
    stress = html.unescape(bench.get("/breaks?measure=stress&by=soak_history").text)
    assert "not soaked: half of such pieces break below" in stress
    assert "MPa" in stress
    assert "The groups differ" not in stress
    caution = "Nominal stress holds for a straight bar of one cross-section that bends little"
    assert caution in page
    assert caution in bench.get("/breaks/1").text


def test_the_empty_bench_says_what_comes_first(client: TestClient) -> None:
    page = client.get("/breaks").text
    assert "First say what pieces are held in" in page
    assert "Flying pieces:" in page
    assert "safety data sheet" in page


@pytest.mark.parametrize(
    ("name", "after"),
    [("amber 1", "amber 2"), ("A09", "A10"), ("collar", "collar"), ("x 99", "x 100")],
)
def test_the_next_piece_is_numbered_on(name: str, after: str) -> None:
    assert next_piece(name) == after


def test_a_form_that_is_sent_twice_is_one_test(filled: Workshop, bench: TestClient) -> None:
    key = field(bench.get("/breaks").text, "key")
    for _ in range(2):
        page = bench.post("/breaks", data={**TEST, "key": key})
        assert field(page.text, "piece") == "amber 2"
    assert len(filled.record.breaks.all()) == 1
    assert field(page.text, "key") != key


def test_a_photograph_of_a_broken_piece(filled: Workshop, bench: TestClient) -> None:
    bench.post("/breaks", data=TEST)
    into = io.BytesIO()
    Image.new("RGB", (40, 30), "grey").save(into, "PNG")
    picture = {"picture": ("broken.png", into.getvalue(), "image/png")}
    page = bench.post("/breaks/1/photographs", data={"key": "k"}, files=picture)
    (kept,) = filled.record.photographs.of(break_id=1)
    assert f'src="/photographs/{kept.id}/small"' in page.text
    assert bench.post("/breaks/1/photographs", data={"key": "x"}).status_code == 422
    assert "in use (photographs: 1)" in html.unescape(bench.post("/breaks/1/delete").text)
    bench.post(f"/photographs/{kept.id}/delete", data={"revision": "1"})
    assert filled.record.photographs.of(break_id=1) == []


@pytest.mark.parametrize(
    ("soaked", "said"), [("no", "1 part"), ("yes", "No piece"), ("", "1 part")]
)
def test_only_pieces_that_were_soaked_or_not(bench: TestClient, soaked: str, said: str) -> None:
    bench.post("/breaks", data=TEST)
    text = bench.get(f"/breaks?soaked={soaked}").text
    answer = text.partition('<div class="answer">')[2].partition("</div>")[0]
    assert said in answer


@pytest.mark.parametrize("limit", ["47.321", "161.7", "9999.5"])
def test_a_piece_that_held_is_a_number_nowhere(bench: TestClient, limit: str) -> None:
    """Page, sheet and CSV: where only held pieces are, their limit is said as at least, no more."""
    gauge = {"name": "Odd gauge", "limit": limit, "unit": "N"}
    bench.post("/breaks/gauges", data=gauge)
    held = {**TEST, "gauge": "2", "load": "", "outcome": "no_break_at_the_limit"}
    for number in range(3):
        bench.post("/breaks", data={**held, "piece": f"amber {number}"})
    page = html.unescape(bench.get("/breaks").text)
    answer = page.partition('<div class="answer">')[2].partition("</div>")[0]
    assert "cannot say; 3 of 3 held the gauge's limit" in answer
    assert "at least" in page
    assert not re.search(r"broke at \d|break below", page)
    for line in csv.DictReader(io.StringIO(bench.get("/api/resin-sheet.csv").text)):
        assert (line["load_n"], line["load_n_low"], line["load_n_high"]) == ("", "", "")
    for test in bench.get("/api/breaks").json()["breaks"]:
        assert (test["load"], test["load_n"], test["stress_mpa"]) == (None, None, None)
    (group,) = bench.get("/api/breaks/groups?fixture=1").json()["groups"]
    assert (group["median"], group["interval"], group["modulus"]) == (None, None, None)


# ---- where a piece comes from ----------------------------------------------------------------


def selected(page: str, name: str) -> str:
    """The choice that a list of the page shows."""
    found = re.search(rf'<select id="{name}".*?</select>', page, re.S)
    assert found, name
    chosen = re.search(r'<option value="([^"]*)" selected>', found[0])
    return html.unescape(chosen[1]) if chosen else ""


def test_a_print_brings_the_resin_and_the_cure_of_its_pieces(
    filled: Workshop, bench: TestClient
) -> None:
    plate = filled.record.prints.get(38)
    cure = {"start": plate.entry.end, "minutes": 30}
    noted = Print.model_validate({**plate.entry.model_dump(), "afterwork": {"cure": cure}})
    filled.record.prints.change(38, noted)
    form = bench.get("/breaks").text
    assert "print 38: Lamp collar 1" in form
    # The form came with the first resin of the list; nobody touched it.
    sent = TEST | {"origin": "38:Lamp collar 1", "resin": field(form, "resin_was")}
    page = bench.post("/breaks", data=sent | {"resin_was": field(form, "resin_was")}).text
    (kept,) = filled.record.breaks.all()
    assert (kept.entry.print, kept.entry.part) == (38, "Lamp collar 1")
    assert kept.entry.resin == plate.entry.resin
    assert kept.entry.cured is None
    assert plate.entry.end is not None
    days = (workshops.NOW - plate.entry.end - timedelta(minutes=30)) / timedelta(days=1)
    assert f"{days:.1f} days after its cure" in page
    assert "print 38: Lamp collar 1, broken already" in page
    # The next piece is the next part of that plate.
    assert selected(page, "origin") == "38:Lamp collar 2"
    own = bench.get(f"/breaks/{kept.id}").text
    assert '<a href="/prints/38">print 38: Lamp collar 1</a>' in own
    assert "by its print" in own


def test_from_the_page_of_a_print_the_bench_is_filled_in(
    filled: Workshop, bench: TestClient
) -> None:
    assert 'href="/breaks?print=2"' in bench.get("/prints/2").text
    page = bench.get("/breaks?print=2").text
    for number in range(1, 5):
        part = f"Lamp collar {number}"
        assert (field(page, "piece"), selected(page, "origin")) == (part, f"2:{part}")
        sent = TEST | {"piece": part, "origin": f"2:{part}", "resin": field(page, "resin_was")}
        page = bench.post("/breaks", data=sent | {"resin_was": field(page, "resin_was")}).text
    assert selected(page, "origin") == ""
    tested = bench.get("/prints/2").text
    assert tested.count("broke at 123 N") == 4
    assert bench.get("/breaks?print=2").status_code == 200
    again = bench.post("/breaks", data=sent | {"key": "other"})
    assert (again.status_code, "breaks but once" in again.text) == (409, True)


def test_a_part_needs_no_other_name(filled: Workshop, bench: TestClient) -> None:
    bench.post("/breaks", data=TEST | {"piece": "", "origin": "2:Lamp collar 3"})
    assert filled.record.breaks.get(1).entry.piece == "Lamp collar 3"
    # One without a number in its name is not followed by another of the same name.
    page = bench.post("/breaks", data=TEST | {"piece": "tall", "origin": "2:Lamp collar 1"}).text
    assert (field(page, "piece"), selected(page, "origin")) == ("Lamp collar 2", "2:Lamp collar 2")


def test_the_list_goes_on_to_the_first_test(
    filled: Workshop, bench: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(breaks, "LISTED_N", 2)
    for number in range(5):
        tested = f"2026-01-14T0{number}:00"
        bench.post("/breaks", data=TEST | {"piece": f"bar {number}", "tested": tested})
    seen: list[str] = []
    address = "/breaks"
    for _ in range(3):
        page = bench.get(address).text
        seen += re.findall(r'href="/breaks/\d+">([^<]*)</a>', page.partition('id="tests"')[2])
        older = re.search(r'href="(/breaks\?before=[^"#]*)', page)
        address = older[1] if older else ""
    assert seen == [f"bar {number}" for number in (4, 3, 2, 1, 0)]
    assert not address
    assert bench.get("/breaks?before=rubbish").status_code == 422


def test_the_next_specimen_of_a_run_is_offered(filled: Workshop, bench: TestClient) -> None:
    tested = {"tested": "2026-01-14T23:00", "piece": "x", "resin": "1", "soak": "1:grey 1"}
    assert "Collars, first run: grey 1" in bench.get("/breaks").text
    page = bench.post("/breaks", data=TEST | tested)
    assert filled.record.breaks.all()[0].entry.soaked[0].specimen == "grey 1"
    assert selected(page.text, "soak") == "1:amber 1"


# ---- one test on its own page ----------------------------------------------------------------


def test_a_test_is_corrected_and_what_stood_before_is_kept(
    filled: Workshop, bench: TestClient
) -> None:
    bench.post("/breaks", data=TEST | {"note": "clean", "tested": "2026-01-14T10:00"})
    before = filled.record.breaks.get(1).entry
    sent = TEST | {"load": "15", "revision": "1", "tested": "2026-01-14T10:00", "note": "clean"}
    page = html.unescape(bench.post("/breaks/1", data=sent).text)
    assert filled.record.breaks.get(1).entry == before.model_copy(
        update={"load": Load(value=15, unit=LoadUnit.KILOGRAM_FORCE)}
    )
    assert "What it bore: <del>broke at 12.5 kgf</del> became <ins>broke at 15 kgf</ins>" in page
    bench.post("/breaks/1/undo", data={"revision": "2"})
    assert filled.record.breaks.get(1).entry == before
    assert len(filled.record.breaks.revisions(1)) == 2
    wrong = bench.post("/breaks/1", data=sent | {"revision": "3", "load": "hard"})
    assert wrong.status_code == 422
    assert 'value="hard"' in wrong.text
    assert filled.record.breaks.get(1).entry == before


def test_what_only_the_api_tells_of_a_test_outlives_a_correction(
    filled: Workshop, bench: TestClient
) -> None:
    record = filled.record
    bottle = record.bottles.add(Bottle(resin=2, lot="26-014")).id
    second = record.soaks.add(workshops.short_run(workshops.NOW - timedelta(hours=3))).id
    bench.post("/breaks", data=TEST | {"soak": "1", "tested": "2026-01-15T00:00"})
    entry = record.breaks.get(1).entry
    runs = (*entry.soaked, SoakedAs(soak=second, specimen="amber 1"))
    stood = record.breaks.change(
        1, entry.model_copy(update={"bottle": bottle, "soaked": runs, "tested": workshops.NOW})
    )
    texts = entered(stood.entry) | {"revision": str(stood.revision), "note": "clean"}
    bench.post("/breaks/1", data=texts)
    assert record.breaks.get(1).entry == stood.entry.model_copy(update={"note": "clean"})


def test_a_test_is_taken_out_of_the_sums_and_brought_back(
    filled: Workshop, bench: TestClient
) -> None:
    page = bench.post("/breaks", data=TEST).text
    assert "amber 1, broke at 12.5 kgf" in page
    assert 'action="/breaks/1/undo"' in page
    gone = bench.post("/breaks/1/delete", data={"revision": "1"}).text
    assert "Off the record" in gone
    assert "No piece has been tested yet" in gone
    assert filled.record.breaks.all() == []
    # What it was held in can go meanwhile: the page of what was done still answers.
    bench.post("/shelf/fixtures/1/delete", data={"revision": "1"})
    assert "amber 1, broke at 12.5 kgf" in bench.get("/breaks?gone=1").text
    refused = bench.post("/breaks/1/undo", data={"revision": "1"})
    assert (refused.status_code, "no fixture 1" in refused.text) == (422, True)
    bench.post("/shelf/fixtures/1/undo", data={"revision": "1"})
    back = bench.post("/breaks/1/undo", data={"revision": "1"})
    assert "What stood before is back" in back.text
    assert "it was off the record for a while" in back.text
    assert [kept.entry.piece for kept in filled.record.breaks.all()] == ["amber 1"]
    # An old page does not take out what was changed since.
    late = bench.post("/breaks/1/delete", data={"revision": "1"})
    assert (late.status_code, "Nothing was overwritten" in late.text) == (409, True)


def test_two_at_one_test_and_nothing_is_overwritten(filled: Workshop, bench: TestClient) -> None:
    bench.post("/breaks", data=TEST | {"tested": "2026-01-14T10:00"})
    mine = TEST | {"revision": "1", "tested": "2026-01-14T10:00"}
    bench.post("/breaks/1", data=mine | {"load": "14"})
    clash = bench.post("/breaks/1", data=mine | {"note": "slipped a little"})
    assert clash.status_code == 409
    assert "Somebody else changed this test" in clash.text
    assert filled.record.breaks.get(1).entry.note == ""
    # Mine where I touched it, theirs elsewhere; sent again it goes through.
    assert field(clash.text, "load") == "14"
    assert field(clash.text, "note") == "slipped a little"
    again = mine | {"load": "14", "note": "slipped a little", "revision": "2"}
    bench.post("/breaks/1", data=again)
    entry = filled.record.breaks.get(1).entry
    assert entry.load is not None
    assert (entry.load.value, entry.note) == (14, "slipped a little")


def test_the_form_of_a_print_says_what_follows_from_another_resin(
    filled: Workshop, bench: TestClient
) -> None:
    sent = TEST | {"origin": "2:Lamp collar 1"}
    assert "names this print" not in bench.get("/prints/2/correct").text
    bench.post("/breaks", data=sent)
    form = html.unescape(bench.get("/prints/2/correct").text)
    assert "1 break test names this print. Another resin here becomes theirs too" in form
    plate = filled.record.prints.get(2)
    texts = print_form.entered(plate.entry) | {"revision": "1", "resin": "1"}
    bench.post("/prints/2", data=texts)
    assert filled.record.breaks.get(1).entry.resin == 1
    assert "Resin: <del>Kiln Amber</del> became <ins>Harbour Grey</ins>" in (
        bench.get("/breaks/1").text
    )


def test_junk_in_any_field_of_the_bench_is_answered_in_words(
    filled: Workshop, bench: TestClient
) -> None:
    bench.post("/breaks", data=TEST | {"origin": "2:Lamp collar 1"})
    stood = filled.record.breaks.get(1)
    chance = random.Random(7)
    junk = (*JUNK, "2:", ":x", "2:Lamp collar 1:x", "99999999999999999999:x", "1e3")
    for address in ("/breaks", "/breaks/1"):
        for name in (*FIELDS, "revision", "key"):
            sent = TEST | {"revision": "1", "load": "-", name: chance.choice(junk)}
            answer = bench.post(address, data=sent)
            assert answer.status_code in (409, 422), f"{address} {sent}"
    for what in ("delete", "undo"):
        assert bench.post(f"/breaks/1/{what}", data={"revision": "x"}).status_code == 422
    for query in ("after=99", "gone=99", "print=99", "before=x", "after=0", "gone=x"):
        assert bench.get(f"/breaks?{query}").status_code in (200, 404, 422), query
    assert filled.record.breaks.all() == [stood]


def test_a_length_of_the_fixture_is_corrected_on_the_shelf(
    filled: Workshop, bench: TestClient
) -> None:
    bench.post("/breaks", data=TEST)
    assert "Flat bars" in bench.get("/shelf").text
    span = FIXTURE | {"span_mm": "32", "revision": "1"}
    bench.post("/shelf/fixtures/1", data=span)
    # 3 F L / (2 b h^2) of 122.583 N over 32 mm on 10 x 4 mm: 36.8 MPa.
    assert "36.8 MPa" in bench.get("/breaks").text
    used = bench.post("/shelf/fixtures/1/delete", data={"revision": "2"})
    assert "in use (break tests: 1)" in used.text
    weak = bench.post("/shelf/gauges/1", data=GAUGE | {"limit": "10", "revision": "1"})
    assert (weak.status_code, "break test 1 read 12.5 kgf" in weak.text.lower()) == (409, True)
    assert 'value="10"' in weak.text


@pytest.mark.parametrize(
    ("path", "sent", "lost"),
    [
        ("fixtures", FIXTURE | {"span_mm": "wide"}, "Flat bars"),
        ("gauges", GAUGE | {"limit": "strong"}, "Hand gauge"),
    ],
)
def test_a_slip_in_a_small_form_loses_nothing(
    client: TestClient, path: str, sent: dict[str, str], lost: str
) -> None:
    answer = client.post(f"/breaks/{path}", data=sent)
    assert answer.status_code == 422
    assert f'value="{lost}"' in answer.text
    assert "is not a number" in answer.text
