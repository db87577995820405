"""``vatside keep`` and ``vatside compact``: what they say and do, and when they refuse."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from api.prints import Print
from api.record import Machine, Record, Resin
from collector.readings import moment_of
from collector.status import write_status
from collector.store.sqlite import SqliteStore
from collector.store.stretches import DAY_MS, HOUR_MS
from dashboards.cli import main
from dashboards.start import protected_of, read_settings
from tests.api.test_health import status
from tests.stores import arrivals

SETTINGS = """
[store]
folder = "kept"
[[channel]]
id = "north-power"
role = "printer_power"
topic = "cellar/north/power"
gap_limit_s = 3600
"""
RULE = """
[[keep]]
role = "printer_power"
thin_after_days = 14
every_s = 3600
forget_after_days = 30
"""
STEP_MS = 300_000

Keep = Callable[..., tuple[int, str, str]]


@pytest.fixture
def keep(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Keep:
    def run(*options: str, rule: str = RULE) -> tuple[int, str, str]:
        (tmp_path / "vatside.toml").write_text(SETTINGS + rule)
        code = main(["keep", "--settings", str(tmp_path / "vatside.toml"), *options])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty days of power, and a print five days after they began."""
    kept = tmp_path_factory.mktemp("pattern")
    begin_ms = time.time_ns() // 1_000_000 // DAY_MS * DAY_MS - 40 * DAY_MS
    with SqliteStore(kept / "readings.db") as store:
        rows = [(begin_ms + i * STEP_MS, 40 + i % 7 / 10) for i in range(40 * DAY_MS // STEP_MS)]
        store.append(arrivals("north-power", rows))
        while store.settle():
            pass
    record = Record(kept / "record.db")
    record.resins.add(Resin(name="Willow"))
    record.machines.add(Machine(name="North"))
    start = moment_of(begin_ms + 5 * DAY_MS)
    record.prints.add(Print(start=start, end=start + timedelta(hours=8), resin=1, machine=1))
    record.close()
    return kept


@pytest.fixture
def folder(tmp_path: Path, pattern: Path) -> Path:
    """A copy of it where the settings look."""
    return Path(shutil.copytree(pattern, tmp_path / "kept"))


def test_a_dry_run_says_what_would_go_and_the_command_does_it(keep: Keep, folder: Path) -> None:
    with SqliteStore(folder / "readings.db", read_only=True) as store:
        before = store.checksums()
    code, would, _ = keep("--dry-run")
    assert code == 0
    assert "printer_power: after 14 days a few of each 3600 s, after 30 days none" in would
    assert "Protected: 1 window of prints and soak runs on record." in would
    assert "readings would be forgotten, of " in would
    assert "readings would be thinned away, of " in would
    assert "Nothing was changed." in would
    with SqliteStore(folder / "readings.db", read_only=True) as store:
        assert store.checksums() == before
    code, done, _ = keep()
    assert code == 0
    told = [line for line in would.splitlines() if line.startswith("north-power")]
    assert [line.replace("were", "would be") for line in done.splitlines() if line in done][
        2 : 2 + len(told)
    ] == told
    with SqliteStore(folder / "readings.db", read_only=True) as store:
        assert store.check() == []
        removed_n = sum(one.readings_n for one in store.removals())
        assert store.count() + removed_n == before["north-power"].count
        first = store.after("north-power", 0)
        assert first is not None
        before_ms = 3 * HOUR_MS  # two hours and a gap limit
        run = store.between("north-power", first.time_ms, first.time_ms + before_ms + 8 * HOUR_MS)
        assert len(run) == (3 + 8) * HOUR_MS // STEP_MS
    assert "Nothing goes" in keep()[1]


def test_it_refuses_without_a_rule_a_record_or_beside_the_collector(
    keep: Keep, folder: Path
) -> None:
    code, _, told = keep(rule="")
    assert (code, "There is no rule" in told) == (2, True)
    write_status(folder, status(at_ms=time.time_ns() // 1_000_000))
    code, _, told = keep()
    assert (code, "The collector is at work" in told) == (2, True)
    assert keep("--dry-run")[0] == 0
    (folder / "record.db").unlink()
    code, _, told = keep("--dry-run")
    assert (code, "cannot be read" in told) == (2, True)


def test_room_is_given_back_while_the_collector_is_stopped(
    keep: Keep, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keep()
    with SqliteStore(folder / "readings.db", read_only=True) as store:
        before = store.checksums()
    size = (folder / "readings.db").stat().st_size
    asked = ["compact", "--settings", str(tmp_path / "vatside.toml")]
    assert main(asked) == 0
    left = (folder / "readings.db").stat().st_size
    assert left < size
    assert f"{size - left:,} bytes given back, {left:,} left." in capsys.readouterr().out
    with SqliteStore(folder / "readings.db", read_only=True) as store:
        assert store.checksums() == before
        assert store.check() == []
    write_status(folder, status(at_ms=time.time_ns() // 1_000_000))
    assert main(asked) == 2
    assert "The collector is at work" in capsys.readouterr().err


def test_where_nothing_is_kept_nothing_is_made(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "vatside.toml").write_text(SETTINGS + RULE)
    Record(tmp_path / "kept" / "record.db").close()
    for command in ("keep", "compact"):
        assert main([command, "--settings", str(tmp_path / "vatside.toml")]) == 2
        assert "No readings are kept here yet" in capsys.readouterr().err
        assert not (tmp_path / "kept" / "readings.db").exists()


def test_the_collector_is_told_what_is_protected_only_where_a_rule_asks(
    tmp_path: Path, folder: Path
) -> None:
    path = tmp_path / "vatside.toml"
    path.write_text(SETTINGS)
    assert protected_of(read_settings(path)) is None
    path.write_text(SETTINGS + RULE)
    protected = protected_of(read_settings(path))
    assert protected is not None
    assert len(protected()) == 1
