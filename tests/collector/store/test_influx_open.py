"""Which store the settings name, and the command that prepares a server for it."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest

from collector.config import InfluxSettings, Settings, StoreSettings
from collector.errors import InvalidError, SettingsError
from collector.store.influx_store import InfluxStore
from collector.store.open import open_store, prepare_store
from collector.store.sqlite import SqliteStore
from dashboards.cli import main
from tests.influx_double import ORG, TOKEN, InfluxDouble, Rights


def test_without_the_table_it_is_the_file(tmp_path: Path) -> None:
    settings = Settings(store=StoreSettings(tmp_path))
    with contextlib.closing(open_store(settings)) as store:
        assert isinstance(store, SqliteStore)
        assert settings.store.readings_path.exists()


def test_with_the_table_it_is_the_server_and_its_spool(tmp_path: Path) -> None:
    influx = InfluxSettings("http://127.0.0.1:9", ORG, TOKEN)
    settings = Settings(store=StoreSettings(tmp_path), influx=influx)
    with contextlib.closing(open_store(settings, read_only=True)) as store:
        assert isinstance(store, InfluxStore)
    with contextlib.closing(open_store(settings, open_later=True)) as store:
        assert not settings.store.spool_path.exists()
        store.append([])
        assert settings.store.spool_path.exists()
    assert not settings.store.readings_path.exists()


def test_the_command_prepares_a_server_with_a_token_that_may(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "vatside.toml"
    monkeypatch.setenv("VATSIDE_INFLUX_TOKEN", TOKEN)
    with InfluxDouble() as double:
        file.write_text(f'[influx]\nurl = "{double.url}"\norg = "{ORG}"\n')
        command = ["store", "prepare", "--settings", str(file), "--keep-days", "90"]
        assert main(command) == 2
        assert "The token may not do that with bucket vatside" in capsys.readouterr().err
        double.tokens[TOKEN] = Rights(admin=True)
        assert main([*command, "--minutes-days", "3650"]) == 0
        assert len(capsys.readouterr().out.splitlines()) == 3
        assert double.bucket.retention_s == 90 * 86_400
        assert double.buckets["vatside-minutes"].retention_s == 3_650 * 86_400
        assert len(double.tasks) == 1


def test_what_cannot_be_prepared_is_said(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no server to prepare"):
        prepare_store(Settings(store=StoreSettings(tmp_path)))
    settings = Settings(influx=InfluxSettings("http://127.0.0.1:9", ORG, TOKEN))
    for keep_days, minutes_days, where in ((0, None, "--keep-days"), (None, -1, "--minutes-days")):
        with pytest.raises(InvalidError) as caught:
            prepare_store(settings, keep_days=keep_days, minutes_days=minutes_days)
        assert caught.value.where == where
