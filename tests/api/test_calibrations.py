"""Calibrations: dated back they change every answer, taken back they leave no trace but the record.

What was received is the same to the last bit throughout.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api import answers
from api.answers import Workshop
from api.live import Feed
from api.prints import Outcome, Part
from api.record import Calibration, Record, Resin
from collector.channels import Channel
from collector.config import Settings
from collector.errors import ConflictError
from collector.readings import Mark, Role, ms_of
from collector.signals import Platinum
from collector.store.sqlite import SqliteStore
from tests.api.test_answers import EVENING, LATER, plate, pour, soak
from tests.api.test_live import told
from tests.stores import arrivals
from tests.workshops import APPS

PAIR = {"read": 20.0, "true": 22.0, "found": "reference_instrument"}


def shift(channel: str, by: float, since: datetime = EVENING, **fields: Any) -> dict[str, Any]:
    pairs = [{"read": 20.0, "true": 20.0 + by}]
    return {"channel": channel, "valid_from": since.isoformat(), "pairs": pairs, **fields}


def told_of(client: TestClient, print_id: int, soak_id: int) -> dict[str, Any]:
    """Every answer that hangs on the readings of vat and chamber."""
    window = {"from": "2026-01-14T19:00:00Z", "until": "2026-01-15T03:00:00Z"}
    north: dict[str, str | int] = {"channel": "vat-north", **window}
    paths: dict[str, dict[str, str | int]] = {
        f"/api/prints/{print_id}/conditions": {},
        "/api/causes/vat-temperature": {},
        f"/api/soaks/{soak_id}/state": {},
        "/api/readings": north,
        "/api/buckets": {**north, "n": 7},
        "/api/latest": {},
    }
    found = {path: client.get(path, params=query) for path, query in paths.items()}
    assert {answer.status_code for answer in found.values()} == {200}
    told = {path: answer.json() for path, answer in found.items()}
    for one in told["/api/latest"]:
        one.pop("silent_s")  # the clock of the test goes on
    told[f"/api/soaks/{soak_id}/state"].pop("time", None)
    return told


def test_a_calibration_dated_back_changes_every_answer_and_goes_without_a_trace(
    workshop: Workshop, client: TestClient
) -> None:
    for day in range(20):
        start = EVENING + timedelta(days=day)
        pour(workshop, "vat-north", start, [16.0 + 0.4 * day] * 40)
        failed = Outcome.FAILED if day in (0, 1, 2, 3, 4, 6, 7, 10) else Outcome.GOOD
        workshop.record.prints.add(plate(start, parts=(Part(name="collar", outcome=failed),)))
    # 0.8 K short of the band of 48 to 52 °C: as received no dwell is counted.
    pour(workshop, "chamber", EVENING, [47.2] * 30)
    run = soak(workshop, EVENING + timedelta(minutes=20), "the fan stopped")
    before = told_of(client, 1, run)
    raw_query: dict[str, str | bool] = {
        "channel": "vat-north",
        "from": "2026-01-14T19:00:00Z",
        "until": "2026-01-15T03:00:00Z",
        "raw": True,
    }
    raw_before = client.get("/api/readings", params=raw_query).json()

    made = [
        client.post("/api/calibrations", json=shift("vat-north", 2.0)),
        client.post("/api/calibrations", json=shift("chamber", 1.5)),
    ]
    assert [answer.status_code for answer in made] == [201, 201]
    after = told_of(client, 1, run)
    conditions, causes, state = (list(after)[n] for n in range(3))
    was, now = before[conditions], after[conditions]
    assert was["vat"]["value_c"] == pytest.approx(16.0)
    assert now["vat"]["value_c"] == pytest.approx(18.0)
    first = "first_layers", "measured", "vat_temperature", "mean"
    for key in first:
        was, now = was[key], now[key]
    assert now - was == pytest.approx(2.0)
    was_c, now_c = (
        [bound for bound in told[causes]["answer"]["threshold"].values() if bound is not None]
        for told in (before, after)
    )
    assert was_c
    assert now_c == pytest.approx([bound + 2.0 for bound in was_c], abs=1e-3)
    was_s, now_s = (told[state]["steps"][0]["dwell_s"] for told in (before, after))
    assert (was_s, now_s) == (0, pytest.approx(600))
    assert after["/api/readings"]["readings"][0]["value"] == 18.0
    assert after["/api/buckets"]["maxima"][0] == 18.0
    by_channel = {one["channel"]: one["reading"] for one in after["/api/latest"]}
    assert by_channel["chamber"]["value"] == pytest.approx(48.7)

    raw_after = client.get("/api/readings", params=raw_query).json()
    assert raw_after["received_unit"] == "°C"
    for key in ("received", "converted", "time", "marks"):
        assert [one[key] for one in raw_after["readings"]] == [
            one[key] for one in raw_before["readings"]
        ]
    assert {one["value"] - one["received"] for one in raw_after["readings"]} == {2.0}

    for answer in made:
        assert client.delete(answer.headers["Location"]).status_code == 204
    assert told_of(client, 1, run) == before
    assert client.get("/api/readings", params=raw_query).json() == raw_before
    (gone,) = client.get(f"{made[0].headers['Location']}/revisions").json()
    assert (gone["change"], gone["before"]["pairs"][0]["true"]) == ("deleted", 22.0)


def test_each_calibration_holds_until_the_next(workshop: Workshop, client: TestClient) -> None:
    pour(workshop, "vat-north", EVENING, [20.0] * 30)
    for minutes, by in ((20, 3.0), (10, 1.0)):
        moment = EVENING + timedelta(minutes=minutes)
        client.post("/api/calibrations", json=shift("vat-north", by, moment))
    start_ms = ms_of(EVENING)
    values = workshop.store.between("vat-north", start_ms, start_ms + 30 * 60_000).values
    assert values.tolist() == [20.0] * 10 + [21.0] * 10 + [23.0] * 10
    listed = client.get("/api/calibrations", params={"channel": "vat-north"}).json()
    assert [(one["kind"], one["pairs"][0]["true"]) for one in listed] == [
        ("offset", 21.0),
        ("offset", 23.0),
    ]
    assert client.get("/api/calibrations", params={"channel": "chamber"}).json() == []


def test_a_calibration_is_corrected_like_everything_on_record(
    workshop: Workshop, client: TestClient
) -> None:
    pour(workshop, "vat-north", EVENING, [50.0])
    body = shift("vat-north", 2.0)
    made = client.post("/api/calibrations", json=body, headers={"Idempotency-Key": "k"})
    again = client.post("/api/calibrations", json=body, headers={"Idempotency-Key": "k"})
    assert made.json()["id"] == again.json()["id"]
    address = made.headers["Location"]
    pairs = [
        {"read": 100.5, "true": 100.0, "found": "boiling_point"},
        {"read": 0.5, "true": 0.0, "found": "ice_point"},
    ]
    changed = client.patch(address, json={"pairs": pairs}, headers={"If-Match": '"1"'})
    assert (changed.json()["kind"], changed.json()["revision"]) == ("two_point", 2)
    assert [pair["read"] for pair in changed.json()["pairs"]] == [0.5, 100.5]
    assert workshop.store.latest()["vat-north"].value == 49.5
    stale = client.patch(address, json={"note": "x"}, headers={"If-Match": '"1"'})
    assert stale.status_code == 409
    (revision,) = client.get(f"{address}/revisions").json()
    assert revision["before"]["pairs"][0]["true"] == 22.0


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"channel": "vat-nroth"}, "channel"),
        ({"valid_from": "2026-01-14T19:30:00"}, "valid_from"),
        ({"valid_from": "1969-12-31T23:00:00Z"}, "valid_from"),
        ({"pairs": []}, "pairs"),
        ({"pairs": [PAIR, PAIR]}, "pairs"),
        ({"pairs": [{"read": 0, "true": 1}, {"read": 100, "true": 0}]}, "pairs"),
        ({"pairs": [{"read": 0, "true": 0}, {"read": 1, "true": 5}]}, "pairs"),
        ({"pairs": [{"read": 1e9, "true": 0}]}, "pairs.0.read"),
    ],
)
def test_a_slip_in_a_calibration_is_told_and_changes_nothing(
    client: TestClient, workshop: Workshop, change: dict[str, Any], where: str
) -> None:
    answer = client.post("/api/calibrations", json={**shift("vat-north", 1.0), **change})
    assert answer.status_code == 422
    assert answer.json()["where"] == where
    assert answer.json()["remedy"]
    assert workshop.record.calibrations.all() == []


def test_two_calibrations_from_one_moment_clash(workshop: Workshop, client: TestClient) -> None:
    assert client.post("/api/calibrations", json=shift("vat-north", 1.0)).status_code == 201
    clash = client.post("/api/calibrations", json=shift("vat-north", 2.0))
    assert (clash.status_code, clash.json()["where"]) == (409, "valid_from")
    assert client.post("/api/calibrations", json=shift("vat-south", 2.0)).status_code == 201
    with pytest.raises(ConflictError):
        workshop.record.calibrations.add(Calibration.model_validate(shift("vat-south", 3.0)))


def test_another_program_that_enters_one_is_noticed_and_one_undone_is_not(
    workshop: Workshop, tmp_path: Path
) -> None:
    pour(workshop, "vat-north", EVENING, [20.0])
    entry = Calibration.model_validate(shift("vat-north", 1.0))
    before = workshop.believed()
    assert workshop.believed() is before
    workshop.record.resins.add(Resin(name="Kiln Amber"))
    assert workshop.believed() is before

    class ChangedMyMindError(Exception):
        pass

    def entered_and_undone() -> None:
        with workshop.record.transaction():
            workshop.record.calibrations.add(entry)
            assert workshop.store.latest()["vat-north"].value == 21.0
            raise ChangedMyMindError

    with pytest.raises(ChangedMyMindError):
        entered_and_undone()
    assert workshop.store.latest()["vat-north"].value == 20.0

    other = Record(tmp_path / "record.db")
    other.calibrations.add(entry)
    other.close()
    assert workshop.store.latest()["vat-north"].value == 21.0
    assert workshop.believed() is not before


def test_the_live_feed_tells_pages_to_load_old_readings_again(workshop: Workshop) -> None:
    async def story() -> None:
        workshop.received.append(arrivals("vat-north", [(ms_of(EVENING), 20.0)]))
        feed = Feed(workshop.store, believed=workshop.believed, poll_s=0.01)
        events = feed.events(None)
        begun = await told(events)
        assert begun.event == "begin"
        workshop.record.calibrations.add(Calibration.model_validate(shift("vat-north", 1.0)))
        assert (await told(events)).event == "reload"
        workshop.received.append(arrivals("vat-north", [(ms_of(EVENING) + 60_000, 20.0)]))
        fresh = await told(events)
        assert fresh.event == "readings"
        assert fresh.data["channels"][0]["value"] == 21.0
        # Cut off before the calibration came, back after it; and cut off after it.
        assert begun.id is not None
        assert fresh.id is not None
        assert (await told(feed.events(int(begun.id)))).event == "reload"
        resumed = await anext(feed.events(int(fresh.id)))
        assert resumed.comment == "resumed"
        feed.close()

    asyncio.run(story())


PLATINUM = Platinum(nominal_ohm=100.0)


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[Workshop]:
    """A chamber watched by a bare Pt100, one ohm as received each minute."""
    chamber = Channel(
        id="chamber", role=Role.CHAMBER_TEMPERATURE, topic="bench/pt100", signal=PLATINUM
    )
    store = SqliteStore(tmp_path / "readings.db")
    workshop = Workshop(Settings(channels=(chamber,)), store, Record(tmp_path / "record.db"))
    pour(workshop, "chamber", EVENING, [PLATINUM.at(60.0), PLATINUM.at(80.0), 500.0])
    yield workshop
    workshop.record.close()
    store.close()


def test_a_bare_sensor_shows_its_ohms_its_degrees_and_its_corrected_degrees(
    bare: Workshop,
) -> None:
    bare.record.calibrations.add(Calibration.model_validate(shift("chamber", 1.0)))
    query = {"channel": "chamber", "from": EVENING.isoformat(), "until": LATER.isoformat()}
    with APPS.lent(bare) as app, TestClient(app) as client:
        plain = client.get("/api/readings", params=query).json()
        found = client.get("/api/readings", params={**query, "raw": True}).json()
    assert found["received_unit"] == "Ω"
    first, second, broken = found["readings"]
    assert first["received"] == pytest.approx(123.2422, abs=1e-3)  # IEC 60751: 60 °C
    assert (first["converted"], first["value"]) == (60.0, 61.0)
    assert (second["converted"], second["value"]) == (80.0, 81.0)
    assert broken["marks"] == ["implausible"]
    assert plain["received_unit"] is None
    assert {one["received"] for one in plain["readings"]} == {None}
    assert bare.store.between("chamber", 0, ms_of(LATER)).marks.tolist() == [0, 0, Mark.IMPLAUSIBLE]
    assert answers.room_now(bare, datetime.now(UTC)).channels[0].reading is not None
