"""Messages into readings: every one is either a reading or a reason."""

from __future__ import annotations

import json

import cbor2
import pytest

from collector import payload as payloads
from collector.channels import Channel, TimeForm
from collector.errors import PayloadError
from collector.payload import Decoder, bare_number, readings_in
from collector.readings import Reading, Role

NOW_MS = 1_760_000_000_000

VAT = Channel(id="vat-north", role=Role.VAT_TEMPERATURE, topic="cellar/north/vat")
ROOM = Channel(
    id="room-temp",
    role=Role.ROOM_TEMPERATURE,
    topic="cellar/room",
    unit="°F",
    value="/temperature",
    time="/at",
)
DAMP = Channel(
    id="room-damp", role=Role.ROOM_HUMIDITY, topic="cellar/+", unit="fraction", value="/humidity"
)


def test_a_bare_number_is_a_reading_at_the_time_it_arrived() -> None:
    arrival = Decoder([VAT]).arrival("cellar/north/vat", b" 21.4\n", NOW_MS)
    assert arrival.readings == (Reading("vat-north", NOW_MS, 21.4),)
    assert arrival.refusals == ()
    assert arrival.payload == b""


def test_one_json_message_feeds_two_channels() -> None:
    message = b'{"temperature": 68, "humidity": 0.5, "at": "2025-10-09T09:53:20.250+01:00"}'
    arrival = Decoder([ROOM, DAMP]).arrival("cellar/room", message, NOW_MS)
    assert arrival.readings == (
        Reading("room-temp", 1_760_000_000_250, 20.0),
        Reading("room-damp", NOW_MS, 50.0),
    )


def test_a_channel_that_finds_nothing_is_refused_and_the_message_kept() -> None:
    message = b'{"temperature": 68, "at": "2025-10-09T08:53:20Z"}'
    arrival = Decoder([ROOM, DAMP]).arrival("cellar/room", message, NOW_MS)
    assert arrival.readings == (Reading("room-temp", NOW_MS, 20.0),)
    assert [(r.channel, r.reason) for r in arrival.refusals] == [
        ("room-damp", "there is no /humidity in the message")
    ]
    assert arrival.payload == message


def test_time_forms_of_one_moment_agree() -> None:
    for form, time in (
        (TimeForm.UNIX_S, b"1760000000.25"),
        (TimeForm.UNIX_MS, b"1760000000250"),
        (TimeForm.RFC3339, b'"2025-10-09T08:53:20.25Z"'),
    ):
        channel = Channel(
            id="vat", role=Role.VAT_TEMPERATURE, topic="t", value="/v", time="/t", time_form=form
        )
        arrival = Decoder([channel]).arrival("t", b'{"v":1,"t":%s}' % time, 0)
        assert arrival.readings == (Reading("vat", 1_760_000_000_250, 1.0),), form


def reasons(decoder: Decoder, topic: str, payload: bytes, *, retained: bool = False) -> list[str]:
    """Why a message is refused, once for each channel; nothing of it may have been taken."""
    arrival = decoder.arrival(topic, payload, NOW_MS, retained=retained)
    assert arrival.readings == ()
    assert arrival.payload == payload, "what is refused is kept"
    return [refusal.reason for refusal in arrival.refusals]


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"21.4", 21.4),
        (b"-0.5", -0.5),
        (b"+7", 7.0),
        (b"0", 0.0),
        (b"021.40", 21.4),
        (b".5", 0.5),
        (b"5.", 5.0),
        (b"2.14e1", 21.4),
        (b"2140E-2", 21.4),
        (b"\t21.4\r\n", 21.4),
        (b"9007199254740991", 2.0**53 - 1),
        (b"1e-400", 0.0),
    ],
)
def test_bare_numbers(payload: bytes, value: float) -> None:
    assert bare_number(payload) == value


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "the message is empty"),
        (b" \n", "the message is empty"),
        (b"nan", "no bare number: 'nan'"),
        (b"NaN", "no bare number"),
        (b"inf", "no bare number"),
        (b"-Infinity", "no bare number"),
        (b"0x15", "no bare number"),
        (b"1_000", "no bare number"),
        (b"21,4", "has a decimal comma; a point belongs there"),
        (b"1,000.5", "no bare number"),
        (b'"21.4"', "no bare number"),
        (b"true", "no bare number"),
        (b"null", "no bare number"),
        (b"21.4 C", "no bare number"),
        (b"21.4\0", "no bare number"),
        (b"21.4\x0c", "no bare number"),
        (b"--1", "no bare number"),
        (b"1e", "no bare number"),
        (b"1e5.5", "no bare number"),
        (b".", "no bare number"),
        (b"- 1", "no bare number"),
        (b"1 2", "no bare number"),
        ("٢١".encode(), "no bare number"),  # digits of another script
        ("２１".encode(), "no bare number"),
        ("\u00a021.4".encode(), "no bare number"),  # a space that is none to us
        ("−5".encode(), "no bare number"),  # a minus sign that is no hyphen
        (b"\xff\xfe", "not UTF-8"),
        (b'{"v":1}', "but JSON; give the channel a JSON Pointer"),
        (b"[1]", "but JSON"),
        (b"1" * 200, "200 bytes long"),
        (b"1e999", "not within ±2^53"),
        (b"-1e999", "not within ±2^53"),
        (b"9007199254740993", "not within ±2^53"),  # float64 would make it ...992
        (b"9007199254740994", "not within ±2^53"),
        (b"1e20", "not within ±2^53"),
    ],
)
def test_what_is_no_bare_number_is_refused(payload: bytes, reason: str) -> None:
    (told,) = reasons(Decoder([VAT]), "cellar/north/vat", payload)
    assert reason in told


