"""The conditions of every print over three years of readings, beside the same in pandas.

    python tests/bench/bench_conditions.py [--days 1095] [--prints 5000] [--folder FOLDER]

Six channels are read every 10 s; two machines print day and night. The store is made first
(57 million readings for three years, 0.4 GB; kept in FOLDER when one is named, and used again).
Then, cold, each print is told its conditions in every window, with everything derived. pandas
gets the same windows of the same three channels, from series that are in memory already; it is
run for a sample of the prints and scaled up. Times are processor time of one thread.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from api.answers import Workshop, conditions_of
from api.prints import Print
from api.record import ChannelLink, Machine, Record, Resin
from collector.channels import Channel
from collector.config import Settings
from collector.readings import Reading, Role, ms_of
from collector.store.contract import Arrival
from collector.store.packing import Hour
from collector.store.sqlite import SqliteStore
from collector.store.sqlite_hours import sum_day, write_hour
from collector.store.stretches import DAY_MS, HOUR_MS
from tests.api.print_oracle import figures, joined

BEGIN = datetime(2023, 1, 1, tzinfo=UTC)
EVERY_MS = 10_000
ROLES = {
    "vat-north": Role.VAT_TEMPERATURE,
    "vat-south": Role.VAT_TEMPERATURE,
    "room-temp": Role.ROOM_TEMPERATURE,
    "room-humid": Role.ROOM_HUMIDITY,
    "power-north": Role.PRINTER_POWER,
    "power-south": Role.PRINTER_POWER,
}
LEVELS = (21.0, 22.0, 16.0, 55.0, 45.0, 45.0)
DAY_N = 8_640
HOUR_N = 360
SAMPLE_N = 40


def values_at(index: np.ndarray) -> np.ndarray:
    """What the six channels read at numbered moments; a column each."""
    swing = np.sin(index / 1_800)
    return np.stack([level + swing * (n + 1) / 2 for n, level in enumerate(LEVELS)], axis=1)


def fill(path: Path, days: int) -> None:
    """The readings in packed hours, as the collector leaves what has settled.

    They are put there by the store's own packing, an hour of a channel at a time; taken as
    messages they would be the same and take ten times as long.
    """
    begin_ms = ms_of(BEGIN)
    with SqliteStore(path) as store:
        store.append([message(begin_ms - HOUR_MS, [20.0] * len(ROLES))])  # knows the channels
    connection = sqlite3.connect(path, isolation_level=None)
    ids = dict(connection.execute("SELECT name, id FROM channel").fetchall())
    times_ms, unmarked = np.arange(HOUR_N) * EVERY_MS, np.zeros(HOUR_N, np.uint8)
    for day in range(days):
        connection.execute("BEGIN")
        for hour in range(day * 24, day * 24 + 24):
            values = values_at(np.arange(hour * HOUR_N, (hour + 1) * HOUR_N))
            for name, column in zip(ROLES, values.T, strict=True):
                packed = Hour(times_ms, column.copy(), unmarked)
                write_hour(connection, (ids[name], begin_ms // HOUR_MS + hour), packed)
        for number in ids.values():
            sum_day(connection, number, begin_ms // DAY_MS + day)
        connection.execute("COMMIT")
    connection.close()


def message(time_ms: int, row: list[float]) -> Arrival:
    """One message with a reading of every channel."""
    readings = tuple(Reading(n, time_ms, v) for n, v in zip(ROLES, row, strict=True))
    return Arrival("cellar", time_ms, readings)


def log_prints(record: Record, days: int, prints: int) -> None:
    """Prints one after the other on both machines, 60 % of the time."""
    record.resins.add(Resin(name="Harbour Grey"))
    for name in ("North", "South"):
        link = ChannelLink(channel=f"vat-{name.lower()}", role=Role.VAT_TEMPERATURE)
        record.machines.add(Machine(name=name, channels=(link,)))
    each = timedelta(days=days) / max(prints / 2, 1)
    with record.transaction():
        for number in range(prints):
            start = BEGIN + each * (number // 2) + timedelta(minutes=7 * (number % 2))
            record.prints.add(
                Print.model_validate(
                    {
                        "start": start,
                        "end": start + min(each * 0.6, timedelta(hours=9)),
                        "resin": 1,
                        "machine": 1 + number % 2,
                        "settings": {"bottom_layer_count": 8, "bottom_exposure_s": 40},
                    }
                )
            )


def ours(workshop: Workshop, prints: int) -> list[float]:
    """Seconds of processor time that the conditions of each print took."""
    now, took = BEGIN + timedelta(days=4_000), []
    for number in range(1, prints + 1):
        begun = time.process_time()
        found = conditions_of(workshop, number, now)
        took.append(time.process_time() - begun)
        assert found.whole is not None
        assert not found.whole.missing
    return took


def by_pandas(workshop: Workshop, days: int, prints: int) -> float:
    """Seconds that pandas takes for one print, by a sample."""
    took = []
    for number in np.linspace(2, prints - 1, SAMPLE_N).astype(int).tolist():
        plate = workshop.record.prints.get(number).entry
        assert plate.end is not None
        found = conditions_of(workshop, number, plate.end + timedelta(days=1))
        first = int((plate.start - BEGIN - timedelta(hours=2.2)).total_seconds() // 10)
        last = int((plate.end - BEGIN).total_seconds() // 10) + 10
        index = np.arange(max(first, 0), min(last, days * DAY_N))
        table = pd.DataFrame(values_at(index), index=index * 10.0, columns=list(ROLES))
        begun = time.process_time()
        vat = table["vat-north" if plate.machine == 1 else "vat-south"]
        room, humid = table["room-temp"], table["room-humid"]
        made = [
            joined(room, humid, (300, 300), lambda t, h: t * h),
            joined(room, humid, (300, 300), lambda t, h: t + h),
            joined(vat, room, (300, 300), lambda v, r: v - r),
        ]
        for conditions in found.windows.values():
            start_s = (conditions.window.start - BEGIN).total_seconds()
            end_s = (conditions.window.end - BEGIN).total_seconds()
            mean = figures(vat, start_s, end_s, 300, below=18.0, above=35.0).get("mean")
            for series in (room, humid, *made):
                figures(series, start_s, end_s, 300)
            told = conditions.measured[Role.VAT_TEMPERATURE].summary.mean
            assert told is None or mean is None or abs(told - mean) < 1e-9
        took.append(time.process_time() - begun)
    return statistics.mean(took)


def main() -> None:
    """Make the store, measure, and print what came out."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=1_095)
    parser.add_argument("--prints", type=int, default=5_000)
    parser.add_argument("--folder", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder: Path = asked.folder or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"readings-{asked.days}.db"
        if not path.exists():
            begun = time.perf_counter()
            fill(path, asked.days)
            print(f"store made in {time.perf_counter() - begun:.0f} s", flush=True)
        store = SqliteStore(path, read_only=True)
        record = Record(Path(made) / "record.db")
        log_prints(record, asked.days, asked.prints)
        channels = tuple(Channel(id=n, role=r, topic=n, place=n) for n, r in ROLES.items())
        workshop = Workshop(Settings(channels=channels), store, record)
        print(f"{store.count():,} readings, {path.stat().st_size / 1e9:.2f} GB")
        took = ours(workshop, asked.prints)
        print(f"vatside: {sum(took):.1f} s for {asked.prints} prints, cold")
        print(
            f"         {statistics.median(took) * 1e3:.2f} ms one print (median), "
            f"{max(took) * 1e3:.1f} ms the slowest"
        )
        one_s = by_pandas(workshop, asked.days, asked.prints)
        print(
            f"pandas:  {one_s * asked.prints:.1f} s ({one_s * 1e3:.1f} ms one print), "
            "with the readings in memory"
        )
        record.close()
        store.close()


if __name__ == "__main__":
    main()
