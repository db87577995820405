"""Settings: what vatside.toml may say, and what it is told when it says something else."""

from __future__ import annotations

from pathlib import Path

from collector.channels import TimeForm
from collector.config import Settings, load
from collector.readings import Role

CELLAR = """
[broker]
url = "mqtt://127.0.0.1:1884"
username = "north"

[store]
folder = "kept"

[pages]
port = 9000

[[channel]]
id = "vat-north"
place = "North vat"
role = "vat_temperature"
unit = "°F"
topic = "cellar/north/vat"
value = "/temperature"
time = "/at"
time_form = "unix_ms"
gap_limit_s = 90

[[channel]]
id = "room-temp"
role = "room_temperature"
topic = "cellar/room/+"
"""


def settings(folder: Path, text: str, **environ: str) -> Settings:
    """The settings that a file of this text gives."""
    path = folder / "vatside.toml"
    path.write_text(text, encoding="utf-8")
    return load(path, environ)


def test_a_whole_file_is_read(tmp_path: Path) -> None:
    cellar = settings(tmp_path, CELLAR, VATSIDE_BROKER_PASSWORD="lamp")
    assert cellar.broker is not None
    assert (cellar.broker.host, cellar.broker.port, cellar.broker.tls) == ("127.0.0.1", 1884, False)
    assert (cellar.broker.username, cellar.broker.password) == ("north", "lamp")
    assert "lamp" not in repr(cellar)
    assert cellar.store.readings_path == tmp_path / "kept" / "readings.db"
    assert cellar.store.record_path == tmp_path / "kept" / "record.db"
    assert (cellar.pages.host, cellar.pages.port) == ("127.0.0.1", 9000)
    vat = cellar.channel("vat-north")
    assert (vat.role, vat.unit, vat.time_form) == (Role.VAT_TEMPERATURE, "°F", TimeForm.UNIX_MS)
    assert vat.gap_limit_ms == 90_000
    room = cellar.channel("room-temp")
    assert (room.place, room.unit, room.value, room.time) == ("room-temp", "°C", None, None)
    assert room.gap_limit_ms == 300_000


def test_without_a_file_there_are_defaults_and_no_channels() -> None:
    plain = load(None, {})
    assert plain == Settings()
    assert plain.broker is None
    assert plain.channels == ()
    assert plain.pages.port == 8460
