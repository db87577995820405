"""The settings: frozen, built once by :func:`load` from vatside.toml and the environment.

Secrets come from the environment alone, so that the file can be shown to anybody. Whatever is
wrong is a ``SettingsError`` that names the file, the line where it can be found, the table and
the key, and what to write instead.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from collector import topics
from collector.calibration import Chain
from collector.channels import Channel, TimeForm
from collector.errors import NotFoundError, SettingsError
from collector.influx_settings import INFLUX_SETTINGS, InfluxSettings, influx_of
from collector.keep_settings import KEEP_SETTINGS, KeepRule, keep_of
from collector.payload import MOST_BYTES
from collector.readings import Role
from collector.secret_files import secret
from collector.settings_file import Table, instead, line_of_header, shown, tables_of, text_of
from collector.signals import Signal, SignalKind, signal_of

__all__ = [
    "ENVIRONMENT",
    "SETTINGS",
    "BrokerSettings",
    "Channel",
    "EmbeddedBrokerSettings",
    "InfluxSettings",
    "PagesSettings",
    "Settings",
    "StoreSettings",
    "TimeForm",
    "load",
]

#: Every key that vatside.toml may hold, as table.key, and what it means.
SETTINGS: Mapping[str, str] = {
    "broker.url": "mqtt://HOST[:PORT], or mqtts:// for TLS; 1883 and 8883 when left out",
    "broker.mqtt": "its version of MQTT, 5 or 3.1.1 in quotes; 5 when left out",
    "broker.username": "name to log in with; the password is VATSIDE_BROKER_PASSWORD",
    "broker.client_id": "name of our session at the broker; vatside when left out",
    "broker.ca_file": "certificates of the authority that signed the broker's; the system's own",
    "broker.certificate_file": "certificate that we show the broker, when it asks for one",
    "broker.key_file": "its private key, without a passphrase; left out when in the same file",
    "broker.session_expiry_s": "seconds that the broker keeps our session without us; 604800",
    "broker.receive_maximum": "unacknowledged messages that we take at once; 1000",
    "broker.share_group": "name of the group whose collectors divide the messages among them",
    "broker.payload_limit_bytes": "longer messages are refused; 65536",
    "embedded_broker.host": "address that the embedded broker listens on; 127.0.0.1 when left out",
    "embedded_broker.port": "its port for MQTT 3.1.1; 1883 when left out",
    "embedded_broker.port_mqtt5": "its port for MQTT 5; 1884 when left out",
    "embedded_broker.username": "name to log in with; needed when host is not this machine alone",
    "store.folder": "where readings.db and record.db lie, seen from the settings file",
    **INFLUX_SETTINGS,
    **KEEP_SETTINGS,
    "pages.host": "address the pages are served on; 127.0.0.1 when left out",
    "pages.port": "port the pages are served on; 8460 when left out",
    "pages.names": "list of further names that browsers reach the pages by, such as a proxy's",
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
    "channel.expected_interval_s": "seconds between its readings; learned when left out",
    "channel.plausible_min": "lowest value that raises no doubt, in the role's unit",
    "channel.plausible_max": "highest value that raises no doubt, in the role's unit",
    "channel.jump_limit_per_min": "fastest change per minute that raises no doubt, in that unit",
    "channel.battery": "JSON Pointer to the sensor's battery level, shown on the Health page",
    "channel.radio": "JSON Pointer to the sensor's radio signal strength, shown there too",
    "channel.signal.kind": "a bare sensor: " + ", ".join(kind.value for kind in SignalKind),
    "channel.signal.nominal_ohm": "ntc_beta: resistance at nominal_c",
    "channel.signal.beta_k": "ntc_beta: the maker's β in kelvin",
    "channel.signal.nominal_c": "ntc_beta: temperature of nominal_ohm in °C; 25 when left out",
    "channel.signal.coefficients": "ntc_steinhart_hart: A, B, C, or A, B, C, D with the square",
    "channel.signal.reference_ohm": "ntc_steinhart_hart: what R is divided by; 1 when left out",
    "channel.signal.lowest_c": "ntc_steinhart_hart: where its range begins in °C; -60",
    "channel.signal.highest_c": "ntc_steinhart_hart: where its range ends in °C; 300",
    "channel.signal.cold_junction_c": "type_k: temperature of the cold junction in °C",
}

#: Every environment variable that settings are taken from, and what it means.
ENVIRONMENT: Mapping[str, str] = {
    "VATSIDE_BROKER_PASSWORD": "password for broker.username",
    "VATSIDE_BROKER_PASSWORD_FILE": "a file that holds that password, instead",
    "VATSIDE_EMBEDDED_BROKER_PASSWORD": "password for embedded_broker.username",
    "VATSIDE_EMBEDDED_BROKER_PASSWORD_FILE": "a file that holds that password, instead",
    "VATSIDE_INFLUX_TOKEN": "token for the bucket in [influx]",
    "VATSIDE_INFLUX_TOKEN_FILE": "a file that holds that token, instead",
}

_DEFAULT_PORT = {"mqtt": 1883, "mqtts": 8883}

#: How long a broker keeps our session and its messages while we are away [s]: a week.
SESSION_EXPIRY_S = 7 * 86_400

#: Unacknowledged messages we take at once; brokers often allow fewer (Mosquitto 20).
RECEIVE_MAXIMUM_N = 1_000

#: Hosts that only this machine reaches.
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


class MqttVersion(enum.StrEnum):
    """The versions of MQTT that the collector speaks."""

    V5 = "5"
    V3_1_1 = "3.1.1"


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
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    session_expiry_s: int = SESSION_EXPIRY_S
    receive_maximum: int = RECEIVE_MAXIMUM_N
    share_group: str | None = None
    payload_limit_bytes: int = MOST_BYTES
    mqtt: MqttVersion = MqttVersion.V5


@dataclass(frozen=True, slots=True)
class EmbeddedBrokerSettings:
    """Where the embedded broker listens when no other broker is named."""

    host: str = "127.0.0.1"
    port: int = 1883
    port_mqtt5: int = 1884
    username: str | None = None
    password: str | None = field(default=None, repr=False)

    @property
    def users(self) -> Mapping[str, str]:
        """Who may log in, with what password; nobody has to when it is empty.

        Raises ``SettingsError`` for a name without a password. Whoever does not start the
        broker needs none.
        """
        if self.username is None:
            return {}
        if self.password is None:
            raise SettingsError(
                f"There is no password for {self.username!r}.",
                where="[embedded_broker], username",
                remedy="Put one into VATSIDE_EMBEDDED_BROKER_PASSWORD.",
            )
        return {self.username: self.password}

    @property
    def as_broker(self) -> BrokerSettings:
        """How a program on this machine reaches it."""
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(self.host, self.host)
        written = f"[{host}]" if ":" in host else host
        return BrokerSettings(
            f"mqtt://{written}:{self.port_mqtt5}",
            host,
            self.port_mqtt5,
            username=self.username,
            password=self.password,
        )


@dataclass(frozen=True, slots=True)
class StoreSettings:
    """Where the databases lie."""

    folder: Path = Path("vatside-data")

    @property
    def readings_path(self) -> Path:
        """The readings; only the collector writes there."""
        return self.folder / "readings.db"

    @property
    def spool_path(self) -> Path:
        """What waits for a remote store, and the accounts of it; the collector's too."""
        return self.folder / "spool.db"

    @property
    def record_path(self) -> Path:
        """The record of prints and soaks; only the api writes there."""
        return self.folder / "record.db"


