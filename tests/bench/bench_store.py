"""Readings on disk and charts from them, in one run: bytes, milliseconds, and peers.

    .venv/bin/python -m tests.bench.bench_store [--days 365] [--years 10] [--jitter-ms 0]
                                                [--no-rows] [--no-charts] [--folder FOLDER]

One channel at one reading a second. Asked for: 1,500 buckets of the whole, a month, a day and
an hour, each up to the newest reading. Everyone is asked on a connection that is open, and
*warm*: the shortest of several calls after one that is not counted; *first*: the first call on a
new connection, the shortest of five, with the file in the system's memory.

- *vatside*: ``SqliteStore.buckets``: minimum, maximum, time-weighted mean, count and coverage,
  with gaps left out;
- *rows*: the same readings as rows of SQLite and GROUP BY (once, not repeated);
- *DuckDB*: its own table, and a Parquet file, asked the same in SQL (``tests/bench/duckdb_sql.py``;
  where a bucket is narrow the answers are compared), and once more only what GROUP BY gives by
  itself: minimum, maximum, plain mean, count.

Then the same chart of ``--years`` times as much, what inserting costs with and without packing,
how long a day of eight channels takes to pack, and how long an insert waits meanwhile. DuckDB
and pyarrow are not among the dependencies: ``.venv/bin/pip install duckdb pyarrow`` by hand, or
their part is left out and said to be.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import platform
import shutil
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from collector.readings import Reading
from collector.store import packing, sqlite, sqlite_hours
from collector.store.contract import Arrival, Buckets
from collector.store.keeping import keep_only
from collector.store.packing import Hour
from collector.store.sqlite import SqliteStore
from collector.store.sqlite_connections import open_writer
from collector.store.stretches import DAY_MS, HOUR_MS
from tests.bench.duckdb_sql import plain_sql, same_sql

START_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
CHANNEL = "vat-north"
BUCKETS_N = 1_500
GAP_LIMIT_MS = 300_000

#: A first call is made on so many new connections; the shortest counts.
FIRST_N = 5

#: What takes longer [ms] is asked once.
SLOW_MS = 1_500.0

HAS_PEERS = all(importlib.util.find_spec(name) for name in ("duckdb", "pyarrow"))

Day = tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]


# -- readings --------------------------------------------------------------------------------


def days(days_n: int, jitter_ms: int, seed: int = 1) -> Iterator[Day]:
    """A vat: the season, the day, a slow walk and a sensor of 0.01 K with its noise."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(86_400)
    walk = 0.0
    for day in range(days_n):
        times_ms = START_MS + day * DAY_MS + seconds * 1_000
        if jitter_ms:
            times_ms = times_ms + rng.integers(0, jitter_ms, len(seconds))
        steps = np.cumsum(rng.normal(0, 0.002, len(seconds)))
        celsius = 21 + 4 * np.cos(day / 58) + 1.5 * np.sin(seconds / 13_750) + 0.2 * walk + steps
        walk = 0.9 * walk + float(steps[-1])
        yield times_ms, np.round(celsius + rng.normal(0, 0.03, len(seconds)), 2)


def write(path: Path, days_n: int, jitter_ms: int) -> float:
    """A store as the collector leaves it: all packed but the newest two hours; seconds it took."""
    begin = time.perf_counter()
    newest: Day | None = None
    with closing(open_writer(path)) as connection:
        connection.execute("INSERT INTO channel (name) VALUES (?)", (CHANNEL,))
        for newest in days(days_n, jitter_ms):
            last = newest[0][0] >= START_MS + (days_n - 1) * DAY_MS
            connection.execute("BEGIN")
            write_hours(connection, newest, 22 if last else 24)
            connection.execute("COMMIT")
        connection.execute(
            "UPDATE account SET count = (SELECT packed_n FROM channel)"
            " WHERE name IN ('readings_received', 'readings_stored')"
        )
    assert newest is not None
    with SqliteStore(path) as store:
        fresh = newest[0] >= START_MS + days_n * DAY_MS - 2 * HOUR_MS
        append(store, newest[0][fresh], newest[1][fresh], 2_000)
    return time.perf_counter() - begin


