"""Which messages without a time of their own have come before. Pure.

A message that names no time cannot be told by its reading when it is delivered a second time:
it would be a new reading, a moment later. So its delivery is kept with its reading, in the
same transaction, and what a resumed session repeats is held against it:

- A broker that keeps to the standard marks a repeated message (DUP) and gives it the packet
  identifier it had before (MQTT 3.1.1 and 5.0, sections 3.3.1.1 and 4.4): identifier and
  content together tell it.
- The embedded broker does neither, but repeats in the old order and from the beginning of the
  session. There the first messages are held against the newest deliveries of which the broker
  has not yet confirmed that it knows our acknowledgement.

With the second kind, and a sensor that sends the same value over and over, a message that is
new may be taken for a repeated one; but only in the half second after a message in which
nothing is confirmed yet, and what is lost then is a value that has just been kept.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from collector.store.contract import Delivery

#: Deliveries of which the broker knows our acknowledgement, kept for one that forgets it again.
SETTLED_KEPT_N = 2_000


def digest_of(topic: str, payload: bytes) -> bytes:
    """What stands for the content of a message: 16 bytes."""
    return hashlib.blake2b(topic.encode() + b"\0" + payload, digest_size=16).digest()


class Coming(NamedTuple):
    """A delivery as it comes in: its packet identifier, its DUP flag and its content's digest."""

    packet_id: int
    dup: bool
    digest: bytes


class Redeliveries:
    """The deliveries kept, and which of those that come in are the same again."""

    def __init__(self, kept: Iterable[Delivery] = (), settled: int = 0) -> None:
        """``kept`` in order of their number; those up to ``settled`` are confirmed."""
        self._kept = deque(kept)
        self._known = {(one.packet_id, one.digest): one.number for one in self._kept}
        self._settled = settled
        self._last = max((one.number for one in self._kept), default=settled)
        self._reached = settled
        self._expected: list[Delivery] = []
        self._aligned = False

    @property
    def reached(self) -> int:
        """The number up to which everything has come, for the first time or again.

        It is behind the last number given while a resumed session still repeats.
        """
        return self._reached

    def number(self, coming: Coming) -> Delivery:
        """A new delivery, numbered; it is known once :meth:`keep` was called with it."""
        self._last += 1
        self._reached = self._last
        return Delivery(self._last, coming.packet_id, coming.digest)

    def keep(self, deliveries: Iterable[Delivery]) -> None:
        """These are on disk now."""
        for one in deliveries:
            self._kept.append(one)
            self._known[one.packet_id, one.digest] = one.number

    def settle(self, number: int) -> None:
        """The broker knows our acknowledgements of the deliveries up to a number."""
        self._settled = max(self._settled, number)
        while len(self._kept) > SETTLED_KEPT_N and self._kept[0].number <= self._settled:
            gone = self._kept.popleft()
            if self._known.get((gone.packet_id, gone.digest)) == gone.number:
                del self._known[gone.packet_id, gone.digest]

    def begin(self, *, resumed: bool) -> None:
        """A new connection; only one that takes up an earlier session repeats anything."""
        self._aligned = False
        self._expected = []
        if resumed:
            self._expected = [one for one in self._kept if one.number > self._settled]
            self._reached = self._settled
        else:
            self._kept.clear()
            self._known.clear()
            self._settled = self._reached = self._last

    def again(self, coming: Sequence[Coming]) -> list[bool]:
        """Which of the next deliveries of this connection are repeated; in order of arrival."""
        if not self._expected and not any(one.dup for one in coming):
            return [False] * len(coming)
        return [self._is_again(one, coming[place:]) for place, one in enumerate(coming)]

    def _is_again(self, one: Coming, rest: Sequence[Coming]) -> bool:
        if one.dup:
            self._expected = []  # this broker marks what it repeats
            number = self._known.get((one.packet_id, one.digest))
            self._reached = max(self._reached, number or 0)
            return number is not None
        if self._expected and not self._aligned:
            self._aligned = True
            self._expected = _tail_beginning(self._expected, [other.digest for other in rest])
        if not self._expected or self._expected[0].digest != one.digest:
            self._expected = []
            return False
        self._reached = self._expected.pop(0).number
        return True


def _tail_beginning(expected: list[Delivery], coming: list[bytes]) -> list[Delivery]:
    """The longest tail of what is expected that agrees with what comes, as far as both reach."""
    for start in range(len(expected)):
        tail = [one.digest for one in expected[start : start + len(coming)]]
        if tail == coming[: len(tail)]:
            return expected[start:]
    return []
