"""The settings: frozen, built once by :func:`load` from vatside.toml and the environment.

Secrets come from the environment alone, so that the file can be shown to anybody. Whatever is
wrong is a ``SettingsError`` that names the file, the line where it can be found, the table and
the key, and what to write instead.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from collector.channels import Channel, TimeForm
from collector.errors import NotFoundError, SettingsError
from collector.readings import Role

__all__ = [
    "ENVIRONMENT",
    "SETTINGS",
    "BrokerSettings",
    "Channel",
    "PagesSettings",
    "Settings",
    "StoreSettings",
    "TimeForm",
    "load",
]

#: Every key that vatside.toml may hold, as table.key, and what it means.
SETTINGS: Mapping[str, str] = {
    "broker.url": "mqtt://HOST[:PORT], or mqtts:// for TLS; 1883 and 8883 when left out",
    "broker.username": "name to log in with; the password is VATSIDE_BROKER_PASSWORD",
    "broker.client_id": "name of our session at the broker; vatside when left out",
    "store.folder": "where readings.db and record.db lie, seen from the settings file",
    "pages.host": "address the pages are served on; 127.0.0.1 when left out",
    "pages.port": "port the pages are served on; 8460 when left out",
    "channel.id": "short name of the channel: a-z, 0-9 and hyphen, 64 at most",
    "channel.place": "where the sensor is, in your words; the id when left out",
    "channel.role": "what it measures: " + ", ".join(role.value for role in Role),
    "channel.unit": "what the sensor sends: °C, °F, K, %RH, fraction, W; else the role's",
    "channel.topic": "MQTT topic filter of its messages",
    "channel.value": "JSON Pointer to the value; left out for a bare number",
    "channel.time": "JSON Pointer to the reading's own time; the time of arrival when left out",
    "channel.time_form": "how that time is written: rfc3339, unix_s or unix_ms",
    "channel.senml": "resolved name of its SenML records, instead of value and time",
    "channel.gap_limit_s": "seconds without a reading after which the record has a gap; 300",
}

#: Every environment variable that settings are taken from, and what it means.
ENVIRONMENT: Mapping[str, str] = {
    "VATSIDE_BROKER_PASSWORD": "password for broker.username",
}

_DEFAULT_PORT = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """The MQTT broker to listen to. The password never shows in a ``repr``."""

    url: str
    host: str
    port: int
    tls: bool = False
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    client_id: str = "vatside"


@dataclass(frozen=True, slots=True)
class StoreSettings:
    """Where the two databases lie."""

    folder: Path = Path("vatside-data")

    @property
    def readings_path(self) -> Path:
        """The readings; only the collector writes there."""
        return self.folder / "readings.db"

    @property
    def record_path(self) -> Path:
        """The record of prints and soaks; only the api writes there."""
        return self.folder / "record.db"


@dataclass(frozen=True, slots=True)
class PagesSettings:
    """Where the pages and the api are served."""

    host: str = "127.0.0.1"
    port: int = 8460


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings. ``broker`` None means the embedded one."""

    broker: BrokerSettings | None = None
    store: StoreSettings = StoreSettings()
    pages: PagesSettings = PagesSettings()
    channels: tuple[Channel, ...] = ()

    def channel(self, channel_id: str) -> Channel:
        """The channel of that id; raises ``NotFoundError`` when the settings have none."""
        for channel in self.channels:
            if channel.id == channel_id:
                return channel
        ids = [channel.id for channel in self.channels]
        raise NotFoundError(
            f"there is no channel {channel_id!r}.",
            where="channel",
            remedy=_instead(channel_id, ids),
        )


def load(path: Path | None, environ: Mapping[str, str]) -> Settings:
    """Settings from a TOML file and the environment; defaults without channels for None.

    Raises ``SettingsError`` for whatever is wrong with either.
    """
    if path is None:
        return Settings()
    text = _text_of(path)
    tables = _tables_of(path, text)
    for name, found in tables.items():
        _check_table(path, text, name, found)
    return Settings(
        broker=_broker(_Table(path, text, "broker", tables["broker"]), environ)
        if "broker" in tables
        else None,
        store=_store(_Table(path, text, "store", tables.get("store", {}))),
        pages=_pages(_Table(path, text, "pages", tables.get("pages", {}))),
        channels=_channels(
            [
                _Table(path, text, "channel", row, number)
                for number, row in enumerate(tables.get("channel", []), start=1)
            ]
        ),
    )


