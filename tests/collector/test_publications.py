"""PUBLISH packets out of bytes: as the standard has them and as paho reads them, one by one."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt._packet import decode_publish
from paho.mqtt.enums import MQTTProtocolVersion

from collector.publications import Publication, packet_end, publications


def number(value: int) -> bytes:
    """A variable byte integer, by the algorithm of MQTT 5.0 section 1.5.5."""
    out = bytearray()
    while True:
        value, digit = divmod(value, 128)
        out.append(digit | 0x80 if value else digit)
        if not value:
            return bytes(out)


def packet(
    one: Publication, properties: bytes | None = b"", *, qos: int = 1, kind: int = 0x30
) -> bytes:
    """A packet of MQTT 5.0 section 3.3, or of 3.1.1 when its properties are None."""
    flags = kind | (0x08 if one.dup else 0) | qos << 1 | (1 if one.retained else 0)
    body = struct.pack("!H", len(one.topic)) + one.topic
    body += struct.pack("!H", one.packet_id) if qos else b""
    if properties is not None:
        body += number(len(properties)) + properties
    body += one.payload
    return bytes([flags]) + number(len(body)) + body


def vat(payload: bytes = b"21.4", packet_id: int = 7) -> Publication:
    return Publication(b"cellar/vat", payload, packet_id, retained=False, dup=False)


#: Message expiry interval 60 s, a content type, a user property (sections 3.3.2.3.3 to 3.3.2.3.9).
PROPERTIES = b"\x02\x00\x00\x00\x3c" + b"\x03\x00\x04text" + b"\x26\x00\x01a\x00\x01b"
MANY = b"\x26\x00\x01a\x00\xc8" + b"x" * 200  # more than one byte of length


@pytest.mark.parametrize(
    ("value", "coded"),
    # MQTT 5.0, table 1-1: the ends of each size of a variable byte integer.
    [
        (0, b"\x00"),
        (127, b"\x7f"),
        (128, b"\x80\x01"),
        (16_383, b"\xff\x7f"),
        (16_384, b"\x80\x80\x01"),
        (2_097_151, b"\xff\xff\x7f"),
        (2_097_152, b"\x80\x80\x80\x01"),
    ],
)
def test_lengths_are_read_as_the_standard_has_them(value: int, coded: bytes) -> None:
    assert number(value) == coded
    whole = b"\xd0" + coded + bytes(value)
    assert packet_end(whole, 0) == len(whole)
    assert packet_end(whole[: 1 + len(coded)], 0) == len(whole)  # of which nothing has come
    assert packet_end(whole[: len(coded)], 0) is None


def test_several_packets_and_what_follows_them() -> None:
    first, second = vat(b"1", 1), vat(b"2", 0xABCD)._replace(retained=True, dup=True)
    third = vat(b"", 0)
    ping = b"\xd0\x00"
    came = b"skip" + packet(first) + packet(second, PROPERTIES) + packet(third, MANY, qos=0)
    found, place = publications(came + ping + packet(first), 4)
    assert found == [first, second, third]
    assert place == len(came)
    assert packet_end(came + ping, place) == place + 2
    assert publications(came + ping, place) == ([], place)


def test_a_packet_that_is_not_all_there_waits() -> None:
    whole = packet(vat(), PROPERTIES)
    for cut in range(len(whole)):
        assert publications(packet(vat()) + whole[:cut], 0) == ([vat()], len(packet(vat())))
        assert packet_end(whole[:cut], 0) == (None if cut < 2 else len(whole))


@pytest.mark.parametrize(
    "left",
    [
        pytest.param(packet(vat(), qos=2), id="QoS 2"),
        pytest.param(packet(vat(), kind=0x40), id="another kind"),
        pytest.param(packet(vat()._replace(topic=b""), b"\x23\x00\x01"), id="a topic alias"),
        pytest.param(b"\x32\x02\x00\x05", id="no room for its topic"),
        pytest.param(b"\x32\x05\x00\x03abc", id="no room for its identifier"),
        pytest.param(b"\x32\x06\x00\x01a\x00\x01\x05", id="no room for its properties"),
        pytest.param(b"\x32\x07\x00\x01a\x00\x01\xff\xff", id="properties without an end"),
        pytest.param(b"\x32\xff\xff\xff\xff\x01", id="a length of five bytes"),
    ],
)
def test_what_is_unusual_is_left_to_paho(left: bytes) -> None:
    assert publications(left + bytes(300), 0) == ([], 0)


def test_a_length_of_five_bytes_is_not_waited_for() -> None:
    assert packet_end(b"\x32\xff\xff\xff\xff\x01", 0) == 5


TOPICS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=40)
PUBLICATIONS = st.builds(
    Publication,
    TOPICS.map(str.encode),
    st.binary(max_size=300),
    st.integers(1, 0xFFFF),
    retained=st.booleans(),
    dup=st.booleans(),
)


@given(st.lists(st.tuples(PUBLICATIONS, st.sampled_from([b"", PROPERTIES, MANY])), max_size=8))
def test_they_are_what_paho_makes_of_them(sent: list[tuple[Publication, bytes]]) -> None:
    came = b"".join(packet(one, properties) for one, properties in sent)
    found, place = publications(came, 0)
    assert place == len(came)
    assert found == [one for one, _ in sent]
    start = 0
    for one in found:
        end = packet_end(came, start)
        assert end is not None
        length_n = next(n for n in range(1, 5) if came[start + n] < 0x80)
        theirs = decode_publish(
            came[start], came[start + 1 + length_n : end], MQTTProtocolVersion.MQTTv5
        )
        assert one == Publication(
            theirs.topic, bytes(theirs.payload), theirs.mid, theirs.retain, theirs.dup
        )
        start = end


@given(st.lists(PUBLICATIONS, max_size=8))
def test_packets_of_mqtt_3_1_1_have_no_properties(sent: list[Publication]) -> None:
    came = b"".join(packet(one, None) for one in sent)
    assert publications(came, 0, has_properties=False) == (sent, len(came))
    for one in sent:
        body = packet(one, None)[-(2 + len(one.topic) + 2 + len(one.payload)) :]
        theirs = decode_publish(0x32, body, MQTTProtocolVersion.MQTTv311)
        found = (theirs.topic, theirs.mid, bytes(theirs.payload))
        assert found == (one.topic, one.packet_id, one.payload)


@given(st.binary(max_size=200), st.integers(0, 250))
def test_no_bytes_make_it_raise_or_go_back(came: bytes, place: int) -> None:
    publications(came, place, has_properties=False)
    found, after = publications(came, place)
    assert after >= place
    assert (after == place) == (not found)
    end = packet_end(came, after)
    assert end is None or end > after
