"""``vatside collect``: readings are marked by what they are believed to be."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from api.chains_on_disk import ChainsOnDisk
from api.record import Calibration, CalibrationPair, Record
from collector.calibration import Chain, Correction
from collector.publisher import Publisher
from collector.readings import Mark
from collector.signals import Platinum
from collector.store.sqlite import SqliteStore
from tests.brokers import CollectorProcess, broker_settings, embedded, wait_for_count

NOON_S = 1_767_268_800
LONG_AGO = datetime(2025, 1, 1, tzinfo=UTC)
SETTINGS = """
[store]
folder = "kept"
[[channel]]
id = "chamber"
role = "chamber_temperature"
topic = "cellar/chamber"
value = "/ohms"
time = "/at"
time_form = "unix_s"
signal = { kind = "pt100" }
plausible_max = 140
[[channel]]
id = "room"
role = "room_temperature"
topic = "cellar/room"
value = "/c"
time = "/at"
time_form = "unix_s"
"""
#: 139 °C by IEC 60751: 100 (1 + 3.9083e-3 t - 5.775e-7 t²).
OHMS_139 = 153.21


def calibration(channel: str, *pairs: tuple[float, float]) -> Calibration:
    return Calibration(
        channel=channel,
        valid_from=LONG_AGO,
        pairs=tuple(CalibrationPair(read=read, true=true) for read, true in pairs),
    )


def test_marks_follow_the_calibrations_on_record(tmp_path: Path) -> None:
    """Entered, corrected and taken back while the collector runs; ohms stay as they were sent."""
    path = tmp_path / "vatside.toml"
    path.write_text(SETTINGS)
    sent_n = 0
    with (
        embedded() as broker,
        CollectorProcess(path, broker.url, by_command=True) as collector,
        Publisher(broker_settings(broker.url)) as publisher,
    ):
        collector.wait_until_listening()
        store = SqliteStore(tmp_path / "kept" / "readings.db", read_only=True)

        def marks_of_next(topic: str, value: str) -> Mark:
            nonlocal sent_n
            at_s = NOON_S + 10 * sent_n
            publisher.publish(f"cellar/{topic}", f'{{"at": {at_s}, {value}}}'.encode())
            publisher.drain()
            sent_n += 1
            wait_for_count(store, sent_n)
            (reading,) = store.between(topic, at_s * 1_000, at_s * 1_000 + 1)
            return reading.marks

        with closing(store):
            hot, warm = f'"ohms": {OHMS_139}', '"c": 21.0'
            assert marks_of_next("chamber", hot) == Mark.NONE
            assert marks_of_next("room", warm) == Mark.NONE
            with closing(Record(tmp_path / "kept" / "record.db")) as record:
                kept = record.calibrations.add(calibration("chamber", (0.0, 2.0)))
                record.calibrations.add(calibration("room", (21.0, 30.0)))
                assert marks_of_next("chamber", hot) == Mark.IMPLAUSIBLE
                assert marks_of_next("room", warm) == Mark.NONE  # what was moved has not jumped
                assert marks_of_next("room", '"c": 52.0') & Mark.IMPLAUSIBLE
                record.calibrations.change(kept.id, calibration("chamber", (0, -5), (100, 97)))
                assert marks_of_next("chamber", hot) == Mark.NONE
                assert marks_of_next("chamber", '"ohms": 157.33') & Mark.IMPLAUSIBLE  # 150 °C
                record.calibrations.delete(kept.id)
                assert marks_of_next("chamber", hot) == Mark.NONE
            assert {one.value for one in store.between("chamber", 0, 2**50)} == {OHMS_139, 157.33}
        assert collector.stop() == 0
        assert "Traceback" not in collector.log()
        assert "cannot be read" not in collector.log()


def test_chains_from_a_record_that_comes_changes_breaks_and_goes(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    fixed = {"chamber": Chain(Platinum())}
    said: list[str] = []
    chains = ChainsOnDisk(fixed, path, said.append)
    assert chains() == fixed
    sqlite3.connect(path).close()
    assert chains() == fixed  # a file without tables yet
    with closing(Record(path)) as record:
        kept = record.calibrations.add(calibration("chamber", (0.5, 0.0), (99.0, 100.0)))
        found = chains()
        assert found["chamber"] == Chain(
            Platinum(),
            (Correction(int(LONG_AGO.timestamp() * 1_000), ((0.5, 0.0), (99.0, 100.0))),),
        )
        assert chains() is found
        record.calibrations.add(calibration("room", (20.0, 21.0)))
        record.calibrations.delete(kept.id)
        assert chains()["chamber"] == fixed["chamber"]
        assert chains()["room"].apply_one(20.0, NOON_S * 1_000) == 21.0
    known = chains()
    path.unlink()
    for name in ("record.db-wal", "record.db-shm"):
        (tmp_path / name).unlink(missing_ok=True)
    path.write_bytes(b"no database at all" * 100)
    assert chains() == known
    assert chains() == known
    (words,) = said
    assert "cannot be read" in words
    path.unlink()
    with closing(Record(path)) as another:
        another.calibrations.add(calibration("room", (20.0, 25.0)))
        assert chains()["room"].apply_one(20.0, NOON_S * 1_000) == 25.0
    chains.close()


@pytest.mark.parametrize("pairs", ['"x"', "[]", '[{"read": 1}]', '[{"read": 1, "true": "a"}]'])
def test_a_damaged_calibration_ends_nothing(tmp_path: Path, pairs: str) -> None:
    path = tmp_path / "record.db"
    with closing(Record(path)) as record:
        record.calibrations.add(calibration("room", (20.0, 21.0)))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE calibration SET pairs = ?", (pairs,))
        connection.commit()
    said: list[str] = []
    assert ChainsOnDisk({}, path, said.append)() == {}
    assert len(said) == 1
