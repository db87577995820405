"""JSON, stricter than the libraries are by themselves."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import PayloadError
from collector.json_document import DEEPEST, document


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "the message is empty"),
        (b" \r\n\t", "the message is empty"),
        (b'\xef\xbb\xbf{"v":1}', "it starts with a byte order mark"),
        (b'{"v":NaN}', "no valid JSON"),
        (b'{"v":Infinity}', "no valid JSON"),
        (b'{"v":-Infinity}', "no valid JSON"),
        (b'{"v":1e999}', "no valid JSON"),
        (b'{"v":0x10}', "no valid JSON"),
        (b'{"v":1_000}', "no valid JSON"),
        (b'{"v":+1}', "no valid JSON"),
        (b'{"v":.5}', "no valid JSON"),
        (b'{"v":01}', "no valid JSON"),
        (b"{'v':1}", "no valid JSON"),
        (b'{"v":1,}', "no valid JSON"),
        (b'{"v":1} {"v":2}', "no valid JSON"),
        (b'{"v":1}\0', "no valid JSON"),
        (b'{"v":"\xff"}', "no valid JSON"),
        (b'{"v":"\\ud800"}', "no valid JSON"),
        (b'\xff\xfe{\0"\0', "no valid JSON"),
        (b'{"v":1,"v":2}', "a key is given twice"),
        (b'{"v":1,"a":{"b":1,"b" : 2}}', "a key is given twice"),
        (b'{"v":1,"\\u0076":2}', "a key is given twice"),  # the same key, written in two ways
        (b'[{"v":1},{"v":1,"v":1}]', "a key is given twice"),
        (b"[" * (DEEPEST + 1) + b"]" * (DEEPEST + 1), f"nested more than {DEEPEST} deep"),
        (b'{"a":' * 40 + b"1" + b"}" * 40, f"nested more than {DEEPEST} deep"),
        (b"[" * 30_000, "no valid JSON"),
        (b"[" * 30_000 + b"]" * 30_000, "no valid JSON"),
    ],
)
def test_refused(payload: bytes, reason: str) -> None:
    with pytest.raises(PayloadError) as fault:
        document(payload)
    assert reason in fault.value.what
    assert len(fault.value.what) < 200


@pytest.mark.parametrize(
    "payload",
    [
        b'{"v": 21.4, "w": "say \\"v\\": 1", "x": ":", "y": "\\\\"}',
        b'{"a":":","b":"\\\\\\":","c":["\\":"]}',
        b'[{"v":1},{"v":2}]',
        b"[" * DEEPEST + b"]" * DEEPEST,
        b"21.4",
        b'"text"',
        b"null",
    ],
)
def test_read_as_it_stands(payload: bytes) -> None:
    assert document(payload) == json.loads(payload)


def test_numbers_keep_their_digits() -> None:
    decoded = document(b"[21.4, 0.1, 9007199254740993, 1.10, 1e-7, -0.0]")
    assert repr(decoded) == "[21.4, 0.1, 9007199254740993, 1.1, 1e-07, -0.0]"


TEXTS = st.text(alphabet=st.sampled_from('ab:"\\ \n/é°\U0001f600'), max_size=6)
LEAVES = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXTS
)
TREES = st.recursive(
    LEAVES,
    lambda below: st.lists(below, max_size=4) | st.dictionaries(TEXTS, below, max_size=4),
    max_leaves=12,
)


@given(TREES, st.sampled_from([None, 1]), st.booleans())
def test_every_honest_document_is_read(tree: object, indent: int | None, ascii_only: bool) -> None:
    assert document(json.dumps(tree, indent=indent, ensure_ascii=ascii_only).encode()) == tree


@given(st.dictionaries(TEXTS, TREES, min_size=1, max_size=4), st.data())
def test_no_key_can_be_given_twice(fields: dict[str, object], chosen: st.DataObject) -> None:
    again = chosen.draw(st.sampled_from(sorted(fields)))
    members = [f"{json.dumps(key)}: {json.dumps(found)}" for key, found in fields.items()]
    members.insert(chosen.draw(st.integers(0, len(members))), f"{json.dumps(again)} : 1")
    with pytest.raises(PayloadError, match="given twice"):
        document(f"[{{{', '.join(members)}}}]".encode())