@dataclass(frozen=True, slots=True)
class PagesSettings:
    """Where the pages and the api are served, and by which further names they are reached."""

    host: str = "127.0.0.1"
    port: int = 8460
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings. ``broker`` None means the embedded one, ``influx`` None readings.db.

    ``keep`` are the roles of which not every old reading is kept.
    """

    broker: BrokerSettings | None = None
    store: StoreSettings = StoreSettings()
    pages: PagesSettings = PagesSettings()
    channels: tuple[Channel, ...] = ()
    embedded_broker: EmbeddedBrokerSettings = EmbeddedBrokerSettings()
    influx: InfluxSettings | None = None
    keep: tuple[KeepRule, ...] = ()

    @property
    def broker_or_embedded(self) -> BrokerSettings:
        """The broker that is named, else the embedded one as this machine reaches it."""
        return self.broker or self.embedded_broker.as_broker

    @property
    def chains(self) -> Mapping[str, Chain]:
        """What turns received values into the role's unit, for the channels of bare sensors."""
        return {one.id: Chain(one.signal) for one in self.channels if one.signal is not None}

    def channel(self, channel_id: str) -> Channel:
        """The channel of that id; raises ``NotFoundError`` when the settings have none."""
        for channel in self.channels:
            if channel.id == channel_id:
                return channel
        ids = [channel.id for channel in self.channels]
        raise NotFoundError(
            f"there is no channel {channel_id!r}.",
            where="channel",
            remedy=instead(channel_id, ids),
        )


