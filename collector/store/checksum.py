"""Count and checksum of a channel's readings, the same for every way of keeping them. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

from collector.readings import Series


@dataclass(frozen=True, slots=True)
class Checksum:
    """How many readings, and SHA-256 over all times, values and marks, each to the last bit."""

    count: int
    digest: str


def checksum_of(pieces: Iterable[Series]) -> Checksum:
    """Of readings in time order, in pieces of any size."""
    columns = tuple(hashlib.sha256() for _ in range(3))
    count = 0
    for piece in pieces:
        count += len(piece)
        columns[0].update(piece.times_ms.tobytes())
        columns[1].update(piece.values.tobytes())
        columns[2].update(piece.marks.tobytes())
    whole = hashlib.sha256(b"".join(column.digest() for column in columns))
    return Checksum(count, whole.hexdigest())
