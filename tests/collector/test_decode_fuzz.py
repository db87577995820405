"""Whatever comes over the wire: a reading or a reason, never another exception.

Two ways, which find different things:

- Properties by Hypothesis, which builds messages that are nearly right and shrinks what fails.
  ``VATSIDE_FUZZ_EXAMPLES`` sets how often each is tried (see conftest.py): a hundred times.
- A loop with a seeded generator that damages good messages of every form, without Hypothesis,
  which would need minutes for as many: 100,000 cases in every run, a million under
  ``VATSIDE_LONG=1``. Each case goes through every decoder.
"""

from __future__ import annotations

import functools
import json
import math
import os
import random
from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import Any, TypeVar

import cbor2
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from collector import pointer, senml, topics
from collector.channels import Channel, TimeForm
from collector.errors import PayloadError, SettingsError, VatsideError
from collector.json_document import document
from collector.payload import EXACT_LIMIT, Decoder, bare_number, readings_in
from collector.reading_time import END_MS, time_ms
from collector.readings import Reading, Role
from collector.store.contract import Arrival

NOW_MS = 1_760_000_000_000
Found = TypeVar("Found")

CHANNELS = (
    Channel(id="bare", role=Role.VAT_TEMPERATURE, topic="bare"),
    Channel(id="bare-k", role=Role.VAT_TEMPERATURE, topic="+", unit="K"),
    Channel(id="whole", role=Role.ROOM_TEMPERATURE, topic="json", value=""),
    Channel(id="json", role=Role.ROOM_TEMPERATURE, topic="json", value="/v", time="/t"),
    Channel(
        id="json-s",
        role=Role.ROOM_HUMIDITY,
        topic="json",
        unit="fraction",
        value="/a/0",
        time="/t",
        time_form=TimeForm.UNIX_S,
    ),
    Channel(
        id="json-ms",
        role=Role.PRINTER_POWER,
        topic="json",
        value="/a/v",
        time="/a/t",
        time_form=TimeForm.UNIX_MS,
    ),
    Channel(id="pack", role=Role.ROOM_TEMPERATURE, topic="pack", senml="a"),
    Channel(id="pack-f", role=Role.ROOM_TEMPERATURE, topic="pack", unit="°F", senml="aa"),
    Channel(id="pack-w", role=Role.PRINTER_POWER, topic="pack", senml="a:b"),
)

NUMBERS = (
    st.floats(-50, 300)
    | st.integers(-50, 300)
    | st.integers(-(2**70), 2**70)
    | st.floats()
    | st.sampled_from([0, 1, -5, 2**28, 2**53, 2**53 + 1, 1_760_000_000, NOW_MS, 1e308, 5e-324])
)
TEXTS = st.text(st.characters(codec="utf-8"), max_size=4) | st.sampled_from(
    ["a", "aa", ":b", "Cel", "K", "W", "2025-10-09T08:53:20Z", "2016-12-31T23:59:60+05:30"]
)
SCALARS = st.none() | st.booleans() | NUMBERS | TEXTS
VALUES = st.recursive(
    SCALARS,
    lambda below: (
        st.lists(below, max_size=3)
        | st.dictionaries(st.sampled_from(["v", "t", "a", "b"]) | TEXTS, below, max_size=4)
    ),
    max_leaves=8,
)
TIMES = st.sampled_from(
    ["2025-10-09T08:53:20Z", "2016-12-31T23:59:60+05:30", 1_760_000_000.25, 1_760_000_000, NOW_MS]
)
#: What the JSON channels look for, mostly there and mostly right.
LOOKED_FOR = st.fixed_dictionaries(
    {"v": NUMBERS, "t": TIMES},
    optional={
        "a": st.lists(NUMBERS, max_size=2) | st.fixed_dictionaries({"v": NUMBERS, "t": TIMES}),
        "b": VALUES,
    },
)
LABELS = st.sampled_from([*senml.CBOR_LABELS.values(), "x", "x_"])
RECORDS = st.dictionaries(LABELS, NUMBERS | TEXTS | SCALARS, max_size=5) | st.fixed_dictionaries(
    {"n": st.sampled_from(["a", "aa", "a:b", ""]), "v": NUMBERS},
    optional={
        "t": NUMBERS,
        "u": st.sampled_from(["Cel", "K", "W", "%", "°F"]),
        "bn": st.sampled_from(["a", ""]),
        "bt": NUMBERS,
        "bv": NUMBERS,
        "s": NUMBERS,
        "bver": st.sampled_from([5, 10, 11]),
    },
)
PACKS = st.lists(RECORDS, max_size=4)


