"""Settings: what vatside.toml may say, and what it is told when it says something else."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from collector import config
from collector.channels import Channel, TimeForm
from collector.config import ENVIRONMENT, SETTINGS, Settings, load
from collector.errors import NotFoundError, SettingsError
from collector.readings import Role
from collector.signals import PARAMETERS, NtcBeta, Platinum, TypeK
from tests.recordings import ROOT

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


ROW = """[[channel]]
id = "vat-north"
role = "vat_temperature"
topic = "cellar/vat"
"""


def refused(folder: Path, text: str, **environ: str) -> str:
    """What a file of this text is told, with the folder left out."""
    with pytest.raises(SettingsError) as fault:
        settings(folder, text, **environ)
    assert fault.value.remedy, "every error says what to do"
    assert fault.value.where is not None
    return str(fault.value).replace(f"{folder}/", "")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "[broker]\nurl = mqtt\n",
            "vatside.toml, line 2, column 7: this is no valid TOML: Invalid value.",
        ),
        ("[pages]\nport = 1\nport = 2\n", "vatside.toml, line 3, column 9: this is no valid"),
        ("[pages]\n[pages]\n", "vatside.toml, line 2, column 7: this is no valid TOML"),
        ("a = " + "9" * 5_000, "vatside.toml: this is no valid TOML"),
        ("a = " + "[" * 5_000, "vatside.toml: the values are nested too deeply."),
        (
            "\n[page]\nport = 1\n",
            "vatside.toml, line 2: there is no table [page]. Did you mean pages?",
        ),
        ("[zzz]\n", "Use one of: broker, embedded_broker, store, influx, keep, pages, channel."),
        ("port = 1\n", "vatside.toml, line 1: there is no table [port]."),
        ("pages = 3\n", "pages is not written as one table. Begin it with the line [pages]."),
        ("[[pages]]\nport = 1\n", "vatside.toml, line 1: pages is not written as one table."),
        (
            '[channel]\nid = "a"\n',
            "channel is not written as rows. Begin each channel with the line [[channel]].",
        ),
        ("channel = [1]\n", "channel is not written as rows."),
        (
            "[pages]\nhost = 'localhost'\nprot = 1\n",
            "vatside.toml, line 3, [pages], prot: there is no key 'prot' here. Did you mean port?",
        ),
        ("[pages]\nport = 0\n", "line 2, [pages], port: 0 cannot be."),
        ("[pages]\nport = 65536\n", "65536 cannot be. Use a whole number from 1 to 65535."),
        ("[pages]\nport = 80.5\n", "80.5 cannot be."),
        ("[pages]\nport = true\n", "True is no number. Write digits without quotes."),
        ('[pages]\nport = "8460"\n', "'8460' is no number."),
        ('[pages]\nhost = "http://here"\n', "'http://here' is no host."),
        ("[pages]\nhost = 127\n", "127 is no text. Put it in quotes"),
        ('[store]\nfolder = "~nobody-here/x"\n', "names nobody's home. Write the path in full."),
        ('[store]\nfolder = "a\\u0000"\n', "folder: the text holds the character U+0000."),
        ('[store]\nfolder = ""\n', "line 2, [store], folder: the text is empty."),
        ("[broker]\n", "line 1, [broker]: the broker has no url."),
        ('[broker]\nurl = "127.0.0.1"\n', "is not of the scheme mqtt or mqtts."),
        ('[broker]\nurl = "http://h"\n', "is not of the scheme mqtt or mqtts."),
        ('[broker]\nurl = "mqtt://"\n', "names no host and port."),
        ('[broker]\nurl = "mqtt://h:0"\n', "names no host and port."),
        ('[broker]\nurl = "mqtt://h:70000"\n', "is no address: Port out of range"),
        ('[broker]\nurl = "mqtt://h:x"\n', "is no address"),
        ('[broker]\nurl = "mqtt://[::1"\n', "is no address"),
        ('[broker]\nurl = "mqtt://a b"\n', "names no host and port."),
        ('[broker]\nurl = "mqtt://h/cellar"\n', "goes on after the port."),
        (
            '[broker]\nurl = "mqtt://n:lamp@h"\n',
            "a name or password stands in the address. Take it out and put the password into"
            " VATSIDE_BROKER_PASSWORD.",
        ),
        (
            '[broker]\nurl = "mqtt://h"\npassword = "lamp"\n',
            "line 3, [broker], password: a secret stands in the file. Take it out and put the"
            " password into VATSIDE_BROKER_PASSWORD.",
        ),
        (
            ROW.replace('id = "vat-north"\n', ""),
            'line 1, [[channel]] 1: the channel has no id. Add id = "vat-north".',
        ),
        (ROW.replace('role = "vat_temperature"\n', ""), "the channel has no role."),
        (ROW.replace('topic = "cellar/vat"\n', ""), "the channel has no topic."),
        (ROW.replace("vat-north", "Vat North"), "id: 'Vat North' is no id for a channel."),
        (ROW.replace("vat-north", "v" * 65), "is no id for a channel."),
        (ROW.replace("vat-north", "-v"), "is no id for a channel."),
        (
            ROW.replace("vat_temperature", "vat_temprature"),
            "line 3, [[channel]] 1, role: there is no role 'vat_temprature'."
            " Did you mean vat_temperature?",
        ),
        (
            ROW + 'unit = "W"\n',
            "line 5, [[channel]] 1, unit: 'W' is no unit for vat_temperature."
            " Use one of °C, Cel, °F, K.",
        ),
        (
            ROW.replace("cellar/vat", "cellar/#/vat"),
            "line 4, [[channel]] 1, topic: the topic filter 'cellar/#/vat' has # in '#',"
            " where it is not the whole of the last level.",
        ),
        (ROW.replace("cellar/vat", "cellar+"), "has + in 'cellar+'"),
        (ROW.replace('"cellar/vat"', '""'), "topic: the text is empty."),
        (ROW + 'value = "temperature"\n', "value: 'temperature' is no JSON Pointer"),
        (ROW + 'value = "/a"\ntime = "/m~2n"\n', "line 6, [[channel]] 1, time: '/m~2n' is no"),
        (ROW + 'time = "/at"\n', "a time is given without a value"),
        (ROW + 'value = "/a"\ntime_form = "unix_s"\n', "time_form is given without a time."),
        (
            ROW + 'value = "/a"\ntime = "/t"\ntime_form = "unix"\n',
            "there is no time_form 'unix'. Did you mean unix_s?",
        ),
        (ROW + 'senml = "a b"\n', "'a b' is no resolved SenML name."),
        (ROW + 'senml = "a"\nvalue = "/v"\n', "value: value and senml are both given."),
        (ROW + 'senml = "a"\ntime = "/v"\n', "time: time and senml are both given."),
        (ROW + "gap_limit_s = 0\n", "gap_limit_s: a gap limit of 0 s cannot be."),
        (ROW + "gap_limit_s = -5\n", "a gap limit of -5 s cannot be."),
        (ROW + "gap_limit_s = nan\n", "a gap limit of nan s cannot be."),
        (ROW + "gap_limit_s = inf\n", "a gap limit of inf s cannot be."),
        (ROW + 'gap_limit_s = "300"\n', "'300' is no number."),
        (ROW + "gap_limit_s = 2025-01-01\n", "is no number."),
        (ROW + "gap_limit = 300\n", "there is no key 'gap_limit' here. Did you mean gap_limit_s?"),
        (
            ROW + "\n" + ROW.replace("cellar/vat", "cellar/other"),
            "line 7, [[channel]] 2, id: channel 1 has the id 'vat-north' as well.",
        ),
        (
            ROW + "\n" + ROW.replace("vat-north", "vat-south"),
            "line 9, [[channel]] 2, topic: channel 'vat-north' takes the same value from the"
            " same topic.",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_place_and_its_remedy(
    tmp_path: Path, text: str, told: str
) -> None:
    assert told in refused(tmp_path, text)


TLS = '[broker]\nurl = "mqtts://h"\n'
BARE = ROW + "[channel.signal]\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            '[broker]\nurl = "mqtt://h"\n[embedded_broker]\nport = 1883\n',
            "line 3, [embedded_broker]: a broker is named in [broker] already.",
        ),
        (
            '[embedded_broker]\nhost = "0.0.0.0"\n',
            "line 2, [embedded_broker], host: other machines could connect to 0.0.0.0 without a"
            " password. Add username, and put its password into VATSIDE_EMBEDDED_BROKER_PASSWORD.",
        ),
        (
            '[embedded_broker]\npassword = "lamp"\n',
            "a secret stands in the file. Take it out and put the password into"
            " VATSIDE_EMBEDDED_BROKER_PASSWORD.",
        ),
        ("[embedded_broker]\nport = 1884\n", "line 2, [embedded_broker], port: 1884 would be"),
        ("[embedded_broker]\nport_mqtt5 = 1883\n", "[embedded_broker], port_mqtt5: 1883 would"),
        ("[embedded_broker]\nport = 0\n", "line 2, [embedded_broker], port: 0 cannot be."),
        ('[embedded_broker]\nhost = "a b"\n', "'a b' is no host."),
        (TLS + 'ca_file = "none.pem"\n', "line 3, [broker], ca_file: there is no file"),
        (TLS + 'key_file = "vatside.toml"\n', "key_file: a key is given without its certificate."),
        (
            '[broker]\nurl = "mqtt://h"\nca_file = "vatside.toml"\n',
            "line 3, [broker], ca_file: the broker is not reached through TLS.",
        ),
        (
            '[broker]\nurl = "mqtt://h"\ncertificate_file = "vatside.toml"\n',
            "certificate_file: the broker is not reached through TLS. Write mqtts:// in url.",
        ),
        (TLS + 'mqtt = "4"\n', "line 3, [broker], mqtt: there is no mqtt '4'."),
        (TLS + "mqtt = 5\n", 'mqtt: 5 is no text. Put it in quotes: mqtt = "...".'),
        (
            TLS + 'mqtt = "3.1.1"\nsession_expiry_s = 60\n',
            "line 4, [broker], session_expiry_s: MQTT 3.1.1 knows of no such thing.",
        ),
        (TLS + "session_expiry_s = 5\n", "line 3, [broker], session_expiry_s: 5 cannot be."),
        (TLS + "session_expiry_s = 4294967296\n", "Use a whole number from 60 to 4294967295."),
        (TLS + "receive_maximum = 0\n", "receive_maximum: 0 cannot be. Use a whole number from 1"),
        (TLS + "receive_maximum = 65536\n", "from 1 to 65535."),
        (TLS + "payload_limit_bytes = 1.5\n", "payload_limit_bytes: 1.5 cannot be."),
        (TLS + 'share_group = "a/b"\n', "line 3, [broker], share_group: 'a/b' is no name of a"),
        (
            ROW.replace("cellar/vat", "+/vat") + ROW.replace("vat-n", "s").replace("/vat", "/+"),
            "line 8, [[channel]] 2, topic: 'cellar/+' and the topic filter '+/vat' of channel"
            " 'vat-north' overlap: some messages would come twice.",
        ),
        (
            ROW + ROW.replace("vat-n", "s").replace("cellar/", "$share/a/cellar/"),
            "line 8, [[channel]] 2, topic: '$share/a/cellar/vat' and",
        ),
        (ROW + "expected_interval_s = 301\n", "an interval of 301 s cannot be with a gap limit"),
        (ROW + "expected_interval_s = 0\n", "line 5, [[channel]] 1, expected_interval_s: an"),
        (ROW + "plausible_min = nan\n", "line 5, [[channel]] 1, plausible_min: nan is no limit."),
        (
            ROW + "plausible_min = 5\nplausible_max = 5\n",
            "line 6, [[channel]] 1, plausible_max: plausible values would end at 5,",
        ),
        (ROW + "jump_limit_per_min = 0\n", "line 5, [[channel]] 1, jump_limit_per_min: a jump"),
        (ROW + 'battery = "/b"\n', "line 5, [[channel]] 1, battery: battery is given without a"),
        (ROW + 'radio = "rssi"\n', "line 5, [[channel]] 1, radio: 'rssi' is no JSON Pointer"),
        (ROW + "signal = 3\n", "line 5, [[channel]] 1, signal: 3 is no table."),
        (BARE, "line 5, [[channel]] 1, signal: the signal has no kind."),
        (
            BARE + 'kind = "pt10"\n',
            "line 6, [[channel]] 1, signal.kind: there is no kind 'pt10'. Did you mean pt100?",
        ),
        (BARE + 'kind = "type_k"\n', "line 5, [[channel]] 1, signal: type_k needs cold_junction"),
        (
            BARE + 'kind = "ntc_beta"\nnominal_ohm = 10000\nbeta_k = 39\n',
            "line 8, [[channel]] 1, signal.beta_k: 39 cannot be.",
        ),
        (
            BARE + 'kind = "pt100"\nbeta = 3\n',
            "line 7, [[channel]] 1, signal.beta: there is no key 'beta' here. Did you mean beta_k?",
        ),
        (
            ROW + 'signal = { kind = "pt100", beta_k = 3 }\n',
            "line 5, [[channel]] 1, signal.beta_k: pt100 takes no beta_k.",
        ),
        (
            ROW + 'signal.kind = "ntc_beta"\nsignal.nominal_ohm = "x"\nsignal.beta_k = 3977\n',
            "line 6, [[channel]] 1, signal.nominal_ohm: 'x' is not a number.",
        ),
        (
            ROW + 'unit = "°C"\nsignal.kind = "pt100"\n',
            "line 5, [[channel]] 1, unit: '°C' is no unit for pt100. Use one of Ω, Ohm, kΩ.",
        ),
        (
            ROW.replace("vat_temperature", "printer_power") + 'signal.kind = "pt100"\n',
            "line 5, [[channel]] 1, signal: a pt100 measures no printer_power.",
        ),
    ],
)
def test_what_is_wrong_with_brokers_limits_and_signals_is_told(
    tmp_path: Path, text: str, told: str
) -> None:
    assert told in refused(tmp_path, text)


def test_the_embedded_broker_is_as_the_settings_say(tmp_path: Path) -> None:
    plain = settings(tmp_path, "").embedded_broker
    assert (plain.host, plain.port, plain.port_mqtt5, plain.users) == ("127.0.0.1", 1883, 1884, {})
    text = '[embedded_broker]\nhost = "0.0.0.0"\nport = 2883\nport_mqtt5 = 2885\nusername = "n"\n'
    cellar = settings(tmp_path, text, VATSIDE_EMBEDDED_BROKER_PASSWORD="lamp")
    assert cellar.embedded_broker.users == {"n": "lamp"}
    assert "lamp" not in repr(cellar)
    reached = cellar.broker_or_embedded
    assert (reached.url, reached.port) == ("mqtt://127.0.0.1:2885", 2885)
    assert (reached.username, reached.password) == ("n", "lamp")
    # A password alone asks nobody for a name.
    assert settings(tmp_path, "", VATSIDE_EMBEDDED_BROKER_PASSWORD="x").embedded_broker == plain


def test_the_files_of_tls_are_seen_from_the_settings_file(tmp_path: Path) -> None:
    (tmp_path / "keys").mkdir()
    for name in ("ca", "own", "key"):
        (tmp_path / "keys" / f"{name}.pem").touch()
    text = TLS + 'ca_file = "keys/ca.pem"\ncertificate_file = "keys/own.pem"\n'
    text += 'key_file = "keys/key.pem"\nsession_expiry_s = 86400\nreceive_maximum = 20\n'
    broker = settings(tmp_path, text + 'share_group = "cellar"\n').broker
    assert broker is not None
    assert broker.ca_file == tmp_path / "keys" / "ca.pem"
    assert broker.certificate_file == tmp_path / "keys" / "own.pem"
    assert broker.key_file == tmp_path / "keys" / "key.pem"
    assert (broker.session_expiry_s, broker.receive_maximum) == (86_400, 20)
    assert (broker.share_group, broker.payload_limit_bytes) == ("cellar", 65_536)


def test_filters_that_lie_within_another_or_in_another_place_are_no_overlap(
    tmp_path: Path,
) -> None:
    wide = ROW.replace("cellar/vat", "cellar/#").replace("vat-n", "s")
    other = ROW.replace("cellar/vat", "attic/+").replace("vat-n", "t")
    assert len(settings(tmp_path, ROW + wide + other).channels) == 3


def test_bare_sensors(tmp_path: Path) -> None:
    text = BARE + 'kind = "pt100"\n'
    text += ROW.replace("vat-n", "b").replace("/vat", "/b") + 'unit = "kΩ"\n[channel.signal]\n'
    text += 'kind = "ntc_beta"\nnominal_ohm = 10000\nbeta_k = 3977\n'
    text += ROW.replace("vat-n", "c").replace("/vat", "/c")
    text += 'signal = { kind = "type_k", cold_junction_c = 21.5 }\n'
    cellar = settings(tmp_path, text + ROW.replace("vat-n", "d").replace("/vat", "/d"))
    pt100, ntc, type_k, plain = cellar.channels
    assert (pt100.signal, pt100.unit, pt100.kept_unit) == (Platinum(nominal_ohm=100.0), "Ω", "Ω")
    assert (ntc.signal, ntc.unit) == (NtcBeta(nominal_ohm=10_000, beta_k=3_977), "kΩ")
    assert (type_k.signal, type_k.unit) == (TypeK(cold_junction_c=21.5), "mV")
    assert (plain.signal, plain.unit, plain.kept_unit) == (None, "°C", "°C")
    assert set(cellar.chains) == {"vat-north", "borth", "corth"}


def test_the_bare_sensor_in_the_readme_is_right(tmp_path: Path) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"```\n(\[\[channel\]\].*?)```", text, re.DOTALL)
    (chamber,) = settings(tmp_path, shown).channels
    assert chamber.signal == Platinum(nominal_ohm=1000.0)


def test_limits_of_a_channel(tmp_path: Path) -> None:
    text = ROW + 'plausible_min = 15\nplausible_max = 40.5\njump_limit_per_min = 2\nvalue = "/t"\n'
    row = settings(tmp_path, text + 'expected_interval_s = 30\nbattery = "/b"\nradio = "/r"\n')
    vat = row.channels[0]
    assert (vat.plausible_min, vat.plausible_max, vat.jump_limit_per_min) == (15, 40.5, 2)
    assert (vat.expected_interval_s, vat.battery, vat.radio) == (30, "/b", "/r")


def test_the_example_file_that_is_shipped_is_right() -> None:
    example = load(Path(config.__file__).with_name("example.toml"), {})
    assert example.broker is not None
    assert {channel.id for channel in example.channels} >= {"vat-north", "room-temp"}


def test_a_folder_is_seen_from_the_settings_file_unless_it_is_whole(tmp_path: Path) -> None:
    assert settings(tmp_path, "").store.folder == tmp_path / "vatside-data"
    assert settings(tmp_path, '[store]\nfolder = "/srv/v"\n').store.folder == Path("/srv/v")
    at_home = settings(tmp_path, '[store]\nfolder = "~/v"\n').store.folder
    assert at_home == Path("~/v").expanduser()


def test_two_channels_may_share_a_topic_with_different_pointers(tmp_path: Path) -> None:
    second = ROW.replace("vat-north", "room-temp") + 'value = "/room"\n'
    both = settings(tmp_path, ROW + 'value = "/vat"\n' + second)
    assert [channel.value for channel in both.channels] == ["/vat", "/room"]


def test_the_whole_document_is_a_pointer_and_no_missing_one(tmp_path: Path) -> None:
    assert settings(tmp_path, ROW + 'value = ""\n').channels[0].value == ""


def test_a_time_without_a_form_is_rfc_3339(tmp_path: Path) -> None:
    row = settings(tmp_path, ROW + 'value = "/v"\ntime = "/t"\n').channels[0]
    assert row.time_form is TimeForm.RFC3339


def test_a_shared_subscription_is_a_topic_filter(tmp_path: Path) -> None:
    text = ROW.replace("cellar/vat", "$share/cellar/cellar/+")
    assert settings(tmp_path, text).channels[0].topic == "$share/cellar/cellar/+"


@pytest.mark.parametrize(
    ("url", "host", "port", "tls"),
    [
        ("mqtt://cellar", "cellar", 1883, False),
        ("mqtts://cellar", "cellar", 8883, True),
        ("mqtt://cellar:1885/", "cellar", 1885, False),
        ("mqtt://[::1]:1885", "::1", 1885, False),
    ],
)
def test_addresses(tmp_path: Path, url: str, host: str, port: int, tls: bool) -> None:
    broker = settings(tmp_path, f'[broker]\nurl = "{url}"\n').broker
    assert broker is not None
    assert (broker.host, broker.port, broker.tls) == (host, port, tls)


def test_a_password_without_a_name_is_told(tmp_path: Path) -> None:
    text = '[broker]\nurl = "mqtt://h"\n'
    assert "there is no username" in refused(tmp_path, text, VATSIDE_BROKER_PASSWORD="lamp")
    # The embedded broker has no use for it.
    assert settings(tmp_path, "", VATSIDE_BROKER_PASSWORD="lamp").broker is None


def test_a_secret_never_shows_in_an_error(tmp_path: Path) -> None:
    for text in (
        '[broker]\nurl = "mqtt://north:lamp@h"\n',
        '[broker]\nurl = "mqtt://h"\nPassWord = "lamp"\n',
        '[broker]\nurl = "mqtt://h"\naccess_token = "lamp"\n',
        '[broker]\nurl = "mqtt://north:lamp@h:x"\n',
        '[broker]\nurl = "mqtt://north:lamp@[h"\n',
    ):
        assert "lamp" not in refused(tmp_path, text)


def test_files_that_cannot_be_read_are_told(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="there is no such file"):
        load(tmp_path / "none.toml", {})
    with pytest.raises(SettingsError, match="Is a directory"):
        load(tmp_path, {})
    latin = tmp_path / "latin.toml"
    latin.write_bytes('# a\n[[channel]]\nunit = "°F"\n'.encode("latin-1"))
    with pytest.raises(SettingsError, match="line 3: the text is not UTF-8"):
        load(latin, {})


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "vatside.toml"
    path.write_bytes(b"\xef\xbb\xbf" + CELLAR.encode().replace(b"\n", b"\r\n"))
    assert len(load(path, {}).channels) == 2


def test_the_line_of_a_key_is_that_of_its_own_row(tmp_path: Path) -> None:
    rows = "".join(
        ROW.replace("vat-north", f"vat-{n}").replace("cellar/vat", f"cellar/{n}") for n in range(5)
    )
    assert "line 19, [[channel]] 5, role" in refused(
        tmp_path, "vat_temp".join(rows.rsplit("vat_temperature", 1))
    )


def test_an_inline_table_is_told_without_a_line(tmp_path: Path) -> None:
    assert "vatside.toml, [pages], port: 0 cannot be" in refused(tmp_path, "pages = {port = 0}\n")


def test_a_channel_that_is_not_there_is_told_with_the_nearest(tmp_path: Path) -> None:
    cellar = settings(tmp_path, CELLAR)
    with pytest.raises(NotFoundError, match=r"'vat-nrth'. Did you mean vat-north\?"):
        cellar.channel("vat-nrth")
    with pytest.raises(NotFoundError, match="no channel 'x'"):
        load(None, {}).channel("x")


def test_settings_are_frozen(tmp_path: Path) -> None:
    cellar = settings(tmp_path, CELLAR)
    change: Callable[[object, str, object], None] = setattr
    for part, key in ((cellar, "broker"), (cellar.pages, "port"), (cellar.channels[0], "unit")):
        with pytest.raises(dataclasses.FrozenInstanceError):
            change(part, key, None)


def test_every_key_of_a_channel_is_documented_and_every_documented_one_is_read() -> None:
    fields = {field.name for field in dataclasses.fields(Channel)}
    assert fields == {key.split(".")[1] for key in SETTINGS if key.startswith("channel.")}
    parameters = {key for needed, optional in PARAMETERS.values() for key in (*needed, *optional)}
    signal = {key.split(".")[2] for key in SETTINGS if key.startswith("channel.signal.")}
    assert signal == {"kind"} | parameters
    assert all(SETTINGS.values())
    secrets = ["BROKER_PASSWORD", "EMBEDDED_BROKER_PASSWORD", "INFLUX_TOKEN"]
    assert list(ENVIRONMENT) == [
        f"VATSIDE_{name}{end}" for name in secrets for end in ("", "_FILE")
    ]


def test_only_who_starts_the_embedded_broker_needs_its_password(tmp_path: Path) -> None:
    path = tmp_path / "vatside.toml"
    path.write_text('[embedded_broker]\nusername = "north"\n', encoding="utf-8")
    settings = load(path, {})
    with pytest.raises(SettingsError, match="There is no password for 'north'"):
        _ = settings.embedded_broker.users
    told = load(path, {"VATSIDE_EMBEDDED_BROKER_PASSWORD": "lamp"})
    assert told.embedded_broker.users == {"north": "lamp"}
