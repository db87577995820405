"""The print log over HTTP: a winter's evening, two people, one connection that drops."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.routes.shapes import LOOK, MACHINE, PRINT, RESIN, SOAK

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)


def plate(**fields: object) -> dict[str, object]:
    return {"start": EVENING.isoformat(), "resin": 1, "machine": 1, **fields}


def test_a_print_is_started_ended_judged_and_its_history_kept(client: TestClient) -> None:
    begun = client.post("/api/prints", json=plate(parts=[{"name": "left"}, {"name": "right"}]))
    assert begun.status_code == 201
    address = begun.headers["Location"]
    assert (begun.headers["ETag"], begun.json()["worst_outcome"]) == ('"1"', None)

    ended = client.patch(address, json={"end": "2026-01-15T03:10:00+01:00"})
    assert ended.json()["end"] == "2026-01-15T02:10:00Z"
    judged = client.patch(
        address,
        json={
            "parts": [
                {"name": "left", "outcome": "good"},
                {"name": "right", "outcome": "failed", "modes": ["not_stuck_to_plate"]},
            ]
        },
        headers={"If-Match": ended.headers["ETag"]},
    )
    assert judged.headers["ETag"] == '"3"'
    assert judged.json() == client.get(address).json()
    assert (judged.json()["failed_share"], judged.json()["worst_outcome"]) == (0.5, "failed")

    history = client.get(f"{address}/revisions").json()
    assert [(h["revision"], h["change"], h["before"]["end"]) for h in history] == [
        (1, "corrected", None),
        (2, "corrected", "2026-01-15T02:10:00Z"),
    ]


def test_a_patch_clears_with_null_and_merges_settings(client: TestClient) -> None:
    address = client.post("/api/prints", json=PRINT).headers["Location"]
    patched = client.patch(
        address,
        json={"note": None, "settings": {"layer_height_mm": 0.1, "bottom_layer_count": None}},
        headers={"Content-Type": "application/merge-patch+json"},
    ).json()
    assert patched["note"] == ""
    assert {k: v for k, v in patched["settings"].items() if v is not None} == {
        "layer_height_mm": 0.1,
        "bottom_exposure_s": 30,
    }


def test_two_people_correct_one_print_and_the_second_is_told(client: TestClient) -> None:
    address = client.post("/api/prints", json=plate()).headers["Location"]
    first = client.patch(address, json={"note": "first"}, headers={"If-Match": '"1"'})
    second = client.patch(address, json={"note": "second"}, headers={"If-Match": '"1"'})
    assert (first.status_code, second.status_code) == (200, 409)
    assert second.headers["Content-Type"] == "application/problem+json"
    problem = second.json()
    assert (problem["type"], problem["where"]) == ("urn:vatside:conflict", "print")
    assert "Nothing was overwritten" in problem["remedy"]
    assert client.get(address).json()["note"] == "first"
    assert client.delete(address, headers={"If-Match": '"1"'}).status_code == 409
    assert client.delete(address, headers={"If-Match": '"2"'}).status_code == 204
    assert client.get(address).status_code == 404
    assert client.get(f"{address}/revisions").json()[-1]["change"] == "deleted"


def test_a_phone_that_sends_again_makes_one_print(client: TestClient) -> None:
    key = {"Idempotency-Key": "phone-7"}
    first = client.post("/api/prints", json=plate(), headers=key)
    again = client.post("/api/prints", json=plate(), headers=key)
    assert again.json() == first.json()
    assert client.get("/api/prints").json()["count"] == 1
    other = client.post("/api/prints", json=plate(note="another"), headers=key)
    assert (other.status_code, other.json()["where"]) == (409, "Idempotency-Key")


def test_the_log_is_paged_and_filtered(client: TestClient) -> None:
    for n in range(7):
        start = EVENING + timedelta(days=n)
        outcome = "failed" if n % 3 == 0 else "good"
        body = plate(
            start=start.isoformat(), resin=1 + n % 2, parts=[{"name": "p", "outcome": outcome}]
        )
        assert client.post("/api/prints", json=body).status_code == 201
    seen: list[int] = []
    query = "limit=3"
    while query:
        page = client.get(f"/api/prints?{query}").json()
        assert page["count"] == 7
        seen += [one["id"] for one in page["prints"]]
        query = page["next"] and f"limit=3&cursor={page['next']}"
    assert seen == [7, 6, 5, 4, 3, 2, 1]

    def found(**query: str | int) -> list[int]:
        return [one["id"] for one in client.get("/api/prints", params=query).json()["prints"]]

    assert found(outcome="failed") == [7, 4, 1]
    assert found(resin=2) == [6, 4, 2]
    assert found(resin=2, outcome="failed") == [4]
    assert found(machine=2) == []
    assert found(**{"from": "2026-01-16T00:00:00Z", "until": "2026-01-18T19:30:00Z"}) == [4, 3]


def test_resins_and_machines_are_kept_and_those_in_use_stay(client: TestClient) -> None:
    for address, body in (("/api/resins", RESIN), ("/api/machines", {**MACHINE, "channels": []})):
        made = client.post(address, json={**body, "name": "New"})
        assert made.status_code == 201, made.text
        where = made.headers["Location"]
        assert client.get(where).json() == made.json()
        assert client.post(address, json={"name": "NEW"}).json()["where"] == "name"
        changed = client.patch(where, json={"note": "opened in May"}, headers={"If-Match": '"1"'})
        assert changed.json()["note"] == "opened in May"
        assert len(client.get(address).json()) == 3
        assert client.get(f"{where}/revisions").json()[0]["before"]["note"] == ""
        assert client.delete(where).status_code == 204
    client.post("/api/prints", json=plate())
    refused = client.delete("/api/resins/1")
    assert (refused.status_code, refused.json()["detail"]) == (
        409,
        "resin 1 cannot be deleted: it is in use (prints: 1)",
    )
    assert client.delete("/api/machines/1").status_code == 409


def test_a_sensor_cannot_sit_on_two_machines(client: TestClient) -> None:
    link = {"channel": "vat-north", "role": "vat_temperature", "since": "2026-01-01T00:00:00Z"}
    taken = client.patch("/api/machines/2", json={"channels": [link]})
    assert (taken.status_code, taken.json()["where"]) == (409, "channels.0")
    north = client.get("/api/machines/1").json()["channels"][0]
    client.patch("/api/machines/1", json={"channels": [{**north, "until": link["since"]}]})
    assert client.patch("/api/machines/2", json={"channels": [link]}).status_code == 200


def test_a_soak_run_is_started_looked_at_and_abandoned(client: TestClient) -> None:
    begun = client.post("/api/soaks", json=SOAK)
    assert begun.status_code == 201, begun.text
    run = begun.headers["Location"]
    look = client.post(f"{run}/looks", json=LOOK, headers={"Idempotency-Key": "look-1"})
    assert look.status_code == 201
    assert client.post(f"{run}/looks", json=LOOK, headers={"Idempotency-Key": "look-1"}).json()
    assert len(client.get(f"{run}/looks").json()) == 1
    where = look.headers["Location"]
    sagged = client.patch(where, json={"finding": "sagged", "sag_mm": 0.4})
    assert sagged.json()["sag_mm"] == 0.4
    assert client.get(f"{where}/revisions").json()[0]["before"]["finding"] == "sound"
    nobody = client.post(f"{run}/looks", json={**LOOK, "specimen": "C"})
    assert (nobody.status_code, nobody.json()["where"]) == (422, "specimen")
    assert client.delete(run).status_code == 409
    ended = client.patch(
        run, json={"ended": "2026-01-14T22:10:00Z", "abandoned": "the chamber's fan stopped"}
    )
    assert ended.json()["abandoned"] == "the chamber's fan stopped"
    assert client.get(run).json() == ended.json()
    assert [one["id"] for one in client.get("/api/soaks").json()] == [1]
    assert client.delete(where).status_code == 204
    assert client.get(f"{where}/revisions").json()[-1]["change"] == "deleted"
    assert client.delete(run).status_code == 204


def test_a_look_is_found_only_in_its_own_run(client: TestClient) -> None:
    for name in ("first", "second"):
        assert client.post("/api/soaks", json={**SOAK, "name": name}).status_code == 201
    assert client.post("/api/soaks/1/looks", json=LOOK).status_code == 201
    assert client.patch("/api/soaks/2/looks/1", json={"note": "x"}).status_code == 404
    assert client.get("/api/soaks/2/looks/1/revisions").status_code == 200
    client.patch("/api/soaks/1/looks/1", json={"note": "x"})
    assert client.get("/api/soaks/2/looks/1/revisions").status_code == 404
    assert client.delete("/api/soaks/2/looks/1").status_code == 404
    assert client.get("/api/soaks/3/looks").status_code == 404


@pytest.mark.parametrize(
    ("fields", "where"),
    [
        ({"resin": 9}, "resin"),
        ({"machine": 9}, "machine"),
        ({"start": "2026-01-14T19:30:00"}, "start"),
        ({"start": "yesterday"}, "start"),
        ({"start": "0001-01-01T00:00:00Z"}, "start"),
        ({"start": "9999-12-31T23:59:59-14:00"}, "start"),
        ({"end": "2026-01-14T19:00:00Z"}, None),
        ({"parts": [{"name": "a", "outcome": "good", "modes": ["warped"]}]}, "parts.0"),
        ({"parts": [{"name": "a", "outcome": "splendid"}]}, "parts.0.outcome"),
        ({"parts": [{"name": "a"}, {"name": "a"}]}, None),
        ({"settings": {"layer_height_mm": -1}}, "settings.layer_height_mm"),
        ({"colour": "grey"}, "colour"),
        ({"note": "x" * 10_001}, "note"),
    ],
)
def test_what_makes_no_sense_is_refused_by_name_on_the_way_in_and_as_a_correction(
    client: TestClient, workshop: Workshop, fields: dict[str, object], where: str | None
) -> None:
    refused = client.post("/api/prints", json=plate(**fields))
    assert refused.status_code == 422, refused.text
    assert refused.json().get("where") == where
    assert workshop.record.prints.all() == []
    address = client.post("/api/prints", json=plate()).headers["Location"]
    patched = client.patch(address, json=fields)
    assert patched.status_code == 422
    assert patched.json().get("where") == where
    assert client.get(address).headers["ETag"] == '"1"'