def write_hours(connection: sqlite3.Connection, day: Day, hours_n: int) -> None:
    first_hour = int(day[0][0]) // HOUR_MS
    for hour in range(first_hour, first_hour + hours_n):
        own = slice(*np.searchsorted(day[0], (hour * HOUR_MS, (hour + 1) * HOUR_MS)).tolist())
        marks = np.zeros(own.stop - own.start, dtype=np.uint8)
        packed = Hour(day[0][own] - hour * HOUR_MS, day[1][own], marks)
        sqlite_hours.write_hour(connection, (1, hour), packed)
    if hours_n == 24:
        sqlite_hours.sum_day(connection, 1, first_hour // 24)


def append(
    store: SqliteStore,
    times_ms: npt.NDArray[np.int64],
    values: npt.NDArray[np.float64],
    batch_n: int,
    channels: tuple[str, ...] = (CHANNEL,),
) -> list[float]:
    """Append as the collector does, a reading a message; how long each batch took [s]."""
    took: list[float] = []
    batch: list[Arrival] = []
    for time_ms, value in zip(times_ms.tolist(), values.tolist(), strict=True):
        for channel in channels:
            batch.append(Arrival("cellar/x", time_ms, (Reading(channel, time_ms, value),)))
            if len(batch) == batch_n:
                begin = time.perf_counter()
                store.append(batch)
                took.append(time.perf_counter() - begin)
                batch = []
    if batch:
        store.append(batch)
    return took


# -- charts ----------------------------------------------------------------------------------


def timed(act: Callable[[], object], times: int = 15) -> float:
    """The shortest time of a call [ms], after one to warm up.

    The shortest, for every column: what else a shared machine does only adds.
    """
    act()
    took = []
    for _ in range(times):
        begin = time.perf_counter()
        act()
        took.append(time.perf_counter() - begin)
    return min(took) * 1_000


def windows(days_n: int) -> dict[str, tuple[int, int]]:
    end_ms = START_MS + days_n * DAY_MS
    spans = {"all": days_n * DAY_MS, "month": 30 * DAY_MS, "day": DAY_MS, "hour": HOUR_MS}
    return {name: (end_ms - span, end_ms) for name, span in spans.items() if span <= end_ms}


def chart(store: SqliteStore, window: tuple[int, int]) -> Buckets:
    return store.buckets(CHANNEL, *window, BUCKETS_N, gap_limit_ms=GAP_LIMIT_MS)


def rows_of_sqlite(folder: Path, days_n: int, jitter_ms: int) -> tuple[dict[str, float], float]:
    """Once for each window [ms]; bytes a reading."""
    path = folder / "rows.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = OFF")
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute(
            "CREATE TABLE reading (channel INTEGER, time_ms INTEGER, value REAL, marks INTEGER,"
            " PRIMARY KEY (channel, time_ms)) WITHOUT ROWID"
        )
        for times_ms, values in days(days_n, jitter_ms):
            rows = zip(times_ms.tolist(), values.tolist(), strict=True)
            connection.executemany("INSERT INTO reading VALUES (1, ?, ?, 0)", rows)
        connection.commit()
        took = {}
        for name, window in windows(days_n).items():
            begin = time.perf_counter()
            connection.execute(plain_sql("reading", window, BUCKETS_N)).fetchall()
            took[name] = (time.perf_counter() - begin) * 1_000
    size = path.stat().st_size / (days_n * 86_400)
    path.unlink()
    return took, size


@dataclass(frozen=True, slots=True)
class Peer:
    """What a peer took [ms] for each span, and its bytes a reading where they are its own."""

    name: str
    took: Mapping[str, float]
    bytes_each: float | None = None


def fetched(connection: Any, query: str) -> Any:
    return connection.execute(query).fetchnumpy()


