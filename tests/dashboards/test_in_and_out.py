"""``vatside export``, ``import`` and ``move`` as a person at a terminal meets them."""

from __future__ import annotations

import json
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from api.record import Calibration, Record
from api.record.whole import WholeRecord, everything
from collector.readings import Mark, Reading, moment_of
from collector.status import CollectorStatus, read_status, write_status
from collector.store.contract import Arrival
from collector.store.sqlite import SqliteStore
from dashboards.cli import main
from tests.api.test_exports import fill, whole_workshop
from tests.brokers import CollectorProcess, embedded, wait_until
from tests.influx_double import ORG, TOKEN, InfluxDouble
from tests.stores import arrivals
from tests.workshops import furnish, open_workshop

NOON_MS = 1_767_268_800_000
CHANNEL = """
[[channel]]
id = "vat-north"
role = "vat_temperature"
topic = "cellar/north/vat"
"""


class Folder:
    """A settings file with its store, and the command run on it."""

    def __init__(self, path: Path, more: str = "") -> None:
        path.mkdir(parents=True)
        self.path = path
        self.settings = path / "vatside.toml"
        self.settings.write_text('[store]\nfolder = "kept"\n' + more + CHANNEL, encoding="utf-8")
        self.readings = path / "kept" / "readings.db"

    def run(self, *command: str | Path) -> int:
        return main([*map(str, command), "--settings", str(self.settings)])

    def fill(self) -> None:
        rows = [(NOON_MS + n * 600_000, 20 + n / 7) for n in range(500)]
        with SqliteStore(self.readings) as store:
            store.append(arrivals("vat-north", rows))
            store.append(arrivals("vat-north", [(rows[9][0], 77.0)]))
            late = Reading("vat-north", NOON_MS + 1, 3.25, Mark.LATE | Mark.CLOCK)
            store.append([Arrival("x", NOON_MS, (late,))])


@pytest.fixture
def full(tmp_path: Path) -> Folder:
    folder = Folder(tmp_path / "full")
    folder.fill()
    return folder


def kept(path: Path) -> tuple[object, ...]:
    with SqliteStore(path, read_only=True) as store:
        return store.checksums(), store.conflicts("vat-north", 0, 10**13), store.count()


