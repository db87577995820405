"""The store's own work is killed without warning: not a reading is lost, doubled or changed.

``VATSIDE_LONG=1`` makes a hundred kills of each kind.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest

from collector.store import sqlite
from collector.store.checksum import Checksum
from collector.store.sqlite import SqliteStore
from collector.store.stretches import DAY_MS, HOUR_MS
from tests.collector.store.test_contract import unflushed
from tests.recordings import ROOT
from tests.stores import arrivals

KILLS_N = 100 if os.environ.get("VATSIDE_LONG") == "1" else 20

DAY_0_MS = 20_454 * DAY_MS
HOURS_N = 60
WINDOW = (DAY_0_MS, DAY_0_MS + HOURS_N * HOUR_MS)


class Worker:
    """The process that makes workers, and what is known of the last of them."""

    def __init__(self, path: Path) -> None:
        self._zygote = subprocess.Popen(
            [sys.executable, "-m", "tests.store_zygote", str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=ROOT,
        )

    def killed(self, what: str, after_s: float) -> bool:
        """Let one take a step and kill it after so long; whether it was still at work."""
        self._input.write(f"{what}\n".encode())
        self._input.flush()
        number = int(self._output.readline())
        assert self._output.readline() == b"begun\n"
        time.sleep(after_s)
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)
        code = int(self._output.readline())
        assert code in (0, -signal.SIGKILL)
        return code != 0

    def end(self) -> None:
        """Let it end by itself."""
        self._input.close()
        assert self._zygote.wait(20) == 0
        self._output.close()

    @property
    def _input(self) -> IO[bytes]:
        assert self._zygote.stdin is not None
        return self._zygote.stdin

    @property
    def _output(self) -> IO[bytes]:
        assert self._zygote.stdout is not None
        return self._zygote.stdout


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store in which nothing is packed yet, a reading every ten seconds."""
    monkeypatch.setattr(sqlite, "SETTLE_EVERY_N", 10**9)
    made = tmp_path / "rows.db"
    with contextlib.ExitStack() as opened:
        with monkeypatch.context() as quickly:
            quickly.setattr(sqlite, "open_writer", unflushed)
            store = opened.enter_context(SqliteStore(made))
            store.append([])
        n = HOURS_N * 360
        store.append(
            arrivals(
                "vat-north",
                [(DAY_0_MS + i * 10_000, 20 + (i * i) % 997 / 100) for i in range(n)],
            )
        )
    return made


@pytest.fixture
def worker(tmp_path: Path) -> Iterator[Worker]:
    made = Worker(tmp_path / "readings.db")
    yield made
    made.end()


def fresh(path: Path) -> Path:
    """The store as it was before any work, in the place where the workers work."""
    place = path.with_name("readings.db")
    for old in path.parent.glob("readings.db*"):
        old.unlink()
    shutil.copy(path, place)
    return place


def held(path: Path) -> tuple[dict[str, Checksum], int]:
    """What is in a store that is sound, and how many of its hours are packed."""
    with SqliteStore(path) as store:
        assert store.check() == []
        with contextlib.closing(sqlite3.connect(path)) as connection:
            (packed_n,) = connection.execute("SELECT count(*) FROM packed_hour").fetchone()
        return store.checksums(), int(packed_n)


def test_killed_while_it_packs(path: Path, worker: Worker) -> None:
    place = fresh(path)
    before, _ = held(place)
    chance = random.Random(1)
    left: set[int] = set()
    killed_n = 0
    while killed_n < KILLS_N:
        killed_n += worker.killed("pack", chance.uniform(0.0, 0.02))
        after, packed_n = held(place)
        assert after == before
        left.add(packed_n)
        if packed_n >= HOURS_N - 2:
            place = fresh(path)
    assert len(left - {0, HOURS_N - 2}) >= 2  # some were killed on the way


def settled(path: Path) -> Path:
    """A fresh store of which all is packed that can be."""
    place = fresh(path)
    with SqliteStore(place) as store:
        while store.settle():
            pass
    return place


def test_killed_while_it_compacts(path: Path, worker: Worker) -> None:
    place = settled(path)
    before, _ = held(place)
    chance = random.Random(2)
    killed_n = 0
    while killed_n < KILLS_N:
        killed_n += worker.killed("compact", chance.uniform(0.0, 0.02))
        assert held(place)[0] == before


def test_killed_while_it_thins(path: Path, worker: Worker) -> None:
    place = settled(path)
    with SqliteStore(place) as store:
        before = store.between("vat-north", *WINDOW)
    values = dict(zip(before.times_ms.tolist(), before.values.tolist(), strict=True))
    chance = random.Random(3)
    killed_n = 0
    left_n: set[int] = set()
    while killed_n < KILLS_N:
        killed = worker.killed("thin", chance.uniform(0.0, 0.02))
        killed_n += killed
        held(place)  # sound, and what is gone is noted
        with SqliteStore(place) as store:
            left = store.between("vat-north", *WINDOW)
            removed_n = sum(one.readings_n for one in store.removals())
        assert len(left) + removed_n == len(before)
        kept = zip(left.times_ms.tolist(), left.values.tolist(), strict=True)
        assert all(values[time_ms] == value for time_ms, value in kept)
        left_n.add(len(left))
        if not killed:  # it was through
            place = settled(path)
    assert len(left_n) > 2  # some were killed on the way
