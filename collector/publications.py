"""PUBLISH packets out of the bytes of an MQTT connection (section 3.3), many at once. Pure.

paho reads a packet in three pieces from the socket and builds a dozen objects for it. For the
one kind of packet that comes by the thousand this takes what is needed out of the bytes and
leaves everything else where it is: other kinds, QoS 2, a topic alias, what is not all there
yet, what is malformed.
"""

from __future__ import annotations

from typing import NamedTuple

_PUBLISH = 0x30
#: The type and the upper bit of the QoS: PUBLISH at QoS 0 or 1, whatever its DUP and RETAIN.
_PUBLISH_MASK = 0xF4
_DUP, _QOS_1, _RETAIN = 0x08, 0x02, 0x01

#: The length of the topic and one character of it.
_SHORTEST = 3

#: A variable byte integer has no more than these.
_LENGTH_BYTES = 4


class Publication(NamedTuple):
    """One PUBLISH packet; ``packet_id`` is 0 at QoS 0. Its properties are left out."""

    topic: bytes
    payload: bytes
    packet_id: int
    retained: bool
    dup: bool


def publications(
    came: bytes, place: int, *, has_properties: bool = True
) -> tuple[list[Publication], int]:
    """The PUBLISH packets that follow each other from ``place`` on, and where they end.

    They have properties in MQTT 5.0 and none in 3.1.1.
    """
    found: list[Publication] = []
    end = len(came)
    while place < end and came[place] & _PUBLISH_MASK == _PUBLISH:
        flags = came[place]
        length, start = _number(came, place + 1)
        stop = start + length
        if length < _SHORTEST or stop > end:
            break
        topic_end = start + 2 + (came[start] << 8) + came[start + 1]
        id_end = topic_end + 2 if flags & _QOS_1 else topic_end
        properties_n, payload_start = _number(came, id_end) if has_properties else (0, id_end)
        payload_start += properties_n
        if topic_end == start + 2 or properties_n < 0 or payload_start > stop:
            break
        found.append(
            Publication(
                came[start + 2 : topic_end],
                came[payload_start:stop],
                (came[topic_end] << 8) + came[topic_end + 1] if flags & _QOS_1 else 0,
                flags & _RETAIN != 0,
                flags & _DUP != 0,
            )
        )
        place = stop
    return found, place


def packet_end(came: bytes, place: int) -> int | None:
    """Where the packet that begins at ``place`` ends, which may be beyond what has come.

    None while its length is not known. A packet whose length has more than four bytes ends with
    them, for whoever reads it to refuse.
    """
    length, start = _number(came, place + 1)
    if length < 0:
        return start if start - place > _LENGTH_BYTES else None
    return start + length


def _number(came: bytes, place: int) -> tuple[int, int]:
    """The variable byte integer at ``place`` (section 1.5.5), and the place behind it.

    -1 while it is not all there, and when it has more than four bytes.
    """
    number = shift = 0
    end = min(place + _LENGTH_BYTES, len(came))
    for at in range(place, end):
        number |= (came[at] & 0x7F) << shift
        if came[at] < 0x80:
            return number, at + 1
        shift += 7
    return -1, end
