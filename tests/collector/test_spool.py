"""The queue on disk: durable, in order, with a limit, and each reading through it once."""

from __future__ import annotations

import contextlib
import json
import math
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.errors import StoreError
from collector.influx_settings import InfluxSettings
from collector.readings import Mark, Reading
from collector.spool import Spool
from collector.store import known
from collector.store.contract import Accounts, Arrival, Change, Refusal
from collector.store.influx_store import InfluxStore
from collector.store.settling import Point, Settled
from collector.store.stretches import HOUR_MS
from tests.brokers import wait_until
from tests.influx_double import ORG, TOKEN, InfluxDouble
from tests.recordings import ROOT
from tests.stores import arrivals

NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "kept" / "spool.db"


@pytest.fixture
def spool(path: Path) -> Iterator[Spool]:
    opened = Spool(path)
    yield opened
    opened.close()


def numbers(*values: float) -> list[Arrival]:
    return arrivals("vat-north", [(NOON_MS + i, value) for i, value in enumerate(values)])


def nothing(_: sqlite3.Connection) -> None:
    """No part of its own in the transaction."""


# -- in and out ------------------------------------------------------------------------------


def test_what_went_in_comes_out_in_order_and_stays_until_it_is_settled(spool: Spool) -> None:
    assert spool.put(numbers(1.0, 2.0)) == 2
    assert spool.put(numbers(3.0)) == 3
    taken = spool.take(100)
    assert [(one.number, one.arrival.readings[0].value) for one in taken] == [
        (1, 1.0),
        (2, 2.0),
        (3, 3.0),
    ]
    assert spool.take(100) == taken
    spool.settle(2, Settled(counts=Counter(messages_received=2)), nothing)
    assert [one.number for one in spool.take(100)] == [3]
    assert (spool.waiting_n(), spool.accounts()) == (1, Accounts(messages_received=2))
    assert spool.put(numbers(4.0)) == 4


def test_an_arrival_comes_out_as_it_went_in(spool: Spool) -> None:
    sent = Arrival(
        "cellar/north/vat",
        NOON_MS,
        (Reading("vat-north", -1, -0.0, Mark.JUMP | Mark.LATE), Reading("b", 2**53, 5e-324)),
        (Refusal("/humidity is not there"), Refusal("too wet", "room-humidity")),
        b"\x00\xff payload",
        again=True,
    )
    spool.put([sent, Arrival("x", 0)])
    first, second = (one.arrival for one in spool.take(10))
    assert first == sent
    assert math.copysign(1, first.readings[0].value) == -1
    assert second == Arrival("x", 0)


def test_no_number_is_used_again_after_the_queue_was_empty(path: Path) -> None:
    for expected in (1, 2, 3):
        with contextlib.closing(Spool(path)) as spool:
            assert spool.put(numbers(1.0)) == expected
            spool.settle(expected, Settled(), nothing)


def test_a_batch_is_cut_at_a_number_of_readings_but_never_empty(spool: Spool) -> None:
    wide = Arrival("x", 0, tuple(Reading("a", at, 1.0) for at in range(30)))
    spool.put([wide, wide, wide])
    assert [len(spool.take(n)) for n in (1, 59, 60, 89, 90)] == [1, 1, 2, 2, 3]


def test_what_no_store_can_keep_is_refused_on_the_way_in(path: Path) -> None:
    with contextlib.closing(Spool(path, fits=(0, 1_000))) as spool:
        good, nan = Reading("a", 999, 1.0), Reading("a", 5, math.nan)
        early, late = Reading("b", -1, 1.0), Reading("b", 1_000, 1.0)
        spool.put([Arrival("x", 0, (early, good, nan, late), (Refusal("bad"),))])
        (one,) = spool.take(10)
    assert one.arrival.readings == (good,)
    assert [refusal.channel for refusal in one.arrival.refusals] == [None, "b", "a", "b"]


def test_the_queue_has_a_limit_and_says_so(path: Path) -> None:
    long = Arrival("x", 0, (), (Refusal("bad"),), b"x" * 1_000)
    with contextlib.closing(Spool(path, limit_bytes=12_000)) as spool:
        spool.put([long] * 10)
        with pytest.raises(StoreError, match="The spool is full") as caught:
            spool.put([long])
        assert caught.value.where == str(path)
    with contextlib.closing(Spool(path, limit_bytes=12_000)) as spool:  # and after a restart
        with pytest.raises(StoreError, match="The spool is full"):
            spool.put([long])
        spool.settle(5, Settled(), nothing)
        spool.put([long] * 5)
        assert spool.waiting_n() == 10


def test_a_settling_that_fails_changes_nothing(spool: Spool) -> None:
    spool.put(numbers(1.0))

    def fail(_: sqlite3.Connection) -> None:
        raise RuntimeError("as the test wants it")

    with pytest.raises(RuntimeError):
        spool.settle(
            1, Settled(counts=Counter(messages_received=1), touched={"vat-north": (0, 0)}), fail
        )
    assert (spool.waiting_n(), spool.accounts()) == (1, Accounts())
    assert spool.changes(0).changes == ()
    spool.settle(1, Settled(touched={"vat-north": (3, 4)}), nothing)
    assert spool.changes(0).changes == (Change("vat-north", 3, 4),)


# -- the file --------------------------------------------------------------------------------


def test_every_commit_is_flushed(spool: Spool) -> None:
    with spool.looking() as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL


def test_a_reader_needs_the_file_and_changes_nothing(path: Path) -> None:
    looker = Spool(path, read_only=True)
    with pytest.raises(StoreError, match="No readings are kept here yet"):
        looker.accounts()
    assert not path.parent.exists()
    with contextlib.closing(Spool(path)) as spool:
        spool.put(numbers(1.0))
        assert (looker.waiting_n(), looker.accounts()) == (1, Accounts())


