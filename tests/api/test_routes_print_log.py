"""Bottles, plates, warnings, costs, phases and plans over HTTP."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.routes.phases_shape import PLAN
from api.routes.shapes import BOTTLE, PLATE, PRINT, RESIN


@pytest.mark.parametrize(
    ("kind", "body", "correction"),
    [("bottles", BOTTLE, {"mixed": None}), ("plates", PLATE, {"resin_ml": 40})],
)
def test_bottles_and_plates_are_kept_like_everything_else(
    client: TestClient, kind: str, body: dict[str, object], correction: dict[str, object]
) -> None:
    key = {"Idempotency-Key": f"one-{kind}"}
    made = client.post(f"/api/{kind}", json=body, headers=key)
    assert made.status_code == 201
    address = made.headers["Location"]
    assert client.post(f"/api/{kind}", json=body, headers=key).headers["Location"] == address
    assert [one["id"] for one in client.get(f"/api/{kind}").json()] == [1]
    shown = client.get(address)
    assert {name: shown.json()[name] for name in body} == body | {
        name: shown.json()[name] for name in body if isinstance(body[name], list)
    }
    tag = {"If-Match": shown.headers["ETag"]}
    assert client.patch(address, json=correction, headers=tag).json()["revision"] == 2
    late = client.patch(address, json={"note": "mine"}, headers=tag)
    assert late.status_code == 409
    assert client.get(address).json()["note"] == ""
    assert client.delete(address, headers=tag).status_code == 409
    assert client.delete(address).status_code == 204
    assert [r["change"] for r in client.get(f"{address}/revisions").json()] == [
        "corrected",
        "deleted",
    ]


def test_bottles_are_listed_by_resin_and_whether_empty(client: TestClient) -> None:
    client.post("/api/bottles", json={"resin": 1, "emptied": "2026-01-01T00:00:00Z"})
    client.post("/api/bottles", json={"resin": 2})
    listed: Any = lambda query: [one["id"] for one in client.get(f"/api/bottles?{query}").json()]  # noqa: E731
    assert listed("resin=2") == [2]
    assert listed("emptied=true") == [1]
    assert listed("emptied=false&resin=1") == []


def test_unusual_settings_are_warned_of_and_never_refused(client: TestClient) -> None:
    body = {**PRINT, "settings": {"normal_exposure_s": 14, "bottom_layer_count": 1}}
    made = client.post("/api/prints", json=body)
    assert made.status_code == 201
    fields = [one["field"] for one in made.json()["warnings"]]
    assert fields == ["settings.normal_exposure_s", "settings.bottom_layer_count"]
    address = made.headers["Location"]
    assert client.get(address).json()["warnings"] == made.json()["warnings"]
    assert client.get("/api/prints").json()["prints"][0]["warnings"] == made.json()["warnings"]
    # The resin's own printed range goes first.
    guidance = {"guidance": {"normal_exposure_s": {"low": 12, "high": 16}}}
    assert client.patch("/api/resins/1", json=guidance).status_code == 200
    assert [w["field"] for w in client.get(address).json()["warnings"]] == fields[1:]
    patched = client.patch(address, json={"settings": {"normal_exposure_s": 5}}).json()
    assert patched["warnings"][0]["source"] == "printed_on_the_resin"
    assert patched["warnings"][0]["sentence"] == (
        "A normal exposure of 5 s is below the resin's printed 12 to 16 s."
    )


def test_what_a_print_cost_by_its_bottle_and_its_resin(client: TestClient) -> None:
    resin = client.post("/api/resins", json={**RESIN, "name": "Kiln Amber"}).json()["id"]
    body = {**PRINT, "resin": resin, "resin_used_ml": 42}
    cost = client.post("/api/prints", json=body).json()["cost"]
    assert cost["resin"] == pytest.approx(42 * 1.12 * 32.5 / 1_000)
    assert cost["missing"] == [
        "afterwork.wash.fluid_used_ml",
        "afterwork.wash.fluid_price_per_l",
    ]
    bottle = client.post("/api/bottles", json={"resin": resin, "price_per_kg": 20}).json()["id"]
    cheaper = client.post("/api/prints", json={**body, "bottle": bottle}).json()["cost"]
    assert cheaper["resin"] == pytest.approx(42 * 1.12 * 20 / 1_000)
    # A wash that was not noted is not known to have been free.
    assert cheaper["total"] is None
    wash = {"wash": {"fluid_used_ml": 100, "fluid_price_per_l": 6}}
    whole = client.post("/api/prints", json={**body, "afterwork": wash}).json()["cost"]
    assert whole["total"] == pytest.approx(42 * 1.12 * 32.5 / 1_000 + 0.6)


def test_phases_and_plan_of_a_print(client: TestClient) -> None:
    body = {**PRINT, "end": "2026-01-15T00:00:00Z", "settings": PLAN["settings"]}
    address = client.post("/api/prints", json=body).headers["Location"]
    phases = client.get(f"{address}/phases").json()
    # By hand: 6 x 32 + 994 x 2.5 = 2,677; 16,200 s leave 13.523 s between, 0.523 s of overhead.
    assert phases["between_from"] == "duration"
    assert phases["overhead_s"] == pytest.approx(0.523)
    assert phases["first_layers"]["length_s"] == pytest.approx(6 * (32 + 13.523), abs=1e-5)
    assert (phases["transition"], phases["fit"]) == (None, "fits")
    planned = client.post("/api/prints/plan", json=PLAN).json()
    assert planned["planned_s"] == pytest.approx(15_677)
    assert planned["corrected_s"] == pytest.approx(16_200)
    assert planned["finish"] == "2026-01-15T00:00:00Z"
    assert planned["history_n"] == 1
    bare = client.post("/api/prints/plan", json={"machine": 1, "settings": {"layer_count": 9}})
    assert bare.status_code == 422
    assert bare.json()["where"] == "settings.normal_exposure_s"
    assert client.post("/api/prints/plan", json={**PLAN, "machine": 9}).status_code == 404
    never = client.post("/api/prints/plan", json={**PLAN, "start": "9999-12-31T23:59:00Z"})
    assert (never.status_code, never.json()["where"]) == (422, "start")
    crawl = {"retract_speed_mm_min": 5e-324}
    assert client.post("/api/prints/plan", json={**PLAN, "settings": crawl}).status_code == 422


def test_prints_are_listed_by_bottle_plate_and_failure_mode(client: TestClient) -> None:
    bottle = client.post("/api/bottles", json=BOTTLE).json()["id"]
    plate = client.post("/api/plates", json=PLATE).json()["id"]
    client.post("/api/prints", json={**PRINT, "bottle": bottle, "plate": plate})
    for query, count in (
        (f"bottle={bottle}", 1),
        (f"plate={plate}", 1),
        ("mode=not_stuck_to_plate", 1),
        ("mode=warped", 0),
        ("bottle=7", 0),
    ):
        assert client.get(f"/api/prints?{query}").json()["count"] == count, query
