"""JSON Pointers against RFC 6901."""

from __future__ import annotations

import orjson
import pytest
from jsonpointer import JsonPointer

from collector import pointer
from collector.errors import PayloadError

#: The document of RFC 6901 section 5.
DOCUMENT = orjson.loads(
    rb"""{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4,
    "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}"""
)


@pytest.mark.parametrize(
    ("text", "found"),
    [  # the table of RFC 6901 section 5
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_table_of_the_rfc(text: str, found: object) -> None:
    assert pointer.find(DOCUMENT, pointer.parse(text)) == found
    assert JsonPointer(text).resolve(DOCUMENT) == found
    assert pointer.spelt(pointer.parse(text)) == text


@pytest.mark.parametrize("text", ["foo", "/m~2n", "/m~", "~", "foo/0", " /foo", "#/foo"])
def test_what_is_no_pointer_is_told_at_once(text: str) -> None:
    with pytest.raises(ValueError, match=r"must start with /|invalid escape"):
        pointer.parse(text)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("/foo/2", "/foo/2 is beyond the end of an array of 2"),
        ("/foo/99999999999999999999", "beyond the end"),
        ("/foo/01", "'01', which is no index"),
        ("/foo/00", "no index"),
        ("/foo/1e0", "no index"),
        ("/foo/+1", "no index"),
        ("/foo/-1", "no index"),
        ("/foo/ 1", "no index"),
        ("/foo/", "no index"),
        ("/foo/٠", "no index"),  # a zero in another script
        ("/foo/²", "no index"),
        ("/foo/-", "'-', which is no index"),  # the element after the last: never there
        ("/foo/0/x", "there is no /foo/0/x in the message"),
        ("/nonexistent", "there is no /nonexistent in the message"),
        ("/a~1b/c~0d", "there is no /a~1b/c~0d in the message"),
    ],
)
def test_what_leads_nowhere_is_refused(text: str, reason: str) -> None:
    with pytest.raises(PayloadError) as fault:
        pointer.find(DOCUMENT, pointer.parse(text))
    assert reason in fault.value.what


def test_tilde_zero_one_is_never_a_slash() -> None:
    # RFC 6901 section 4: ~01 becomes ~1, not /.
    assert pointer.parse("/~01") == ("~1",)


def test_the_reason_never_repeats_the_document() -> None:
    with pytest.raises(PayloadError) as fault:
        pointer.find({"secret": "x" * 10_000}, pointer.parse("/here"))
    assert len(fault.value.what) < 100