@pytest.mark.parametrize(
    ("member", "reason"),
    [
        (b"true", "true or false where a number belongs"),
        (b"false", "true or false where a number belongs"),
        (b"null", "null where a number belongs"),
        (b'"21.4"', "a text where a number belongs"),
        (b"[21.4]", "an array where a number belongs"),
        (b'{"v":21.4}', "an object where a number belongs"),
        (b"9007199254740993", "not within ±2^53"),
        (b"-9007199254740993", "not within ±2^53"),
        (b"18446744073709551616", "not within ±2^53"),
        (b"1e300", "not within ±2^53"),
        (b"1e999", "no valid JSON"),
        (b"NaN", "no valid JSON"),
        (b'1,"humidity":2', "a key is given twice"),
    ],
)
def test_what_is_no_number_in_json_is_refused(member: bytes, reason: str) -> None:
    (told,) = reasons(Decoder([DAMP]), "cellar/room", b'{"humidity":%s}' % member)
    assert reason in told


def test_a_wrong_time_refuses_the_reading_rather_than_dating_it_by_arrival() -> None:
    for time, reason in (
        (b'"2025-10-09T08:53:20"', "has no offset"),
        (b"null", "null"),
        (b"1760000000", "where an RFC 3339 text belongs"),
    ):
        message = b'{"temperature": 68, "at": %s}' % time
        (told,) = reasons(Decoder([ROOM]), "cellar/room", message)
        assert reason in told
    (told,) = reasons(Decoder([ROOM]), "cellar/room", b'{"temperature": 68}')
    assert told == "there is no /at in the message"


def test_a_message_over_the_set_size_is_refused_unread() -> None:
    message = b" " * 65_533 + b"21.4"
    assert reasons(Decoder([VAT]), "cellar/north/vat", message) == [
        "longer than payload_limit_bytes allows, 65,536 bytes"
    ]
    small = Decoder([VAT], most_bytes=8)
    assert reasons(small, "cellar/north/vat", b"21.400000") == [
        "longer than payload_limit_bytes allows, 8 bytes"
    ]
    assert small.arrival("cellar/north/vat", b"21.40000", NOW_MS).readings


def test_a_topic_that_nobody_listens_to_is_refused_once() -> None:
    arrival = Decoder([VAT]).arrival("attic", b"21.4", NOW_MS)
    assert [(r.channel, r.reason) for r in arrival.refusals] == [
        (None, "no channel listens to this topic")
    ]
    assert arrival.payload == b"21.4"


def test_every_channel_that_listens_is_refused_for_itself() -> None:
    arrival = Decoder([ROOM, DAMP]).arrival("cellar/room", b"{", NOW_MS)
    assert [refusal.channel for refusal in arrival.refusals] == ["room-temp", "room-damp"]


def test_a_retained_message_is_new_only_with_a_time_of_its_own() -> None:
    decoder = Decoder([VAT, ROOM, DAMP])
    told = "a retained message without a time of its own is not a new reading"
    assert reasons(decoder, "cellar/north/vat", b"21.4", retained=True) == [told]
    message = b'{"temperature": 68, "humidity": 0.5, "at": "2025-10-09T08:53:20Z"}'
    arrival = decoder.arrival("cellar/room", message, NOW_MS, retained=True)
    assert arrival.readings == (Reading("room-temp", NOW_MS, 20.0),)
    assert [(r.channel, r.reason) for r in arrival.refusals] == [("room-damp", told)]


def test_a_wildcard_channel_hears_every_topic_below_it() -> None:
    anywhere = Channel(id="any", role=Role.ROOM_TEMPERATURE, topic="cellar/#")
    decoder = Decoder([anywhere, VAT])
    heard = decoder.arrival("cellar/north/vat", b"21", NOW_MS).readings
    assert [reading.channel for reading in heard] == ["any", "vat-north"]
    for n in range(payloads.TOPICS_REMEMBERED + 10):
        assert decoder.arrival(f"cellar/{n}", b"21", NOW_MS).readings
    assert len(decoder._by_topic) == payloads.TOPICS_REMEMBERED


