"""From the spool to the server: whatever goes wrong, each reading is there once and is counted."""

from __future__ import annotations

import dataclasses
import random
import threading
from collections.abc import Callable, Iterator, Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from collector.errors import StoreError
from collector.influx_settings import InfluxSettings
from collector.readings import Reading
from collector.spool import Spool
from collector.store import flux
from collector.store.contract import Accounts, Appended, Arrival, Deliveries, Delivery
from collector.store.influx import InfluxServer, answer_of, ms_of_text
from collector.store.influx_drain import BATCH_READINGS_N, Drain
from collector.store.influx_store import InfluxStore
from collector.store.settling import TAKEN, Answer, Fate, deliver
from tests.brokers import wait_until
from tests.influx_double import (
    DROPPED,
    DROPPED_AFTER,
    ORG,
    TOKEN,
    Fault,
    InfluxDouble,
    Rights,
)
from tests.stores import arrivals

NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z


@pytest.fixture
def double() -> Iterator[InfluxDouble]:
    with InfluxDouble() as running:
        yield running


@pytest.fixture
def settings(double: InfluxDouble) -> InfluxSettings:
    return InfluxSettings(double.url, ORG, TOKEN)


class Bench:
    """A spool and a drain without its thread, stepped by hand."""

    def __init__(self, settings: InfluxSettings, path: Path) -> None:
        self.spool = Spool(path, fits=(flux.FIRST_MS, flux.LAST_MS))
        self.server = InfluxServer(settings, timeout_s=5)
        self.drain = Drain(self.spool, self.server)

    def put(self, rows: Sequence[tuple[int, float]], channel: str = "vat-north") -> None:
        self.spool.put(arrivals(channel, [(NOON_MS + at, value) for at, value in rows]))

    def fates(self, steps_n: int = 1) -> list[Fate | None]:
        found = [self.drain.step() for _ in range(steps_n)]
        return [answer.fate if answer else None for answer in found]

    def close(self) -> None:
        self.server.close()
        self.spool.close()


@pytest.fixture
def bench(settings: InfluxSettings, tmp_path: Path) -> Iterator[Bench]:
    opened = Bench(settings, tmp_path / "spool.db")
    yield opened
    opened.close()


def counted(stored: int, **others: int) -> Accounts:
    """Accounts of messages that hold one reading each."""
    duplicate, refused = others.get("duplicate", 0), others.get("refused", 0)
    received = stored + duplicate + refused
    return Accounts(
        received, stored, duplicate, refused, received, stored, duplicate, refused,
        others.get("conflicts", 0),
    )  # fmt: skip


# -- what an answer means --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "fate"),
    [
        (400, Fate.DIVIDE), (413, Fate.DIVIDE), (422, Fate.DIVIDE),
        (401, Fate.STOP), (403, Fate.STOP), (404, Fate.STOP), (301, Fate.STOP), (405, Fate.STOP),
        (408, Fate.LATER), (429, Fate.LATER), (500, Fate.LATER), (502, Fate.LATER),
        (503, Fate.LATER), (504, Fate.LATER),
    ],
)  # fmt: skip
def test_each_status_has_its_consequence(status: int, fate: Fate) -> None:
    answer = answer_of(status, b'{"code":"x","message":"in its \\"own\\" words"}', None, "vatside")
    assert answer.fate is fate
    assert f'status {status}: in its "own" words' in answer.words
    assert (answer.remedy is not None) == (fate is Fate.STOP)


@pytest.mark.parametrize(
    ("text", "seconds"), [("30", 30.0), ("0", 0.0), (None, None), ("Wed, 21 Oct", None), ("-1", 0)]
)
def test_the_wish_for_a_pause_is_read(text: str | None, seconds: float | None) -> None:
    assert answer_of(429, b"", text, "vatside").retry_after_s == seconds


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        ("1970-01-01T00:00:00Z", 0),
        ("1969-12-31T23:59:59.999Z", -1),
        ("2026-01-01T12:00:00.5Z", NOON_MS + 500),
        ("2026-01-01T12:00:00.123456789Z", NOON_MS + 123),
        ("1677-09-21T00:12:43.146Z", flux.FIRST_MS),
    ],
)
def test_times_are_read_as_the_server_writes_them(text: str, ms: int) -> None:
    assert ms_of_text(text) == ms


# -- dividing --------------------------------------------------------------------------------


