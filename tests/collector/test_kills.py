"""The collector is killed without warning, and the disk fails it: every reading is kept once."""

from __future__ import annotations

import contextlib
import csv
import html
import os
import random
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import psutil
import pytest
from fastapi.testclient import TestClient

from api.record import Record
from api.workshop import Workshop
from collector.config import Settings, StoreSettings
from collector.publisher import Publisher
from collector.readings import Role
from collector.replay import Replayed, replay
from collector.status import FILE, read_status
from collector.store.sqlite import SqliteStore
from dashboards.app import create_app
from tests.brokers import (
    CollectorProcess,
    broker_settings,
    embedded,
    mosquitto,
    wait_for_count,
    wait_until,
)
from tests.collector.test_recordings import channel
from tests.recordings import program, recording

SETTINGS = """
[store]
folder = "kept"
[[channel]]
id = "room-temp"
role = "room_temperature"
topic = "cellar/room-temp"
value = "/value"
time = "/at"
[[channel]]
id = "room-humidity"
role = "room_humidity"
topic = "cellar/room-humidity"
value = "/value"
time = "/at"
"""


@pytest.fixture
def settings_path(tmp_path: Path) -> Path:
    path = tmp_path / "vatside.toml"
    path.write_text(SETTINGS)
    return path


def settings_of(settings_path: Path) -> Settings:
    return Settings(
        store=StoreSettings(settings_path.parent / "kept"),
        channels=(
            channel("room-temp", Role.ROOM_TEMPERATURE),
            channel("room-humidity", Role.ROOM_HUMIDITY),
        ),
    )


def sheet(path: Path, rows_n: int) -> Path:
    """A recording of our own: every value different, so that a mix-up would show."""
    lines = ["time,Temperature,Humidity"]
    lines += [
        f"{1_767_268_800 + 30 * i},{18 + i / 1_000:.3f},{40 + i / 1_000:.3f}" for i in range(rows_n)
    ]
    path.write_text("\n".join(lines) + "\n")
    return path


class Background:
    """A replay in a thread of its own."""

    def __init__(self, path: Path, settings: Settings, url: str, **options: object) -> None:
        self.done: Replayed | None = None
        self._thread = threading.Thread(target=self._run, args=(path, settings, url, options))
        self._thread.start()

    def _run(self, path: Path, settings: Settings, url: str, options: dict[str, object]) -> None:
        columns = {"Temperature": "room-temp", "Humidity": "room-humidity"}
        self.done = replay(path, columns, settings, broker=broker_settings(url), **options)  # type: ignore[arg-type]

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def join(self) -> Replayed:
        self._thread.join(120)
        assert self.done is not None
        return self.done


def killed_at_random(
    collector: CollectorProcess, running: Background, kills_n: int, seed: int
) -> int:
    """Kill and restart the collector while a replay runs; how often that was done."""
    chance = random.Random(seed)
    done = 0
    for _ in range(kills_n):
        time.sleep(chance.uniform(0.02, 0.9))
        if not running.running:
            break
        collector.kill()
        collector.start()
        done += 1
    return done


def kept_once(settings: Settings, want: dict[str, dict[int, float]]) -> None:
    """The store has every reading wanted, each once with its value, and the accounts add up."""
    total = sum(len(readings) for readings in want.values())
    with SqliteStore(settings.store.readings_path, read_only=True) as store:
        wait_for_count(store, total)
        for name, readings in want.items():
            series = store.between(name, min(readings), max(readings) + 1)
            assert dict(zip(series.times_ms.tolist(), series.values.tolist(), strict=True)) == (
                readings
            )
        accounts = store.accounts()
    assert accounts.balanced
    assert accounts.readings_stored == total == accounts.messages_stored
    assert (accounts.conflicts, accounts.readings_refused) == (0, 0)
    assert accounts.readings_received == total + accounts.readings_duplicate


def values_of(rows_n: int) -> dict[str, dict[int, float]]:
    times = [(1_767_268_800 + 30 * i) * 1_000 for i in range(rows_n)]
    return {
        "room-temp": {t: float(f"{18 + i / 1_000:.3f}") for i, t in enumerate(times)},
        "room-humidity": {t: float(f"{40 + i / 1_000:.3f}") for i, t in enumerate(times)},
    }


def test_killed_while_the_embedded_broker_goes_on(settings_path: Path) -> None:
    settings = settings_of(settings_path)
    rows_n = 3_000
    path = sheet(settings_path.parent / "room.csv", rows_n)
    with (
        embedded() as broker,
        CollectorProcess(settings_path, broker.url) as collector,
    ):
        collector.wait_until_listening()
        running = Background(path, settings, broker.url, speed=rows_n * 30 / 6, time_column="time")
        assert killed_at_random(collector, running, kills_n=7, seed=1) >= 5
        assert running.join().acknowledged_n == 2 * rows_n
        kept_once(settings, values_of(rows_n))
        assert collector.stop() == 0
        assert "Traceback" not in collector.log()


