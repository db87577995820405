"""The break bench without script: a row of pieces, and what is said of groups of them."""

from __future__ import annotations

import csv
import html
import io
import re

import pytest
from PIL import Image
from starlette.testclient import TestClient

from api.answers import Workshop
from api.record import BreakOutcome
from dashboards.break_form import next_piece
from tests.dashboards import workshops

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
        ({"piece": ""}, "at least 1 character"),
        ({"fixture": "9"}, "9"),
        ({"soak": "1", "specimen": "nobody"}, "nobody"),
        ({"cured": "2026-02-01T10:00"}, "before its cure ended"),
    ],
)
def test_a_slip_is_told_and_nothing_typed_is_lost(
    filled: Workshop, bench: TestClient, change: dict[str, str], said: str
) -> None:
    answer = bench.post("/breaks", data=TEST | change)
    assert answer.status_code in (409, 422)
    assert said in html.unescape(answer.text)
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