class Picky:
    """Takes a write without a bad line, and of others the good ones or nothing."""

    def __init__(self, *, partly: bool) -> None:
        self.partly = partly
        self.kept: list[str] = []
        self.calls = 0

    def __call__(self, lines: Sequence[str]) -> Answer:
        self.calls += 1
        bad = any("bad" in line for line in lines)
        self.kept += [line for line in lines if "bad" not in line] if self.partly or not bad else []
        return Answer(Fate.DIVIDE, "no") if bad else TAKEN


@pytest.mark.parametrize("partly", [False, True])
@pytest.mark.parametrize("bad", [(), (0,), (99,), (3, 4, 50), tuple(range(100))])
def test_a_batch_is_divided_until_the_offending_lines_are_alone(
    partly: bool, bad: tuple[int, ...]
) -> None:
    lines = [f"bad {i}" if i in bad else f"good {i}" for i in range(100)]
    server = Picky(partly=partly)
    assert deliver(lines, server) == dict.fromkeys(bad, "no")
    assert set(server.kept) == {line for line in lines if "bad" not in line}
    assert server.calls <= 1 + 2 * 7 * len(bad)


def test_a_division_that_breaks_off_tells_of_no_line(double: InfluxDouble) -> None:
    answers = iter([Answer(Fate.DIVIDE, "no"), TAKEN, Answer(Fate.LATER, "away")])
    assert deliver(["a", "b"], lambda _: next(answers)) == Answer(Fate.LATER, "away")


def test_a_line_of_another_type_is_refused_alone(bench: Bench, double: InfluxDouble) -> None:
    """Somebody else wrote this measurement's marks as a float for one series before."""
    double.bucket.types["reading", "marks"] = "float"
    bench.put([(0, 20.0), (1, 21.0)])
    assert bench.fates(2) == [Fate.TAKEN, None]
    assert bench.spool.accounts() == counted(0, refused=2)
    reason = bench.spool.refused()[0].reason
    assert reason.startswith(f"vat-north: 21 at {NOON_MS + 1} ms is not taken: InfluxDB refuses it")
    assert "field type conflict" in reason


def test_what_is_beyond_the_retention_is_refused_and_the_rest_kept(
    bench: Bench, double: InfluxDouble
) -> None:
    now_ms = 2_000_000_000_000  # far ahead of any clock
    double.bucket.retention_s = 3_600
    rows = [(now_ms + at, 20.0 + at) for at in range(50)]
    old = [(1_000 + at, 10.0) for at in range(3)]
    mixed = rows[:20] + old[:1] + rows[20:30] + old[1:] + rows[30:]
    bench.spool.put(arrivals("vat-north", mixed))
    assert bench.fates() == [Fate.TAKEN]
    assert double.values("vat-north") == dict(rows)
    assert bench.spool.accounts() == counted(50, refused=3)
    bench.spool.put(arrivals("vat-north", old[:1]))  # again: refused again, not a duplicate
    assert bench.fates() == [Fate.TAKEN]
    assert bench.spool.accounts() == counted(50, refused=4)


def test_a_repeat_of_what_is_refused_in_the_same_batch_is_refused_too(
    bench: Bench, double: InfluxDouble
) -> None:
    double.bucket.retention_s = 3_600
    bench.spool.put(arrivals("vat-north", [(1_000, 10.0), (1_000, 10.0)]))
    assert bench.fates() == [Fate.TAKEN]
    assert bench.spool.accounts() == counted(0, refused=2)


def test_a_batch_that_is_too_large_goes_in_parts(bench: Bench, double: InfluxDouble) -> None:
    double.most_bytes = 2_000
    bench.put([(at, 20.0) for at in range(500)])
    assert bench.fates() == [Fate.TAKEN]
    assert bench.spool.accounts() == counted(500)
    assert len(double.values("vat-north")) == 500


# -- never counted before it is there --------------------------------------------------------


@pytest.mark.parametrize("fault", [Fault(503), Fault(429, "7"), Fault(408), DROPPED, DROPPED_AFTER])
def test_nothing_is_counted_until_the_server_has_said_so(
    bench: Bench, double: InfluxDouble, fault: Fault
) -> None:
    bench.put([(0, 20.0), (1, 21.0)])
    bench.put([(1, 99.0)])
    assert bench.drain._learn([Reading("vat-north", NOON_MS, 20.0)]) == TAKEN
    double.faults.append(fault)
    assert bench.fates() == [Fate.LATER]
    assert bench.spool.accounts() == Accounts()
    assert bench.spool.waiting_n() == 3
    assert len(double.values("vat-north")) == (2 if fault is DROPPED_AFTER else 0)
    assert bench.fates(2) == [Fate.TAKEN, None]
    assert bench.spool.accounts() == counted(3, conflicts=1)
    assert double.values("vat-north") == {NOON_MS: 20.0, NOON_MS + 1: 21.0}


