"""JSON Pointer (RFC 6901): the way to one value inside a JSON document. Pure.

Syntax and escapes are read by the ``jsonpointer`` package; the walk is our own, because a
sensor's message can never hold the element *after* the last (``/list/-``), which the package
answers with a marker object instead of an error, and because a reason that is kept with a
refused message must not repeat the whole document.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

from jsonpointer import JsonPointer, JsonPointerException

from collector.errors import PayloadError

Tokens: TypeAlias = tuple[str, ...]


def parse(pointer: str) -> Tokens:
    """The unescaped reference tokens of a pointer; ``""`` has none and means the whole.

    Raises ``ValueError`` when it does not follow RFC 6901 section 3.
    """
    try:
        return tuple(JsonPointer(pointer).parts)
    except JsonPointerException as fault:
        raise ValueError(str(fault)) from None


def find(document: object, tokens: Tokens) -> object:
    """The value that the tokens lead to in a decoded JSON document.

    Raises ``PayloadError`` naming the first step that leads nowhere.
    """
    here = document
    for depth, token in enumerate(tokens):
        if type(here) is dict and token in here:
            here = here[token]
        elif type(here) is list:
            here = here[_index(here, tokens, depth)]
        else:
            raise PayloadError(f"there is no {spelt(tokens[: depth + 1])} in the message")
    return here


def spelt(tokens: Sequence[str]) -> str:
    """The pointer that these tokens make."""
    return "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in tokens)


def _index(array: list[object], tokens: Tokens, depth: int) -> int:
    token = tokens[depth]
    where = spelt(tokens[: depth + 1])
    if not (token.isascii() and token.isdigit()) or (token[0] == "0" and token != "0"):
        raise PayloadError(f"{where} asks an array for {token!r}, which is no index")
    if len(token) > 9 or int(token) >= len(array):
        raise PayloadError(f"{where} is beyond the end of an array of {len(array)}")
    return int(token)
