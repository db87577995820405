"""The command as a person at a terminal meets it: its messages, its exit codes."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from collector.config import load
from dashboards.cli import main


def test_the_example_is_a_settings_file_that_loads(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["example"]) == 0
    file = tmp_path / "vatside.toml"
    file.write_text(capsys.readouterr().out, encoding="utf-8")
    settings = load(file, {"VATSIDE_BROKER_PASSWORD": "of the cellar"})
    assert [channel.id for channel in settings.channels] == ["vat-north", "room-temp"]
    assert settings.broker is not None
    assert settings.broker.password == "of the cellar"


def test_without_a_settings_file_the_message_says_how_to_make_one(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["run", "--settings", str(tmp_path / "vatside.toml")]) == 2
    said = capsys.readouterr().err
    assert "vatside example > vatside.toml" in said
    assert "Traceback" not in said


def test_a_mistake_in_the_settings_is_shown_with_its_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "vatside.toml"
    file.write_text('[pages]\nport = 8460\nhots = "127.0.0.1"\n', encoding="utf-8")
    assert main(["serve", "--settings", str(file)]) == 2
    said = capsys.readouterr().err
    assert re.search(r"vatside\.toml.*3.*hots.*host", said, re.DOTALL)


@pytest.mark.parametrize("command", ["run", "collect"])
def test_settings_without_a_channel_are_refused_at_the_start(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "vatside.toml"
    path.write_text("[store]\nfolder = 'kept'\n")
    assert main([command, "--settings", str(path)]) == 2
    said = capsys.readouterr().err
    assert f"{path}, [[channel]]" in said
    assert "vatside example" in said
    assert "vatside serve" in said
    assert len(said.splitlines()) == 1
    assert not (tmp_path / "kept").exists()


def test_a_taken_port_is_told_with_the_way_out(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    import socket

    file = tmp_path / "vatside.toml"
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        file.write_text(f"[pages]\nport = {port}\n", encoding="utf-8")
        assert main(["serve", "--settings", str(file)]) == 2
    assert f"Port {port} is taken" in capsys.readouterr().err


@pytest.mark.parametrize("pair", ["Temperature", "=room-temp", "Temperature="])
def test_a_column_that_names_no_channel_is_refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, pair: str
) -> None:
    file = tmp_path / "vatside.toml"
    file.write_text("", encoding="utf-8")
    command = ["replay", "x.csv", "--column", pair, "--settings", str(file)]
    assert main(command) == 2
    assert "--column Temperature=room-temp" in capsys.readouterr().err


def test_the_command_starts_without_the_heavy_libraries() -> None:
    script = (
        "import sys; import dashboards.cli, dashboards.start;"
        "heavy = {'scipy', 'altair', 'vl_convert', 'pandas', 'fastapi'} & set(sys.modules);"
        "sys.exit(repr(heavy) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("command", ["run", "serve", "demo"])
@pytest.mark.parametrize("port", ["0", "70000", "-1", "8460.5", "http"])
def test_a_port_that_is_none_is_refused_before_anything_is_made(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: str,
    port: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as end:
        main([command, f"--port={port}"])
    assert end.value.code == 2
    assert "a whole number from 1 to 65535" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_an_address_of_another_machine_is_not_called_a_taken_port(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "vatside.toml"
    file.write_text('[pages]\nhost = "192.0.2.7"\n', encoding="utf-8")  # RFC 5737: nobody's
    assert main(["serve", "--settings", str(file)]) == 2
    said = capsys.readouterr().err
    assert "[pages] host: The pages cannot be served on 192.0.2.7" in said
    assert "taken" not in said


@pytest.mark.parametrize("speed", ["0", "-1", "nan", "inf", "3601"])
def test_a_speed_that_the_demo_cannot_be_played_at_is_refused_at_once(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, speed: str
) -> None:
    folder = tmp_path / "demo"
    assert main(["demo", "--folder", str(folder), f"--speed={speed}"]) == 2
    assert "--speed: a speed of" in capsys.readouterr().err
    assert not folder.exists()


def test_the_simulated_workshop_alone_asks_for_its_broker(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit):
        main(["simulate"])
    assert "--broker" in capsys.readouterr().err


def test_the_version_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["--version"])
    assert end.value.code == 0
    assert re.fullmatch(r"vatside \d+\.\d+\.\d+\n", capsys.readouterr().out)


@pytest.mark.parametrize(("asked", "used"), [(None, "1"), ("4", "4")])
def test_sums_take_one_thread_unless_somebody_asks_for_more(
    asked: str | None,
    used: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", asked or "")
    if asked is None:
        monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    assert main(["example"]) == 0
    assert capsys.readouterr().out
    assert os.environ["OPENBLAS_NUM_THREADS"] == used