def load(path: Path | None, environ: Mapping[str, str]) -> Settings:
    """Settings from a TOML file and the environment; defaults without channels for None.

    Raises ``SettingsError`` for whatever is wrong with either.
    """
    if path is None:
        return Settings()
    text = text_of(path)
    tables = tables_of(path, text)
    for name, found in tables.items():
        _check_table(path, text, name, found)
    if "broker" in tables and "embedded_broker" in tables:
        raise Table(path, text, "embedded_broker", {}).error(
            None,
            "a broker is named in [broker] already.",
            "Leave one of the two tables out.",
        )

    def table(name: str) -> Table:
        return Table(path, text, name, tables.get(name, {}))

    broker = _broker(table("broker"), environ) if "broker" in tables else None
    rows = [Table(path, text, "channel", r, n) for n, r in enumerate(tables.get("channel", []), 1)]
    channels = _channels(rows)
    _check_overlaps(rows, channels, broker.share_group if broker else None)
    keeps = [Table(path, text, "keep", r, n) for n, r in enumerate(tables.get("keep", []), 1)]
    if keeps and "influx" in tables:
        raise keeps[0].error(
            None,
            "the readings are in InfluxDB, which has a retention of its own.",
            "Take [[keep]] out, and see `vatside store prepare`.",
        )
    return Settings(
        broker=broker,
        store=_store(table("store")),
        pages=_pages(table("pages")),
        channels=channels,
        embedded_broker=_embedded_broker(table("embedded_broker"), environ),
        influx=influx_of(table("influx"), environ) if "influx" in tables else None,
        keep=keep_of(keeps, channels),
    )


def _check_table(path: Path, text: str, name: str, found: object) -> None:
    """Refuse a table that does not exist, and one that is written as another kind."""
    line = line_of_header(text, name)
    where = f"{path}, line {line}" if line else str(path)
    if name not in _TABLES:
        raise SettingsError(
            f"there is no table [{name}].", where=where, remedy=instead(name, _TABLES)
        )
    rows = found if isinstance(found, list) else [found]
    if isinstance(found, list) != (name in _ROWS) or not all(isinstance(r, dict) for r in rows):
        header, many = (f"[[{name}]]", "rows") if name in _ROWS else (f"[{name}]", "one table")
        what = f"each {_ROWS[name]}" if name in _ROWS else "it"
        raise SettingsError(
            f"{name} is not written as {many}.",
            where=where,
            remedy=f"Begin {what} with the line {header}.",
        )


