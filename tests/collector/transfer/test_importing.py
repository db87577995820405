"""From a store to a file and back: nothing is lost, counted twice, or taken by halves."""

from __future__ import annotations

import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from collector.channels import Channel
from collector.errors import InvalidError, SettingsError, StoreError
from collector.influx_settings import InfluxSettings
from collector.readings import Mark, Reading, Role, Series
from collector.store.checksum import checksum_of
from collector.store.contract import Accounts, Arrival, CollectingStore
from collector.store.days import days
from collector.store.influx_store import InfluxStore
from collector.store.sqlite import SqliteStore
from collector.store.stretches import DAY_MS, MINUTE_MS
from collector.transfer import parquet_form
from collector.transfer.exporting import Exported, rows_from
from collector.transfer.files import Form, RowFile, write_rows
from collector.transfer.importing import Imported, Survey, import_readings, looked_over
from collector.transfer.rows import Row
from collector.transfer.taking import Taking
from tests.influx_double import ORG, TOKEN, InfluxDouble

NOON_MS = 1_767_268_800_000

CHANNELS = (
    Channel(id="vat-north", role=Role.VAT_TEMPERATURE, topic="cellar/north", senml="urn:dev:vat"),
    Channel(id="room-humidity", role=Role.ROOM_HUMIDITY, topic="cellar/room"),
)


def fill(store: SqliteStore) -> None:
    """Three days of one channel, some of it doubted and contradicted, and a little of another."""
    dice = np.random.default_rng(7)
    times = NOON_MS + np.sort(dice.choice(3 * DAY_MS, 400, replace=False))
    values = dice.normal(21, 3, 400)
    values[:5] = [0.1 + 0.2, -0.0, 5e-324, 1e300, 21.0]
    readings = tuple(
        Reading("vat-north", int(at), float(value), Mark(int(marks)))
        for at, value, marks in zip(times, values, dice.integers(0, 32, 400), strict=True)
    )
    seconds = tuple(
        Reading("vat-north", one.time_ms, one.value + step)
        for one in readings[::50]
        for step in (1.0, 2.0)
    )
    humid = tuple(Reading("room-humidity", NOON_MS + at * 1_000, 40.5) for at in range(30))
    store.append([Arrival("x", NOON_MS, readings + humid), Arrival("x", NOON_MS, seconds)])
    store.settle(10)


@pytest.fixture
def full(tmp_path: Path) -> Iterator[SqliteStore]:
    with SqliteStore(tmp_path / "full" / "readings.db") as store:
        fill(store)
        yield store


def contents(store: CollectingStore) -> dict[str, object]:
    """Checksums and second values, channel by channel."""
    return {
        name: (
            checksum_of(series for _, _, series in days(store, name)),
            store.conflicts(name, 0, 10**13),
        )
        for name in store.channels()
    }


def export(store: CollectingStore, path: Path, form: Form) -> Exported:
    done = Exported()
    units = {one.id: one.kept_unit for one in CHANNELS}
    write_rows(path, form, rows_from(store, store.channels(), units, done))
    return done


def load(path: Path, form: Form, store: CollectingStore) -> tuple[Survey, Imported]:
    file, taking = RowFile(path, form), Taking(CHANNELS)
    survey = looked_over(file, taking)
    return survey, import_readings(file, taking, store, survey, NOON_MS)


@pytest.mark.parametrize("form", list(Form))
def test_the_round_trip_is_exact_and_a_second_import_stores_nothing(
    form: Form, full: SqliteStore, tmp_path: Path
) -> None:
    path = tmp_path / "readings"
    done = export(full, path, form)
    assert (done.readings_n, done.seconds_n) == ({"room-humidity": 30, "vat-north": 400}, 16)
    with SqliteStore(tmp_path / "back" / "readings.db") as back:
        survey, first = load(path, form, back)
        assert (survey.rows_n, survey.faults_n, survey.seconds_n) == (446, 0, 16)
        assert first == Imported(stored=446, duplicate=0, conflicts=16, refused=0)
        assert contents(back) == contents(full)
        assert back.accounts().balanced
        assert load(path, form, back)[1] == Imported(0, 446, 0, 0)
        assert contents(back) == contents(full)
        assert back.check() == []


def test_second_values_that_stand_before_the_first_stay_second(
    full: SqliteStore, tmp_path: Path
) -> None:
    path = tmp_path / "readings.csv"
    export(full, path, Form.CSV)
    head, *lines = path.read_text().splitlines(keepends=True)
    path.write_text(head + "".join(lines[::-1]))
    with SqliteStore(tmp_path / "back" / "readings.db") as back:
        load(path, Form.CSV, back)
        assert contents(back) == contents(full)


def test_the_round_trip_through_influxdb_is_exact(full: SqliteStore, tmp_path: Path) -> None:
    path, again = tmp_path / "readings.lp", tmp_path / "again.lp"
    export(full, path, Form.LINES)
    with (
        InfluxDouble() as double,
        InfluxStore(InfluxSettings(double.url, ORG, TOKEN), tmp_path / "spool.db") as back,
    ):
        assert load(path, Form.LINES, back)[1] == Imported(446, 0, 16, 0)
        assert contents(back) == contents(full)
        assert load(path, Form.LINES, back)[1] == Imported(0, 446, 0, 0)
        export(back, again, Form.LINES)
    assert again.read_text() == path.read_text()


