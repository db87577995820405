"""SenML packs against RFC 8428: its examples, and every rule of its section 4."""

from __future__ import annotations

import json
from base64 import urlsafe_b64encode
from typing import Any

import cbor2
import pytest

from collector.errors import PayloadError
from collector.senml import CBOR_LABELS, Record, pack_of, resolve
from tests.recordings import recording

NOW_S = 1_500_000_000
LABEL_NUMBERS = {label: number for number, label in CBOR_LABELS.items()}

#: CBOR of the second pack of section 5.1.2, from the working group's ex3.gen.cbor.hex.
EXAMPLE_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a"
    "22fb41d303a15b001062236141200500"
    "67766f6c74616765016156"
    "02fb405e066666666666"
    "a3006763757272656e74062402fb3ff3333333333333"
    "a3006763757272656e74062302fb3ff4cccccccccccd"
    "a3006763757272656e74062202fb3ff6666666666666"
    "a3006763757272656e74062102f93e00"
    "a3006763757272656e74062002fb3ff999999999999a"
    "a3006763757272656e74060002fb3ffb333333333333"
)


def as_fields(record: Record) -> dict[str, Any]:
    """A resolved record as the RFC writes it."""
    octets = None
    if record.octets is not None:
        octets = urlsafe_b64encode(record.octets).decode().rstrip("=")
    fields = {
        "n": record.name,
        "t": record.time_s,
        "u": record.unit,
        "v": record.value,
        "vs": record.text,
        "vb": record.flag,
        "vd": octets,
        "s": record.sum,
        "ut": record.update_s,
        "bver": None if record.version == 10 else record.version,
    }
    return {label: found for label, found in fields.items() if found is not None}


def resolved(text: str, now_s: float = NOW_S) -> list[dict[str, Any]]:
    """The resolved records of a pack in JSON."""
    return [as_fields(record) for record in resolve(pack_of(text.encode()), now_s)]


def as_cbor(pack: list[dict[str, Any]]) -> bytes:
    """The pack in CBOR, with the integer labels of the RFC's table 4."""
    return cbor2.dumps(
        [{LABEL_NUMBERS.get(label, label): v for label, v in record.items()} for record in pack]
    )


@pytest.mark.recordings
def test_every_example_of_the_rfc_resolves_exactly_in_json_and_in_cbor() -> None:
    examples = json.loads(recording("senml_rfc8428_examples.json").read_bytes())
    assert len(examples) == 11
    assert sum(len(example["resolved"]) for example in examples) == 52
    for example in examples:
        expected, now_s = example["resolved"], example["now"]
        in_json = resolve(pack_of(json.dumps(example["pack"]).encode()), now_s)
        assert [as_fields(record) for record in in_json] == expected, example["section"]
        assert resolve(pack_of(as_cbor(example["pack"])), now_s) == in_json, example["section"]


def test_the_published_cbor_dump_is_read() -> None:
    records = resolve(pack_of(EXAMPLE_CBOR), NOW_S)
    assert [(r.name.rpartition(":")[2], r.time_s, r.value, r.unit) for r in records] == [
        ("current", 1276020071.001, 1.2, "A"),
        ("current", 1276020072.001, 1.3, "A"),
        ("current", 1276020073.001, 1.4, "A"),
        ("current", 1276020074.001, 1.5, "A"),
        ("current", 1276020075.001, 1.6, "A"),
        ("voltage", 1276020076.001, 120.1, "V"),
        ("current", 1276020076.001, 1.7, "A"),
    ]
    assert {record.version for record in records} == {5}


def test_base_value_and_base_sum_are_added_and_the_missing_part_is_zero() -> None:
    text = '[{"bn":"a","bv":0.1,"bs":100,"v":0.2,"s":5},{"n":"b"},{"bv":1,"n":"c","v":2}]'
    assert resolved(text) == [
        {"n": "a", "t": NOW_S, "v": 0.3, "s": 105},
        {"n": "ab", "t": NOW_S, "v": 0.1, "s": 100},
        {"n": "ac", "t": NOW_S, "v": 3, "s": 100},
    ]