def _broker(table: Table, environ: Mapping[str, str]) -> BrokerSettings:
    table.check_keys(_keys_of(table.name))
    url = table.text("url")
    if url is None:
        raise table.error(
            None,
            "the broker has no url.",
            'Add url = "mqtt://HOST:1883", or leave [broker] out to use the embedded broker.',
        )
    host, port, tls = _address(table, url)
    username = table.text("username")
    password = secret(environ, "VATSIDE_BROKER_PASSWORD")
    if password is not None and username is None:
        raise table.error(
            None,
            "VATSIDE_BROKER_PASSWORD is set, but there is no username.",
            "Add username to [broker], or unset the variable.",
        )
    certificate_file, key_file = table.file("certificate_file"), table.file("key_file")
    if key_file is not None and certificate_file is None:
        raise table.error(
            "key_file", "a key is given without its certificate.", "Add certificate_file."
        )
    for key in ("ca_file", "certificate_file"):
        if key in table.values and not tls:
            raise table.error(
                key, "the broker is not reached through TLS.", "Write mqtts:// in url."
            )
    return BrokerSettings(
        url,
        host,
        port,
        tls,
        username,
        password,
        table.text("client_id") or "vatside",
        ca_file=table.file("ca_file"),
        certificate_file=certificate_file,
        key_file=key_file,
        session_expiry_s=table.whole("session_expiry_s", 60, 2**32 - 1, SESSION_EXPIRY_S),
        receive_maximum=table.whole("receive_maximum", 1, 65_535, RECEIVE_MAXIMUM_N),
        share_group=_share_group(table),
        payload_limit_bytes=table.whole("payload_limit_bytes", 1, 2**28 - 1, MOST_BYTES),
        mqtt=_mqtt_version(table),
    )


def _mqtt_version(table: Table) -> MqttVersion:
    if "mqtt" not in table.values:
        return MqttVersion.V5
    version = MqttVersion(table.choice("mqtt", list(MqttVersion)))
    if version is MqttVersion.V5:
        return version
    for key in ("session_expiry_s", "receive_maximum"):
        if key in table.values:
            raise table.error(
                key, "MQTT 3.1.1 knows of no such thing.", "Set it at the broker instead."
            )
    return version


def _share_group(table: Table) -> str | None:
    group = table.text("share_group")
    if group is not None and re.search("[+#/]", group):
        raise table.error(
            "share_group", f"{shown(group)} is no name of a group.", "Use none of + # and /."
        )
    return group


def _embedded_broker(table: Table, environ: Mapping[str, str]) -> EmbeddedBrokerSettings:
    table.check_keys(_keys_of(table.name))
    plain = EmbeddedBrokerSettings()
    host = _host(table) or plain.host
    username = table.text("username")
    password = secret(environ, "VATSIDE_EMBEDDED_BROKER_PASSWORD")
    if host not in LOOPBACK and username is None:
        raise table.error(
            "host",
            f"other machines could connect to {host} without a password.",
            "Add username, and put its password into VATSIDE_EMBEDDED_BROKER_PASSWORD.",
        )
    port = table.whole("port", 1, 65_535, plain.port)
    port_mqtt5 = table.whole("port_mqtt5", 1, 65_535, plain.port_mqtt5)
    if port == port_mqtt5:
        raise table.error(
            "port_mqtt5" if "port_mqtt5" in table.values else "port",
            f"{port} would be the port for both MQTT 3.1.1 and MQTT 5.",
            "Give each a port of its own.",
        )
    return EmbeddedBrokerSettings(host, port, port_mqtt5, username, password if username else None)


def _address(table: Table, url: str) -> tuple[str, int, bool]:
    remedy = "Write mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS."
    if "@" in url:
        raise table.error("url", "a name or password stands in the address.", table.password_advice)
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as fault:
        raise table.error("url", f"{shown(url)} is no address: {fault}.", remedy) from None
    if parts.scheme not in _DEFAULT_PORT:
        raise table.error("url", f"{shown(url)} is not of the scheme mqtt or mqtts.", remedy)
    if not parts.hostname or port == 0 or re.search(r"\s", url):
        raise table.error("url", f"{shown(url)} names no host and port.", remedy)
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise table.error("url", f"{shown(url)} goes on after the port.", remedy)
    return parts.hostname, port or _DEFAULT_PORT[parts.scheme], parts.scheme == "mqtts"


