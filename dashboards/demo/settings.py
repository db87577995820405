"""The demo's settings file: the invented workshop's channels, written where the demo lives."""

from __future__ import annotations

from pathlib import Path

from dashboards.demo.packs import TOPICS

#: Sparse history has a reading every 300 s, power every 600 s, the chamber every 10 s; three
#: lost in a row are no gap yet.
GAP_LIMIT_S = {"power-north": 2_400, "power-south": 2_400, "chamber": 60}
GAP_LIMIT_DEFAULT_S = 1_200

_PLACES = {
    "vat-north": ("North vat", "vat_temperature"),
    "vat-south": ("South vat", "vat_temperature"),
    "room-temp": ("Cellar", "room_temperature"),
    "room-humidity": ("Cellar", "room_humidity"),
    "chamber": ("Heat chamber", "chamber_temperature"),
    "power-north": ("North plug", "printer_power"),
    "power-south": ("South plug", "printer_power"),
}

_HEAD = """\
# Settings of the demo: an invented cellar workshop with two printers.
# Its sensors send SenML packs (RFC 8428); each channel names its record.
"""

_CHANNEL = """
[[channel]]
id = "{id}"
place = "{place}"
role = "{role}"
topic = "{topic}"
senml = "{topic}"
gap_limit_s = {gap_limit_s}
"""


def settings_text(*, host: str = "127.0.0.1", port: int = 8460, broker_url: str = "") -> str:
    """The demo's ``vatside.toml``; without ``broker_url`` it uses the embedded broker."""
    broker = f'\n[broker]\nurl = "{broker_url}"\n' if broker_url else ""
    pages = f'\n[store]\nfolder = "."\n\n[pages]\nhost = "{host}"\nport = {port}\n'
    return _HEAD + broker + pages + "".join(_channel(channel) for channel in TOPICS)


def _channel(channel: str) -> str:
    place, role = _PLACES[channel]
    return _CHANNEL.format(
        id=channel,
        place=place,
        role=role,
        topic=TOPICS[channel],
        gap_limit_s=GAP_LIMIT_S.get(channel, GAP_LIMIT_DEFAULT_S),
    )


def write_settings(
    folder: Path, *, host: str = "127.0.0.1", port: int = 8460, broker_url: str = ""
) -> Path:
    """Write ``vatside.toml`` into the demo's folder, which is made if need be; its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "vatside.toml"
    path.write_text(settings_text(host=host, port=port, broker_url=broker_url), encoding="utf-8")
    return path