def test_a_server_that_refuses_us_ends_the_import_with_its_words(
    full: SqliteStore, tmp_path: Path
) -> None:
    path = tmp_path / "readings.lp"
    export(full, path, Form.LINES)
    with (
        InfluxDouble() as double,
        InfluxStore(InfluxSettings(double.url, ORG, "nobody"), tmp_path / "spool.db") as back,
        pytest.raises(StoreError, match="does not know the token"),
    ):
        load(path, Form.LINES, back)


def test_every_bad_row_is_told_and_kept_as_refused_when_the_good_ones_are_asked_for(
    tmp_path: Path,
) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(
        "channel,time,value,unit\n"
        "vat-north,2026-01-01T12:00:00Z,20.5,°C\n"
        "vat-north,2026-01-01T12:00:01Z,warm,°C\n"
        "vat-nrth,2026-01-01T12:00:02Z,20.5,°C\n"
        "vat-north,2026-01-01T12:00:03Z,20.5,%RH\n"
        "urn:dev:vat,2026-01-01T12:00:04Z,68,°F\n"
    )
    file, taking = RowFile(path, Form.CSV), Taking(CHANNELS)
    survey = looked_over(file, taking)
    assert [(number, fault.what) for number, fault in survey.faults] == [
        (3, "'warm' is no number"),
        (4, "the settings have no channel 'vat-nrth'"),
        (5, "'%RH' is no unit for vat-north"),
    ]
    assert "--rename vat-nrth=ID" in survey.faults[1][1].remedy
    with SqliteStore(tmp_path / "readings.db") as store:
        assert import_readings(file, taking, store, survey, NOON_MS) == Imported(2, 0, 0, 3)
        assert [r.value for r in store.between("vat-north", 0, 10**13)] == [20.5, 20.0]
        accounts = store.accounts()
        assert accounts == Accounts(4, 1, 0, 3, 5, 2, 0, 3, 0)
        last = store.refused()[-1]
        assert last.reason == "line 3: 'warm' is no number"
        assert last.topic == "import/readings.csv"
        assert last.payload.decode() == "vat-north,2026-01-01T12:00:01Z,warm,°C"


def test_channels_are_renamed_new_or_refused() -> None:
    taking = Taking(CHANNELS, renamed={"Sensor 7": "vat-north"})
    assert taking.reading(Row("Sensor 7", 1, 2.0)) == Reading("vat-north", 1, 2.0)
    fault = taking.reading(Row("Sensor 8", 1, 2.0))
    assert not isinstance(fault, Reading)
    assert "--rename Sensor 8=ID" in fault.remedy
    new = Taking(CHANNELS, new_channels=True)
    assert new.reading(Row("vat-south", 1, 2.0)) == Reading("vat-south", 1, 2.0)
    assert not isinstance(new.reading(Row("Sensor 8", 1, 2.0)), Reading)
    with pytest.raises(SettingsError, match="There is no channel 'nowhere'"):
        Taking(CHANNELS, renamed={"a": "nowhere"})


def test_a_file_that_changes_between_the_two_readings_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("channel,time,value\nvat-north,2026-01-01T12:00:00Z,20.5\n")
    file, taking = RowFile(path, Form.CSV), Taking(CHANNELS)
    survey = looked_over(file, taking)
    path.write_text(path.read_text() + "vat-north,2026-01-01T12:00:01Z,20.5\n")
    with SqliteStore(tmp_path / "readings.db") as store:
        with pytest.raises(InvalidError, match="has changed since"):
            import_readings(file, taking, store, survey, NOON_MS)
        assert store.accounts() == Accounts()


_HOLD = """
import sys
from pathlib import Path
from collector.store.sqlite import SqliteStore
with SqliteStore(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_beside_another_process_that_writes_an_import_is_refused_and_readers_are_not(
    tmp_path: Path,
) -> None:
    path = tmp_path / "readings.db"
    with subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdin
        assert other.stdout
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(StoreError, match=r"Another process writes.*Stop it first"):
            SqliteStore(path)
        with SqliteStore(path, read_only=True) as reader:
            assert reader.count() == 0
        other.kill()  # a claim ends with its process, however that ends
        other.wait(10)
    SqliteStore(path).close()


class Endless:
    """A store of a reading a minute, computed when asked for."""

    def __init__(self, n: int) -> None:
        self.n = n

    def after(self, channel: str, time_ms: int) -> Reading | None:
        step = max(0, -(-(time_ms - NOON_MS) // MINUTE_MS))
        return Reading(channel, NOON_MS + step * MINUTE_MS, 20.5) if step < self.n else None

    def between(self, channel: str, start_ms: int, end_ms: int) -> Series:
        first, last = (max(0, -(-(at - NOON_MS) // MINUTE_MS)) for at in (start_ms, end_ms))
        times = NOON_MS + np.arange(first, min(last, self.n), dtype=np.int64) * MINUTE_MS
        return Series(channel, times, times / 1e9, np.zeros(len(times), dtype=np.uint8))


@pytest.mark.parametrize("form", list(Form))
def test_memory_does_not_grow_with_the_file(
    form: Form, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Out and in; tests/bench/bench_transfer.py does the same with a million readings."""
    monkeypatch.setattr(parquet_form, "GROUP_ROWS_N", 1_000)

    def peak(readings_n: int) -> int:
        path = tmp_path / f"{readings_n}"
        tracemalloc.start()
        rows = rows_from(Endless(readings_n), ["vat-north"], {}, Exported())  # type: ignore[arg-type]
        write_rows(path, form, rows)
        n = sum(1 for _ in RowFile(path, form).rows())
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert n == readings_n
        return most

    peak(1_000)  # what is imported when first used
    assert peak(12_000) < 1.4 * peak(4_000)