def test_a_file_of_another_program_is_left_alone(path: Path) -> None:
    path.parent.mkdir()
    with contextlib.closing(sqlite3.connect(path)) as theirs, theirs:
        theirs.execute("CREATE TABLE theirs (x)")
    with pytest.raises(StoreError, match="another program"):
        Spool(path)
    path.write_bytes(b"these are notes about resin, not readings\n" * 40)
    with pytest.raises(StoreError, match="not a database"):
        Spool(path)


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "in-the-way").write_text("a file")
    with pytest.raises(StoreError, match="spool cannot be opened"):
        Spool(tmp_path / "in-the-way" / "spool.db")


# -- killed between spool and server ---------------------------------------------------------


def test_killed_a_hundred_times_every_reading_is_there_once(tmp_path: Path) -> None:
    """SIGKILL at random moments while batches go from a sender through the spool to a server."""
    rows = [(NOON_MS + at * 1_000, 20 + at / 1_000) for at in range(60_000)]
    (tmp_path / "rows.json").write_text(json.dumps(rows))
    dice, left_waiting, killed = random.Random(1), 0, 0
    with InfluxDouble() as double:
        zygote = subprocess.Popen(
            [sys.executable, "-m", "tests.influx_zygote", double.url, str(tmp_path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
            cwd=ROOT,
        )
        assert zygote.stdin
        assert zygote.stdout
        looker = Spool(tmp_path / "spool.db", read_only=True)
        while killed < 100:
            print("go", file=zygote.stdin)
            child = int(zygote.stdout.readline())
            time.sleep(dice.uniform(0.02, 0.12))
            os.kill(child, signal.SIGKILL)
            assert int(zygote.stdout.readline()) == -signal.SIGKILL, "it was through too early"
            killed += 1
            with contextlib.suppress(StoreError):  # killed before the file was made
                left_waiting += looker.waiting_n() > 0
        print("go", file=zygote.stdin)
        zygote.stdout.readline()
        assert int(zygote.stdout.readline()) == 0
        zygote.stdin.close()
        zygote.wait(10)
        zygote.stdout.close()
        assert double.values("vat-north") == dict(rows)
    accounts = looker.accounts()
    assert (killed, accounts.balanced, looker.waiting_n()) == (100, True, 0)
    assert accounts.readings_stored == accounts.messages_stored == len(rows)
    assert (accounts.conflicts, accounts.readings_refused) == (0, 0)
    assert left_waiting > 10  # the kills did fall between spool and server


# -- the server away for an hour -------------------------------------------------------------


def test_an_hour_without_a_server_loses_nothing_and_keeps_the_order(
    path: Path,
) -> None:
    """Eight channels at 1 Hz for an hour while nobody answers, and what comes meanwhile."""
    channels = [f"channel-{n}" for n in range(8)]

    def traffic(begin_s: int, end_s: int) -> None:
        for batch_s in range(begin_s, end_s, 20):
            store.append(
                [
                    Arrival(
                        "cellar/all",
                        NOON_MS + at_s * 1_000,
                        tuple(
                            Reading(name, NOON_MS + at_s * 1_000, at_s / 100) for name in channels
                        ),
                    )
                    for at_s in range(batch_s, batch_s + 20)
                ]
            )

    with InfluxDouble() as double:
        settings = InfluxSettings(double.url, ORG, TOKEN)
        with InfluxStore(settings, path, patience_s=0, first_pause_s=0.05) as store:
            double.away = True
            traffic(0, 3_600)
            assert (store.waiting_n, store.accounts()) == (3_600, Accounts())
            double.away = False
            traffic(3_600, 3_660)
            wait_until(lambda: store.waiting_n == 0, "the spool is drained", 60)
            assert store.accounts() == Accounts(3_660, 3_660, 0, 0, 29_280, 29_280, 0, 0, 0)
        for name in channels:
            want = {NOON_MS + at_s * 1_000: at_s / 100 for at_s in range(3_660)}
            assert double.values(name) == want
            order = [
                point.time
                for written in double.written
                for point in written
                if dict(point.tags)["channel"] == name
            ]
            assert order == sorted(want)


def test_what_came_of_late_is_what_is_known_and_what_waits(spool: Spool) -> None:
    sent = [arrivals("vat-north", [(NOON_MS + n, float(n))])[0] for n in range(6)]
    repeated = Reading("vat-north", NOON_MS + 1, 77.0)  # a second value: the first one counts
    spool.put([*sent[:3], Arrival("x", NOON_MS, (repeated,))])
    spool.put([sent[3].as_delivered(None, again=True), *sent[4:]])
    point = Point("vat-north", NOON_MS - 5, 19.5, int(Mark.LATE))
    with spool.transaction() as connection:
        known.Note("vat-north", (NOON_MS // HOUR_MS,), (point,), NOON_MS).keep(connection)
    north, south = spool.lately(["vat-north", "vat-south"], NOON_MS - 5, NOON_MS + 5, 9)
    assert list(north) == [
        Reading("vat-north", NOON_MS - 5, 19.5, Mark.LATE),
        *(Reading("vat-north", NOON_MS + n, float(n)) for n in (0, 1, 2, 4)),
    ]
    assert (south.channel, len(south)) == ("vat-south", 0)
    (newest,) = spool.lately(["vat-north"], 0, NOON_MS * 2, 2)
    assert newest.times_ms.tolist() == [NOON_MS + 4, NOON_MS + 5]
