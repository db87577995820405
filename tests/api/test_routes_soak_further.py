"""The soak bench over HTTP: what is done to a run, its notices, and what all runs together say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.routes.shapes import RESIN, SOAK
from collector.readings import Reading, ms_of
from collector.store.contract import Arrival

START = datetime(2026, 1, 14, 10, 0, tzinfo=UTC)
PROGRAM: dict[str, Any] = {
    "name": "Two hours",
    "steps": [
        {"setpoint_c": 50, "tolerance_k": 2, "dwell_min": 60},
        {"setpoint_c": 60, "tolerance_k": 2, "dwell_min": 60},
    ],
}


def at(minutes: float) -> str:
    """A moment of the run."""
    return (START + timedelta(minutes=minutes)).isoformat()


def chamber_c(minutes: float) -> float:
    """20 °C, up by 2 K/min to 50 °C, at 80 min on to 60 °C: in band from 14 and 84 min on."""
    first = min(20 + 2 * minutes, 50.2)
    return first if minutes < 80 else min(50.2 + 2 * (minutes - 80), 60.4)


def run_chamber(workshop: Workshop, minutes: int, start: datetime = START) -> None:
    """A reading each minute."""
    moments = [(ms_of(start + timedelta(minutes=m)), chamber_c(m)) for m in range(minutes + 1)]
    workshop.received.append(
        [Arrival("cellar/oven", ms, (Reading("chamber", ms, value),)) for ms, value in moments]
    )


def start_run(client: TestClient, **fields: Any) -> str:
    """Put a run of :data:`PROGRAM` on record; its address."""
    body = {**SOAK, "program": PROGRAM, "started": at(0), **fields}
    made = client.post("/api/soaks", json=body)
    assert made.status_code == 201, made.text
    return made.headers["Location"]


def look(client: TestClient, run: str, minutes: float, specimen: str, finding: str) -> None:
    """Log a look."""
    body = {"specimen": specimen, "time": at(minutes), "finding": finding}
    assert client.post(f"{run}/looks", json=body).status_code == 201


def test_one_piece_is_taken_out_and_the_other_goes_on(
    workshop: Workshop, client: TestClient
) -> None:
    run_chamber(workshop, 160)
    run = start_run(client)
    for specimen in "AB":
        look(client, run, 76, specimen, "sound")
    out = {"kind": "taken_out", "specimen": "B", "time": at(77), "note": "for the break bench"}
    made = client.post(f"{run}/interventions", json=out, headers={"Idempotency-Key": "out-1"})
    assert made.status_code == 201
    again = client.post(f"{run}/interventions", json=out, headers={"Idempotency-Key": "out-1"})
    assert again.json() == made.json()
    look(client, run, 150, "A", "sagged")
    client.patch(run, json={"ended": at(160)})

    state = client.get(f"{run}/state").json()
    assert [one["specimen"] for one in state["taken_out"]] == ["B"]
    assert state["inside"] == ["A"]
    stood = {one["specimen"]: one for one in state["verdicts"]}
    assert stood["A"]["highest_step_held"] == stood["B"]["highest_step_held"] == 1
    assert (stood["A"]["failed"]["step"], stood["B"]["failed"]) == (2, None)

    twice = client.post(f"{run}/interventions", json={**out, "time": at(90)})
    assert (twice.status_code, twice.json()["where"]) == (422, "specimen")
    assert len(client.get(f"{run}/interventions").json()) == 1
    assert client.delete(run).status_code == 409

    one = made.headers["Location"]
    etag = made.headers["ETag"]
    moved = client.patch(one, json={"time": at(78)}, headers={"If-Match": etag})
    assert moved.status_code == 200, moved.text
    assert client.delete(one, headers={"If-Match": etag}).status_code == 409
    assert client.delete(one, headers={"If-Match": moved.headers["ETag"]}).status_code == 204
    assert [kept["change"] for kept in client.get(f"{one}/revisions").json()] == [
        "corrected",
        "deleted",
    ]
    assert client.get(f"{run}/state").json()["inside"] == ["A", "B"]


def test_a_program_edited_under_way_holds_from_then_on(
    workshop: Workshop, client: TestClient
) -> None:
    run_chamber(workshop, 160)
    run = start_run(client)
    longer = {**PROGRAM, "steps": [PROGRAM["steps"][0], {**PROGRAM["steps"][1], "dwell_min": 30}]}
    edit = {"kind": "program_edited", "program": longer, "time": at(100)}
    assert client.post(f"{run}/interventions", json=edit).status_code == 201
    client.patch(run, json={"ended": at(160)})
    state = client.get(f"{run}/state").json()
    assert [version["program"]["steps"][1]["dwell_min"] for version in state["versions"]] == [
        60,
        30,
    ]
    # Settled at 80 + (58 - 50.2) / 2 = 83.9 min; 30 minutes later it is done.
    assert state["steps"][1]["done"] == (START + timedelta(minutes=113.9)).isoformat(
        timespec="milliseconds"
    ).replace("+00:00", "Z").replace(".000Z", "Z")
    dropped = {**edit, "program": {**PROGRAM, "steps": PROGRAM["steps"][1:]}, "time": at(101)}
    refused = client.post(f"{run}/interventions", json=dropped)
    assert (refused.status_code, refused.json()["where"]) == (422, "program")


@pytest.mark.parametrize(
    ("body", "where"),
    [
        ({"kind": "taken_out"}, None),
        ({"kind": "remark"}, None),
        ({"kind": "remark", "note": "door", "specimen": "A"}, None),
        ({"kind": "taken_out", "specimen": "C"}, "specimen"),
        ({"kind": "remark", "note": "door", "time": at(-1)}, "time"),
        ({"kind": "remark", "note": "door", "time": at(999)}, "time"),
    ],
)
def test_what_cannot_have_been_done_is_refused(
    client: TestClient, body: dict[str, Any], where: str | None
) -> None:
    run = start_run(client, ended=at(160))
    answer = client.post(f"{run}/interventions", json={"time": at(10), **body})
    assert answer.status_code == 422
    if where:
        assert answer.json()["where"] == where
    assert client.get(f"{run}/interventions").json() == []


def test_a_remark_changes_nothing_but_is_kept(workshop: Workshop, client: TestClient) -> None:
    run_chamber(workshop, 100)
    run = start_run(client, ended=at(100))
    before = client.get(f"{run}/state").json()
    remark = {"kind": "remark", "note": "the door stood open", "time": at(20)}
    assert client.post(f"{run}/interventions", json=remark).status_code == 201
    assert client.get(f"{run}/state").json() == before
    # The record as a whole takes it along.
    whole = client.get("/api/record").json()
    assert [one["entry"]["note"] for one in whole["entries"]["intervention"]] == [remark["note"]]


def test_a_run_tells_what_is_to_be_done(workshop: Workshop, client: TestClient) -> None:
    began = datetime.now(UTC) - timedelta(minutes=76)
    run_chamber(workshop, 76, began)
    run = start_run(client, started=began.isoformat())
    told = {one["kind"]: one for one in client.get(f"{run}/notices").json()}
    assert list(told) == ["look_due", "step_done"]
    assert told["look_due"]["said"] == "Look at every specimen: step 1 is done."
    assert told["step_done"]["said"] == "Step 1 is done. Set the chamber to 60 °C."
    assert client.get(f"{run}/notices").json() == client.get(f"{run}/state").json()["notices"]
    assert client.get("/api/soaks/99/notices").status_code == 404


def test_chambers_and_resins_over_all_runs(workshop: Workshop, client: TestClient) -> None:
    resin = client.post("/api/resins", json={**RESIN, "name": "Kiln Amber"}).json()["id"]
    for day in range(2):
        began = START + timedelta(days=day)
        run_chamber(workshop, 160, began)
        specimens = [{"name": name, "resin": resin} for name in ("one", "two")]
        shift = day * 24 * 60
        run = start_run(
            client, name=f"day {day}", started=at(shift), ended=at(shift + 160), specimens=specimens
        )
        for specimen in ("one", "two"):
            look(client, run, shift + 76, specimen, "sound")
            look(client, run, shift + 150, specimen, "sagged" if specimen == "one" else "sound")
    (chamber,) = client.get("/api/soaks/chambers").json()
    assert (chamber["channels"], chamber["runs"]) == (["chamber"], 2)
    # Measured means 50.2 and 60.4 °C but for the way in from the edge of the band.
    assert [(line["setpoint_c"], line["steps"]) for line in chamber["setpoints"]] == [
        (50, 2),
        (60, 2),
    ]
    assert chamber["setpoints"][0]["off_k"] == pytest.approx(0.2, abs=0.05)
    assert chamber["setpoints"][0]["settle_min"] == pytest.approx(14)
    (heat,) = client.get("/api/soaks/results").json()["resins"]
    assert (heat["name"], heat["parts"], heat["failed"], heat["runs"]) == ("Kiln Amber", 4, 2, 2)
    assert heat["highest_setpoint_c"] == 50
    assert client.get("/api/soaks/programs").json()[0]["steps"][0]["setpoint_c"] == 50
    told = client.post("/api/soaks/estimate?from_c=50", json=PROGRAM).json()
    # No way to go, then 50 to 58 °C at the usual 1 K/min, and two hours of dwell.
    assert told["minutes"] == pytest.approx(8 + 120)
    from_the_chamber = client.post("/api/soaks/estimate?chamber=chamber", json=PROGRAM).json()
    assert from_the_chamber["tau_s"] is None or from_the_chamber["residual_k"] >= 0