def test_readings_of_one_channel_or_the_reason_why_not() -> None:
    assert readings_in(VAT, b"21.4", NOW_MS) == (Reading("vat-north", NOW_MS, 21.4),)
    with pytest.raises(PayloadError, match=r"channel vat-north: no bare number: 'warm'"):
        readings_in(VAT, b"warm", NOW_MS)


PREFIX = "urn:dev:mac:0024befffe804ff1:"
PACK_VAT = Channel(
    id="vat-south", role=Role.VAT_TEMPERATURE, topic="cellar/pack", senml=f"{PREFIX}vat"
)
PACK_DAMP = Channel(
    id="room-damp", role=Role.ROOM_HUMIDITY, topic="cellar/pack", senml=f"{PREFIX}rh"
)
PACK = [
    {"bn": PREFIX, "bt": 1_760_000_000, "n": "vat", "u": "Cel", "v": 22.5},
    {"n": "vat", "u": "K", "t": -60, "v": 294.55},
    {"n": "rh", "u": "/", "v": 0.57},
    {"n": "battery", "u": "%EL", "v": 80},
]


@pytest.mark.parametrize("message", [json.dumps(PACK).encode(), cbor2.dumps(PACK)])
def test_a_pack_feeds_the_channels_whose_names_it_holds(message: bytes) -> None:
    arrival = Decoder([PACK_VAT, PACK_DAMP]).arrival("cellar/pack", message, 0)
    assert arrival.refusals == ()
    assert arrival.readings == (
        Reading("vat-south", NOW_MS - 60_000, 21.4),
        Reading("vat-south", NOW_MS, 22.5),
        Reading("room-damp", NOW_MS, 57.0),
    )


def pack_reasons(*records: dict[str, object], retained: bool = False) -> list[str]:
    """Why a pack is refused to the vat's channel."""
    message = json.dumps(records).encode()
    return reasons(Decoder([PACK_VAT]), "cellar/pack", message, retained=retained)


def test_a_record_that_is_no_reading_is_refused() -> None:
    vat = f"{PREFIX}vat"
    assert pack_reasons({"n": vat, "vs": "warm"}) == ["the record carries no number (v)"]
    assert pack_reasons({"n": vat, "vb": True}) == ["the record carries no number (v)"]
    assert pack_reasons({"n": vat, "s": 5}) == ["the record carries no number (v)"]
    assert pack_reasons({"n": vat, "v": 5, "u": "W"}) == ["'W' is no unit for vat_temperature"]
    assert pack_reasons({"n": vat, "v": 2**53 + 1}) == [
        "the number is not within ±2^53, where its digits can be kept"
    ]
    (told,) = pack_reasons({"n": vat, "v": 5, "t": 1e12})
    assert "not within 1970 to 9999" in told


def test_a_record_without_a_unit_is_in_the_channel_s_own() -> None:
    in_f = Channel(id="a", role=Role.VAT_TEMPERATURE, topic="t", unit="°F", senml="a")
    assert readings_in(in_f, b'[{"n":"a","v":68}]', NOW_MS)[0].value == 20.0
    assert readings_in(in_f, b'[{"n":"a","v":68,"u":"Cel"}]', NOW_MS)[0].value == 68.0


def test_one_bad_record_refuses_the_pack_whole() -> None:
    told = pack_reasons({"n": f"{PREFIX}vat", "v": 21}, {"n": "b", "v": 1, "new_": 1})
    assert told == ["record 2: new_ has to be understood and is not"]


def test_a_pack_without_a_wanted_record_shows_the_names_it_has() -> None:
    assert pack_reasons({"bn": PREFIX, "n": "vatt", "v": 21}, {"n": "rh", "v": 1}) == [
        f"no record of this name in the pack; it has {PREFIX}vatt, {PREFIX}rh"
    ]


def test_a_pack_of_base_fields_alone_brings_nothing_and_nothing_to_refuse() -> None:
    arrival = Decoder([PACK_VAT]).arrival("cellar/pack", b'[{"bn":"a"}]', NOW_MS)
    assert (arrival.readings, arrival.refusals) == ((), ())


def test_relative_records_of_a_retained_pack_are_not_new() -> None:
    vat = f"{PREFIX}vat"
    message = json.dumps([{"n": vat, "v": 20, "t": -5}, {"n": vat, "v": 21, "t": NOW_MS // 1000}])
    arrival = Decoder([PACK_VAT]).arrival("cellar/pack", message.encode(), NOW_MS, retained=True)
    assert arrival.readings == (Reading("vat-south", NOW_MS, 21.0),)
    assert [refusal.channel for refusal in arrival.refusals] == ["vat-south"]


def test_relative_records_are_dated_from_the_millisecond_of_arrival() -> None:
    message = f'[{{"n":"{PREFIX}vat","v":1,"t":-5}},{{"n":"{PREFIX}vat","v":2,"t":-0.25}}]'
    readings = readings_in(PACK_VAT, message.encode(), NOW_MS + 123)
    assert [reading.time_ms - NOW_MS for reading in readings] == [-4_877, -127]