def test_a_batch_written_in_part_is_not_counted(bench: Bench, double: InfluxDouble) -> None:
    """422 keeps the good lines, then the server goes away before the halves are through."""
    double.bucket.retention_s = 3_600
    bench.spool.put(arrivals("vat-north", [(2_000_000_000_000, 20.0), (1_000, 10.0)]))
    assert bench.drain._learn([Reading("vat-north", 1_000, 1.0)]) == TAKEN
    assert bench.drain._learn([Reading("vat-north", 2_000_000_000_000, 1.0)]) == TAKEN
    taken: list[int] = []
    write = bench.server.write

    def then_away(lines: Sequence[str]) -> Answer:
        double.away = len(taken) > 0
        taken.append(len(lines))
        return write(lines)

    bench.server.write = then_away  # type: ignore[method-assign]
    assert bench.fates() == [Fate.LATER]
    assert double.values("vat-north") == {2_000_000_000_000: 20.0}
    assert bench.spool.accounts() == Accounts()
    double.away = False
    bench.server.write = write  # type: ignore[method-assign]
    assert bench.fates() == [Fate.TAKEN]
    assert bench.spool.accounts() == counted(1, refused=1)


def test_a_server_that_fails_at_random_gets_everything_once(
    settings: InfluxSettings, double: InfluxDouble, tmp_path: Path
) -> None:
    """Five kinds of fault in three of ten requests, and a model of what has to come of it."""
    dice = random.Random(4)
    double.chance = (random.Random(5), 0.3)
    first: dict[tuple[str, int], float] = {}
    seconds: set[tuple[str, int, float]] = set()
    duplicates = 0
    with InfluxStore(settings, tmp_path / "spool.db", patience_s=0, first_pause_s=0.001) as store:
        for _ in range(300):
            channel = dice.choice(["vat-north", "vat-south", "room-temp"])
            rows = [
                (NOON_MS + dice.randrange(400) * 60_000, float(dice.randrange(3))) for _ in range(5)
            ]
            store.append(arrivals(channel, rows))
            for time_ms, value in rows:
                if first.setdefault((channel, time_ms), value) == value or (
                    (channel, time_ms, value) in seconds
                ):
                    duplicates += 1
                else:
                    seconds.add((channel, time_ms, value))
        duplicates -= len(first)
        wait_until(lambda: store.waiting_n == 0, "the spool is empty", 60)
        double.chance = None
        accounts = store.accounts()
        stored = len(first) + len(seconds)
        assert accounts == counted(stored, duplicate=duplicates, conflicts=len(seconds))
        for channel in ("vat-north", "vat-south", "room-temp"):
            want = {at: value for (name, at), value in first.items() if name == channel}
            assert double.values(channel) == want
            others = store.conflicts(channel, NOON_MS, NOON_MS + 10**9)
            assert {(channel, one.time_ms, one.value) for one in others} == {
                one for one in seconds if one[0] == channel
            }


# -- stopping, waiting, and saying so --------------------------------------------------------


def told(tmp_path: Path, settings: InfluxSettings, act: Callable[[InfluxStore], None]) -> list[str]:
    said: list[str] = []
    path = tmp_path / "spool.db"
    with InfluxStore(settings, path, say=said.append, patience_s=20, first_pause_s=0.01) as store:
        act(store)
    return said


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"token": "nobody"}, "does not know the token (status 401"),
        ({"token": "readers-t0ken"}, "The token may not do that with bucket vatside (status 403"),
        ({"bucket": "attic"}, "has no bucket attic in that organization (status 404"),
    ],
)
def test_what_calls_for_a_person_stops_the_writing_and_is_said_once(
    settings: InfluxSettings,
    double: InfluxDouble,
    tmp_path: Path,
    change: dict[str, str],
    words: str,
) -> None:
    double.tokens["readers-t0ken"] = Rights(write=frozenset())
    wrong = dataclasses.replace(settings, **change)  # type: ignore[arg-type]

    def act(store: InfluxStore) -> None:
        for at in range(3):  # the spool goes on keeping
            assert store.append(arrivals("vat-north", [(NOON_MS + at, 20.0)])) == Appended()
        assert words in (store.fault or "")
        assert store.waiting_n == 3

    (said,) = told(tmp_path, wrong, act)
    assert words in said
    assert "start the collector again. Until then readings wait on disk." in said
    assert TOKEN not in said
    requests = len(double.requests)
    assert requests <= 2
    right = told(tmp_path, settings, lambda store: wait_until(lambda: not store.waiting_n, "sent"))
    assert right == []
    assert len(double.values("vat-north")) == 3