def in_json(tree: object) -> bytes:
    """The tree in JSON, with NaN and infinities as Python writes them."""
    return json.dumps(tree).encode()


def in_cbor(pack: list[dict[str, Any]]) -> bytes:
    """The pack in CBOR under integer labels."""
    numbers = {label: number for number, label in senml.CBOR_LABELS.items()}
    return cbor2.dumps(
        [{numbers.get(label, label): v for label, v in fields.items()} for fields in pack]
    )


@st.composite
def damaged(draw: st.DrawFn, whole: st.SearchStrategy[bytes]) -> bytes:
    """A message cut off, with a piece put in or a byte turned over."""
    message = bytearray(draw(whole))
    for _ in range(draw(st.integers(0, 2))):
        at = draw(st.integers(0, len(message)))
        match draw(st.sampled_from(["cut", "put", "turn"])):
            case "cut":
                del message[at:]
            case "put":
                message[at:at] = draw(st.binary(max_size=3))
            case _ if at < len(message):
                message[at] ^= draw(st.integers(1, 255))
    return bytes(message)


MESSAGES = damaged(
    st.binary(max_size=40)
    | st.from_regex(rb"[+-]?[0-9]{0,4}[.,]?[0-9]{0,4}([eE][+-]?[0-9]{1,4})?", fullmatch=True)
    | VALUES.map(in_json)
    | LOOKED_FOR.map(in_json)
    | PACKS.map(in_json)
    | PACKS.map(in_cbor)
)


def outcome(decode: Callable[[], Found]) -> Found | VatsideError:
    """What was decoded, or the error that says why not; any other exception gets through."""
    try:
        return decode()
    except (PayloadError, SettingsError) as fault:
        return fault


def checked(arrival: Arrival, listening: set[str], payload: bytes) -> None:
    """Every listener accounted for, and every reading one that a store can keep."""
    heard = {reading.channel for reading in arrival.readings}
    told = {refusal.channel for refusal in arrival.refusals}
    assert heard | told <= listening
    unheard = listening - heard - told
    assert all(channel.startswith("pack") for channel in unheard)
    for reading in arrival.readings:
        assert type(reading.time_ms) is int
        assert 0 <= reading.time_ms < END_MS
        assert type(reading.value) is float
        assert math.isfinite(reading.value)
        assert abs(reading.value) < 100 * EXACT_LIMIT
    assert all(refusal.reason and len(refusal.reason) < 600 for refusal in arrival.refusals)
    assert arrival.payload == (payload if arrival.refusals else b"")


@given(st.sampled_from(["bare", "json", "pack"]), MESSAGES, st.booleans())
def test_an_arrival_never_raises_and_always_adds_up(
    topic: str, payload: bytes, retained: bool
) -> None:
    listening = {c.id for c in CHANNELS if topics.matches(c.topic, topic)}
    arrival = Decoder(CHANNELS).arrival(topic, payload, NOW_MS, retained=retained)
    checked(arrival, listening, payload)
    if retained and topic == "bare":
        assert arrival.readings == ()


@given(
    st.sampled_from(["bare", "json", "pack"]),
    (VALUES | LOOKED_FOR | PACKS | NUMBERS).map(in_json) | PACKS.map(in_cbor),
    st.integers(0, 2**32),
)
def test_a_hundred_damaged_copies_of_a_message_all_add_up(
    topic: str, message: bytes, seed: int
) -> None:
    chance = random.Random(seed)
    decoder = Decoder(CHANNELS)
    listening = {c.id for c in CHANNELS if topics.matches(c.topic, topic)}
    for _ in range(100):
        copy = bytearray(message)
        for _ in range(chance.randint(1, 4)):
            at = chance.randrange(len(copy) + 1)
            copy[at : at + chance.randint(0, 2)] = chance.randbytes(chance.randint(0, 2))
        payload = bytes(copy)
        arrival = decoder.arrival(topic, payload, NOW_MS, retained=chance.random() < 0.1)
        checked(arrival, listening, payload)


#: The channels of dated JSON, each as the only one of its topic: then there is a shorter way.
ALONE = {one.id: Decoder([one]) for one in CHANNELS if one.time is not None}


