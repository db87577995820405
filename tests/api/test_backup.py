"""A backup of everything: one moment of the load, verified, and restored as the README says."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from api.backup import back_up, restore
from api.photographs import keep_photograph, picture_of
from api.prints import Part, Print
from api.record import Machine, Record, Resin
from collector.config import Settings, load
from collector.errors import StoreError
from collector.store.sqlite import SqliteStore
from dashboards.cli import main
from tests.api.test_photographs import picture
from tests.brokers import free_port
from tests.recordings import ROOT
from tests.stores import arrivals

NOW = datetime(2026, 1, 14, 15, 0, tzinfo=UTC)
START_MS = 1_767_268_800_000

SETTINGS = """
[store]
folder = "vatside-data"
[[channel]]
id = "vat-north"
role = "vat_temperature"
topic = "cellar/north/vat"
"""


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    path = tmp_path / "vatside.toml"
    ports = f"[embedded_broker]\nport = {free_port()}\nport_mqtt5 = {free_port()}\n"
    path.write_text(ports + SETTINGS)
    return load(path, {})


@pytest.fixture
def record(settings: Settings) -> Iterator[Record]:
    """A print with two photographs, and readings of an hour."""
    opened = Record(settings.store.record_path)
    opened.resins.add(Resin(name="Fathom Clear"))
    opened.machines.add(Machine(name="South"))
    plate = Print(start=NOW, resin=1, machine=1, parts=(Part(name="housing"),))
    print_id = opened.prints.add(plate).id
    for size in ((60, 40), (40, 60)):
        keep_photograph(opened, picture("JPEG", size), print_id=print_id)
    with SqliteStore(settings.store.readings_path) as store:
        store.append(arrivals("vat-north", [(START_MS + i * 1_000, 20.5) for i in range(3_600)]))
    yield opened
    opened.close()


def path_of(settings: Settings) -> Path:
    return settings.store.folder.parent / "vatside.toml"


def elsewhere(settings: Settings, tmp_path: Path) -> Settings:
    """The same settings beside a store's folder that is not there yet."""
    folder = tmp_path / "another"
    folder.mkdir()
    shutil.copy(path_of(settings), folder / "vatside.toml")
    return load(folder / "vatside.toml", {})


def test_all_of_it_comes_back(settings: Settings, record: Record, tmp_path: Path) -> None:
    made = back_up(settings, path_of(settings), tmp_path / "monday", NOW)
    assert (made.readings_n, made.entries_n, made.photographs_n) == (3_600, 1, 2)
    assert made.faults == ()
    assert (tmp_path / "monday" / "vatside.toml").read_text() == path_of(settings).read_text()
    there = elsewhere(settings, tmp_path)
    done = restore(tmp_path / "monday", there)
    assert (done.readings_n, done.photographs_n, done.faults) == (3_600, 2, ())
    with (
        SqliteStore(settings.store.readings_path) as store,
        SqliteStore(there.store.readings_path) as restored,
        closing(Record(there.store.record_path)) as again,
    ):
        assert restored.checksums() == store.checksums()
        assert restored.accounts() == store.accounts()
        assert again.prints.all() == record.prints.all()
        for kept in again.photographs.all():
            assert picture_of(again, kept.entry) == picture_of(record, kept.entry)
        assert restored.append(arrivals("vat-north", [(START_MS - 1, 20.0)])).stored == 1
        assert again.resins.add(Resin(name="Willow")).id == 2


def test_under_load_it_is_one_moment(settings: Settings, record: Record, tmp_path: Path) -> None:
    stop = threading.Event()
    moments = [3_600]

    def load_it() -> None:
        at_ms = START_MS + 3_600_000
        with SqliteStore(settings.store.readings_path) as store:
            while not stop.is_set():
                rows = [(at_ms + i * 1_000, 20 + i / 100) for i in range(100)]
                store.append(arrivals("vat-north", rows))
                moments.append(moments[-1] + 100)
                at_ms += 100_000
                record.resins.add(Resin(name=f"Trial {at_ms}"))

    writer = threading.Thread(target=load_it)
    writer.start()
    made = [back_up(settings, path_of(settings), tmp_path / f"{i}", NOW) for i in range(3)]
    stop.set()
    writer.join()
    for number, backup in enumerate(made):
        assert backup.readings_n in moments
        (tmp_path / f"in-{number}").mkdir()
        there = elsewhere(settings, tmp_path / f"in-{number}")
        restore(backup.folder, there)
        with SqliteStore(there.store.readings_path) as restored:
            assert restored.count() == backup.readings_n
            assert restored.accounts().readings_stored == backup.readings_n
            assert restored.check() == []


