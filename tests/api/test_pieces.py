"""A piece is one piece everywhere: print, break test and soak specimen tell of the same resin."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.routes.shapes import BREAK, FIXTURE, GAUGE, PRINT, SOAK

GREY, WILLOW = 1, 2


@pytest.fixture
def bench(client: TestClient) -> TestClient:
    """Print 1 and a soak run with specimens A and B, all of Harbour Grey, and an empty bench."""
    for path, body in (
        ("fixtures", FIXTURE),
        ("gauges", GAUGE),
        ("prints", PRINT),
        ("soaks", SOAK | {"specimens": [{"name": n, "resin": GREY} for n in ("A", "B", "C")]}),
    ):
        assert client.post(f"/api/{path}", json=body).status_code == 201
    return client


def broken(client: TestClient, **changes: object) -> str:
    answer = client.post("/api/breaks", json={**BREAK, "bottle": None, **changes})
    assert answer.status_code == 201, answer.text
    return answer.headers["Location"]


def resins(workshop: Workshop) -> dict[str, list[int | None]]:
    """The resin of every print, specimen and test."""
    record = workshop.record
    return {
        "prints": [kept.entry.resin for kept in record.prints.all()],
        "specimens": [one.resin for kept in record.soaks.all() for one in kept.entry.specimens],
        "tests": [kept.entry.resin for kept in record.breaks.all()],
    }


def test_another_resin_of_a_print_is_that_of_its_pieces_and_undo_takes_it_all_back(
    workshop: Workshop, bench: TestClient
) -> None:
    soaked = [{"soak": 1, "specimen": "A"}]
    broken(bench, print=1, part="lamp collar 1", soaked=soaked)
    broken(bench, print=1)
    broken(bench, piece="the rest of A", soaked=soaked)
    broken(bench, piece="bar")
    before = resins(workshop)
    assert bench.patch("/api/prints/1", json={"resin": WILLOW}).status_code == 200
    assert resins(workshop) == {
        "prints": [WILLOW],
        "specimens": [WILLOW, GREY, GREY],
        "tests": [WILLOW, WILLOW, WILLOW, GREY],
    }
    revisions = bench.get("/api/breaks/1/revisions").json()
    assert [(one["change"], one["before"]["resin"]) for one in revisions] == [("corrected", GREY)]
    workshop.record.prints.undo(1)
    assert resins(workshop) == before


def test_another_resin_of_a_specimen_is_that_of_what_was_broken_after_the_run(
    workshop: Workshop, bench: TestClient
) -> None:
    broken(bench, soaked=[{"soak": 1, "specimen": "A"}])
    broken(bench, print=1, soaked=[{"soak": 1, "specimen": "B"}])

    def with_resins(*numbers: int) -> Any:
        specimens = [{"name": n, "resin": r} for n, r in zip("ABC", numbers, strict=True)]
        return bench.patch("/api/soaks/1", json={"specimens": specimens})

    assert with_resins(WILLOW, GREY, WILLOW).status_code == 200
    assert resins(workshop)["tests"] == [WILLOW, GREY]
    # What hangs on a print is corrected there; nothing is half done.
    before = resins(workshop)
    refused = with_resins(GREY, WILLOW, GREY)
    assert refused.status_code == 409
    assert "break test 2 ties specimen B to print 1" in refused.json()["detail"]
    assert "Correct the resin of print 1" in refused.text
    assert resins(workshop) == before
    assert bench.patch("/api/prints/1", json={"resin": WILLOW}).status_code == 200
    assert resins(workshop) == {
        "prints": [WILLOW],
        "specimens": [WILLOW, WILLOW, WILLOW],
        "tests": [WILLOW, WILLOW],
    }


def test_two_prints_of_one_specimen_are_not_torn_apart(
    workshop: Workshop, bench: TestClient
) -> None:
    """Two tests say that specimen A came from two prints: one cannot be corrected alone."""
    bench.post("/api/prints", json=PRINT)
    for number in (1, 2):
        broken(bench, print=number, soaked=[{"soak": 1, "specimen": "A"}])
    before = resins(workshop)
    refused = bench.patch("/api/prints/1", json={"resin": WILLOW})
    assert refused.status_code == 409
    assert "break test 2 ties print 1 to print 2" in refused.json()["detail"]
    assert resins(workshop) == before
    assert workshop.record.prints.get(1).revision == 1


def test_a_renamed_part_is_followed_and_one_that_broke_cannot_go(
    workshop: Workshop, bench: TestClient
) -> None:
    broken(bench, print=1, part="lamp collar 1")
    parts = workshop.record.prints.get(1).entry.model_dump(mode="json")["parts"]
    assert len(parts) > 1
    gone = bench.patch("/api/prints/1", json={"parts": parts[1:]})
    assert gone.status_code == 409
    assert "break test 1 is of lamp collar 1" in gone.json()["detail"].lower()
    # Moved up by one with a new one at the end is no renaming.
    moved = bench.patch("/api/prints/1", json={"parts": [*parts[1:], {"name": "lid"}]})
    assert moved.status_code == 409
    renamed = [{**parts[0], "name": "tall collar"}, *parts[1:]]
    assert bench.patch("/api/prints/1", json={"parts": renamed}).status_code == 200
    assert workshop.record.breaks.get(1).entry.part == "tall collar"


def test_a_piece_was_not_tested_before_its_print_started(bench: TestClient) -> None:
    early = {**BREAK, "bottle": None, "print": 1, "cured": None, "tested": "2026-01-01T10:00:00Z"}
    refused = bench.post("/api/breaks", json=early)
    assert (refused.status_code, refused.json()["where"]) == (422, "tested")
    assert "before print 1 started" in refused.json()["detail"]