def same_alone(payload: bytes, together: Arrival, *, retained: bool) -> None:
    """What a channel gets does not depend on who else listens to its topic."""
    for channel, decoder in ALONE.items():
        alone = decoder.arrival("json", payload, NOW_MS, retained=retained)
        assert alone.readings == tuple(r for r in together.readings if r.channel == channel)
        assert alone.refusals == tuple(r for r in together.refusals if r.channel == channel)
        assert alone.payload == (payload if alone.refusals else b"")
        assert not alone.undated


@given(MESSAGES, st.booleans())
def test_a_channel_gets_the_same_alone_and_among_others(payload: bytes, retained: bool) -> None:
    together = Decoder(CHANNELS).arrival("json", payload, NOW_MS, retained=retained)
    same_alone(payload, together, retained=retained)


CASES_N = 1_000_000 if os.environ.get("VATSIDE_LONG") == "1" else 100_000
PARTS_N = 4

#: One good message of every form, the examples of RFC 8428 sections 5.1.2 and 5.1.3 among them.
GOOD: tuple[bytes, ...] = (
    b"21.4",
    b" -0.5e1\n",
    b'{"v":21.4,"t":"2025-10-09T08:53:20.250Z"}',
    b'{"v": 21.4, "t": "2025-10-09T08:53:20.250Z", "a": [0.45], "b": "\\u00b0\\"x"}',
    b'{"v":-3,"t":1760000000.5,"a":{"v":110,"t":1760000000000}}',
    b'{"t":"2016-12-31T23:59:60+05:30","a":[1,{"t":[true,null]}],"v":9007199254740991}',
    b'[{"bn":"a","bt":1760000000,"bu":"Cel","bver":10,"v":21.4},{"n":"a","u":"degF","v":70}]',
    b'[{"n":"a:b","u":"W","v":1.5},{"n":"a:b","t":-5,"s":3,"ut":60},{"n":"a","vb":true}]',
    b'[{"bn":"urn:dev:ow:10e2073a01080063:","bt":1.276020076001e9,"bu":"A","bver":5,'
    b'"n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2}]',
    cbor2.dumps([{-2: "a", -3: 1_760_000_000, -4: "Cel", 2: 21.4}, {0: "a", 2: 2**70, 6: -1}]),
    cbor2.dumps([{0: "a:b", 1: "W", 2: Decimal("1.50")}, {0: "aa", 1: "K", 2: 294, 8: b"x"}]),
    cbor2.dumps([{0: "a", 2: Fraction(1, 3)}, {0: "a", 2: 1e300, "later_": 1}]),
)


def damaged_copy(message: bytes, chance: random.Random) -> bytes:
    """A copy with a digit, a piece of some form, or any bytes in one to three places."""
    copy = bytearray(message)
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        at = chance.randrange(len(copy) + 1)
        match chance.randrange(3):
            case 0:
                copy[at : at + 1] = b"%d" % chance.randrange(10)
            case 1:
                copy[at : at + chance.randint(0, 2)] = chance.choice(PIECES)
            case _:
                copy[at : at + 1] = chance.randbytes(chance.randint(1, 2))
    return bytes(copy)


#: What means something in one of the forms.
PIECES = (
    *(b"", b"0", b"9", b"-", b".", b"e", b"e9", b",", b":", b'"', b"[", b"]", b"{", b"}", b"\\u"),
    *(b"n", b"v", b"t", b"bt", b"null", b"true", b"NaN", b"1e999", b" ", b"\xff", b"\xc3\xa9"),
    *(b"\x81", b"\x9f", b"\xa2", b"\xbf", b"\xc2", b"\xc3", b"\xc4", b"\xc5", b"\xf9", b"\xfb"),
)