def test_it_is_made_and_restored_as_the_readme_says(
    settings: Settings, record: Record, tmp_path: Path
) -> None:
    section = (ROOT / "README.md").read_text().split("### Backups")[1].split("\n#")[0]
    (commands,) = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    before = SqliteStore(settings.store.readings_path, read_only=True)
    with closing(before):
        checksums = before.checksums()
        path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
        done = subprocess.run(
            ["bash", "-e", "-c", commands],
            cwd=tmp_path,
            env={**os.environ, "PATH": path},
            capture_output=True,
            text=True,
        )
    assert done.returncode == 0, done.stderr
    assert "checked and equal to the original" in done.stdout
    assert "checked and equal to the backup" in done.stdout
    assert done.stdout.count("prints and soak runs") == 2
    assert "whole, with 3,600 readings" in done.stdout
    assert (tmp_path / "vatside-data-before").is_dir()
    with SqliteStore(settings.store.readings_path) as restored:
        assert restored.checksums() == checksums


def test_a_damaged_picture_is_told_and_the_rest_backed_up(
    settings: Settings, record: Record, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (first, second) = sorted((settings.store.folder / "photographs").glob("??/*"))
    first.write_bytes(first.read_bytes()[:-1])
    second.unlink()
    command = ["backup", str(tmp_path / "monday"), "--settings", str(path_of(settings))]
    assert main(command) == 1
    said = capsys.readouterr()
    assert "3,600 readings, 1 prints and soak runs, 0 photographs" in said.out
    assert said.err.count("missing or damaged") == 2
    assert (tmp_path / "monday" / "readings.db").exists()


def test_nothing_is_ever_written_over(settings: Settings, record: Record, tmp_path: Path) -> None:
    back_up(settings, path_of(settings), tmp_path / "monday", NOW)
    before = (tmp_path / "monday" / "backup.json").read_text()
    with pytest.raises(StoreError, match="already"):
        back_up(settings, path_of(settings), tmp_path / "monday", NOW)
    assert (tmp_path / "monday" / "backup.json").read_text() == before
    (tmp_path / "tuesday.part").mkdir()
    with pytest.raises(StoreError, match="already"):
        back_up(settings, path_of(settings), tmp_path / "tuesday", NOW)
    with pytest.raises(StoreError, match=r"readings\.db already"):
        restore(tmp_path / "monday", settings)
    there = elsewhere(settings, tmp_path)
    there.store.folder.mkdir()
    there.store.record_path.write_text("precious")
    with pytest.raises(StoreError, match=r"record\.db already"):
        restore(tmp_path / "monday", there)
    assert there.store.record_path.read_text() == "precious"


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (lambda folder: (folder / "backup.json").unlink(), "no whole backup"),
        (lambda folder: (folder / "backup.json").write_text("[]"), "no whole backup"),
        (lambda folder: (folder / "record.db").unlink(), "cannot be read"),
        (
            lambda folder: (folder / "readings.db").write_bytes(
                (folder / "readings.db").read_bytes() + b"x"
            ),
            "not what was backed up",
        ),
        (
            lambda folder: (folder / "backup.json").write_text(
                (folder / "backup.json").read_text().replace("record.db", "../record.db")
            ),
            "no whole backup",
        ),
    ],
)
def test_a_backup_that_was_changed_is_not_restored(
    settings: Settings, record: Record, tmp_path: Path, harm: object, words: str
) -> None:
    back_up(settings, path_of(settings), tmp_path / "monday", NOW)
    harm(tmp_path / "monday")  # type: ignore[operator]
    there = elsewhere(settings, tmp_path)
    with pytest.raises(StoreError, match=words):
        restore(tmp_path / "monday", there)
    assert not there.store.readings_path.exists()


def test_where_nothing_is_kept_nothing_is_made(settings: Settings, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="Nothing is kept here yet"):
        back_up(settings, path_of(settings), tmp_path / "monday", NOW)
    assert not (tmp_path / "monday").exists()
    assert not (tmp_path / "monday.part").exists()


def test_the_list_says_what_each_file_is(
    settings: Settings, record: Record, tmp_path: Path
) -> None:
    made = back_up(settings, path_of(settings), tmp_path / "monday", NOW)
    listed = json.loads((made.folder / "backup.json").read_text())
    assert listed["made"] == "2026-01-14T15:00:00+00:00"
    assert listed["readings"]["vat-north"]["count"] == 3_600
    names = {one["name"] for one in listed["files"]}
    assert {"readings.db", "record.db", "vatside.toml"} <= names
    assert len(names) == 5
