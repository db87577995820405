"""Replaying a CSV file: where each value goes, what is wrong with it, and how far it came."""

from __future__ import annotations

import itertools
import json
import threading
from pathlib import Path

import pytest

from collector import replay as module
from collector.channels import Channel, TimeForm
from collector.config import Settings
from collector.errors import BrokerError, InvalidError, NotFoundError
from collector.payload import Decoder
from collector.publisher import Publisher
from collector.readings import Reading, Role
from collector.replay import Progress, Replayed, replay
from tests.brokers import broker_settings, embedded, free_port

ROOM = Channel(
    id="room-temp", role=Role.ROOM_TEMPERATURE, topic="cellar/room", value="/t", time="/at"
)
HUMIDITY = Channel(
    id="room-humidity", role=Role.ROOM_HUMIDITY, topic="cellar/room", value="/air/rh", time="/at"
)
VAT = Channel(
    id="vat-north",
    role=Role.VAT_TEMPERATURE,
    unit="°F",
    topic="cellar/vat",
    value="/sensors/0/value",
    time="/sensors/0/when",
    time_form=TimeForm.UNIX_S,
)
SENML = Channel(id="vat-south", role=Role.VAT_TEMPERATURE, topic="cellar/south", senml="urn:x:1")
BARE = Channel(id="bare", role=Role.VAT_TEMPERATURE, topic="cellar/bare")
WIDE = Channel(id="wide", role=Role.VAT_TEMPERATURE, topic="cellar/+/vat", value="/t", time="/at")
NESTED = Channel(id="nested", role=Role.VAT_TEMPERATURE, topic="c/n", value="/t", time="/t/at")
SETTINGS = Settings(channels=(ROOM, HUMIDITY, VAT, SENML, BARE, WIDE, NESTED))


class MemoryOutlet:
    """Takes messages as a broker would, and reads them as the collector would."""

    def __init__(self, stop_after: int | None = None, stop: threading.Event | None = None) -> None:
        self.sent: list[tuple[str, bytes]] = []
        self.drained = False
        self._stop_after = stop_after
        self._stop = stop

    def __enter__(self) -> MemoryOutlet:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def publish(self, topic: str, payload: bytes) -> None:
        self.sent.append((topic, payload))
        if self._stop_after == len(self.sent):
            if self._stop is None:
                raise KeyboardInterrupt
            self._stop.set()

    def drain(self) -> None:
        self.drained = True

    @property
    def acknowledged_n(self) -> int:
        return len(self.sent)

    def readings(self, *channels: Channel) -> list[Reading]:
        decoder = Decoder(channels)
        arrivals = [decoder.arrival(topic, payload, 0) for topic, payload in self.sent]
        assert not [refusal for arrival in arrivals for refusal in arrival.refusals]
        return [reading for arrival in arrivals for reading in arrival.readings]


def sheet(tmp_path: Path, *lines: str) -> Path:
    path = tmp_path / "recording.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def run(path: Path, columns: dict[str, str], outlet: MemoryOutlet, **options: object) -> Replayed:
    return replay(path, columns, SETTINGS, outlet=outlet, **options)  # type: ignore[arg-type]


def test_values_of_one_topic_and_time_go_out_in_one_message(tmp_path: Path) -> None:
    path = sheet(
        tmp_path, "at,T,RH", "2026-01-01T12:00:00Z,21.5,40", "2026-01-01T12:01:00Z,21.6,41"
    )
    outlet = MemoryOutlet()
    done = run(path, {"T": "room-temp", "RH": "room-humidity"}, outlet)
    assert (done.rows_n, done.readings_n, done.messages_n, done.acknowledged_n) == (2, 4, 2, 2)
    assert json.loads(outlet.sent[0][1]) == {
        "at": "2026-01-01T12:00:00.000Z",
        "t": 21.5,
        "air": {"rh": 40.0},
    }
    assert outlet.readings(ROOM, HUMIDITY) == [
        Reading("room-temp", 1_767_268_800_000, 21.5),
        Reading("room-humidity", 1_767_268_800_000, 40.0),
        Reading("room-temp", 1_767_268_860_000, 21.6),
        Reading("room-humidity", 1_767_268_860_000, 41.0),
    ]
    assert outlet.drained


def test_the_channel_decides_unit_form_and_place(tmp_path: Path) -> None:
    path = sheet(tmp_path, "at,T", "1767268800,68", "1767268800.25,50")
    outlet = MemoryOutlet()
    run(path, {"T": "vat-north"}, outlet, time_column="at")
    assert outlet.readings(VAT) == [
        Reading("vat-north", 1_767_268_800_000, 20.0),
        Reading("vat-north", 1_767_268_800_250, 10.0),
    ]
    outlet = MemoryOutlet()
    run(path, {"T": "vat-south"}, outlet, time_column="at")
    assert [r.time_ms for r in outlet.readings(SENML)] == [1_767_268_800_000, 1_767_268_800_250]