@pytest.mark.services
@pytest.mark.recordings
def test_killed_twenty_times_during_the_office_recording(settings_path: Path) -> None:
    """kill -9 at 20 random moments, Mosquitto, 5,330 readings (checks.md section 9)."""
    path = recording("room_climate_office_1min.csv")
    want: dict[str, dict[int, float]] = {"room-temp": {}, "room-humidity": {}}
    with path.open() as handle:
        for row in csv.DictReader(handle):
            moment = datetime.fromisoformat(row["date"]).replace(tzinfo=UTC)
            time_ms = int(moment.timestamp()) * 1_000
            want["room-temp"][time_ms] = float(row["Temperature"])
            want["room-humidity"][time_ms] = float(row["Humidity"])
    length_s = (max(want["room-temp"]) - min(want["room-temp"])) / 1_000
    settings = settings_of(settings_path)
    with (
        mosquitto(settings_path.parent / "broker") as broker,
        CollectorProcess(settings_path, broker.url) as collector,
    ):
        collector.wait_until_listening()
        running = Background(path, settings, broker.url, speed=length_s / 30)
        assert killed_at_random(collector, running, kills_n=20, seed=2) == 20
        assert running.join().acknowledged_n == 5_330
        kept_once(settings, want)
        assert collector.stop() == 0
        assert "Traceback" not in collector.log()


@pytest.mark.services
def test_the_broker_is_killed_and_comes_back(settings_path: Path) -> None:
    """Both sides send again what was not acknowledged; the collector connects by itself."""
    settings = settings_of(settings_path)
    rows_n = 1_500
    path = sheet(settings_path.parent / "room.csv", rows_n)
    with (
        mosquitto(settings_path.parent / "broker") as broker,
        CollectorProcess(settings_path, broker.url) as collector,
    ):
        collector.wait_until_listening()
        running = Background(path, settings, broker.url, speed=rows_n * 30 / 5, time_column="time")
        for _ in range(2):
            time.sleep(1.2)
            broker.stop()  # in peace: Mosquitto writes what it holds only every second or so
            broker.start()
        running.join()
        kept_once(settings, values_of(rows_n))


# -- the disk --------------------------------------------------------------------------------


def send(url: str, first: int, n: int) -> dict[int, float]:
    """Publish ``n`` readings of the room, numbered from ``first``; what was sent."""
    sent = {}
    with Publisher(broker_settings(url)) as publisher:
        for i in range(first, first + n):
            time_ms = (1_767_268_800 + i) * 1_000
            sent[time_ms] = 18 + i / 1_000
            stamp = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time_ms / 1_000))
            payload = f'{{"at": "{stamp}", "value": {sent[time_ms]}}}'
            publisher.publish("cellar/room-temp", payload.encode())
        publisher.drain()
    return sent


def fault_shown(settings: Settings) -> str:
    """The store's fault as the Health page gets it; empty when there is none."""
    status = read_status(settings.store.folder)
    return (status.store_fault or "") if status else ""


def health_page(settings: Settings) -> str:
    """The Health page as the pages' own process would give it now."""
    with contextlib.ExitStack() as open_now:
        store = SqliteStore(settings.store.readings_path, read_only=True)
        record = Record(Path(":memory:"))
        for one in (store, record):
            open_now.callback(one.close)
        client = TestClient(create_app(Workshop(settings, store, record)))
        answer = client.get("/health")
    assert answer.status_code == 200
    return html.unescape(answer.text)


#: How long somebody else holds the store; a whole minute in the long run.
LOCKED_S = 60.0 if os.environ.get("VATSIDE_LONG") == "1" else 6.0


def test_a_store_locked_for_a_while(settings_path: Path) -> None:
    """Readings go on coming in meanwhile; all is kept once, by itself, when the lock is gone."""
    settings = settings_of(settings_path)
    with (
        embedded() as broker,
        CollectorProcess(settings_path, broker.url) as collector,
    ):
        collector.wait_until_listening()
        want = send(broker.url, 0, 50)
        with SqliteStore(settings.store.readings_path, read_only=True) as store:
            wait_for_count(store, 50)
            holder = sqlite3.connect(settings.store.readings_path, isolation_level=None)
            with contextlib.closing(holder):
                holder.execute("BEGIN IMMEDIATE")
                end_s = time.monotonic() + LOCKED_S
                while (left_s := end_s - time.monotonic()) > 0:
                    want |= send(broker.url, len(want), 250)
                    time.sleep(min(1.0, left_s))
                wait_until(lambda: "locked" in collector.log(), "the lock is said")
                wait_until(lambda: "locked" in fault_shown(settings), "Health can show it")
                told = health_page(settings)
                assert "The collector cannot store since" in told
                assert "Another process holds the readings locked" in told
                assert store.count() == 50
                holder.execute("ROLLBACK")
            wait_for_count(store, len(want))
            wait_until(lambda: not fault_shown(settings), "Health no longer shows it")
        kept_once(settings, {"room-temp": want})
        wait_until(lambda: "takes readings again" in collector.log(), "the end is said")
        assert "locked" not in health_page(settings)
        assert "Traceback" not in collector.log()


