"""The chart files: made once, out of process, whole or not at all, and kept."""

from __future__ import annotations

import errno
import gzip
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboards import chart_bundle, charts
from dashboards.chart_bundle import ChartBundle


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("charts")
    bundle = ChartBundle(folder)
    bundle.start()
    deadline = time.monotonic() + 60
    while bundle.state == "preparing" and time.monotonic() < deadline:
        time.sleep(0.05)
    bundle.close()
    assert bundle.state == "ready"
    return folder


@pytest.fixture
def bundle(tmp_path: Path) -> Iterator[ChartBundle]:
    one = ChartBundle(tmp_path)
    yield one
    one.close()


def test_script_and_every_shape_are_made_out_of_process(made: Path) -> None:
    bundle = ChartBundle(made)
    script = bundle.file("charts.js")
    assert script is not None
    assert "vatsideEmbed" in gzip.decompress(script.read_bytes()).decode()
    for shape in charts.SHAPES:
        path = bundle.file(f"{shape}.json")
        assert path is not None
        spec = json.loads(gzip.decompress(path.read_bytes()))
        assert "vega.github.io/schema/vega/" in spec["$schema"]


def test_files_that_are_there_are_not_made_again(made: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in made.rglob("*.gz")}
    bundle = ChartBundle(made)
    bundle.start()
    bundle.close()
    assert {path: path.stat().st_mtime_ns for path in made.rglob("*.gz")} == before
    assert [path.name for path in made.iterdir()] == [bundle.key], "nothing unfinished is left"


def test_they_are_made_where_the_settings_say_not_where_their_maker_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[list[str]] = []

    class Maker:
        def __init__(self, command: list[str], **_: object) -> None:
            begun.append(command)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(subprocess, "Popen", Maker)
    bundle = ChartBundle(Path("charts"))
    bundle.start()
    assert Path(begun[0][-1]) == tmp_path / "charts" / bundle.key


def test_only_its_own_files_are_given_out(made: Path) -> None:
    assert ChartBundle(made).file("../../etc/passwd") is None
    assert ChartBundle(made).file("nothing.json") is None


def test_a_page_can_tell_preparing_from_ready(bundle: ChartBundle) -> None:
    assert bundle.state == "preparing"
    assert bundle.file("charts.js") is None


def test_a_folder_that_cannot_be_written_is_said_to_have_failed(
    bundle: ChartBundle, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/false")
    bundle.start()
    bundle.close()
    assert bundle.state == "failed"


def test_two_that_make_the_same_files_end_with_one_whole_set(tmp_path: Path, made: Path) -> None:
    folder = tmp_path / "set"
    chart_bundle.make(folder)
    first = (folder / "charts.js.gz").read_bytes()
    chart_bundle.make(folder)
    assert (folder / "charts.js.gz").read_bytes() == first
    assert [path.name for path in tmp_path.iterdir()] == ["set"]


def test_the_module_loads_without_the_heavy_libraries() -> None:
    check = (
        "import sys, dashboards.chart_bundle, dashboards.chart_rows\n"
        "print([m for m in ('altair', 'vl_convert', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", check], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


def test_where_there_is_no_room_one_line_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(folder: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(chart_bundle, "make", full)
    monkeypatch.setattr("os.nice", lambda _: 0)
    assert chart_bundle.main([str(tmp_path / "charts")]) == 1
    (said,) = capsys.readouterr().err.splitlines()
    assert "cannot be made (No space left on device); the pages show tables instead" in said
