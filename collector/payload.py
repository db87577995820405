"""From a topic and the bytes of a message to readings, or to the reason why not. Pure.

Three payload forms, set by the channel:

- *bare number*: ``21.4`` in ASCII, white space around it allowed;
- *JSON* with a JSON Pointer to the value and, if it has one, to the reading's own time;
- *SenML* (RFC 8428), JSON or CBOR, records found by their resolved name.

The accounts add up because every channel that listens to a topic gets, from every message on
it, at least one reading or one refusal; only a SenML pack may leave a channel out that it has
no record for, as long as it has one for another.

A number beyond ±2^53 is refused whatever its form: float64 cannot keep its digits. A message
without a time of its own is given the time it arrived; if it was retained by the broker, that
would date an old reading as new, and so it is refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from collector import pointer, topics, units
from collector.channels import Channel
from collector.errors import PayloadError
from collector.json_document import document
from collector.reading_time import kind_of, time_ms
from collector.readings import Reading
from collector.store.contract import Arrival, Refusal

#: Most bytes of a message that are looked at, unless the decoder is told otherwise.
MOST_BYTES = 65_536

#: Beyond it float64 does not hold every whole number.
EXACT_LIMIT = 2**53

#: Different topics that a wildcard filter may bring before the oldest is forgotten.
TOPICS_REMEMBERED = 4_096

_DECIMAL = re.compile(rb"\s*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?)\s*")
_LONGEST_NUMBER = 128

_RETAINED = "a retained message without a time of its own is not a new reading"


def bare_number(payload: bytes) -> float:
    """The number that is the whole payload; raises ``PayloadError`` when it is not one."""
    found = _DECIMAL.fullmatch(payload) if len(payload) <= _LONGEST_NUMBER else None
    if found is None:
        raise PayloadError(_no_number(payload))
    return kept_number(float(found[1]))


def kept_number(found: object) -> float:
    """A decoded value as a reading's value; raises ``PayloadError`` when it is no number."""
    if type(found) is not float and type(found) is not int:
        raise PayloadError(f"{kind_of(found)} where a number belongs")
    if not -EXACT_LIMIT <= found <= EXACT_LIMIT:
        raise PayloadError("the number is beyond ±2^53, where its digits cannot be kept")
    return float(found)


def _no_number(payload: bytes) -> str:
    if not payload.strip():
        return "the message is empty"
    if len(payload) > _LONGEST_NUMBER:
        return f"no bare number: {len(payload):,} bytes long"
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        return "no bare number and not UTF-8 either"
    shown = text.strip()[:40]
    if re.fullmatch(r"[+-]?[0-9]+,[0-9]+", shown):
        return f"no bare number: {shown!r} has a decimal comma; a point belongs there"
    if shown[0] in "{[":
        return "no bare number but JSON; give the channel a JSON Pointer as its value"
    return f"no bare number: {shown!r}"


@dataclass(frozen=True, slots=True)
class _Way:
    """How to get at one channel's reading: worked out once, used for every message."""

    channel: Channel
    convert: Callable[[float], float] | None
    value: pointer.Tokens
    time: pointer.Tokens | None


def _way(channel: Channel) -> _Way:
    return _Way(
        channel,
        units.conversion(channel.role, channel.unit),
        pointer.parse(channel.value or ""),
        None if channel.time is None else pointer.parse(channel.time),
    )


class Decoder:
    """Turns messages into arrivals for a set of channels.

    Channels are found by topic: exact ones in a table, wildcard filters matched once for each
    new topic and remembered (the newest ``TOPICS_REMEMBERED`` of them).
    """

    def __init__(self, channels: Iterable[Channel], *, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._ways = tuple(_way(channel) for channel in channels)
        self._by_topic: dict[str, tuple[_Way, ...]] = {}

    def arrival(
        self, topic: str, payload: bytes, received_ms: int, *, retained: bool = False
    ) -> Arrival:
        """What a message brought; never raises, any fault becomes a refusal."""
        ways = self._by_topic.get(topic)
        if ways is None:
            ways = self._ways_for(topic)
        readings: list[Reading] = []
        refusals: list[Refusal] = []
        if not ways:
            refusals.append(Refusal("no channel listens to this topic"))
        bare = _Once(lambda: bare_number(payload))
        tree = _Once(lambda: document(payload))
        for way in ways:
            try:
                if len(payload) > self._most_bytes:
                    raise PayloadError(f"longer than {self._most_bytes:,} bytes")
                readings.append(_reading(way, bare, tree, received_ms, retained))
            except PayloadError as fault:
                refusals.append(Refusal(fault.what, way.channel.id))
        return Arrival(
            topic, received_ms, tuple(readings), tuple(refusals), payload if refusals else b""
        )

    def _ways_for(self, topic: str) -> tuple[_Way, ...]:
        ways = tuple(way for way in self._ways if topics.matches(way.channel.topic, topic))
        if len(self._by_topic) >= TOPICS_REMEMBERED:
            del self._by_topic[next(iter(self._by_topic))]
        self._by_topic[topic] = ways
        return ways


class _Once:
    def __init__(self, make: Callable[[], object]) -> None:
        self._make = make
        self._made: object = None
        self._fault: PayloadError | None = None
        self._done = False

    def __call__(self) -> object:
        if not self._done:
            self._done = True
            try:
                self._made = self._make()
            except PayloadError as fault:
                self._fault = fault
        if self._fault:
            raise self._fault
        return self._made


def _reading(way: _Way, bare: _Once, tree: _Once, received_ms: int, retained: bool) -> Reading:
    channel = way.channel
    if channel.senml is not None:
        raise PayloadError("SenML is not read yet")
    moment = received_ms
    if channel.value is None:
        value = kept_number(bare())
    else:
        value = kept_number(pointer.find(tree(), way.value))
    if way.time is not None and channel.time_form is not None:
        moment = time_ms(pointer.find(tree(), way.time), channel.time_form)
    elif retained:
        raise PayloadError(_RETAINED)
    return Reading(channel.id, moment, value if way.convert is None else way.convert(value))
