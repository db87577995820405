"""Real recordings through real brokers into the store: every value once, and equal."""

from __future__ import annotations

import csv
import gzip
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from collector.channels import Channel
from collector.config import Settings, StoreSettings
from collector.readings import Role, ms_of
from collector.replay import replay
from collector.service import Collector
from collector.store.sqlite import SqliteStore
from collector.subscriber import Subscriber, wait_until_subscribed
from tests.brokers import broker_settings, embedded, mosquitto, wait_for_count, wait_until
from tests.recordings import recording

MINUTE_MS = 60_000


def channel(name: str, role: Role, unit: str = "") -> Channel:
    return Channel(
        id=name, role=role, topic=f"cellar/{name}", unit=unit, value="/value", time="/at"
    )


@contextmanager
def collecting(
    tmp_path: Path, url: str, *channels: Channel
) -> Iterator[tuple[Settings, SqliteStore]]:
    """A collector at work on a broker, in this process; stopped at the end."""
    settings = Settings(broker_settings(url), StoreSettings(tmp_path / "kept"), channels=channels)
    assert settings.broker is not None
    with SqliteStore(settings.store.readings_path) as store:
        subscriber = Subscriber(settings.broker, [c.topic for c in channels])
        collector = Collector(settings, store, subscriber)
        thread = threading.Thread(target=collector.run)
        thread.start()
        try:
            wait_until_subscribed(subscriber, 10)  # nothing is kept for a session before it
            yield settings, store
        finally:
            collector.stop()
            thread.join(20)
        assert not thread.is_alive()


@pytest.mark.services
@pytest.mark.recordings
def test_office_recording_through_mosquitto(tmp_path: Path) -> None:
    """Candanedo & Feldheim 2016, datatest.txt (checks.md section 9): local time without zone."""
    path = recording("room_climate_office_1min.csv")
    zone = ZoneInfo("Europe/Brussels")
    channels = (
        channel("room-temp", Role.ROOM_TEMPERATURE),
        channel("room-humidity", Role.ROOM_HUMIDITY),
    )
    columns = {"Temperature": "room-temp", "Humidity": "room-humidity"}
    with (
        mosquitto(tmp_path / "broker") as broker,
        collecting(tmp_path, broker.url, *channels) as (settings, store),
    ):
        done = replay(path, columns, settings, zone=zone.key)
        assert (done.rows_n, done.readings_n, done.faults_n, done.stopped) == (2665, 5330, 0, False)
        assert done.acknowledged_n == done.messages_n == 5330
        wait_for_count(store, 5330)
        with path.open() as handle:
            rows = list(csv.DictReader(handle))
        times = [ms_of(datetime.fromisoformat(row["date"]).replace(tzinfo=zone)) for row in rows]
        for column, name in columns.items():
            series = store.between(name, times[0], times[-1] + 1)
            assert series.times_ms.tolist() == times
            assert series.values.tolist() == [float(row[column]) for row in rows]
        accounts = store.accounts()
        assert (accounts.readings_received, accounts.readings_stored) == (5330, 5330)
        assert accounts.balanced

        again = replay(path, {"Humidity": "room-humidity"}, settings, zone=zone.key)
        assert again.readings_n == 2665
        wait_until(lambda: store.accounts().readings_duplicate == 2665, "all are duplicates")
        assert store.count() == 5330


def buoy() -> Path:
    """Water temperature of NERACOOS station B01, in the package bokeh-sampledata."""
    return Path(str(files("bokeh_sampledata") / "_data" / "sea_surface_temperature.csv.gz"))


def test_buoy_recording_through_the_embedded_broker(tmp_path: Path) -> None:
    water = channel("vat-north", Role.VAT_TEMPERATURE)
    with embedded() as broker, collecting(tmp_path, broker.url, water) as (settings, store):
        done = replay(buoy(), {"temperature (celsius)": "vat-north"}, settings)
        assert (done.rows_n, done.readings_n, done.faults_n) == (19_226, 19_226, 0)
        wait_until(lambda: store.accounts().messages_received == 19_226, "all have come")
        with gzip.open(buoy(), "rt") as handle:
            rows = list(csv.reader(handle))[1:]
        # The file itself has one half hour twice, with two values: both are kept, one of them
        # as a conflict.
        first: dict[int, float] = {}
        second: dict[int, float] = {}
        for time, value in rows:
            time_ms = ms_of(datetime.fromisoformat(time))
            (second if time_ms in first else first)[time_ms] = float(value)
        assert (len(first), len(second)) == (19_225, 1)
        series = store.between("vat-north", min(first), max(first) + 1)
        assert dict(zip(series.times_ms.tolist(), series.values.tolist(), strict=True)) == first
        (conflict,) = store.conflicts("vat-north", min(first), max(first) + 1)
        assert {conflict.time_ms: conflict.value} == second
        accounts = store.accounts()
        assert accounts.readings_stored == accounts.readings_received == 19_226
        assert (accounts.conflicts, accounts.balanced) == (1, True)


@pytest.mark.recordings
def test_ambient_recording_has_exactly_ten_gaps(tmp_path: Path) -> None:
    """Numenta Anomaly Benchmark (checks.md section 9): hourly °F with ten gaps of 2 to 174 h."""
    path = recording("ambient_temperature_hourly.csv")
    room = channel("room-temp", Role.ROOM_TEMPERATURE, unit="°F")
    with embedded() as broker, collecting(tmp_path, broker.url, room) as (settings, store):
        done = replay(path, {"value": "room-temp"}, settings)
        assert (done.rows_n, done.faults_n) == (7_267, 0)
        wait_for_count(store, 7_267)
    with SqliteStore(tmp_path / "kept" / "readings.db", read_only=True) as store:
        first = store.after("room-temp", 0)
        last = store.latest()["room-temp"]
        assert first is not None
        # 69.88083514 °F is the file's first value.
        assert first.value == pytest.approx((69.88083514 - 32) * 5 / 9, abs=1e-9)
        found = store.coverage(
            "room-temp", first.time_ms, last.time_ms + 1, gap_limit_ms=90 * MINUTE_MS
        )
        hours = [(gap.end_ms - gap.start_ms) / (60 * MINUTE_MS) for gap in found.gaps]
        assert hours == [2, 32, 48, 160, 96, 71, 30, 3, 15, 174]
        recorded_h = (last.time_ms - first.time_ms) / (60 * MINUTE_MS) - sum(hours)
        assert found.share == pytest.approx(
            recorded_h * 60 * MINUTE_MS / (last.time_ms + 1 - first.time_ms), abs=1e-12
        )
        chart = store.buckets(
            "room-temp", first.time_ms, last.time_ms + 1, 500, gap_limit_ms=90 * MINUTE_MS
        )
        for gap in found.gaps:  # a bucket wholly inside a gap is empty: no line across it
            inside = (chart.starts_ms > gap.start_ms) & (
                chart.starts_ms + chart.width_ms < gap.end_ms
            )
            assert (chart.counts[inside] == 0).all()
            assert (chart.coverage[inside] == 0).all()