@pytest.mark.parametrize(
    ("cell", "zone", "time_ms"),
    [
        ("2026-01-01 12:00:00", "UTC", 1_767_268_800_000),
        ("2026-01-01 12:00:00", "Europe/Berlin", 1_767_265_200_000),
        ("2026-01-01T12:00:00+05:00", "Europe/Berlin", 1_767_250_800_000),
        ("2026-01-01T12:00:00.250Z", "UTC", 1_767_268_800_250),
        ("1767268800", "Europe/Berlin", 1_767_268_800_000),
        ("1767268800250", "UTC", 1_767_268_800_250),
    ],
)
def test_forms_of_time(tmp_path: Path, cell: str, zone: str, time_ms: int) -> None:
    outlet = MemoryOutlet()
    path = sheet(tmp_path, "at,T", f"{cell},20")
    run(path, {"T": "room-temp"}, outlet, time_column="at", zone=zone)
    assert [r.time_ms for r in outlet.readings(ROOM)] == [time_ms]


def test_the_hour_that_comes_twice_in_autumn_goes_on(tmp_path: Path) -> None:
    """Europe/Berlin, 2025-10-26: 02:00 to 03:00 runs twice (IANA time zone database)."""
    clock = ["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]
    path = sheet(tmp_path, "at,T", *(f"2025-10-26 {time}:00,20" for time in clock))
    outlet = MemoryOutlet()
    run(path, {"T": "room-temp"}, outlet, zone="Europe/Berlin")
    times = [reading.time_ms for reading in outlet.readings(ROOM)]
    assert {b - a for a, b in itertools.pairwise(times)} == {30 * 60_000}


def test_the_hour_that_is_skipped_in_spring_is_said(tmp_path: Path) -> None:
    path = sheet(tmp_path, "at,T", "2026-03-29 01:59:00,20", "2026-03-29 02:30:00,21")
    done = run(path, {"T": "room-temp"}, MemoryOutlet(), zone="Europe/Berlin")
    assert (done.readings_n, done.faults_n) == (1, 1)
    assert "skipped by the clocks of Europe/Berlin" in done.faults[0].what


def test_a_bad_cell_costs_that_cell_and_names_its_line(tmp_path: Path) -> None:
    path = sheet(
        tmp_path,
        "note,at,T,RH",
        "ok,2026-01-01T12:00:00Z,20,40",
        "word,2026-01-01T12:01:00Z,warm,41",
        "empty,2026-01-01T12:02:00Z,,42",
        "time,yesterday,20,43",
        "short,2026-01-01T12:04:00Z,20",
        "",
        "nan,2026-01-01T12:05:00Z,nan,45",
        '"two\nlines",2026-01-01T12:06:00Z,1e999,46',
        "old,1969-12-31T23:59:00Z,20,47",
        'comma,2026-01-01T12:07:00Z,"20,5",48',
        "ok,2026-01-01T12:08:00Z, 21 ,49",
    )
    outlet = MemoryOutlet()
    done = run(path, {"T": "room-temp", "RH": "room-humidity"}, outlet)
    assert [(fault.line, fault.column) for fault in done.faults] == [
        (3, "T"),
        (5, "at"),
        (6, "RH"),
        (8, "T"),
        (10, "T"),
        (11, "at"),
        (12, "T"),
    ]
    assert (done.empty_n, done.faults_n, done.readings_n, done.last_line) == (1, 7, 10, 13)


def test_many_faults_are_counted_and_the_first_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "FAULTS_TOLD_N", 3)
    rows = [f"2026-01-01T12:{i:02}:00Z,warm" for i in range(20)]
    done = run(sheet(tmp_path, "at,T", *rows), {"T": "room-temp"}, MemoryOutlet())
    assert (len(done.faults), done.faults_n) == (3, 20)


