"""Health: accounts as sums, silences, clocks, marks, the collector, and what was refused."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop, room_now
from api.health import health_now, shown
from api.record import Record
from collector.clocks import ClockState, Condition, Step
from collector.config import Settings, StoreSettings
from collector.readings import Mark, Reading, ms_of
from collector.status import ChannelStatus, CollectorStatus, write_status
from collector.store.contract import Arrival, Refusal
from collector.store.sqlite import SqliteStore
from tests.stores import arrivals
from tests.workshops import APPS, CHANNELS

NOW = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
NOW_MS = ms_of(NOW)
DAY_MS = 86_400_000


_opened: list[Workshop] = []


def cellar(folder: Path, *, read_only: bool = False) -> Workshop:
    settings = Settings(channels=CHANNELS, store=StoreSettings(folder))
    store = SqliteStore(settings.store.readings_path, read_only=read_only)
    _opened.append(Workshop(settings, store, Record(settings.store.record_path)))
    return _opened[-1]


@pytest.fixture(autouse=True)
def _closed() -> Iterator[None]:
    """Lets go of what a test has opened: a store is claimed by whoever may write to it."""
    yield
    while _opened:
        workshop = _opened.pop()
        workshop.received.close()
        workshop.record.close()


def status(**fields: Any) -> CollectorStatus:
    values: dict[str, Any] = {
        "at_ms": NOW_MS - 1_000,
        "pid": 4_711,
        "started_ms": NOW_MS - 3_600_000,
        "client_id": "vatside",
        "broker_url": "mqtt://127.0.0.1:1883",
        "connected": True,
        "subscribed": True,
        "link_since_ms": NOW_MS - 3_600_000,
        "link_fault": None,
        "connections_n": 1,
        "store_fault": None,
        "store_fault_since_ms": None,
        "waiting_n": 3,
        "in_hand_n": 2,
        "lag_ms": 40,
        "let_go_n": 0,
        "stale_n": 0,
        "stored": 5,
        "duplicate": 1,
        "conflict": 0,
        "refused": 0,
    }
    return CollectorStatus(**{**values, **fields})


def test_silence_interval_marks_and_conflicts_of_a_channel(tmp_path: Path) -> None:
    workshop = cellar(tmp_path)
    rows = [(NOW_MS - 600_000 + n * 30_000, 20.0 + 0.01 * n) for n in range(10)]
    workshop.received.append(arrivals("vat-north", rows))
    jump = Reading("vat-north", NOW_MS - 300_000, 30.0, Mark.JUMP | Mark.LATE)
    old = Reading("vat-north", NOW_MS - DAY_MS - 1, 99.0, Mark.IMPLAUSIBLE)
    again = Reading("vat-north", rows[0][0], 21.0)
    workshop.received.append(
        [Arrival("cellar", NOW_MS, (reading,)) for reading in (jump, old, again)]
    )
    north, south = health_now(workshop, NOW).channels[:2]
    assert (north.quiet_s, north.silent, north.overdue) == (300.0, False, True)
    assert (north.interval_s, north.interval_set) == (30.0, False)
    assert north.marks == {Mark.JUMP: 1, Mark.LATE: 1, Mark.CONFLICT: 1}
    assert north.conflicts_n == 1
    assert (south.quiet_s, south.silent, south.interval_s) == (None, True, None)


def test_what_waited_at_the_broker_and_comes_at_once_is_no_usual_interval(tmp_path: Path) -> None:
    workshop = cellar(tmp_path)
    regular = [(NOW_MS - 900_000 + n * 10_000, 20.0) for n in range(40)]
    waited = [(NOW_MS - 8_000 + n, 20.0) for n in range(60)]
    workshop.received.append(arrivals("vat-north", [*regular, *waited]))
    workshop.received.append(arrivals("vat-south", waited))
    north, south = health_now(workshop, NOW).channels[:2]
    assert (north.interval_s, north.overdue) == (10.0, False)
    assert (south.interval_s, south.overdue) == (None, False)


def test_one_message_from_the_future_hides_nothing(tmp_path: Path) -> None:
    """For two hours a reading of a clock two hours ahead would be the last and just now."""
    workshop = cellar(tmp_path)
    ahead = Reading("vat-north", NOW_MS + 7_200_000, 99.0, Mark.CLOCK)
    workshop.received.append([Arrival("cellar", NOW_MS - 900_000, (ahead,))])
    heard = ChannelStatus(channel="vat-north", last_received_ms=NOW_MS - 900_000)
    write_status(tmp_path, status(channels=(heard,)))
    alone = health_now(workshop, NOW).channels[0]
    assert (alone.now.reading, alone.quiet_s, alone.silent) == (ahead, 900.0, True)
    workshop.received.append(arrivals("vat-north", [(NOW_MS - 20_000, 21.5)]))
    north = health_now(workshop, NOW).channels[0]
    assert (north.now.reading, north.quiet_s) == (Reading("vat-north", NOW_MS - 20_000, 21.5), 20.0)
    assert room_now(workshop, NOW).channels[0] == north.now
    always = Reading("vat-south", NOW_MS - 1_000, 18.0, Mark.CLOCK)
    later = Reading("vat-south", NOW_MS + 7_000_000, 19.0, Mark.CLOCK)
    workshop.received.append([Arrival("cellar", NOW_MS, (one,)) for one in (always, later)])
    assert workshop.newest(NOW)["vat-south"] == later  # a clock that is always ahead


def test_a_sensor_whose_clock_is_off_is_heard_by_its_arrivals(tmp_path: Path) -> None:
    workshop = cellar(tmp_path)
    reading = Reading("vat-north", NOW_MS - 3_300_000, 20.0, Mark.CLOCK)
    workshop.received.append([Arrival("cellar", NOW_MS - 5_000, (reading,))])
    step = Step(NOW_MS - 7_200_000, 0, 3_300_000)
    clock = ClockState(Condition.BEHIND, 3_300_000, NOW_MS - 7_200_000, step)
    channel = ChannelStatus(
        channel="vat-north", last_received_ms=NOW_MS - 5_000, interval_ms=30_000, clock=clock
    )
    write_status(tmp_path, status(channels=(channel,)))
    north = health_now(workshop, NOW).channels[0]
    assert (north.now.silent, north.silent) == (True, False)
    assert (north.quiet_s, north.interval_s) == (5.0, 30.0)
    assert north.clock == clock
    with APPS.lent(workshop) as app, TestClient(app) as client:
        told = client.get("/api/health").json()["channels"][0]
    assert told["clock"] == {
        "condition": "behind",
        "offset_s": 3300,
        "since": "2026-01-14T17:30:00Z",
        "step": {"time": "2026-01-14T17:30:00Z", "offset_before_s": 0, "offset_after_s": 3300},
    }


def test_the_collectors_state_and_age_are_told(tmp_path: Path) -> None:
    workshop = cellar(tmp_path)
    assert health_now(workshop, NOW).away
    now = datetime.now(UTC)
    at_ms = ms_of(now)
    battery = ChannelStatus(channel="chamber", battery=2.9, radio=-71.0, sensor_ms=at_ms)
    with APPS.lent(workshop) as app, TestClient(app) as client:
        assert client.get("/api/health").json()["collector"] is None
        write_status(tmp_path, status(at_ms=at_ms, channels=(battery,), link_fault="refused"))
        told = client.get("/api/health").json()
        assert told["collector"]["state"] == "at work"
        assert (told["collector"]["lag_s"], told["collector"]["in_hand"]) == (0.04, 2)
        assert told["collector"]["link_fault"] == "refused"
        chamber = {one["channel"]: one for one in told["channels"]}["chamber"]
        assert (chamber["battery"], chamber["radio"]) == (2.9, -71.0)
        assert chamber["sensor_time"] is not None
        write_status(tmp_path, status(at_ms=at_ms - 60_000))
        assert client.get("/api/health").json()["collector"]["state"] == "away"
        write_status(tmp_path, status(at_ms=at_ms, stopped=True))
        assert client.get("/api/health").json()["collector"]["state"] == "stopped"


def test_before_the_collector_has_made_a_store_there_is_an_answer(tmp_path: Path) -> None:
    workshop = cellar(tmp_path, read_only=True)
    with APPS.lent(workshop) as app, TestClient(app) as client:
        answer = client.get("/api/health")
        assert answer.status_code == 200
        told = answer.json()
        assert told["store_fault"]
        assert (told["accounts"], told["balanced"], told["refused"]) == (None, None, [])
        assert {one["silent"] for one in told["channels"]} == {True}
        with SqliteStore(workshop.settings.store.readings_path):
            assert client.get("/api/health").json()["balanced"] is True


def test_refused_messages_are_told_newest_first_and_counted(tmp_path: Path) -> None:
    workshop = cellar(tmp_path)
    for n in range(30):
        payload = b"\xff\x00" if n == 29 else f"warm {n}".encode()
        refused = Arrival(f"cellar/{n}", NOW_MS + n, (), (Refusal("no number"),), payload)
        workshop.received.append([refused])
    with APPS.lent(workshop) as app, TestClient(app) as client:
        told = client.get("/api/health").json()
        more = client.get("/api/health", params={"refused": 1_000}).json()
        none = client.get("/api/health", params={"refused": 0}).json()
        assert client.get("/api/health", params={"refused": 1_001}).status_code == 422
    assert told["accounts"]["messages_refused"] == 30
    assert [one["topic"] for one in told["refused"]] == [f"cellar/{n}" for n in range(29, 9, -1)]
    first, second = told["refused"][:2]
    assert (first["text"], first["hex"], first["bytes"]) == (None, "ff 00", 2)
    assert (second["text"], second["reason"]) == ("warm 28", "no number")
    assert (len(more["refused"]), none["refused"]) == (30, [])


@pytest.mark.parametrize(
    ("payload", "text", "cut"),
    [
        (b"21.4", "21.4", False),
        ("21,4 °C".encode(), "21,4 °C", False),
        (b'{"t":\n  1}', '{"t": 1}', False),
        (b"", None, False),
        (b"a\x00b", None, False),
        (b"\xff\xfe", None, False),
        ("evil\u202etxt".encode(), None, False),
        (b"\x1b[31mred", None, False),
        (b"x" * 300, "x" * 240, True),
        (b"x" * 239 + "°C".encode(), "x" * 239, True),
        (b"\xff" * 300, None, True),
    ],
)
def test_bytes_from_anywhere_are_shown_as_text_only_where_they_are_text(
    payload: bytes, text: str | None, cut: bool
) -> None:
    found = shown(payload)
    assert (found.text, found.cut, found.bytes_n) == (text, cut, len(payload))
    assert bytes.fromhex(found.hex) == payload[:240]


def test_a_day_of_a_quick_sensor_is_counted_whole(tmp_path: Path) -> None:
    workshop = cellar(tmp_path)
    readings = tuple(
        Reading("vat-north", NOW_MS - n * 10_000, 20.0, Mark.STUCK) for n in range(1, 8_000)
    )
    workshop.received.append([Arrival("cellar", NOW_MS, readings)])
    north = health_now(workshop, NOW + timedelta(seconds=1)).channels[0]
    assert north.marks == {Mark.STUCK: 7_999}
    assert north.interval_s == 10.0