def peers(folder: Path, days_n: int, jitter_ms: int, own: Mapping[str, Buckets]) -> Iterator[Peer]:
    """DuckDB by table and by Parquet, each asked the same and asked less."""
    import duckdb
    import pyarrow as pa
    import pyarrow.parquet as pq

    parquet, table = folder / "readings.parquet", folder / "readings.duckdb"
    schema = pa.schema([("channel", pa.int32()), ("time_ms", pa.int64()), ("value", pa.float64())])
    with pq.ParquetWriter(parquet, schema, compression="zstd") as writer:
        for times_ms, values in days(days_n, jitter_ms):
            channel = np.ones(len(times_ms), dtype=np.int32)
            writer.write_table(pa.table([channel, times_ms, values], schema=schema))
    with duckdb.connect(str(table)) as filled:
        filled.execute(f"CREATE TABLE reading AS FROM read_parquet('{parquet}') ORDER BY time_ms")
    for name, source, path in (
        ("table", "reading", table),
        ("Parquet", f"read_parquet('{parquet}')", parquet),
    ):
        bytes_each = path.stat().st_size / (days_n * 86_400)
        same, plain, first = {}, {}, {}
        for span, window in windows(days_n).items():
            query = same_sql(source, window, BUCKETS_N, GAP_LIMIT_MS)
            took: list[float] = []
            while len(took) < FIRST_N and (not took or took[0] < SLOW_MS):
                with duckdb.connect(str(table), read_only=True) as cold:
                    cold.execute("SELECT count(*) FROM reading").fetchall()
                    ms, answer = once(partial(fetched, cold, query))
                    took.append(ms)
            first[span] = min(took)
            compare(f"{span} by {name}", own[span], answer)
            with duckdb.connect(str(table), read_only=True) as warm:
                less = partial(fetched, warm, plain_sql(source, window, BUCKETS_N))
                plain[span] = timed(less, 5)
                slow = first[span] > SLOW_MS
                same[span] = first[span] if slow else timed(partial(fetched, warm, query), 5)
        yield Peer(f"DuckDB {name}, the same", same, bytes_each)
        yield Peer(f"DuckDB {name}, the same, first", first)
        yield Peer(f"DuckDB {name}, less", plain)
        path.unlink() if source != "reading" else None
    table.unlink()


def once(act: Callable[[], Any]) -> tuple[float, Any]:
    """How long a call takes [ms], and what it gives."""
    begin = time.perf_counter()
    answer = act()
    return (time.perf_counter() - begin) * 1_000, answer


def compare(span: str, own: Buckets, answer: Any) -> None:
    """Hold our buckets against DuckDB's, where both have the same edges."""
    if (own.starts_ms != answer["edge"]).any():
        return  # wide buckets of ours begin on whole minutes, hours or days
    for ours, theirs in (
        (own.counts, answer["n"]),
        (own.minima, answer["low"]),
        (own.maxima, answer["high"]),
        (own.means, answer["mean"]),
        (own.coverage, answer["coverage"]),
    ):
        np.testing.assert_allclose(ours, np.ma.filled(theirs, np.nan), rtol=0, atol=1e-6)
    print(f"DuckDB's buckets of the {span} are equal to vatside's, to 1e-6.")


# -- inserting and packing -------------------------------------------------------------------


def insert_rates(folder: Path, hours_n: int) -> None:
    """Batches of 100 readings of one channel and of eight, with packing and sums and without.

    By turns, so that what else the machine does hits both; the best of three counts.
    """
    (day,) = days(1, 0)
    eight = tuple(f"channel-{i}" for i in range(8))
    for channels, n in (((CHANNEL,), hours_n * 3_600), (eight, hours_n * 450)):
        for flushed in (True, False):
            wall: dict[bool, list[float]] = {True: [], False: []}
            cpu: dict[bool, list[float]] = {True: [], False: []}
            worst_s = []
            for turn in range(6):
                packing = turn % 2 == 0
                path = folder / f"insert-{turn}.db"
                with SqliteStore(path) as store, nothing_packed(not packing):
                    store.append([])
                    sync(store, flushed)
                    begin = time.process_time()
                    took = append(store, day[0][:n], day[1][:n], 100, channels)
                    cpu[packing].append(time.process_time() - begin)
                wall[packing].append(sum(took))
                worst_s += [max(took)] if packing else []
                path.unlink()
            ratio, cpu_ratio = (min(one[False]) / min(one[True]) for one in (wall, cpu))
            print(
                f"insert, batches of 100, {len(channels)} channels, "
                f"{'flushed' if flushed else 'not flushed'}: "
                f"{n * len(channels) / min(wall[True]):,.0f}/s with packing, ratio {ratio:.2f} "
                f"({cpu_ratio:.2f} by CPU time); longest batch {min(worst_s) * 1_000:.0f} ms"
            )


