"""The table [influx] and the secrets that come from files."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.config import load
from collector.errors import SettingsError
from collector.influx_settings import InfluxSettings
from collector.secret_files import secret

TABLE = '[influx]\nurl = "http://influx:8086/"\norg = "cellar"\n'


def influx(folder: Path, text: str, **environ: str) -> InfluxSettings | None:
    path = folder / "vatside.toml"
    path.write_text(text, encoding="utf-8")
    return load(path, environ).influx


def test_without_the_table_readings_stay_in_the_file(tmp_path: Path) -> None:
    assert influx(tmp_path, "", VATSIDE_INFLUX_TOKEN="t0ken") is None


def test_the_table_is_read_and_the_token_is_not_shown(tmp_path: Path) -> None:
    plain = influx(tmp_path, TABLE, VATSIDE_INFLUX_TOKEN="t0ken")
    assert plain == InfluxSettings("http://influx:8086", "cellar", "t0ken")
    assert (plain.bucket, plain.measurement, plain.spool_limit_mb) == ("vatside", "reading", 1_024)
    assert "t0ken" not in repr(plain)
    more = 'bucket = "cellar readings"\nmeasurement = "climate"\nspool_limit_mb = 5\n'
    full = influx(tmp_path, TABLE + more, VATSIDE_INFLUX_TOKEN="t0ken")
    assert full is not None
    assert (full.bucket, full.measurement, full.spool_limit_mb) == ("cellar readings", "climate", 5)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[influx]\norg = "cellar"\n', "the server has no url. Add url ="),
        ('[influx]\nurl = "http://h"\n', "the server has no org. Add org ="),
        (TABLE.replace("http:", "ftp:"), "is no address of a server"),
        (TABLE.replace("influx:8086/", "influx:0"), "is no address of a server"),
        (TABLE.replace("8086", "x"), "is no address"),
        (TABLE.replace("8086/", "8086/?a=b"), "goes on after the path"),
        (TABLE.replace("influx:", "n:lamp@influx:"), "put the password into VATSIDE_INFLUX_TOKEN"),
        (TABLE + 'token = "t"\n', "a secret stands in the file"),
        (TABLE + 'buckets = "b"\n', "Did you mean bucket?"),
        (TABLE + "bucket = 'a\"b'\n", "is no name for it"),
        (TABLE + 'measurement = "_internal"\n', "is no name for it"),
        (TABLE + "spool_limit_mb = 0\n", "spool_limit_mb"),
    ],
)
def test_what_is_wrong_is_said_with_its_remedy(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(SettingsError) as caught:
        influx(tmp_path, text, VATSIDE_INFLUX_TOKEN="t0ken")
    assert told in str(caught.value)
    assert "lamp" not in str(caught.value)


@pytest.mark.parametrize("token", ["", "two words", "tökén"])
def test_a_token_that_is_none_is_refused(tmp_path: Path, token: str) -> None:
    with pytest.raises(SettingsError, match="VATSIDE_INFLUX_TOKEN"):
        influx(tmp_path, TABLE, VATSIDE_INFLUX_TOKEN=token)


def test_a_secret_may_stand_in_a_file(tmp_path: Path) -> None:
    path = tmp_path / "secret"
    path.write_text("t0ken\n")
    assert secret({"X_FILE": str(path)}, "X") == "t0ken"
    path.write_text(" spaces count \r\n")
    assert secret({"X_FILE": str(path)}, "X") == " spaces count "
    path.write_text("t0ken\n")
    found = influx(tmp_path, TABLE, VATSIDE_INFLUX_TOKEN_FILE=str(path))
    assert found is not None
    assert found.token == "t0ken"
    broker = '[broker]\nurl = "mqtt://h"\nusername = "n"\n'
    (tmp_path / "vatside.toml").write_text(broker)
    settings = load(tmp_path / "vatside.toml", {"VATSIDE_BROKER_PASSWORD_FILE": str(path)})
    assert settings.broker is not None
    assert settings.broker.password == "t0ken"


@pytest.mark.parametrize("held", [b"", b"\n", b"one\ntwo\n", b"\xff\xfe", b"x" * 70_000])
def test_a_file_that_holds_no_secret_is_refused(tmp_path: Path, held: bytes) -> None:
    path = tmp_path / "secret"
    path.write_bytes(held)
    with pytest.raises(SettingsError, match="this holds no secret"):
        secret({"X_FILE": str(path)}, "X")


def test_a_secret_is_given_once_and_its_file_must_be_there(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"X is set as well"):
        secret({"X": "t0ken", "X_FILE": str(tmp_path / "secret")}, "X")
    with pytest.raises(SettingsError, match=r"X_FILE, .*cannot be read"):
        secret({"X_FILE": str(tmp_path / "secret")}, "X")
    assert secret({}, "X") is None
