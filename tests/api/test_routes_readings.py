"""Readings over HTTP: latest, pages of them, charts, health."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from collector.readings import Mark, Reading, ms_of
from collector.store.contract import Arrival, Refusal
from tests.stores import arrivals

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
WINDOW = {"from": "2026-01-14T19:00:00Z", "until": "2026-01-20T00:00:00Z"}


def fill(workshop: Workshop, n: int = 100, every: timedelta = timedelta(hours=1)) -> None:
    rows = [(ms_of(EVENING + k * every), 18 + 0.01 * k) for k in range(n)]
    workshop.received.append(arrivals("vat-north", rows))


def test_every_reading_comes_once_page_by_page(client: TestClient, workshop: Workshop) -> None:
    fill(workshop)
    seen: list[float] = []
    query = dict(WINDOW)
    while True:
        page = client.get("/api/readings", params={"channel": "vat-north", "limit": 7, **query})
        assert page.status_code == 200, page.text
        seen += [one["value"] for one in page.json()["readings"]]
        if page.json()["next"] is None:
            break
        query["from"] = page.json()["next"]
    assert seen == [18 + 0.01 * k for k in range(100)]
    assert page.json()["unit"] == "°C"


def test_a_page_ends_where_the_window_does(client: TestClient, workshop: Workshop) -> None:
    fill(workshop, 10)
    query = {"channel": "vat-north", "from": "2026-01-14T20:30:00Z"}
    page = client.get("/api/readings", params={**query, "until": "2026-01-14T22:30:00Z"}).json()
    assert [one["time"] for one in page["readings"]] == [
        "2026-01-14T20:30:00Z",
        "2026-01-14T21:30:00Z",
    ]
    empty = client.get("/api/readings", params={**WINDOW, "channel": "chamber"}).json()
    assert (empty["readings"], empty["next"]) == ([], None)


def test_doubts_about_a_reading_are_sent_by_name(client: TestClient, workshop: Workshop) -> None:
    reading = Reading("vat-north", ms_of(EVENING), 99.0, Mark.IMPLAUSIBLE | Mark.LATE)
    workshop.received.append([Arrival("cellar/north/vat", ms_of(EVENING), (reading,))])
    page = client.get("/api/readings", params={**WINDOW, "channel": "vat-north"}).json()
    assert page["readings"][0]["marks"] == ["implausible", "late"]


def test_a_chart_gets_null_where_nothing_was_recorded(
    client: TestClient, workshop: Workshop
) -> None:
    rows = [(ms_of(EVENING) + k * 60_000, 20.0 + k) for k in range(10)]
    workshop.received.append(arrivals("vat-north", rows))
    query = {"channel": "vat-north", "from": "2026-01-14T19:30:00Z"}
    found = client.get(
        "/api/buckets", params={**query, "until": "2026-01-14T19:50:00Z", "n": 4}
    ).json()
    assert found["width_s"] == 300
    assert found["minima"] == [20, 25, None, None]
    assert found["maxima"] == [24, 29, None, None]
    assert found["counts"] == [5, 5, 0, 0]
    assert found["starts"][1] == "2026-01-14T19:35:00Z"


@pytest.mark.parametrize("address", ["/api/readings", "/api/buckets"])
def test_a_window_or_channel_that_makes_no_sense_is_told(client: TestClient, address: str) -> None:
    def answer(**query: str) -> tuple[int, str | None]:
        got = client.get(address, params={"channel": "vat-north", **WINDOW, **query})
        assert got.headers["Content-Type"] == "application/problem+json"
        assert got.json()["remedy"]
        return got.status_code, got.json().get("where")

    assert answer(channel="vat-nroth") == (404, "channel")
    assert answer(until="2026-01-14T19:00:00Z") == (422, "until")
    assert answer(until="tomorrow") == (422, "until")
    assert answer(until="2026-01-15T19:00:00") == (422, "until")
    assert answer(**{"from": "9999-12-31T23:59:59-14:00"}) == (422, "from")


def test_latest_and_health_tell_silence_and_accounts(
    client: TestClient, workshop: Workshop
) -> None:
    now = datetime.now(UTC)
    workshop.received.append(arrivals("vat-north", [(ms_of(now - timedelta(seconds=5)), 21.5)]))
    refused = Arrival("cellar/x", ms_of(now), (), (Refusal("no such channel"),), b"warm")
    workshop.received.append([refused])
    latest = {one["channel"]: one for one in client.get("/api/latest").json()}
    assert latest["vat-north"]["reading"]["value"] == 21.5
    assert (latest["vat-north"]["silent"], latest["chamber"]["silent"]) == (False, True)
    health = client.get("/api/health").json()
    assert health["balanced"] is True
    assert health["accounts"]["messages_refused"] == 1
    assert {one["channel"]: one["silent"] for one in health["channels"]}["vat-north"] is False
    channels = client.get("/api/channels").json()
    assert [one["id"] for one in channels][:2] == ["vat-north", "vat-south"]
    assert channels[3]["unit"] == "%RH"


def test_the_conditions_of_a_print_are_sent_with_their_coverage(
    client: TestClient, workshop: Workshop
) -> None:
    rows = [(ms_of(EVENING) + k * 60_000, 17.0) for k in range(40)]
    workshop.received.append(arrivals("vat-north", rows))
    body = {
        "start": EVENING.isoformat(),
        "end": (EVENING + timedelta(hours=1)).isoformat(),
        "resin": 1,
        "machine": 1,
    }
    address = client.post("/api/prints", json=body).headers["Location"]
    found = client.get(f"{address}/conditions", params={"below": 18}).json()
    whole = found["whole"]["measured"]["vat_temperature"]
    assert (whole["channel"], whole["unit"], whole["mean"]) == ("vat-north", "°C", 17)
    assert whole["coverage"] == pytest.approx(39 / 60)
    assert whole["minutes_below"] == pytest.approx(39)
    assert whole["gaps"] == [
        {"start": "2026-01-14T20:09:00Z", "end": "2026-01-14T20:30:00Z", "length_s": 1260}
    ]
    assert found["first_layers"]["measured"]["vat_temperature"]["coverage"] == 1
    assert found["vat"]["value_c"] == pytest.approx(17)
    assert found["first_layers"]["missing"]["room_temperature"] == "no record in this window"
    assert client.get("/api/prints/99/conditions").status_code == 404
    assert client.get(f"{address}/conditions", params={"below": "nan"}).status_code == 422
