"""Runs found in the power wait on the Prints page until somebody says what came of them."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from api.answers import Workshop
from api.prints import Outcome, Print
from api.record import Kept, PrintFilter
from tests.dashboards import workshops

HOUR = timedelta(hours=1)
SOUTH = 2

#: South printed in the night before ``workshops.NOW``, and nobody wrote it down.
START = workshops.NOW - 18 * HOUR + timedelta(minutes=4)
END = workshops.NOW - 10 * HOUR - timedelta(minutes=19)


@pytest.fixture
def night(filled: Workshop) -> Workshop:
    """The night; South's running print is over, so that it stands free."""
    workshops.run_in_the_power(filled)
    for kept in filled.record.prints.running():
        filled.record.prints.delete(kept.id)
    seen = filled.record.prints.get(41).entry
    older = {"machine": SOUTH, "start": START - 5 * HOUR, "end": START - 1 * HOUR}
    filled.record.prints.add(seen.model_copy(update=older))
    return filled


def newest(workshop: Workshop) -> Kept[Print]:
    """South's newest print."""
    return workshop.record.prints.newest(1, only=PrintFilter(machine=SOUTH))[0]


def name_of(page: str) -> str:
    found = re.search(r'action="/prints/found/([0-9]+-[0-9]+)"', page)
    assert found is not None
    return found[1]


def test_a_found_run_asks_what_came_of_it(night: Workshop, client: TestClient) -> None:
    page = client.get("/prints").text
    # Half-way between the last reading at rest and the first one at work, as at the end.
    assert "last night, 21:03 to 04:40" in re.sub(r"\s+", " ", page)
    assert "what came of it?" in page
    assert "Counted like the print before it: Harbour Grey" in page
    assert "lies in a gap" not in page


def test_one_tap_says_what_came_of_it_and_another_takes_it_back(
    night: Workshop, client: TestClient
) -> None:
    name = name_of(client.get("/prints").text)
    answer = client.post(f"/prints/found/{name}", data={"outcome": "failed"})
    assert "<strong>Noted:</strong> South" in answer.text
    kept = newest(night)
    assert (kept.entry.machine, kept.entry.outcome) == (SOUTH, Outcome.FAILED)
    assert abs(kept.entry.start - START) <= timedelta(minutes=1)
    assert kept.entry.parts[0].name == "Lamp collar 1"
    assert 'id="found"' not in answer.text
    back = client.post(f"/prints/{kept.id}/undo", data={"revision": "1", "from": "list"})
    assert "Off the log" in back.text
    assert name_of(back.text) == name


def test_some_failed_leads_to_its_parts(night: Workshop, client: TestClient) -> None:
    name = name_of(client.get("/prints").text)
    answer = client.post(f"/prints/found/{name}", data={"outcome": "some"})
    assert answer.url.path == f"/prints/{newest(night).id}/outcome"
    again = client.post(f"/prints/found/{name}", data={"outcome": "some"})
    assert again.url.path == answer.url.path


def test_no_print_is_kept_as_that_and_can_be_taken_back(
    night: Workshop, client: TestClient
) -> None:
    name = name_of(client.get("/prints").text)
    answer = client.post(f"/prints/found/{name}/dismiss")
    assert "<strong>No print:</strong> South" in answer.text
    assert 'id="found"' not in answer.text
    assert len(night.record.dismissals.all()) == 1
    assert "It was one" in client.get("/prints/found").text
    client.post("/prints/found/dismissed/1/undo", data={"revision": "1"})
    assert night.record.dismissals.all() == []
    assert name_of(client.get("/prints").text) == name


def test_another_resin_or_plate_goes_by_the_form(night: Workshop, client: TestClient) -> None:
    name = name_of(client.get("/prints").text)
    page = client.get(f"/prints/new?found={name}").text
    assert "Its machine and times come from there" in page
    assert 'name="start"' not in page
    form = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', page))
    form |= {"resin": "3", "parts": "Housing", "cut_short": "", "note": "Willow for once"}
    answer = client.post("/prints", data=form)
    kept = newest(night)
    assert answer.url.path == f"/prints/{kept.id}"
    assert (kept.entry.resin, kept.entry.note) == (3, "Willow for once")
    assert client.post("/prints", data=form).url.path == f"/prints/{kept.id}"


def test_a_gap_at_its_start_pauses_and_a_cut_are_said(filled: Workshop, client: TestClient) -> None:
    for kept in filled.record.prints.running():
        filled.record.prints.delete(kept.id)
    pause = (START + 2 * HOUR, START + 2 * HOUR + timedelta(minutes=9))
    runs = [(START, pause[0]), (pause[1], END)]
    gap = (START - HOUR, START + timedelta(minutes=5))
    workshops.run_in_the_power(filled, runs=runs, gaps=[gap], off_from=END)
    page = client.get("/prints").text
    assert "Its start lies in a gap in the record" in page
    assert "It paused at" in page
    assert "for 9 min" in page
    assert "Cut short" in page
    assert "Put it on record</a>" in page


def test_several_wait_newest_first_and_a_running_one_is_no_verdict_yet(
    filled: Workshop, client: TestClient
) -> None:
    filled.record.prints.delete(42)
    latest = (workshops.NOW - HOUR, workshops.NOW)
    nights = [(START, START + 3 * HOUR), (END - HOUR, END), latest]
    workshops.run_in_the_power(filled, runs=nights)
    page = client.get("/prints").text
    section = page[page.index('id="found"') :]
    assert section.count("Found in the power") == 3
    assert section.index("runs since today") < section.index("ran last night")
    assert section.count("Not a print") == 2