@pytest.mark.parametrize("part", range(PARTS_N))
def test_damaged_messages_in_great_number_all_add_up(part: int) -> None:
    chance = random.Random(8428 + part)
    decoder = Decoder(CHANNELS)
    listening = {
        topic: {c.id for c in CHANNELS if topics.matches(c.topic, topic)}
        for topic in ("bare", "json", "pack")
    }
    seen: Counter[str] = Counter()
    for number in range(CASES_N // PARTS_N):
        payload = damaged_copy(GOOD[number % len(GOOD)], chance)
        for topic, channels in listening.items():
            arrival = decoder.arrival(topic, payload, NOW_MS, retained=number % 10 == 0)
            checked(arrival, channels, payload)
            seen["reading"] += bool(arrival.readings)
            seen["refusal"] += bool(arrival.refusals)
            if topic == "json" and payload[:1] == b"{":
                same_alone(payload, arrival, retained=number % 10 == 0)
        seen["case"] += 1
    assert seen["case"] == CASES_N // PARTS_N
    assert seen["reading"] > seen["case"] / 10, seen  # not all of it is noise
    assert seen["refusal"] > seen["case"]


@given(st.text(max_size=8), st.binary(max_size=8))
def test_any_topic_is_accounted_for(topic: str, payload: bytes) -> None:
    listening = {c.id for c in CHANNELS if topics.matches(c.topic, topic)}
    arrival = Decoder(CHANNELS).arrival(topic, payload, NOW_MS)
    if listening:
        checked(arrival, listening, payload)
    else:
        assert [refusal.channel for refusal in arrival.refusals] == [None]


@pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.id)
@given(payload=MESSAGES)
def test_one_channel_gives_readings_or_payload_error(channel: Channel, payload: bytes) -> None:
    readings = outcome(lambda: readings_in(channel, payload, NOW_MS))
    if isinstance(readings, VatsideError):
        assert readings.what
    else:
        assert {reading.channel for reading in readings} <= {channel.id}


@given(PACKS, st.floats(0, 2e9))
@example([{"n": "a", "v": -(2**63) - 1}, {"n": "b", "v": 2**64}], 0.0)
def test_a_pack_resolves_or_is_refused_the_same_in_json_and_cbor(
    pack: list[dict[str, Any]], now_s: float
) -> None:
    in_both = [
        outcome(lambda: senml.resolve(senml.pack_of(in_json(pack)), now_s)),
        outcome(lambda: senml.resolve(senml.pack_of(in_cbor(pack)), now_s)),
    ]
    kept = [None if isinstance(found, VatsideError) else found for found in in_both]
    if "vd" not in {label for fields in pack for label in fields}:
        assert kept[0] == kept[1]
    for records in kept:
        times = [record.time_s for record in records or []]
        assert times == sorted(times)


@given(st.binary(max_size=60))
def test_any_bytes_are_a_document_a_pack_a_number_or_refused(payload: bytes) -> None:
    decoders: list[Callable[[bytes], object]] = [
        document,
        bare_number,
        senml.pack_of,
        lambda b: senml.pack_of(b"\x81" + b),
        lambda b: senml.resolve(senml.pack_of(b"\x81\xa3\x00\x61a\x02\x01" + b), 0),
    ]
    for decode in decoders:
        found = outcome(functools.partial(decode, payload))
        assert not isinstance(found, VatsideError) or found.what


@given(VALUES, st.sampled_from(TimeForm))
def test_any_value_is_a_time_or_refused(found: object, form: TimeForm) -> None:
    ms = outcome(lambda: time_ms(found, form))
    if isinstance(ms, VatsideError):
        assert len(ms.what) < 400
    else:
        assert type(ms) is int
        assert 0 <= ms < END_MS


@given(st.text(alphabet="/~01-ab", max_size=8), VALUES)
def test_any_pointer_finds_something_or_is_refused(text: str, tree: object) -> None:
    try:
        found = pointer.find(tree, pointer.parse(text))
    except (ValueError, PayloadError):
        return
    assert text or found is tree


@given(st.dictionaries(st.sampled_from(["id", "topic", "value", "time", "senml", "unit"]), TEXTS))
def test_any_channel_is_built_or_refused(fields: dict[str, str]) -> None:
    channel = outcome(
        lambda: Channel(
            **{"id": "a", "topic": "a", **fields},  # type: ignore[arg-type]
            role=Role.VAT_TEMPERATURE,
        )
    )
    if isinstance(channel, VatsideError):
        assert channel.where in {"id", "topic", "value", "time", "senml", "unit"}
        assert channel.remedy
    else:
        assert Decoder([channel]).arrival("a", b"1", NOW_MS).topic == "a"


@given(st.integers(-(2**53) + 1, 2**53 - 1), st.integers(0, 6))
def test_every_decimal_of_up_to_fifteen_digits_keeps_them(digits: int, places: int) -> None:
    text = f"{digits % 10**15}e-{places}"
    value = float(text)
    channel = CHANNELS[2]
    expected = (Reading("whole", NOW_MS, value),)
    assert readings_in(channel, text.encode(), NOW_MS) == expected
    assert bare_number(text.encode()) == value
    assert repr(bare_number(repr(value).encode())) == repr(value)