@pytest.mark.parametrize(
    ("base_s", "own_s", "time_s"),
    [
        (None, None, NOW_S),
        (None, -30, NOW_S - 30),
        (None, 268_435_455, NOW_S + 268_435_455),
        (None, 268_435_456, 268_435_456),  # 1978-07-04T21:24:16Z, section 4.5.3
        (268_435_455, 1, 268_435_456),  # the sum decides, not its parts
        (268_435_456, -1, NOW_S + 268_435_455),
        (1_320_067_464, 0.5, 1_320_067_464.5),
    ],
)
def test_a_time_below_two_to_the_28_is_relative_to_now(
    base_s: float | None, own_s: float | None, time_s: float
) -> None:
    fields: dict[str, Any] = {"n": "a", "v": 1}
    if base_s is not None:
        fields["bt"] = base_s
    if own_s is not None:
        fields["t"] = own_s
    (record,) = resolve([fields], NOW_S)
    assert record.time_s == time_s
    assert record.relative == (time_s not in (268_435_456, 1_320_067_464.5))


def test_zero_and_false_are_values_and_exponents_are_numbers() -> None:
    text = '[{"bt":1.320067464e+09,"n":"a","v":0},{"n":"b","vb":false},{"n":"c","v":0.14e1}]'
    assert resolved(text) == [
        {"n": "a", "t": 1_320_067_464, "v": 0},
        {"n": "b", "t": 1_320_067_464, "vb": False},
        {"n": "c", "t": 1_320_067_464, "v": 1.4},
    ]


def test_unknown_labels_are_ignored_unless_they_must_be_understood() -> None:
    assert resolved('[{"n":"a","v":1,"colour":"red"}]') == [{"n": "a", "t": NOW_S, "v": 1}]
    with pytest.raises(PayloadError, match="record 2: colour_ has to be understood"):
        resolved('[{"n":"a","v":1},{"n":"a","v":1,"colour_":"red"}]')


def test_a_record_of_base_fields_alone_is_no_measurement() -> None:
    assert resolved('[{"bn":"urn:dev:ow:10e2073a01080063:","bt":5,"bver":10}]') == []
    assert resolved("[]") == []


def test_data_values_are_base64url_without_padding() -> None:
    (record,) = resolve(pack_of(b'[{"n":"a","vd":"aGkgCg"}]'), NOW_S)
    assert record.octets == b"hi \n"  # checks: RFC 8428 section 5.1.5
    for wrong in ("aGkgCg==", "aGkg+g", "a", "aé"):
        with pytest.raises(PayloadError, match="base64url"):
            resolved(json.dumps([{"n": "a", "vd": wrong}]))


def test_decimal_fractions_of_cbor_are_numbers() -> None:
    # RFC 8428 section 6 allows tag 4; [-2, 2140] is 21.40.
    payload = bytes.fromhex("81a2006161") + bytes.fromhex("02c48221") + b"\x19\x08\x5c"
    (record,) = resolve(pack_of(payload), NOW_S)
    assert record.value == 21.4


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ('[{"n":"a","v":1,"bver":11}]', "record 1: its version is newer than 10"),
        ('[{"n":"a","v":1,"bver":0}]', "bver is not a positive whole number"),
        ('[{"n":"a","v":1,"bver":true}]', "bver is not a positive whole number"),
        ('[{"n":"a","v":1,"bver":5.0}]', "bver is not a positive whole number"),
        ('[{"n":"a","v":1},{"bver":5,"n":"a","v":1}]', "version 5 in a pack of version 10"),
        ('[{"v":1}]', "it has no name"),
        ('[{"n":"-a","v":1}]', "may not be a name"),
        ('[{"n":"a b","v":1}]', "may not be a name"),
        ('[{"bn":"a","n":"é","v":1}]', "may not be a name"),
        ('[{"n":"a\\n","v":1}]', "may not be a name"),
        ('[{"n":"a"}]', "it has no value"),
        ('[{"n":"a","ut":5}]', "it has no value"),
        ('[{"n":"a","v":1,"vs":"x"}]', "v and vs are both given"),
        ('[{"n":"a","vb":true,"vd":"","s":1}]', "vb and vd are both given"),
        ('[{"n":"a","v":"1"}]', "v is a text where a number belongs"),
        ('[{"n":"a","v":true}]', "v is true or false where a number"),
        ('[{"n":"a","v":null}]', "v is null where a number belongs"),
        ('[{"n":"a","vs":1}]', "vs is a number where a text belongs"),
        ('[{"n":"a","vb":0}]', "vb is a number where true or false"),
        ('[{"n":7,"v":1}]', "n is a number where a text belongs"),
        ('[{"bt":"now","n":"a","v":1}]', "bt is a text where a number belongs"),
        ('[{"n":"a","v":1,"t":null}]', "t is null where a number belongs"),
        ('[{"n":"a","v":1,"v":2}]', "a key is given twice"),
        ('{"n":"a","v":1}', "no SenML pack but an object"),
        ("[1]", "record 1 is a number, not an object"),
        ("", "the message is empty"),
        ('[{"n":"a","v":NaN}]', "no valid JSON"),
    ],
)
def test_what_breaks_the_rfc_refuses_the_pack_whole(text: str, reason: str) -> None:
    with pytest.raises(PayloadError) as fault:
        resolved(text)
    assert reason in fault.value.what