@pytest.mark.parametrize(
    ("columns", "options", "words"),
    [
        ({}, {}, "No column"),
        ({"X": "room-temp"}, {}, "no column 'X'.*Its columns are: at, T, RH"),
        ({"T": "room-temp", "RH": "room-temp"}, {}, "both go to room-temp"),
        ({"T": "bare"}, {}, 'carry no time of their own.*time = "/at"'),
        ({"T": "wide"}, {}, "takes many topics"),
        ({"T": "nested"}, {}, "one inside the other"),
        ({"T": "room-temp"}, {"speed": 0.0}, "speed of 0"),
        ({"T": "room-temp"}, {"speed": float("nan")}, "speed of nan"),
        ({"T": "room-temp"}, {"zone": "Cellar/North"}, "no time zone"),
        ({"T": "room-temp"}, {"time_column": "when"}, "no column 'when'"),
    ],
)
def test_what_cannot_be_replayed_is_said_before_anything_is_sent(
    tmp_path: Path, columns: dict[str, str], options: dict[str, object], words: str
) -> None:
    outlet = MemoryOutlet()
    path = sheet(tmp_path, "at,T,RH", "2026-01-01T12:00:00Z,20,40")
    with pytest.raises(InvalidError, match=words):
        run(path, columns, outlet, **options)
    assert outlet.sent == []


def test_an_unknown_channel_and_a_missing_file(tmp_path: Path) -> None:
    path = sheet(tmp_path, "at,T", "2026-01-01T12:00:00Z,20")
    with pytest.raises(NotFoundError):
        run(path, {"T": "nowhere"}, MemoryOutlet())
    with pytest.raises(InvalidError, match="cannot be read"):
        run(tmp_path / "none.csv", {"T": "room-temp"}, MemoryOutlet())
    with pytest.raises(InvalidError, match="no broker"):
        replay(path, {"T": "room-temp"}, Settings(channels=(ROOM,)))
    (tmp_path / "none.csv").touch()
    with pytest.raises(InvalidError, match="empty"):
        run(tmp_path / "none.csv", {"T": "room-temp"}, MemoryOutlet())
    with pytest.raises(InvalidError, match=r"date and time.*the columns are: a, T"):
        run(sheet(tmp_path, "a,T", "x,20"), {"T": "room-temp"}, MemoryOutlet())


def minutes(tmp_path: Path, n: int) -> Path:
    rows = [f"{1_767_268_800 + 60 * i},{20 + i / 100}" for i in range(n)]
    return sheet(tmp_path, "at,T", *rows)


def test_ctrl_c_stops_cleanly_and_says_how_far_it_came(tmp_path: Path) -> None:
    path = minutes(tmp_path, 10)
    outlet = MemoryOutlet(stop_after=4)
    done = run(path, {"T": "room-temp"}, outlet, time_column="at")
    assert (done.stopped, done.acknowledged_n, done.last_line) == (True, 4, 4)
    assert outlet.drained
    event = threading.Event()
    done = run(
        path, {"T": "room-temp"}, MemoryOutlet(4, event), time_column="at", stop=event, speed=1e9
    )
    assert (done.stopped, done.rows_n, done.last_line) == (True, 4, 5)


def test_progress_ends_at_the_whole_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "PROGRESS_EVERY_N", 10)
    seen: list[Progress] = []
    run(
        minutes(tmp_path, 35),
        {"T": "room-temp"},
        MemoryOutlet(),
        time_column="at",
        progress=seen.append,
    )
    assert [progress.rows_n for progress in seen] == [10, 20, 30, 35]
    assert seen[-1].share == 1.0


def test_the_pace_follows_the_recording(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A clock of our own: each wait is what the recording has between its rows, over speed."""
    now_s = 0.0
    waits: list[float] = []

    class Clock(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            nonlocal now_s
            waits.append(timeout or 0.0)
            now_s += timeout or 0.0
            return False

    monkeypatch.setattr(module, "monotonic", lambda: now_s)
    path = minutes(tmp_path, 4)
    run(path, {"T": "room-temp"}, MemoryOutlet(), time_column="at", speed=60.0, stop=Clock())
    assert waits == pytest.approx([1.0, 1.0, 1.0], abs=1e-9)


def test_a_broker_that_is_not_there_is_said(tmp_path: Path) -> None:
    broker = broker_settings(f"mqtt://127.0.0.1:{free_port()}")
    outlet = Publisher(broker, connect_limit_s=0.5)
    with pytest.raises(BrokerError, match="no connection"):
        replay(minutes(tmp_path, 2), {"T": "room-temp"}, SETTINGS, time_column="at", outlet=outlet)


def test_a_broker_that_goes_away_is_given_up_after_a_while(tmp_path: Path) -> None:
    with embedded() as broker:
        publisher = Publisher(broker_settings(broker.url), silence_limit_s=0.6)
        with publisher:
            publisher.publish("cellar/vat", b"1")
            publisher.drain()
            assert (publisher.sent_n, publisher.acknowledged_n) == (1, 1)
            broker.stop()
            publisher.publish("cellar/vat", b"2")
            with pytest.raises(BrokerError, match="connection"):
                publisher.drain()
        with pytest.raises(InvalidError, match="wildcard"):
            publisher.publish("cellar/#", b"1")
