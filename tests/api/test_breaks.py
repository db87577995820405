"""Break tests over HTTP and on record: loads, pieces that held, where a piece comes from."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from hypothesis import given, settings
from hypothesis import strategies as st

from api.answers import Workshop
from api.break_answers import break_rows
from api.prints import Part, Print
from api.record import BreakTest, Load
from api.routes.shapes import BREAK, FIXTURE, GAUGE, PRINT, SOAK
from api.soak.program import Program, SoakRun, Specimen, Step
from api.strength import LoadUnit
from collector.errors import ConflictError
from collector.readings import Reading, ms_of
from collector.store.contract import Arrival

NOW = datetime(2026, 2, 1, 12, 0, tzinfo=UTC)
HELD = {"outcome": "no_break_at_the_limit", "load": None}


@pytest.fixture
def bench(client: TestClient) -> TestClient:
    """A bench with a 64 mm fixture and a gauge to 50 kgf."""
    assert client.post("/api/fixtures", json=FIXTURE).status_code == 201
    assert client.post("/api/gauges", json=GAUGE).status_code == 201
    return client


def post(client: TestClient, **changes: object) -> Any:
    return client.post("/api/breaks", json={**BREAK, **changes})


@pytest.mark.parametrize(
    ("kind", "body", "correction"),
    [
        ("fixtures", FIXTURE, {"span_mm": 80}),
        ("gauges", GAUGE, {"limit": {"value": 500, "unit": "N"}}),
        ("breaks", BREAK, {"note": "clean break", "bottle": None}),
    ],
)
def test_everything_is_kept_like_everything_else(
    bench: TestClient, kind: str, body: dict[str, object], correction: dict[str, object]
) -> None:
    mine = {**body, "name": "Another"} if "name" in body else body
    key = {"Idempotency-Key": f"one-{kind}"}
    made = bench.post(f"/api/{kind}", json=mine, headers=key)
    assert made.status_code == 201
    address = made.headers["Location"]
    assert bench.post(f"/api/{kind}", json=mine, headers=key).headers["Location"] == address
    shown = bench.get(address)
    assert shown.headers["ETag"] == '"1"'
    tag = {"If-Match": '"1"'}
    assert bench.patch(address, json=correction, headers=tag).json()["revision"] == 2
    late = bench.patch(address, json={"note": "mine"}, headers=tag)
    assert late.status_code == 409
    assert bench.delete(address, headers=tag).status_code == 409
    assert bench.delete(address).status_code == 204
    changes = [r["change"] for r in bench.get(f"{address}/revisions").json()]
    assert changes == ["corrected", "deleted"]
    assert bench.get(address).status_code == 404


def test_a_break_is_told_in_newtons_with_its_stress_and_age(bench: TestClient) -> None:
    told = post(bench).json()
    assert told["load_n"] == pytest.approx(12.4 * 9.80665, rel=1e-15)
    assert told["limit_n"] == pytest.approx(490.3325)
    # 3FL/(2bh²), ISO 178: 121.60246 N, L 64, b 10, h 4 mm.
    assert told["stress_mpa"] == pytest.approx(3 * 121.60246 * 64 / (2 * 10 * 16))
    assert told["age_days"] == pytest.approx(5 + (13 * 60 + 55) / 1_440)
    assert (told["said"], told["stress_note"], told["soakings"]) == ("broke at 122 N", "", [])


@pytest.mark.parametrize(
    ("lengths", "force_n", "stress_mpa"),
    [
        # F = 2 stress b h² / (3 L) with the stresses of ISO 75-2 and ASTM D648.
        ((64, 10, 4), 3.0000, 1.80),
        ((64, 10, 4), 0.7500, 0.45),
        ((64, 10, 4), 13.3333, 8.00),
        ((100, 12.7, 3.2), 1.5779, 1.82),
        # 3FL/(2bh²), solved flexural-strength problem (Callister): 64.08 MPa.
        ((44, 11, 5.3), 300, 64.0797),
    ],
)
def test_published_stresses_through_the_api(
    bench: TestClient, lengths: tuple[float, float, float], force_n: float, stress_mpa: float
) -> None:
    span, width, thickness = lengths
    body = {**FIXTURE, "name": "Other bars", "span_mm": span}
    fixture = bench.post("/api/fixtures", json=body).json()["id"]
    told = post(
        bench,
        fixture=fixture,
        load={"value": force_n, "unit": "N"},
        width_mm=width,
        thickness_mm=thickness,
    ).json()
    assert told["stress_mpa"] == pytest.approx(stress_mpa, abs=1e-4, rel=2e-5)


def test_a_short_span_is_noted_and_no_length_means_no_stress(bench: TestClient) -> None:
    assert post(bench, thickness_mm=9).json()["stress_note"].startswith("the span is only 7.1")
    bare = bench.post("/api/fixtures", json={"name": "Vice", "holding": "cantilever"}).json()
    told = post(bench, fixture=bare["id"]).json()
    assert (told["stress_mpa"], told["stress_note"]) == (None, "")
    squeeze = {**FIXTURE, "name": "Plates", "holding": "compression"}
    refused = bench.post("/api/fixtures", json=squeeze)
    assert "plain compression has no span" in refused.json()["detail"]
    plates = bench.post("/api/fixtures", json={**squeeze, "span_mm": None}).json()["id"]
    assert post(bench, fixture=plates).json()["stress_mpa"] == pytest.approx(121.60246 / 40)


def test_a_piece_that_held_has_no_load_and_no_stress(bench: TestClient) -> None:
    told = post(bench, **HELD).json()
    assert (told["load"], told["load_n"], told["stress_mpa"]) == (None, None, None)
    assert told["said"] == "at least 490 N: no break at the gauge's limit"
    wrong = post(bench, outcome="no_break_at_the_limit")
    assert wrong.status_code == 422
    assert "has no load" in wrong.json()["detail"]
    assert "give it, or say it did not break" in post(bench, load=None).json()["detail"]
    address = f"/api/breaks/{told['id']}"
    broke = {"outcome": "broke", "load": {"value": 490.3325}}
    assert bench.patch(address, json=broke).json()["load_n"] == 490.3325


@pytest.mark.parametrize(
    ("changes", "field", "said"),
    [
        ({"load": {"value": 51, "unit": "kgf"}}, "load", "no more than 50 kgf"),
        ({"load": {"value": 0, "unit": "N"}}, "load.value", "greater than 0"),
        ({"load": {"value": 12, "unit": "stone"}}, "load.unit", "'N', 'kgf' or 'lbf'"),
        ({"resin": 9}, "resin", "no resin 9"),
        ({"fixture": 9}, "fixture", "no fixture 9"),
        ({"gauge": 9}, "gauge", "no gauge 9"),
        ({"print": 1, "resin": 2}, "print", "print 1 is of resin 1"),
        ({"print": 1, "part": "lid"}, "part", "no part named lid"),
        ({"part": "lid"}, None, "name the print"),
        ({"bottle": 1}, "bottle", "no bottle 1"),
        ({"soaked": [{"soak": 1, "specimen": "Z"}]}, "soaked.0", "no specimen Z"),
        (
            {"resin": 2, "soaked": [{"soak": 1, "specimen": "A"}]},
            "soaked.0",
            "A is of resin 1",
        ),
        (
            {"soaked": [{"soak": 1, "specimen": "A"}], "tested": "2026-01-14T19:00:00Z"}
            | {"cured": None},
            "tested",
            "before that soak run started",
        ),
        ({"cured": "2026-01-21T00:00:00Z"}, None, "before its cure ended"),
    ],
)
def test_what_makes_no_sense_is_refused_by_its_field(
    bench: TestClient, changes: dict[str, object], field: str | None, said: str
) -> None:
    assert bench.post("/api/prints", json=PRINT).status_code == 201
    assert bench.post("/api/soaks", json=SOAK).status_code == 201
    answer = post(bench, **changes)
    assert answer.status_code == 422
    assert said in answer.json()["detail"]
    assert answer.json().get("where") in (field, f"body.{field}") or field is None
    assert bench.get("/api/breaks").json()["breaks"] == []


def test_a_part_breaks_but_once_and_may_be_tried_again_while_it_holds(bench: TestClient) -> None:
    bench.post("/api/prints", json=PRINT)
    part = {"print": 1, "part": "lamp collar 1"}
    first = post(bench, **part, **HELD)
    strong = {"name": "Press", "limit": {"value": 5_000, "unit": "N"}}
    gauge = bench.post("/api/gauges", json=strong).json()["id"]
    later = {"tested": "2026-01-20T18:00:00Z", "gauge": gauge}
    again = post(bench, **part, **later, load={"value": 800})
    assert again.status_code == 201
    third = post(bench, **part, tested="2026-01-21T18:00:00Z")
    assert third.status_code == 409
    assert "a piece breaks but once" in third.json()["detail"]
    # Its last test is the one that counts.
    found = bench.get("/api/breaks/groups?fixture=1").json()
    assert found["groups"][0]["tests"] == [again.json()["id"]]
    assert found["left_out"] == {"tested again later": 1}
    assert first.json()["load_n"] is None


def test_what_is_in_use_stays(bench: TestClient) -> None:
    bench.post("/api/prints", json=PRINT)
    bench.post("/api/soaks", json=SOAK)
    post(bench, print=1, soaked=[{"soak": 1, "specimen": "A"}])
    for path in ("resins/1", "fixtures/1", "gauges/1", "prints/1", "soaks/1"):
        refused = bench.delete(f"/api/{path}")
        assert (refused.status_code, "in use" in refused.json()["detail"]) == (409, True), path
    fewer = bench.patch("/api/soaks/1", json={"specimens": [{"name": "B", "resin": 1}]})
    assert "cannot give up specimen A" in fewer.json()["detail"]
    weaker = bench.patch("/api/gauges/1", json={"limit": {"value": 10, "unit": "kgf"}})
    assert weaker.status_code == 409
    assert "break test 1 read 12.4 kgf on this gauge" in weaker.json()["detail"]
    assert (
        "there is no break test 7 on record" in bench.get("/api/breaks/7").json()["detail"].lower()
    )


def test_pages_newest_first_and_filters(bench: TestClient) -> None:
    for day in range(1, 6):
        post(bench, tested=f"2026-01-{20 + day // 2}T17:05:00Z", resin=1 + day % 2)
    seen: list[int] = []
    query = "/api/breaks?limit=2"
    cursor = None
    while True:
        page = bench.get(query + (f"&cursor={cursor}" if cursor else "")).json()
        seen += [one["id"] for one in page["breaks"]]
        cursor = page["next"]
        if cursor is None:
            break
    assert seen == [5, 4, 3, 2, 1]
    assert [one["id"] for one in bench.get("/api/breaks?resin=2").json()["breaks"]] == [5, 3, 1]
    assert bench.get("/api/breaks?fixture=2").json()["breaks"] == []
    assert bench.get("/api/breaks?cursor=rubbish").status_code == 422


def test_groups_over_http(bench: TestClient) -> None:
    for n, load in enumerate((98, 102, 100, 96, 104)):
        post(bench, piece=f"grey {n}", load={"value": load})
        post(bench, piece=f"soft {n}", resin=2, load={"value": load / 2})
    post(bench, piece="grey 6", **HELD)
    found = bench.get("/api/breaks/groups?fixture=1").json()
    grey, soft = found["groups"]
    assert (grey["name"], grey["pieces_n"], grey["held_n"]) == ("Harbour Grey", 6, 1)
    assert soft["modulus"] > 10
    assert grey["interval"]["low"] < grey["median"] < grey["interval"]["high"]
    (ratio,) = found["ratios"]
    assert ratio["told_apart"]
    assert (ratio["first"], ratio["second"]) == ("Harbour Grey", "Willow")
    stress = bench.get("/api/breaks/groups?fixture=1&measure=stress&resin=2").json()
    assert stress["groups"][0]["median"] == pytest.approx(0.6 * soft["median"], rel=0.01)
    none = bench.get("/api/breaks/groups?fixture=1&soaked=true").json()
    assert none["sentences"] == ["No piece has been tested like that yet."]
    assert bench.get("/api/breaks/groups?fixture=7").status_code == 404


# ---- where a piece comes from ------------------------------------------------------------------

START = datetime(2026, 1, 20, 8, 0, tzinfo=UTC)


def soak_to(workshop: Workshop, minutes: int) -> SoakRun:
    """Two steps of 10 minutes at 50 and 60 °C, the chamber followed for ``minutes``."""
    steps = tuple(Step(setpoint_c=c, tolerance_k=2, dwell_min=10) for c in (50.0, 60.0))
    workshop.received.append(
        [
            Arrival(
                "oven",
                ms_of(at),
                (Reading("chamber", ms_of(at), 50.0 if n < 24 else 60.0),),
            )
            for n in range(minutes * 2)
            for at in [START + timedelta(seconds=30 * n)]
        ]
    )
    return SoakRun(
        name="Bars, two steps",
        program=Program(name="Two", steps=steps),
        chamber_channels=("chamber",),
        specimens=(Specimen(name="bar 1", resin=1), Specimen(name="bar 2", resin=1)),
        started=START,
    )


def test_the_soak_history_of_a_piece_is_read_from_the_record(
    workshop: Workshop, bench: TestClient
) -> None:
    workshop.record.soaks.add(soak_to(workshop, 40))
    tested = {"tested": "2026-01-20T09:00:00Z", "cured": "2026-01-19T09:00:00Z"}
    whole = post(bench, soaked=[{"soak": 1, "specimen": "bar 1"}], **tested).json()
    (run,) = whole["soakings"]
    assert (run["run"], run["specimen"], run["step"]) == ("Bars, two steps", "bar 1", 2)
    assert (run["setpoint_c"], run["mean_c"]) == (60, pytest.approx(60, abs=0.2))
    # One that was broken between the steps had gone through the first alone.
    early = {**tested, "tested": "2026-01-20T08:15:00Z"}
    half = post(bench, soaked=[{"soak": 1, "specimen": "bar 2"}], **early).json()
    assert half["soakings"][0]["setpoint_c"] == 50
    soon = {**tested, "tested": "2026-01-20T08:05:00Z"}
    none = post(bench, soaked=[{"soak": 1, "specimen": "bar 2"}], **soon).json()
    assert (none["soakings"][0]["step"], none["age_days"]) == (None, pytest.approx(0.96, abs=0.01))
    groups = bench.get("/api/breaks/groups?fixture=1&by=soak_history").json()["groups"]
    assert [group["name"] for group in groups] == [
        "in the chamber, through no step",
        "through 50 °C",
        "through 60 °C",
    ]


def test_a_cure_noted_with_the_print_dates_the_piece(workshop: Workshop, bench: TestClient) -> None:
    cure = {"cure": {"start": "2026-01-15T07:40:00Z", "minutes": 20}}
    bench.post("/api/prints", json={**PRINT, "afterwork": cure})
    told = post(bench, print=1, part="lamp collar 1", cured=None).json()
    assert told["age_days"] == pytest.approx(5 + (9 * 60 + 5) / 1_440)
    assert post(bench, cured=None).json()["age_days"] is None


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.one_of(
            st.none(),
            st.tuples(st.floats(0.5, 49.0), st.sampled_from(list(LoadUnit))),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_no_answer_gives_a_held_piece_a_load(
    loads: list[tuple[float, LoadUnit] | None],
) -> None:
    """Whatever is entered: exactly the pieces that broke have a load, in every answer."""
    import tempfile
    from pathlib import Path

    from api.record import Fixture, Gauge
    from tests.workshops import furnish, open_workshop

    with tempfile.TemporaryDirectory() as folder, open_workshop(Path(folder)) as workshop:
        furnish(workshop)
        workshop.record.fixtures.add(Fixture.model_validate(FIXTURE))
        workshop.record.gauges.add(Gauge.model_validate(GAUGE))
        for n, load in enumerate(loads):
            broke = {"outcome": "broke", "load": load and {"value": load[0], "unit": load[1]}}
            body = {**BREAK, "piece": f"bar {n}", **(HELD if load is None else broke)}
            workshop.record.breaks.add(BreakTest.model_validate(body))
        rows = break_rows(workshop, workshop.record.breaks.all(), NOW)
        for row, load in zip(rows, loads, strict=True):
            assert (row.load_n is None) == (row.stress is None) == (load is None)
            if load is not None:
                assert row.load_n == Load(value=load[0], unit=load[1]).newtons


def test_the_ledger_refuses_what_the_model_would(workshop: Workshop, bench: TestClient) -> None:
    record = workshop.record
    record.prints.add(Print(start=START, resin=1, machine=1, parts=(Part(name="bar"),)))
    body = BreakTest.model_validate({**BREAK, "print": 1, "part": "bar"})
    kept = record.breaks.add(body)
    with pytest.raises(ConflictError, match="breaks but once"):
        record.breaks.add(body.model_copy(update={"tested": NOW}))
    # Correcting the test itself is no second break.
    assert record.breaks.change(kept.id, body.model_copy(update={"note": "x"})).revision == 2