@pytest.mark.parametrize(
    ("payload_hex", "reason"),
    [
        ("8100ff", "no valid CBOR"),
        ("810000", "bytes follow the end"),
        ("8101", "record 1 is a number, not a map"),
        ("81a2006161", "no valid CBOR"),  # cut off
        ("81a3006161006162" + "0201", "Duplicate map key"),
        ("81a3006161616e61620201", "gives n twice"),  # once as 0, once as "n"
        ("81a20061610aff", "no valid CBOR"),
        ("81a3006161" + "0201" + "0a01", "label that RFC 8428 does not know"),
        ("81a3006161" + "0201" + "f501", "label that RFC 8428 does not know"),
        ("81a2006161" + "02f97e00", "v is nan"),
        ("81a2006161" + "02f97c00", "v is inf"),
        ("81a2006161" + "02c482190fff01", "v is inf"),  # 1e4095 as a decimal fraction
        ("81a2006161" + "02c11a514b67b0", "v is of another kind"),  # a tagged date
        ("81a2006161" + "02d81e820103", "v is of another kind"),  # a tagged rational, 1/3
        ("81a2006161" + "02c201", "a long integer is no byte string"),
        ("81a2006161" + "02c25903e8" + "ff" * 1_000, "a number of 1,000 bytes is larger than any"),
        # A decimal fraction of 60,000 bytes, which took half a second to be told to be too large.
        ("81a2006161" + "02c48220c259ea60" + "ff" * 60_000, "a number of 60,000 bytes is larger"),
        ("81a1c25903e8" + "ff" * 1_000 + "01", "a number of 1,000 bytes is larger"),  # a label
        ("81a20061ff0201", "no valid CBOR"),  # no UTF-8
        ("81" * 40 + "00", "no valid CBOR"),  # too deep
    ],
)
def test_wrong_cbor_is_refused(payload_hex: str, reason: str) -> None:
    with pytest.raises(PayloadError) as fault:
        resolve(pack_of(bytes.fromhex(payload_hex)), NOW_S)
    assert reason in fault.value.what


@pytest.mark.parametrize("label_hex", ["02", "06", "22", "24", "05", "07", "20", "00"])
@pytest.mark.parametrize("sign", ["c2", "c3"])
def test_a_number_too_long_to_be_written_out_is_refused(label_hex: str, sign: str) -> None:
    # 2,400 bytes are more decimal digits than Python agrees to print.
    long_int = bytes.fromhex(f"{sign}590960") + b"\xff" * 0x960
    as_value = bytes.fromhex("81a2006161" + label_hex) + long_int
    as_label = bytes.fromhex("81a2006161") + long_int + b"\x01"
    for payload in (as_value, as_label):
        with pytest.raises(PayloadError):
            resolve(pack_of(payload), NOW_S)


#: What may stand under a CBOR tag: numbers, texts, arrays, lengths that lie.
UNDER_A_TAG = [
    "00", "20", "1bffffffffffffffff", "3bffffffffffffffff", "fb7ff0000000000000", "f97e00",
    "f6", "f5", "60", "6161", "623a28", "6430303030", "40", "43ffffff", "80", "820000",
    "820100", "8200f6", "821b7fffffffffffffff01", "823b7fffffffffffffff01", "83000000",
    "a0", "a10000", "c249ff" + "00" * 8, "9bffffffffffffffff", "5bffffffffffffffff",
    "7b7fffffffffffffff", "bbffffffffffffffff", "9f", "5f41", "9a7fffffff00",
    "9b000000ffffffff00", "ba7fffffff0000", "5a7fffffff00",
]  # fmt: skip


def test_every_tag_over_anything_is_a_value_or_refused() -> None:
    tags = [*range(300), 1001, 1004, 43000, 55799, 2**16, 2**32, 2**64 - 1]
    refused_n = 0
    for tag in tags:
        head = cbor2.dumps(cbor2.CBORTag(tag, 0))[:-1]
        for below in UNDER_A_TAG:
            for front in ("81a200616102", "81a2006161", "81", "8181", "81a20061616374"):
                payload = bytes.fromhex(front) + head + bytes.fromhex(below)
                try:
                    resolve(pack_of(payload), NOW_S)
                except PayloadError:
                    refused_n += 1
    assert refused_n > 10_000