def _text_of(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(
            "there is no such file.", where=str(path), remedy="Write one; the README shows how."
        ) from None
    except OSError as fault:
        raise SettingsError(
            f"the file cannot be read: {fault.strerror}.",
            where=str(path),
            remedy="Name a file that this user may read.",
        ) from None
    except UnicodeDecodeError as fault:
        line = path.read_bytes().count(b"\n", 0, fault.start) + 1
        raise SettingsError(
            "the text is not UTF-8.", where=f"{path}, line {line}", remedy="Save it as UTF-8."
        ) from None


def _tables_of(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise SettingsError(
            "the values are nested too deeply.", where=str(path), remedy="Write plain values."
        ) from None
    except ValueError as fault:  # TOMLDecodeError, or a number too long for Python
        at = re.search(r"\(at line (\d+), column (\d+)\)", str(fault))
        where = f"{path}, line {at[1]}, column {at[2]}" if at else str(path)
        reason = re.sub(r" \(at .*\)$", "", str(fault))
        raise SettingsError(
            f"this is no valid TOML: {reason}.",
            where=where,
            remedy="Texts stand in quotes, tables in [ ], channels under [[channel]].",
        ) from None


def _check_table(path: Path, text: str, name: str, found: object) -> None:
    """Refuse a table that does not exist, and one that is written as another kind."""
    line = _line_of_header(text, name)
    where = f"{path}, line {line}" if line else str(path)
    if name not in _TABLES:
        raise SettingsError(
            f"there is no table [{name}].", where=where, remedy=_instead(name, _TABLES)
        )
    rows = found if isinstance(found, list) else [found]
    if isinstance(found, list) != (name == "channel") or not all(isinstance(r, dict) for r in rows):
        header = "[[channel]]" if name == "channel" else f"[{name}]"
        raise SettingsError(
            f"{name} is not written as {'rows' if name == 'channel' else 'one table'}.",
            where=where,
            remedy=f"Begin {'each channel' if name == 'channel' else 'it'} with the line {header}.",
        )


def _broker(table: _Table, environ: Mapping[str, str]) -> BrokerSettings:
    table.check_keys()
    url = table.text("url")
    if url is None:
        raise table.error(
            None,
            "the broker has no url.",
            'Add url = "mqtt://HOST:1883", or leave [broker] out to use the embedded broker.',
        )
    host, port, tls = _address(table, url)
    username = table.text("username")
    password = environ.get("VATSIDE_BROKER_PASSWORD") or None
    if password is not None and username is None:
        raise table.error(
            None,
            "VATSIDE_BROKER_PASSWORD is set, but there is no username.",
            "Add username to [broker], or unset the variable.",
        )
    client_id = table.text("client_id")
    return BrokerSettings(url, host, port, tls, username, password, client_id or "vatside")


def _address(table: _Table, url: str) -> tuple[str, int, bool]:
    remedy = "Write mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS."
    if "@" in url:
        raise table.error("url", "a name or password stands in the address.", PASSWORD_ADVICE)
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as fault:
        raise table.error("url", f"{_shown(url)} is no address: {fault}.", remedy) from None
    if parts.scheme not in _DEFAULT_PORT:
        raise table.error("url", f"{_shown(url)} is not of the scheme mqtt or mqtts.", remedy)
    if not parts.hostname or port == 0 or re.search(r"\s", url):
        raise table.error("url", f"{_shown(url)} names no host and port.", remedy)
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise table.error("url", f"{_shown(url)} goes on after the port.", remedy)
    return parts.hostname, port or _DEFAULT_PORT[parts.scheme], parts.scheme == "mqtts"


def _store(table: _Table) -> StoreSettings:
    table.check_keys()
    folder = Path(table.text("folder") or StoreSettings().folder)
    try:
        return StoreSettings(table.path.parent / folder.expanduser())
    except RuntimeError:
        raise table.error(
            "folder", f"{_shown(str(folder))} names nobody's home.", "Write the path in full."
        ) from None


def _pages(table: _Table) -> PagesSettings:
    table.check_keys()
    host = table.text("host") or PagesSettings().host
    if re.search(r"[\s/]", host):
        raise table.error(
            "host", f"{_shown(host)} is no host.", "Write a name or an address, such as 127.0.0.1."
        )
    port = table.number("port")
    if port is None:
        return PagesSettings(host)
    if type(port) is not int or not 1 <= port <= 65_535:
        raise table.error("port", f"{port} is no port.", "Use a whole number from 1 to 65535.")
    return PagesSettings(host, port)


def _channels(tables: list[_Table]) -> tuple[Channel, ...]:
    channels: list[Channel] = []
    ids: dict[str, int] = {}
    sources: dict[tuple[str, str | None, str | None], str] = {}
    for number, table in enumerate(tables, start=1):
        channel = _channel(table)
        if channel.id in ids:
            raise table.error(
                "id",
                f"channel {ids[channel.id]} has the id {channel.id!r} as well.",
                "Give each channel an id of its own.",
            )
        source = (channel.topic, channel.value, channel.senml)
        if source in sources:
            raise table.error(
                "topic",
                f"channel {sources[source]!r} takes the same value from the same topic.",
                "Give one of them another topic, another pointer or another SenML name.",
            )
        ids[channel.id] = number
        sources[source] = channel.id
        channels.append(channel)
    return tuple(channels)


def _channel(table: _Table) -> Channel:
    table.check_keys()
    for key, example in (("id", "vat-north"), ("role", "vat_temperature"), ("topic", "cellar/vat")):
        if key not in table.values:
            raise table.error(None, f"the channel has no {key}.", f'Add {key} = "{example}".')
    gap_limit_s = table.number("gap_limit_s")
    try:
        return Channel(
            id=table.text("id") or "",
            place=table.text("place") or "",
            role=Role(table.choice("role", [role.value for role in Role])),
            unit=table.text("unit") or "",
            topic=table.text("topic") or "",
            value=table.text("value", empty=True),
            time=table.text("time", empty=True),
            time_form=TimeForm(table.choice("time_form", [form.value for form in TimeForm]))
            if "time_form" in table.values
            else None,
            senml=table.text("senml"),
            gap_limit_s=300.0 if gap_limit_s is None else float(gap_limit_s),
        )
    except SettingsError as fault:
        if fault.where not in _keys_of("channel"):
            raise
        raise table.error(fault.where, fault.what, fault.remedy or "") from None


@dataclass(frozen=True, slots=True)
class _Table:
    """One table of the file, which knows where it stands when something in it is wrong."""

    path: Path
    source: str
    name: str
    values: Mapping[str, Any]
    row: int | None = None

    def check_keys(self) -> None:
        """Refuse keys that the table does not have, and secrets with their own advice."""
        valid = _keys_of(self.name)
        for key in self.values:
            if key in valid:
                continue
            if re.search("passw|secret|token", key, re.IGNORECASE):
                raise self.error(key, "a secret stands in the file.", PASSWORD_ADVICE)
            raise self.error(key, f"there is no key {key!r} here.", _instead(key, valid))

    def text(self, key: str, *, empty: bool = False) -> str | None:
        """The text under a key; None when the key is left out."""
        found = self.values.get(key)
        if found is None:
            return None
        if not isinstance(found, str):
            raise self.error(key, f"{found!r} is no text.", f'Put it in quotes: {key} = "...".')
        if not empty and not found.strip():
            raise self.error(key, "the text is empty.", "Fill it in or leave the key out.")
        if "\0" in found:
            raise self.error(key, "the text holds the character U+0000.", "Take it out.")
        return found

    def number(self, key: str) -> float | None:
        """The number under a key; None when the key is left out."""
        found = self.values.get(key)
        if found is None or type(found) is int or type(found) is float:
            return found
        raise self.error(key, f"{found!r} is no number.", "Write digits without quotes.")

    def choice(self, key: str, valid: list[str]) -> str:
        """The text under a key that has to be one of a few."""
        found = self.text(key) or ""
        if found not in valid:
            raise self.error(key, f"there is no {key} {found!r}.", _instead(found, valid))
        return found

    def error(self, key: str | None, what: str, remedy: str) -> SettingsError:
        """An error that says where in the file it is."""
        line = _line_of(self.source, self.name, self.row, key)
        where = [str(self.path)]
        where += [f"line {line}"] if line else []
        where += [f"[{self.name}]"] if self.row is None else [f"[[{self.name}]] {self.row}"]
        where += [key] if key else []
        return SettingsError(what, where=", ".join(where), remedy=remedy)


def _keys_of(table: str) -> tuple[str, ...]:
    return tuple(key.partition(".")[2] for key in SETTINGS if key.startswith(f"{table}."))


def _line_of(source: str, table: str, row: int | None, key: str | None) -> int | None:
    """The line of a key, or of its table's header when it has none; None when not found.

    The text is searched, since the parser keeps no lines: an inline table is not found.
    """
    rows = 0
    inside = False
    for number, line in enumerate(source.splitlines(), start=1):
        header = _HEADER.match(line)
        if header:
            rows += header[1] == table
            inside = header[1] == table and row in (None, rows)
            if inside and key is None:
                return number
        elif inside and key is not None:
            written = _KEY.match(line)
            if written and written[1].strip("\"'") == key:
                return number
    return None


def _line_of_header(source: str, name: str) -> int | None:
    for number, line in enumerate(source.splitlines(), start=1):
        found = _HEADER.match(line) or _KEY.match(line)
        if found and found[1].strip("\"'") == name:
            return number
    return None


def _shown(text: str) -> str:
    return repr(text if len(text) <= 60 else f"{text[:57]}...")


def _instead(word: str, valid: Iterable[str]) -> str:
    words = list(valid)
    near = difflib.get_close_matches(word, words, n=1, cutoff=0.5)
    if near:
        return f"Did you mean {near[0]}?"
    return f"Use one of: {', '.join(words)}." if words else "There is none at all."


PASSWORD_ADVICE = "Take it out and put the password into VATSIDE_BROKER_PASSWORD."

_TABLES = tuple(dict.fromkeys(key.partition(".")[0] for key in SETTINGS))
_HEADER = re.compile(r"\s*\[\[?\s*([A-Za-z0-9_.\"'-]+)\s*\]")
_KEY = re.compile(r"\s*([A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')\s*[=.]")