@contextmanager
def nothing_packed(asked: bool) -> Iterator[None]:
    """Rows only: nothing is packed, and nobody looks whether something is."""
    kept = sqlite.SETTLE_EVERY_N, sqlite.SETTLE_EVERY_S, sqlite_hours.packed_among
    if asked:
        sqlite.SETTLE_EVERY_N, sqlite.SETTLE_EVERY_S = 10**12, 1e12
        sqlite_hours.packed_among = lambda *_: set()
    try:
        yield
    finally:
        sqlite.SETTLE_EVERY_N, sqlite.SETTLE_EVERY_S, sqlite_hours.packed_among = kept


def sync(store: SqliteStore, flushed: bool) -> None:
    assert store._writer is not None
    store._writer.execute(f"PRAGMA synchronous = {'FULL' if flushed else 'OFF'}")


EIGHT = tuple(f"channel-{i}" for i in range(8))


def eight_channels(path: Path) -> tuple[Day, int]:
    """Eight channels at one reading a second, a day and two hours, all in rows; what comes next."""
    first, second = days(2, 0)
    n = 7_201
    with SqliteStore(path) as store:
        store.append([])
        with nothing_packed(True):
            for part in (first, (second[0][:n], second[1][:n])):
                append(store, *part, 8_000, EIGHT)
        count = store.count()
    return (second[0][n:], second[1][n:]), count


def packing_of_a_day(folder: Path) -> None:
    """A day of eight channels packed in one go; then again while inserts come."""
    path = folder / "eight.db"
    coming, n = eight_channels(path)
    again = folder / "again.db"
    shutil.copy(path, again)
    with SqliteStore(path) as store:
        rows = path.stat().st_size
        slices = []
        begin, cpu = time.perf_counter(), time.process_time()
        more = True
        while more:
            slice_begin = time.perf_counter()
            more = store.settle()
            slices.append(time.perf_counter() - slice_begin)
        took, cpu = time.perf_counter() - begin, time.process_time() - cpu
        store.compact()
        print(
            f"packing a day of eight channels ({n:,} readings): {took:.2f} s ({cpu:.2f} s of CPU) "
            f"in {len(slices)} slices, the longest {max(slices) * 1_000:.0f} ms, the median "
            f"{statistics.median(slices) * 1_000:.0f} ms; {rows / n:.1f} bytes a reading before, "
            f"{path.stat().st_size / n:.2f} after"
        )
        begin = time.perf_counter()
        made = store.backup(folder / "backup.db")
        print(f"verified backup of it: {time.perf_counter() - begin:.2f} s, {made.bytes_n:,} bytes")
        made.path.unlink()
    path.unlink()
    inserts_while_packing(again, coming)
    again.unlink()


def inserts_while_packing(path: Path, coming: Day) -> None:
    """How long each batch of 100 waits, its own slice of packing included, until all is packed."""
    took: list[float] = []
    at = 0
    with SqliteStore(path) as store:
        store.append([])
        while store._unsettled or at < 50:
            part = slice(at, at + 25)  # two batches
            took += append(store, coming[0][part], coming[1][part], 100, EIGHT)
            at += 25
        print(
            f"inserting batches of 100 while that is packed: {len(took)} batches, the median "
            f"{statistics.median(took) * 1_000:.0f} ms, 99 of 100 within "
            f"{sorted(took)[int(len(took) * 0.99)] * 1_000:.0f} ms, "
            f"the longest {max(took) * 1_000:.0f} ms"
        )