def _store(table: Table) -> StoreSettings:
    table.check_keys(_keys_of(table.name))
    folder = table.text("folder") or str(StoreSettings().folder)
    return StoreSettings(table.place("folder", folder))


def _pages(table: Table) -> PagesSettings:
    table.check_keys(_keys_of(table.name))
    plain = PagesSettings()
    return PagesSettings(
        _host(table) or plain.host, table.whole("port", 1, 65_535, plain.port), _names(table)
    )


def _names(table: Table) -> tuple[str, ...]:
    names = table.values.get("names", [])
    if not isinstance(names, list):
        names = [names, None]
    for name in names:
        if not (isinstance(name, str) and re.fullmatch(r"[\w.-]+", name)):
            raise table.error(
                "names",
                "that is no list of names.",
                'Write it as names = ["cellar.example"], without scheme and port.',
            )
    return tuple(name.lower().rstrip(".") for name in names)


def _host(table: Table) -> str | None:
    host = table.text("host")
    if host is not None and re.search(r"[\s/]", host):
        raise table.error(
            "host", f"{shown(host)} is no host.", "Write a name or an address, such as 127.0.0.1."
        )
    return host


def _channels(tables: list[Table]) -> tuple[Channel, ...]:
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


def _channel(table: Table) -> Channel:
    table.check_keys(_keys_of(table.name))
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
            expected_interval_s=table.number("expected_interval_s"),
            plausible_min=table.number("plausible_min"),
            plausible_max=table.number("plausible_max"),
            jump_limit_per_min=table.number("jump_limit_per_min"),
            battery=table.text("battery", empty=True),
            radio=table.text("radio", empty=True),
            signal=_signal(table.table("signal")),
        )
    except SettingsError as fault:
        if fault.where not in _keys_of("channel"):
            raise
        raise table.error(fault.where, fault.what, fault.remedy or "") from None


def _signal(table: Table | None) -> Signal | None:
    if table is None:
        return None
    table.check_keys(key.rpartition(".")[2] for key in SETTINGS if key.startswith(_SIGNAL))
    if "kind" not in table.values:
        raise table.error(None, "the signal has no kind.", 'Add kind = "pt100".')
    kind = SignalKind(table.choice("kind", [kind.value for kind in SignalKind]))
    parameters = {key: value for key, value in table.values.items() if key != "kind"}
    try:
        return signal_of(kind, parameters)
    except SettingsError as fault:
        key = fault.where if fault.where in parameters else None
        raise table.error(key, fault.what, fault.remedy or "") from None


def _check_overlaps(
    tables: list[Table], channels: tuple[Channel, ...], share_group: str | None
) -> None:
    """Refuse filters of which a broker would send us the same message twice.

    Brokers send a copy for each subscription that takes a topic. A filter that lies wholly
    within another is left away; where two of them overlap in part, nothing can be left away.
    """
    filters = [topics.shared(channel.topic, share_group) for channel in channels]
    wanted = set(topics.needed(filters))
    for number, one in enumerate(filters):
        for before, other in enumerate(filters[:number]):
            if {one, other} <= wanted and one != other and topics.overlap(one, other):
                raise tables[number].error(
                    "topic",
                    f"{one!r} and the topic filter {other!r} of channel"
                    f" {channels[before].id!r} overlap: some messages would come twice.",
                    "Write one of them in full, or the same filter for both.",
                )


def _keys_of(table: str) -> tuple[str, ...]:
    """The keys of a table, each once; a table within it is one of them."""
    keys = (key.removeprefix(f"{table}.") for key in SETTINGS if key.startswith(f"{table}."))
    return tuple(dict.fromkeys(key.partition(".")[0] for key in keys))


#: Tables of which there may be several, and what each of them is.
_ROWS = {"channel": "channel", "keep": "rule"}

_TABLES = tuple(dict.fromkeys(key.partition(".")[0] for key in SETTINGS))
_SIGNAL = "channel.signal."