def test_a_server_that_is_away_is_said_once_and_so_is_its_return(
    settings: InfluxSettings, double: InfluxDouble, tmp_path: Path
) -> None:
    double.away = True

    def act(store: InfluxStore) -> None:
        assert store.append(arrivals("vat-north", [(NOON_MS, 20.0)])) == Appended()
        assert store.append(arrivals("vat-north", [(NOON_MS + 1, 20.0)])) == Appended()
        with pytest.raises(StoreError, match="does not answer"):
            store.latest()
        double.away = False
        wait_until(lambda: store.waiting_n == 0, "what waited is sent")
        wait_until(lambda: store.fault is None, "the fault is over")
        assert store.append(arrivals("vat-north", [(NOON_MS + 2, 20.0)])) == Appended(stored=1)

    away, back = told(tmp_path, settings, act)
    assert "InfluxDB does not answer" in away
    assert "Readings wait on disk and go there by themselves." in away
    assert back == "InfluxDB takes readings again; nothing was lost."


def test_a_server_that_nobody_listens_at(tmp_path: Path) -> None:
    settings = InfluxSettings("http://127.0.0.1:9", ORG, TOKEN)
    said = told(
        tmp_path,
        settings,
        lambda store: None if store.append(arrivals("a", [(1, 1.0)])) else pytest.fail("counted"),
    )
    assert "http://127.0.0.1:9: InfluxDB does not answer" in said[0]


class Stranger(BaseHTTPRequestHandler):
    """Something else on that port, which finds everything in order."""

    def log_message(self, *_: object) -> None:
        pass

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        page = b"<!doctype html><title>welcome</title>"
        self.send_response(200)
        self.send_header("Content-Length", str(len(page)))
        self.end_headers()
        self.wfile.write(page)


def test_another_server_that_says_yes_to_everything_is_not_believed(tmp_path: Path) -> None:
    with ThreadingHTTPServer(("127.0.0.1", 0), Stranger) as other:
        thread = threading.Thread(target=other.serve_forever, args=(0.05,))
        thread.start()
        settings = InfluxSettings(f"http://127.0.0.1:{other.server_address[1]}", ORG, TOKEN)
        server = InfluxServer(settings)
        answer = server.write(["a value=1 1"])
        assert (answer.fate, "status 200 instead of 204" in answer.words) == (Fate.LATER, True)
        with pytest.raises(StoreError, match=r"no InfluxDB 2 .*Correct url in \[influx\]"):
            server.rows(flux.latest(flux.Place("vatside", "reading")))
        server.close()

        def act(store: InfluxStore) -> None:
            assert store.append(arrivals("vat-north", [(NOON_MS, 20.0)])) == Appended()
            assert (store.waiting_n, store.accounts()) == (1, Accounts())

        (said,) = told(tmp_path, settings, act)
        assert "no InfluxDB 2" in said
        other.shutdown()
        thread.join()


