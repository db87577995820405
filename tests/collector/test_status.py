"""The status file: whole or not at all, and beside the store when the store cannot take it."""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

from collector import status as module
from collector.clocks import ClockState, Condition, Step
from collector.status import FILE, ChannelStatus, CollectorStatus, read_status, write_status

STATUS = CollectorStatus(
    at_ms=1_767_268_800_000,
    pid=4_711,
    started_ms=1_767_268_000_000,
    client_id="vatside",
    broker_url="mqtt://127.0.0.1:1883",
    connected=True,
    subscribed=True,
    link_since_ms=1_767_268_000_100,
    link_fault=None,
    connections_n=1,
    store_fault=None,
    store_fault_since_ms=None,
    waiting_n=0,
    in_hand_n=0,
    lag_ms=12,
    let_go_n=0,
    stale_n=0,
    stored=5,
    duplicate=1,
    conflict=0,
    refused=2,
    channels=(
        ChannelStatus(
            channel="vat-north",
            last_received_ms=1_767_268_799_000,
            interval_ms=30_000,
            marks={"late": 3},
            clock=ClockState(Condition.BEHIND, 3_300_000, 5, Step(5, 100, 3_300_000)),
            battery=87,
        ),
        ChannelStatus(channel="room-temp"),
    ),
)


@pytest.fixture(autouse=True)
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for temporary files of our own."""
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "gettempdir", lambda: str(folder))
    return folder


def test_what_is_written_is_read(tmp_path: Path) -> None:
    assert read_status(tmp_path) is None
    assert write_status(tmp_path, STATUS)
    assert read_status(tmp_path) == STATUS
    assert STATUS.channel("vat-north").battery == 87
    assert STATUS.channel("vat-new") == ChannelStatus(channel="vat-new")
    assert {path.name for path in tmp_path.iterdir()} == {"temporary", FILE}


def test_when_the_folder_is_not_there_it_goes_elsewhere(tmp_path: Path, temporary: Path) -> None:
    folder = tmp_path / "away"
    assert write_status(folder, STATUS)
    assert read_status(folder) == STATUS
    assert len(list(temporary.iterdir())) == 1
    folder.mkdir()
    later = replace(STATUS, at_ms=STATUS.at_ms + 1_000)
    write_status(folder, later)
    assert read_status(folder) == later
    assert read_status(tmp_path) is None  # another folder's collector


def test_with_no_place_at_all_it_says_so(tmp_path: Path, temporary: Path) -> None:
    temporary.rmdir()
    assert not write_status(tmp_path / "away", STATUS)


def test_a_stranger_s_file_is_not_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "away"
    write_status(folder, STATUS)
    folder.mkdir()
    write_status(folder, replace(STATUS, at_ms=5))
    path = module._places(folder)[1]
    if os.getuid() != 0:
        pytest.skip("only root gives files away")
    os.chown(path, 12_345, -1)
    found = read_status(folder)
    assert found is not None
    assert found.at_ms == 5


@pytest.mark.parametrize(
    "text",
    ["", "[]", "3", "{}", '{"channels": 3}', '{"channels": [], "at_ms": 3}', "\udcff", "null"],
)
def test_a_file_that_is_none_of_ours_is_no_status(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE).write_bytes(text.encode("utf-8", "surrogateescape"))
    assert read_status(tmp_path) is None


def test_a_newer_one_s_file_is_no_status(tmp_path: Path) -> None:
    write_status(tmp_path, STATUS)
    tree = json.loads((tmp_path / FILE).read_text())
    (tmp_path / FILE).write_text(json.dumps(tree | {"of_tomorrow": 1}))
    assert read_status(tmp_path) is None


def test_its_age() -> None:
    assert STATUS.age_ms(STATUS.at_ms + 1_500) == 1_500
    assert STATUS.age_ms(STATUS.at_ms - 1_500) == 0
    assert not STATUS.away(STATUS.at_ms)
