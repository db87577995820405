"""Readings on disk and charts from them, in one run: bytes, milliseconds, and two peers.

    nice -n 10 .venv/bin/python -m tests.bench.bench_store [--days 365] [--years 10]
                                                           [--jitter-ms 0] [--folder FOLDER]

One channel at one reading a second. Asked for: 1,500 buckets of the whole, a month, a day and
an hour, each up to the newest reading, from

- *vatside*: ``SqliteStore.buckets``, with time-weighted means and coverage;
- *rows*: the same readings as rows of SQLite and GROUP BY (once, not repeated);
- *DuckDB*: its own table, and a Parquet file (minimum, maximum, plain mean, count).

Then the same chart of ``--years`` times as much, what inserting costs with and without packing,
and how long a day of eight channels takes to pack. DuckDB and pyarrow are not among the
dependencies: ``pip install duckdb pyarrow`` by hand, or their columns stay empty.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import platform
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from collector.readings import Reading
from collector.store import sqlite, sqlite_hours
from collector.store.contract import Arrival
from collector.store.packing import Hour
from collector.store.sqlite import SqliteStore
from collector.store.sqlite_connections import open_writer
from collector.store.stretches import DAY_MS, HOUR_MS

START_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
CHANNEL = "vat-north"
BUCKETS_N = 1_500
GAP_LIMIT_MS = 300_000
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


def chart(store: SqliteStore, window: tuple[int, int]) -> Any:
    return store.buckets(CHANNEL, *window, BUCKETS_N, gap_limit_ms=GAP_LIMIT_MS)


def bucket_sql(source: str, window: tuple[int, int]) -> str:
    width = (window[1] - window[0]) / BUCKETS_N
    return (
        f"SELECT CAST((time_ms - {window[0]}) / {width} AS INTEGER) AS bucket,"
        " min(value), max(value), avg(value), count(*)"
        f" FROM {source} WHERE time_ms >= {window[0]} AND time_ms < {window[1]} GROUP BY 1"
    )


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
            query = bucket_sql("reading", window) + " HAVING min(channel) = 1"
            begin = time.perf_counter()
            connection.execute(query.replace("WHERE", "WHERE channel = 1 AND")).fetchall()
            took[name] = (time.perf_counter() - begin) * 1_000
    size = path.stat().st_size / (days_n * 86_400)
    path.unlink()
    return took, size


def fetched(connection: Any, query: str) -> Any:
    return connection.execute(query).fetchnumpy()


def peers(folder: Path, days_n: int, jitter_ms: int) -> dict[str, tuple[dict[str, float], float]]:
    """For each peer: shortest time per window [ms], and bytes a reading."""
    import duckdb
    import pyarrow as pa
    import pyarrow.parquet as pq

    parquet, table = folder / "readings.parquet", folder / "readings.duckdb"
    schema = pa.schema([("time_ms", pa.int64()), ("value", pa.float64())])
    with pq.ParquetWriter(parquet, schema, compression="zstd") as writer:
        for times_ms, values in days(days_n, jitter_ms):
            writer.write_table(pa.table([times_ms, values], schema=schema))
    with duckdb.connect(str(table)) as own:
        own.execute(f"CREATE TABLE reading AS FROM read_parquet('{parquet}') ORDER BY time_ms")
    found: dict[str, tuple[dict[str, float], float]] = {}
    with duckdb.connect(str(table), read_only=True) as own:
        for name, source, path in (
            ("DuckDB table", "reading", table),
            ("DuckDB Parquet", f"read_parquet('{parquet}')", parquet),
        ):
            took = {
                span: timed(partial(fetched, own, bucket_sql(source, window)))
                for span, window in windows(days_n).items()
            }
            found[name] = took, path.stat().st_size / (days_n * 86_400)
    parquet.unlink()
    table.unlink()
    return found


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


def packing_of_a_day(folder: Path) -> None:
    """Eight channels at one reading a second, a day and two hours, packed in one go."""
    path = folder / "eight.db"
    first, second = days(2, 0)
    times_ms = np.concatenate((first[0], second[0][:7_201]))
    values = np.concatenate((first[1], second[1][:7_201]))
    own = tuple(f"channel-{i}" for i in range(8))
    with SqliteStore(path) as store:
        store.append([])
        with nothing_packed(True):
            append(store, times_ms, values, 8_000, own)
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
        n = store.count()
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
        insert_rates(folder, asked.insert_hours)
        if not asked.no_charts:
            charts(folder, asked.days, asked.years, asked.jitter_ms, rows=not asked.no_rows)


def charts(folder: Path, days_n: int, years: int, jitter_ms: int, *, rows: bool) -> None:
    path = folder / "readings.db"
    took_s = write(path, days_n, jitter_ms)
    n = days_n * 86_400
    with SqliteStore(path) as store:
        assert store.count() == n
        own = {
            name: timed(partial(chart, store, window)) for name, window in windows(days_n).items()
        }
        begin = time.perf_counter()
        faults = store.check(sample_n=200)
        print(
            f"{n:,} readings written in {took_s:.0f} s; check of 200 hours and all sums: "
            f"{faults or 'sound'}, {time.perf_counter() - begin:.1f} s"
        )
    columns = {"vatside": (own, path.stat().st_size / n)}
    path.unlink()
    if HAS_PEERS:
        columns |= peers(folder, days_n, jitter_ms)
    else:
        print("DuckDB and pyarrow are not installed: their columns are left out.")
    if rows:
        columns["SQLite rows"] = rows_of_sqlite(folder, days_n, jitter_ms)
    print(f"{'':16}" + "".join(f"{name:>12}" for name in own) + f"{'bytes each':>14}")
    for name, (took, size) in columns.items():
        print(f"{name:16}" + "".join(f"{ms:9.1f} ms" for ms in took.values()) + f"{size:14.2f}")
        if name.startswith("DuckDB"):
            ratios = "".join(f"{took[span] / own[span]:11.1f}x" for span in own)
            print(f"{'  over vatside':16}{ratios}")
    if years > 1:
        write(path, days_n * years, jitter_ms)
        with SqliteStore(path) as store:
            whole = timed(lambda: chart(store, windows(days_n * years)["all"]))
        print(f"{years} times as long: {whole:.1f} ms, {whole / own['all']:.2f} times one")
        path.unlink()


if __name__ == "__main__":
    main()