def test_a_mistake_of_ours_is_told_and_the_work_goes_on(
    settings: InfluxSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mistakes = iter([TypeError("no such thing")])

    def wrong(drain: Drain, points: object) -> list[str]:
        for mistake in mistakes:
            raise mistake
        return lines(drain, points)  # type: ignore[arg-type]

    lines = Drain._lines
    monkeypatch.setattr(Drain, "_lines", wrong)

    def act(store: InfluxStore) -> None:
        store.append(arrivals("vat-north", [(NOON_MS, 20.0)]))
        wait_until(lambda: store.waiting_n == 0, "it is sent after all")
        wait_until(lambda: store.fault is None, "the fault is over")

    wrongly, back = told(tmp_path, settings, act)
    assert "The hand-over failed (TypeError: no such thing)" in wrongly
    assert "nothing was lost" in back


def test_a_full_spool_takes_nothing_more_and_says_so(
    settings: InfluxSettings, double: InfluxDouble, tmp_path: Path
) -> None:
    double.away = True
    small = dataclasses.replace(settings, spool_limit_mb=1)
    long = Arrival("cellar/x", NOON_MS, (Reading("vat-north", NOON_MS, 1.0),), (), b"x" * 16_000)

    def act(store: InfluxStore) -> None:
        while store.waiting_n < 60:
            store.append([long])
        with pytest.raises(StoreError, match=r"spool is full: 1 MB wait.*raise spool_limit_mb"):
            store.append([long] * 6)
        kept = store.waiting_n
        assert kept == 60
        double.away = False
        wait_until(lambda: store.waiting_n == 0, "the spool empties")
        store.append([long])
        assert store.accounts().messages_received == kept + 1

    told(tmp_path, small, act)


def test_what_is_through_before_it_is_asked_for_is_counted_as_what_it_is(bench: Bench) -> None:
    """The thread may be faster than the append that waits for it."""
    for rows, want in (
        ([(0, 1.0), (1, 1.0)], Appended(stored=2)),
        ([(1, 1.0), (1, 2.0), (2, 1.0)], Appended(1, 1, 1)),
    ):
        bench.drain.expect()
        bench.put(rows)
        last = bench.spool.take(10)[-1].number
        assert bench.fates() == [Fate.TAKEN]
        assert bench.drain.settled(last - len(rows) + 1, last, patience_s=0) == want


def test_batches_hold_no_more_than_the_server_likes(bench: Bench, double: InfluxDouble) -> None:
    bench.put([(at, 1.0) for at in range(BATCH_READINGS_N + 10)])
    assert bench.fates(3) == [Fate.TAKEN, Fate.TAKEN, None]
    assert [len(batch) for batch in double.written] == [BATCH_READINGS_N, 10]


# -- messages that are told by their delivery ------------------------------------------------


def test_a_message_that_was_kept_before_is_a_duplicate_whatever_it_holds(bench: Bench) -> None:
    readings = tuple(Reading("vat-north", NOON_MS + at, 20.0) for at in range(2))
    sent = Arrival("x", NOON_MS, readings, undated=True, delivery=Delivery(1, 7, b"d" * 16))
    bench.spool.put([sent])
    assert bench.spool.deliveries() == Deliveries((Delivery(1, 7, b"d" * 16),), 0)
    later = tuple(Reading("vat-north", NOON_MS + 500 + at, 20.0) for at in range(2))
    bench.spool.put([Arrival("x", NOON_MS + 500, later, undated=True, again=True)], settled=1)
    assert bench.spool.deliveries().settled == 1
    assert bench.fates() == [Fate.TAKEN]
    accounts = bench.spool.accounts()
    assert (accounts.readings_stored, accounts.readings_duplicate) == (2, 2)
    assert (accounts.messages_stored, accounts.messages_duplicate) == (1, 1)


# -- preparing -------------------------------------------------------------------------------


def test_bucket_retention_and_task_are_prepared_and_then_left_alone(
    settings: InfluxSettings, double: InfluxDouble
) -> None:
    double.buckets.clear()
    server = InfluxServer(settings)
    try:
        with pytest.raises(StoreError, match="status 403"):
            server.prepare()
        double.tokens[TOKEN] = Rights(admin=True)
        said = server.prepare(keep_days=400, minutes_days=0)
        assert said[0] == "Bucket vatside made; what is in it is kept 400 days."
        assert double.bucket.retention_s == 400 * 86_400
        assert double.buckets["vatside-minutes"].retention_s == 0
        (task,) = double.tasks
        assert task["flux"] == flux.minutes_task(
            flux.Place("vatside", "reading"), "vatside-minutes"
        )
        again = server.prepare(keep_days=400, minutes_days=0)
        assert [line.split(" is ")[0] for line in again] == [
            "Bucket vatside", "Bucket vatside-minutes", "The task for bucket vatside-minutes",
        ]  # fmt: skip
        assert len(double.tasks) == 1
        assert server.prepare() == ["Bucket vatside is there; what is in it is kept 400 days."]
        assert server.prepare(keep_days=30) == [
            "Bucket vatside was there; what is in it is kept 30 days from now on."
        ]
        assert double.bucket.retention_s == 30 * 86_400
    finally:
        server.close()


def test_two_collectors_cannot_have_the_same_spool(
    settings: InfluxSettings, tmp_path: Path
) -> None:
    with (
        InfluxStore(settings, tmp_path / "spool.db"),
        pytest.raises(StoreError, match="Another process writes"),
    ):
        InfluxStore(settings, tmp_path / "spool.db")
    InfluxStore(settings, tmp_path / "spool.db").close()


def test_appends_and_reads_from_many_threads(
    settings: InfluxSettings, double: InfluxDouble, tmp_path: Path
) -> None:
    with InfluxStore(settings, tmp_path / "spool.db", patience_s=20) as store:
        faults: list[str] = []

        def work(channel: str) -> None:
            for at in range(30):
                store.append(arrivals(channel, [(NOON_MS + at, 1.0)]))
                if not store.accounts().balanced or store.count(channel) != at + 1:
                    faults.append(f"{channel} {at}")

        threads = [threading.Thread(target=work, args=(f"channel-{n}",)) for n in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert faults == []
        assert store.count() == 120
