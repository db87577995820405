"""Commands that only read make no file where there is none, and say what is missing and where."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.store.sqlite import SqliteStore
from dashboards.cli import main
from tests.stores import arrivals

SETTINGS = """
[broker]
url = "mqtt://127.0.0.1:9"

[store]
folder = "kept"

[[channel]]
id = "vat-north"
role = "vat_temperature"
topic = "cellar/north/vat"

[[keep]]
role = "vat_temperature"
thin_after_days = 30
every_s = 60
"""
PRINTS = "key,resin,machine,start\nn-1,Willow,North,2026-01-14T19:30:00Z\n"
WHOLE = '{"entries": {}}'


@pytest.fixture
def workshop(tmp_path: Path) -> Path:
    """A settings file beside files to import, and no store."""
    (tmp_path / "vatside.toml").write_text(SETTINGS, encoding="utf-8")
    (tmp_path / "other.toml").write_text(SETTINGS.replace("kept", "other"), encoding="utf-8")
    (tmp_path / "in.csv").write_text("channel,time,value\nvat-north,2026-01-14T19:30:00Z,21\n")
    (tmp_path / "prints.csv").write_text(PRINTS, encoding="utf-8")
    (tmp_path / "whole.json").write_text(WHOLE, encoding="utf-8")
    return tmp_path


def everything_in(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else b""
        for path in folder.rglob("*")
    }


def ask(folder: Path, command: str, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.chdir(folder)
    return main(command.split())


@pytest.mark.parametrize(
    ("command", "where"),
    [
        ("export readings out.csv", "kept/readings.db"),
        ("export readings out.csv --values believed", "kept/readings.db"),
        ("export readings -", "kept/readings.db"),
        ("export record out.json", "kept/record.db"),
        ("export record out.csv", "kept/record.db"),
        ("evidence 1", "kept/record.db"),
        ("move --to other.toml", "kept/readings.db"),
        ("move --to other.toml --dry-run", "kept/readings.db"),
        ("backup copies/monday", "kept"),
        ("keep --dry-run", "kept/record.db"),
        ("keep", "kept/record.db"),
        ("compact", "kept/readings.db"),
    ],
)
def test_where_nothing_is_kept_it_says_so_and_makes_nothing(
    command: str,
    where: str,
    workshop: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    before = everything_in(workshop)
    assert ask(workshop, command, monkeypatch) == 2
    said = capsys.readouterr().err.strip()
    assert said.startswith(f"vatside: {where}: ")
    assert len(said.splitlines()) == 1
    assert everything_in(workshop) == before


@pytest.mark.parametrize(
    "command",
    [
        "check",
        "import readings in.csv --dry-run",
        "import record whole.json --dry-run",
        "import record prints.csv --make --dry-run",
    ],
)
def test_looking_over_makes_nothing(
    command: str, workshop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = everything_in(workshop)
    ask(workshop, command, monkeypatch)
    assert everything_in(workshop) == before


@pytest.fixture
def readings_alone(workshop: Path) -> Path:
    """The same with readings, by a collector that ran alone: there is no record."""
    with SqliteStore(workshop / "kept" / "readings.db") as store:
        store.append(arrivals("vat-north", [(1_768_419_000_000, 20.5)]))
    return workshop


@pytest.mark.parametrize("values", ["received", "converted", "believed"])
def test_readings_go_out_where_there_is_no_record_and_none_is_made(
    values: str, readings_alone: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert ask(readings_alone, f"export readings out.csv --values {values}", monkeypatch) == 0
    line = (readings_alone / "out.csv").read_text(encoding="utf-8").splitlines()[1]
    assert line == "vat-north,2026-01-14T19:30:00.000Z,20.5,°C,,0"
    assert not (readings_alone / "kept" / "record.db").exists()


def test_a_dry_move_to_a_store_that_is_not_there_says_what_would_be_copied(
    readings_alone: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask(readings_alone, "move --to other.toml --dry-run", monkeypatch) == 0
    assert "1 readings and 0 second values, 1 to be copied" in capsys.readouterr().out
    assert not (readings_alone / "other").exists()