# -- readings ----------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", ["csv", "csv.gz", "parquet", "lp", "senml"])
def test_readings_go_out_and_come_back_the_same(
    ending: str, full: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, empty = tmp_path / f"readings.{ending}", Folder(tmp_path / "empty")
    assert full.run("export", "readings", file) == 0
    assert ": 502 rows of 1 channel, 1 of them second values" in capsys.readouterr().out
    assert empty.run("import", "readings", file, "--dry-run") == 0
    assert not empty.readings.exists()
    assert "Nothing was kept." in capsys.readouterr().out
    assert empty.run("import", "readings", file) == 0
    assert "502 readings received = 502 stored + 0 duplicate + 0" in capsys.readouterr().out
    assert kept(empty.readings) == kept(full.readings)
    assert empty.run("import", "readings", file) == 0
    assert "502 readings received = 0 stored + 502 duplicate + 0" in capsys.readouterr().out
    assert full.run("export", "readings", file) == 2
    assert "nothing is overwritten" in capsys.readouterr().err


def test_a_window_of_readings_on_the_terminal(
    full: Folder, capsys: pytest.CaptureFixture[str]
) -> None:
    window = ("--from", "2026-01-01T13:00:00+01:00", "--until", "2026-01-01T12:20:00Z")
    assert full.run("export", "readings", "-", "--channel", "vat-north", *window) == 0
    said = capsys.readouterr()
    assert said.out.splitlines() == [
        "channel,time,value,unit,marks,nth",
        "vat-north,2026-01-01T12:00:00.000Z,20.0,°C,,0",
        "vat-north,2026-01-01T12:00:00.001Z,3.25,°C,late clock,0",
        "vat-north,2026-01-01T12:10:00.000Z,20.142857142857142,°C,,0",
    ]
    assert "-: 3 rows" in said.err
    assert full.run("export", "readings", "-", "--channel", "attic") == 2
    assert "There are of: vat-north" in capsys.readouterr().err
    assert full.run("export", "readings", "-", "--from", "noon") == 2
    assert "--from: " in capsys.readouterr().err


def test_whoever_reads_only_the_beginning_ends_it_without_a_fault(full: Folder) -> None:
    with SqliteStore(full.readings) as store:
        pack = tuple(Reading("vat-north", NOON_MS + 7 + n * 20_000, 1.5) for n in range(9_000))
        store.append([Arrival("x", NOON_MS, pack)])
    command = [sys.executable, "-m", "dashboards.cli", "export", "readings", "-"]
    with subprocess.Popen(
        [*command, "--settings", str(full.settings)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as running:
        assert running.stdout
        assert running.stderr
        assert running.stdout.readline() == b"channel,time,value,unit,marks,nth\n"
        running.stdout.close()
        assert b"Traceback" not in running.stderr.read()
        assert running.wait(30) == 0


def test_believed_values_say_so_and_do_not_come_back_as_received(
    full: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = Record(full.path / "kept" / "record.db")
    record.calibrations.add(
        Calibration.model_validate(
            {
                "channel": "vat-north",
                "valid_from": moment_of(NOON_MS - 1),
                "pairs": [{"read": 20.0, "true": 19.5}],
            }
        )
    )
    record.close()
    file = tmp_path / "believed.csv"
    assert full.run("export", "readings", file, "--values", "believed") == 0
    assert "corrected by the calibrations on record" in capsys.readouterr().out
    heading, first, *_ = file.read_text().splitlines()
    assert heading == "channel,time,believed,unit,marks,nth"
    assert first == "vat-north,2026-01-01T12:00:00.000Z,19.5,°C,,0"
    assert full.run("import", "readings", file) == 2
    assert "believed ones, computed from what was received" in capsys.readouterr().err


def test_one_bad_row_keeps_the_whole_file_out_unless_asked_otherwise(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, file = Folder(tmp_path / "a"), tmp_path / "old.csv"
    file.write_text(
        "when,Temp\n2026-01-01T12:00:00Z,20.5\n2026-01-01T12:01:00Z,\n2026-01-01T12:02:00Z,21\n"
    )
    asked: list[str | Path] = [
        "import",
        "readings",
        file,
        "--column",
        "when=time",
        "--column",
        "Temp=value",
    ]
    assert folder.run(*asked, "--channel", "vat-north") == 2
    said = capsys.readouterr().err
    assert f"{file}, line 3: the value is missing. Correct the row." in said
    assert "1 of 3 rows are at fault, so none was taken" in said
    assert not folder.readings.exists()
    assert folder.run(*asked, "--channel", "vat-north", "--keep-good") == 0
    assert "3 readings received = 2 stored + 0 duplicate + 1 refused" in capsys.readouterr().out
    assert folder.run(*asked) == 2
    assert "No column tells the channel" in capsys.readouterr().err
    assert folder.run("import", "readings", tmp_path / "none.csv") == 2
    assert "The file cannot be read" in capsys.readouterr().err


def test_an_import_beside_the_collector_is_refused_and_both_lose_nothing(
    tmp_path: Path, full: Folder, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "readings.csv"
    assert full.run("export", "readings", file) == 0
    folder = Folder(tmp_path / "live")
    with embedded() as broker, CollectorProcess(folder.settings, broker.url) as collector:
        collector.wait_until_listening()
        wait_until(lambda: read_status(folder.readings.parent) is not None, "it tells of itself")
        assert folder.run("import", "readings", file) == 2
        said = capsys.readouterr().err
        assert "The collector is at work, and only one can write. Stop `vatside run`" in said
        assert "Its broker stops with it" in said
        assert folder.run("import", "readings", file, "--dry-run") == 0
        (folder.readings.parent / "collector.json").unlink()  # as before its first second is over
        assert folder.run("import", "readings", file) == 2
        assert "Another process writes to this store. Stop it first" in capsys.readouterr().err
        assert collector.stop() == 0
    assert folder.run("import", "readings", file) == 0
    assert kept(folder.readings) == kept(full.readings)


# -- from store to store -------------------------------------------------------------------------


def test_a_move_copies_verifies_and_copies_nothing_twice(
    full: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = Folder(tmp_path / "other")
    assert full.run("move", "--to", other.settings) == 0
    said = capsys.readouterr().out
    assert "vat-north: 501 readings and 1 second values, 502 copied; equal in both" in said
    assert kept(other.readings) == kept(full.readings)
    before = other.readings.read_bytes()
    assert full.run("move", "--to", other.settings, "--dry-run") == 0
    assert other.readings.read_bytes() == before
    assert full.run("move", "--to", other.settings) == 0
    assert "502 copied" not in capsys.readouterr().out
    assert full.run("move", "--to", full.settings) == 2
    assert "same store" in capsys.readouterr().err


#: The last reading is in no packed hour yet.
LAST = "(SELECT max(time_ms) FROM reading)"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            f"UPDATE reading SET value = value + 1e-9 WHERE time_ms = {LAST}",
            "91.28571428571429 in the source, 91.2857142867143 in",
        ),
        (f"UPDATE reading SET marks = 2 WHERE time_ms = {LAST}", "(marks 2) in the target"),
        ("DELETE FROM conflict", "and 77.0 (marks 32) in the source"),
        (
            "INSERT INTO reading SELECT channel, time_ms + 1, 5.0, 0 FROM reading"
            f" WHERE time_ms = {LAST}",
            "nothing in the source, 5.0 in the target",
        ),
    ],
)
def test_what_differs_is_found_and_never_written_over(
    change: str, words: str, full: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = Folder(tmp_path / "other")
    assert full.run("move", "--to", other.settings) == 0
    connection = sqlite3.connect(other.readings)
    connection.execute(change)
    connection.commit()
    connection.close()
    capsys.readouterr()
    assert full.run("move", "--to", other.settings, "--dry-run") == 0
    said = capsys.readouterr().out
    assert "NOT EQUAL: 1 of that day differ, the first at 2026-01-0" in said
    assert words in said
    before = kept(other.readings)
    code = full.run("move", "--to", other.settings)
    if change.startswith("DELETE"):
        assert code == 0
    else:
        assert code == 1
        assert kept(other.readings) == before


def test_to_influxdb_and_back(
    full: Folder,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("VATSIDE_INFLUX_TOKEN", TOKEN)
    with InfluxDouble() as double:
        server = Folder(tmp_path / "server", f'[influx]\nurl = "{double.url}"\norg = "{ORG}"\n')
        back = Folder(tmp_path / "back")
        assert full.run("move", "--to", server.settings) == 0
        assert server.run("move", "--to", back.settings) == 0
        assert kept(back.readings) == kept(full.readings)
        (series,) = [kept for key, kept in double.bucket.series.items() if key[2] == "value"][:1]
        at = next(iter(series))
        series[at] = float(series[at]) + 1.0
        capsys.readouterr()
        assert full.run("move", "--to", server.settings) == 1
        assert "NOT EQUAL: 1 of that day differ" in capsys.readouterr().out


def test_a_move_beside_its_collector_is_refused(
    full: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = Folder(tmp_path / "other")
    now_ms = time.time_ns() // 1_000_000
    write_status(full.readings.parent, status_at(now_ms))
    assert full.run("move", "--to", other.settings) == 2
    assert "The collector is at work" in capsys.readouterr().err


def status_at(now_ms: int) -> CollectorStatus:
    return CollectorStatus(
        at_ms=now_ms, pid=1, started_ms=now_ms, client_id="vatside", broker_url="mqtt://x",
        connected=True, subscribed=True, link_since_ms=now_ms, link_fault=None, connections_n=1,
        store_fault=None, store_fault_since_ms=None, waiting_n=0, in_hand_n=0, lag_ms=None,
        let_go_n=0, stale_n=0, stored=0, duplicate=0, conflict=0, refused=0,
    )  # fmt: skip


_KILLED = """
import os, signal, sys
from dashboards.cli import main
from collector.store.influx_store import InfluxStore
from collector.store.sqlite import SqliteStore
left = int(sys.argv[1])
Store = InfluxStore if os.environ.get("VATSIDE_INFLUX_TOKEN") else SqliteStore
append = Store.append
def counted(self, *arguments, **named):
    global left
    done = append(self, *arguments, **named)
    left -= 1
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return done
Store.append = counted
sys.exit(main(sys.argv[2:]))
"""


def test_a_move_or_import_that_is_killed_is_finished_by_running_it_again(
    full: Folder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed after an append, once in each: what is there is whole, and the rest follows."""
    file = tmp_path / "readings.csv"
    rows = [(NOON_MS + n * 20_000, 20 + n / 7) for n in range(12_000)]
    with SqliteStore(full.readings) as store:
        pack = tuple(Reading("vat-north", at, value) for at, value in rows[1:])
        store.append([Arrival("x", NOON_MS, pack)])
    assert full.run("export", "readings", file) == 0
    for number, command in enumerate((["move", "--to", "?"], ["import", "readings", str(file)])):
        other = Folder(tmp_path / f"other-{number}")
        if number:
            asked = [*command, "--settings", str(other.settings)]
        else:
            asked = ["move", "--to", str(other.settings), "--settings", str(full.settings)]
        done = subprocess.run([sys.executable, "-c", _KILLED, "2", *asked], check=False)
        assert done.returncode == -signal.SIGKILL
        with SqliteStore(other.readings, read_only=True) as store:
            assert 0 < store.count() < 12_000
            assert store.accounts().balanced
        assert main(asked) == 0
        assert kept(other.readings) == kept(full.readings)


def test_a_move_to_influxdb_that_is_killed_is_finished_by_running_it_again(
    full: Folder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed when a pack is in the spool: it goes to the server first, and is there once."""
    with SqliteStore(full.readings) as store:
        pack = tuple(Reading("vat-north", NOON_MS + 7 + n * 20_000, n / 7) for n in range(6_000))
        store.append([Arrival("x", NOON_MS, pack)])
    monkeypatch.setenv("VATSIDE_INFLUX_TOKEN", TOKEN)
    with InfluxDouble() as double:
        server = Folder(tmp_path / "server", f'[influx]\nurl = "{double.url}"\norg = "{ORG}"\n')
        asked = ["move", "--to", str(server.settings), "--settings", str(full.settings)]
        done = subprocess.run([sys.executable, "-c", _KILLED, "2", *asked], check=False)
        assert done.returncode == -signal.SIGKILL
        assert len(double.values("vat-north")) < 6_501
        assert main(asked) == 0
        with SqliteStore(full.readings, read_only=True) as store:
            want = {one.time_ms: one.value for one in store.between("vat-north", 0, 10**13)}
        assert double.values("vat-north") == want


# -- the record ----------------------------------------------------------------------------------


@pytest.fixture
def logged(tmp_path: Path) -> Folder:
    """A folder whose record has something of nearly every kind."""
    folder = Folder(tmp_path / "logged")
    with open_workshop(folder.path / "kept") as workshop:
        furnish(workshop)
        whole_workshop(workshop.record)
    return folder


def record_of(folder: Folder) -> WholeRecord:
    with closing(Record(folder.path / "kept" / "record.db")) as record:
        return everything(record)


def test_the_whole_record_goes_out_as_json_and_comes_back_exactly(
    logged: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, empty = tmp_path / "record.json", Folder(tmp_path / "empty")
    assert logged.run("export", "record", file) == 0
    said = capsys.readouterr().out
    assert "2 resins, " in said
    assert "1 plate, " in said
    assert "pictures themselves lie in photographs/" in said
    assert json.loads(file.read_text())["form"] == "vatside-record-1"
    assert empty.run("import", "record", file, "--dry-run") == 0
    assert not (empty.path / "kept" / "record.db").exists()
    assert empty.run("import", "record", file) == 0
    assert record_of(empty) == record_of(logged)
    assert empty.run("import", "record", file) == 2
    assert "on record already" in capsys.readouterr().err
    assert record_of(empty) == record_of(logged)
    file.write_text('{"form": "vatside-record-1"}')
    assert empty.run("import", "record", file) == 2
    assert f"{file}, entries: It is no whole record" in capsys.readouterr().err


def test_a_dry_run_into_a_record_that_is_there_leaves_it_as_it_is(
    logged: Folder, tmp_path: Path
) -> None:
    file, empty = tmp_path / "record.json", Folder(tmp_path / "empty")
    assert logged.run("export", "record", file) == 0
    empty_record = empty.path / "kept" / "record.db"
    Record(empty_record).close()
    assert empty.run("import", "record", file, "--dry-run") == 0
    assert not any(record_of(empty).entries.values())


def test_the_prints_go_out_as_a_table_and_come_back_exactly(
    logged: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, empty = tmp_path / "prints.csv", Folder(tmp_path / "empty")
    with open_workshop(empty.path / "kept") as workshop:
        furnish(workshop)
        fill(workshop.record, 0)
    assert logged.run("export", "record", file) == 0
    again = tmp_path / "again.csv"
    assert empty.run("import", "record", file, "--dry-run", "--make") == 0
    assert "could be put on record" in capsys.readouterr().out
    assert not record_of(empty).entries["print"]
    assert empty.run("import", "record", file, "--make") == 0
    assert empty.run("export", "record", again) == 0
    assert again.read_bytes() == file.read_bytes()
    assert empty.run("import", "record", file, "--make") == 2
    assert "at fault, so none was taken" in capsys.readouterr().err


def test_a_table_of_ones_own_with_its_faults_by_row(
    logged: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "log.csv"
    file.write_text("Date;Vat\n2025-01-14 19:30;18,5\n2025-01-15 19:30;cold\n")
    asked: list[str | Path] = [
        "import",
        "record",
        file,
        "--column",
        "Date=start",
        "--column",
        "Vat=logged_vat",
    ]
    asked += ["--zone", "Europe/Oslo", "--decimal-comma", "--resin", "Willow", "--machine", "North"]
    before = record_of(logged)
    assert logged.run(*asked) == 2
    assert f"{file}, row 3, logged_vat" in capsys.readouterr().err
    assert record_of(logged) == before
    file.write_text("Date;Vat\n2025-01-14 19:30;18,5\n2025-01-15 19:30;17,5\n")
    assert logged.run(*asked) == 0
    assert len(record_of(logged).entries["print"]) == len(before.entries["print"]) + 2


def test_what_is_neither_json_nor_csv_is_told(
    logged: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert logged.run("export", "record", tmp_path / "record.xls") == 2
    assert "End it in .json" in capsys.readouterr().err
    assert Folder(tmp_path / "none").run("export", "record", tmp_path / "r.json") == 2
    assert "Nothing is on record yet" in capsys.readouterr().err
