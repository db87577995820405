"""A JSON document out of a message, stricter than JSON libraries are by themselves. Pure.

orjson refuses what RFC 8259 does (NaN, infinities, ``1e999``, invalid UTF-8, half a surrogate
pair, text after the end) and yields integers and the nearest float64, whose shortest form is
the digits that were sent. Added here: a key given twice in one object is refused, because
nothing tells which of the two values was meant (libraries keep the last); and so is nesting
deeper than any sensor's message needs.
"""

from __future__ import annotations

import re

import orjson

from collector.errors import PayloadError

#: Arrays and objects inside one another; a SenML pack needs 2.
DEEPEST = 32

#: A whole JSON string and, if it is a key, the colon after it.
_STRING = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+"(\s*+:)?+')


def document(payload: bytes) -> object:
    """The decoded document.

    Raises ``PayloadError`` when it is no JSON, names a key twice or is nested too deeply.
    """
    try:
        decoded: object = orjson.loads(payload)
    except orjson.JSONDecodeError as fault:
        raise PayloadError(f"no valid JSON: {_reason(payload, fault)}") from None
    if type(decoded) is dict or type(decoded) is list:
        keys_n, texts_n = _strings_within_depth(decoded)
        # A key that is given twice is written more often than it is found. Strings are counted
        # by their quotes, which is enough where none of them holds one.
        certain = b"\\" not in payload and payload.count(b'"') == 2 * (keys_n + texts_n)
        if not certain and keys_n != _keys_written(payload):
            raise PayloadError("a key is given twice in one object: which value is meant?")
    return decoded


def _reason(payload: bytes, fault: orjson.JSONDecodeError) -> str:
    if not payload.strip():
        return "the message is empty"
    if payload.startswith(b"\xef\xbb\xbf"):
        return "it starts with a byte order mark"
    return f"{fault.msg} (line {fault.lineno}, column {fault.colno})"


def _keys_written(payload: bytes) -> int:
    after = _STRING.findall(payload)
    return len(after) - after.count(b"")


def _strings_within_depth(decoded: object) -> tuple[int, int]:
    """How many keys and other texts there are in the document; raises when it is too deep."""
    keys_n = texts_n = 0
    level = [decoded]
    for _ in range(DEEPEST):
        below: list[object] = []
        for branch in level:
            if type(branch) is dict:
                keys_n += len(branch)
                children = branch.values()
            else:
                children = branch  # type: ignore[assignment]
            for child in children:
                kind = type(child)
                if kind is str:
                    texts_n += 1
                elif kind is dict or kind is list:
                    below.append(child)
        if not below:
            return keys_n, texts_n
        level = below
    raise PayloadError(f"nested more than {DEEPEST} deep")