def thinning_while_inserting(folder: Path) -> None:
    """What a slice of thinning holds an insert up for: four hours of one reading a second."""
    path = folder / "thinned.db"
    write(path, 3, 0)
    with SqliteStore(path) as store:
        took = []
        gone = keep_only(store, CHANNEL, (START_MS, START_MS + 2 * DAY_MS), 60_000, GAP_LIMIT_MS)
        while True:
            ms, one = once(partial(next, gone, None))
            if one is None:
                break
            took.append(ms)
        print(
            f"thinning to a few of each minute: {len(took)} slices of four hours, the median "
            f"{statistics.median(took):.0f} ms, the longest {max(took):.0f} ms"
        )
    path.unlink()


# -- all of it -------------------------------------------------------------------------------


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--years", type=int, default=10)
    parser.add_argument("--jitter-ms", type=int, default=0)
    parser.add_argument("--insert-hours", type=int, default=6)
    parser.add_argument("--no-rows", action="store_true", help="leave SQLite's GROUP BY out")
    parser.add_argument("--no-charts", action="store_true", help="inserting and packing alone")
    parser.add_argument(
        "--folder", type=Path, help="a folder for some gigabytes, for the time being"
    )
    asked = parser.parse_args()
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"SQLite {sqlite3.sqlite_version}, load {os.getloadavg()[0]:.1f}"
    )
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        folder = Path(name)
        packing_of_a_day(folder)
        thinning_while_inserting(folder)
        insert_rates(folder, asked.insert_hours)
        if not asked.no_charts:
            charts(folder, asked.days, asked.years, asked.jitter_ms, rows=not asked.no_rows)


def charts(folder: Path, days_n: int, years: int, jitter_ms: int, *, rows: bool) -> None:
    path = folder / "readings.db"
    took_s = write(path, days_n, jitter_ms)
    n = days_n * 86_400
    found: dict[str, Buckets] = {}
    first, own = {}, {}
    with SqliteStore(path) as store:
        assert store.count() == n
        for span, window in windows(days_n).items():
            took = []
            for _ in range(FIRST_N):
                packing.unpack.cache_clear()
                with SqliteStore(path, read_only=True) as cold:
                    cold.count()  # opens its connection
                    ms, found[span] = once(partial(chart, cold, window))
                    took.append(ms)
            first[span] = min(took)
            own[span] = timed(partial(chart, store, window))
        begin = time.perf_counter()
        faults = store.check(sample_n=200)
        print(
            f"{n:,} readings written in {took_s:.0f} s; check of 200 hours and all sums: "
            f"{faults or 'sound'}, {time.perf_counter() - begin:.1f} s"
        )
    columns = [Peer("vatside", own, path.stat().st_size / n), Peer("vatside, first", first)]
    path.unlink()
    if HAS_PEERS:
        columns += peers(folder, days_n, jitter_ms, found)
    else:
        print("DuckDB is left out: .venv/bin/pip install duckdb pyarrow")
    if rows:
        columns.append(Peer("SQLite rows, less", *rows_of_sqlite(folder, days_n, jitter_ms)))
    tell(columns)
    if years > 1:
        write(path, days_n * years, jitter_ms)
        with SqliteStore(path) as store:
            whole = timed(lambda: chart(store, windows(days_n * years)["all"]))
        print(f"{years} times as long: {whole:.1f} ms, {whole / own['all']:.2f} times one")
        path.unlink()


def tell(columns: Sequence[Peer]) -> None:
    """A line for each, and below it how many times as long as vatside in the same state it took."""
    own, first = columns[0].took, columns[1].took
    print(
        f"{'1,500 buckets of':32}" + "".join(f"{name:>12}" for name in own) + f"{'bytes each':>12}"
    )
    for one in columns:
        size = "" if one.bytes_each is None else f"{one.bytes_each:12.2f}"
        print(f"{one.name:32}" + "".join(f"{ms:9.1f} ms" for ms in one.took.values()) + size)
        if not one.name.startswith("vatside"):
            ours = first if one.name.endswith("first") else own
            print(
                f"{'  over vatside':32}" + "".join(f"{one.took[x] / ours[x]:11.1f}x" for x in ours)
            )


if __name__ == "__main__":
    main()