def without_rights() -> list[str]:
    """A command that takes root's right to write anywhere from the one after it."""
    if os.geteuid() != 0:
        return []
    return [program("setpriv"), "--bounding-set=-all", "--inh-caps=-all"]


def test_a_folder_that_may_not_be_written(settings_path: Path) -> None:
    settings = settings_of(settings_path)
    folder = settings.store.folder
    folder.mkdir()
    folder.chmod(0o555)
    with (
        embedded() as broker,
        CollectorProcess(settings_path, broker.url, prefix=without_rights()) as collector,
    ):
        collector.wait_until_listening()
        want = send(broker.url, 0, 200)
        wait_until(lambda: "user that runs vatside may write" in collector.log(), "it is said")
        wait_until(lambda: "may write" in fault_shown(settings), "Health can show it")
        assert "The collector cannot store since" in health_page(settings)
        assert not (folder / FILE).exists()
        assert not settings.store.readings_path.exists()
        folder.chmod(0o755)
        kept_once(settings, {"room-temp": want})
        assert "Traceback" not in collector.log()
        assert collector.stop() == 0


@contextlib.contextmanager
def small_disk(place: Path, size_kib: int) -> Iterator[Path]:
    """A file system of a given size; skips where this user may not mount one."""
    place.mkdir()
    options = ["-t", "tmpfs", "-o", f"size={size_kib}k", "tmpfs", str(place)]
    try:
        subprocess.run(["mount", *options], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("a small disk cannot be mounted by this user")
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


def test_a_full_disk(settings_path: Path) -> None:
    settings = settings_of(settings_path)
    with (
        small_disk(settings.store.folder, 12_000) as disk,
        embedded() as broker,
        CollectorProcess(settings_path, broker.url) as collector,
    ):
        collector.wait_until_listening()
        want = send(broker.url, 0, 200)
        with SqliteStore(settings.store.readings_path, read_only=True) as store:
            wait_for_count(store, 200)
            filler = disk / "somebody else's film"
            with contextlib.suppress(OSError), filler.open("wb", buffering=0) as handle:
                while True:
                    handle.write(b"x" * 4_096)
            want |= send(broker.url, 200, 5_000)
            wait_until(
                lambda: "disk is full" in collector.log() or "disk reports" in collector.log(),
                "the full disk is said",
            )
            wait_until(lambda: "disk" in fault_shown(settings), "Health can show it")
            assert "The collector cannot store since" in health_page(settings)
            assert store.count() < 5_200
            assert store.accounts().balanced
            filler.unlink()
            wait_for_count(store, 5_200)
        kept_once(settings, {"room-temp": want})
        assert "Traceback" not in collector.log()
        assert collector.stop() == 0


# -- the process -----------------------------------------------------------------------------


def test_the_collector_alone_needs_less_than_90_mb(settings_path: Path) -> None:
    settings = settings_of(settings_path)
    with (
        embedded() as broker,
        CollectorProcess(settings_path, broker.url) as collector,
    ):
        collector.wait_until_listening()
        want = send(broker.url, 0, 5_000)
        kept_once(settings, {"room-temp": want})
        assert collector.process is not None
        assert psutil.Process(collector.process.pid).memory_info().rss < 90_000_000
        assert collector.stop() == 0


def test_a_wrong_start_is_said_in_one_line(settings_path: Path) -> None:
    settings_path.write_text("[store]\nfolder = 'kept'\n")
    for options, words in (
        (["--settings", str(settings_path)], "no channel"),
        (["--settings", str(settings_path), "--broker-url", "http://x"], "no address of a broker"),
        (["--settings", str(settings_path.parent / "none.toml")], "no such file"),
    ):
        done = subprocess.run(
            [sys.executable, "-m", "collector.service", *options], capture_output=True, text=True
        )
        assert done.returncode == 1
        assert words in done.stderr
        assert len(done.stderr.splitlines()) == 1


def test_the_collector_ends_with_whoever_started_it(settings_path: Path) -> None:
    with embedded() as broker:
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "collector.service", "--settings", str(settings_path)),
                *("--broker-url", broker.url, "--until-input-closes"),
            ],
            stdin=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait(20) == 0
