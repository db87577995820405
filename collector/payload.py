"""From a topic and the bytes of a message to readings, or to the reason why not. Pure.

Three payload forms, set by the channel:

- *bare number*: ``21.4`` in ASCII, white space around it allowed;
- *JSON* with a JSON Pointer to the value and, if it has one, to the reading's own time;
- *SenML* (RFC 8428), JSON or CBOR, records found by their resolved name.

The accounts add up because every channel that listens to a topic gets a reading or a refusal
from every message on it. SenML alone is freer: a pack may hold any number of records for a
channel, each of which is a reading or a refusal, and none for another channel, as long as it
has one for somebody. Records that no channel asks for are the sender's own affair and are not
counted; a pack in which there is no record for anybody is refused, for it shows a wrong name
in the settings, and one that sets base fields alone brings nothing to refuse.

A number that is not within ±2^53 is refused whatever its form: float64 cannot keep its digits.
A message without a time of its own is given the time it arrived; if it was retained by the
broker, that would date an old reading as new, and so it is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from collector import pointer, senml, topics, units
from collector.channels import Channel, TimeForm
from collector.errors import PayloadError
from collector.json_document import document
from collector.reading_time import kind_of, time_ms, unix_s_ms
from collector.readings import Reading
from collector.store.contract import Arrival, Refusal, SensorState

#: Most bytes of a message that are looked at, unless the decoder is told otherwise.
MOST_BYTES = 65_536

#: From here on float64 does not hold every whole number: 2^53 may have been 2^53 + 1.
EXACT_LIMIT = 2**53

#: Different topics that wildcard filters may bring before the oldest is forgotten.
TOPICS_REMEMBERED = 4_096

_RETAINED = "a retained message without a time of its own is not a new reading"
_LONGEST_NUMBER_BYTES = 128
_DECIMAL = re.compile(
    rb"[ \t\r\n]*+([+-]?(?:[0-9]++(?:\.[0-9]*+)?|\.[0-9]++)(?:[eE][+-]?[0-9]{1,4})?)[ \t\r\n]*+"
)
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")


def bare_number(payload: bytes) -> float:
    """The number that is the whole payload; raises ``PayloadError`` when it is not one."""
    found = _DECIMAL.fullmatch(payload) if len(payload) <= _LONGEST_NUMBER_BYTES else None
    if found is None:
        raise PayloadError(_why_no_number(payload))
    return kept_number(float(found[1]))


def kept_number(found: object) -> float:
    """A decoded value as a reading's value; raises ``PayloadError`` when it is no number."""
    if type(found) is not float and type(found) is not int:
        raise PayloadError(f"{kind_of(found)} where a number belongs")
    if not -EXACT_LIMIT < found < EXACT_LIMIT:
        raise PayloadError("the number is not within ±2^53, where its digits can be kept")
    return float(found)


def _why_no_number(payload: bytes) -> str:
    if not payload.strip():
        return "the message is empty"
    if len(payload) > _LONGEST_NUMBER_BYTES:
        return f"no bare number: {len(payload):,} bytes long"
    try:
        shown = payload.decode().strip()[:40]
    except UnicodeDecodeError:
        return "no bare number and not UTF-8 either"
    if _DECIMAL_COMMA.fullmatch(shown):
        return f"no bare number: {shown!r} has a decimal comma; a point belongs there"
    if shown.startswith(("{", "[")):
        return "no bare number but JSON; give the channel a JSON Pointer as its value"
    return f"no bare number: {shown!r}"


def readings_in(
    channel: Channel, payload: bytes, received_ms: int, *, retained: bool = False
) -> tuple[Reading, ...]:
    """The readings of one channel in a message, in order of time.

    Raises ``PayloadError`` with the first reason when any of them has to be refused.
    """
    taken = _Taken(received_ms, retained)
    taken.take(_listeners([channel]), payload)
    if taken.refusals:
        raise PayloadError(taken.refusals[0].reason, where=f"channel {channel.id}")
    return tuple(taken.readings)


class Decoder:
    """Turns messages into arrivals for a set of channels.

    Which channels listen to a topic is worked out when it first comes and remembered, for the
    last ``TOPICS_REMEMBERED`` new topics.
    """

    def __init__(self, channels: Iterable[Channel], *, most_bytes: int = MOST_BYTES) -> None:
        self._channels = tuple(channels)
        self._most_bytes = most_bytes
        self._by_topic: dict[str, _Listeners] = {}

    def arrival(
        self, topic: str, payload: bytes, received_ms: int, *, retained: bool = False
    ) -> Arrival:
        """What a message brought; never raises, any fault becomes a refusal."""
        listeners = self._by_topic.get(topic)
        if listeners is None:
            listeners = self._listening_to(topic)
        if listeners.alone is not None and len(payload) <= self._most_bytes:
            arrival = _of_one(listeners.alone, topic, payload, received_ms)
            if arrival is not None:
                return arrival
        taken = _Taken(received_ms, retained)
        if not listeners.channels:
            taken.refusals.append(Refusal("no channel listens to this topic"))
        elif len(payload) > self._most_bytes:
            taken.refuse(
                listeners.channels,
                f"longer than payload_limit_bytes allows, {self._most_bytes:,} bytes",
            )
        else:
            taken.take(listeners, payload)
        return Arrival(
            topic,
            received_ms,
            tuple(taken.readings),
            tuple(taken.refusals),
            payload if taken.refusals else b"",
            taken.undated,
            sensors=tuple(taken.sensors),
        )

    def _listening_to(self, topic: str) -> _Listeners:
        listeners = _listeners(c for c in self._channels if topics.matches(c.topic, topic))
        if len(self._by_topic) >= TOPICS_REMEMBERED:
            del self._by_topic[next(iter(self._by_topic))]
        self._by_topic[topic] = listeners
        return listeners


@dataclass(frozen=True, slots=True)
class _Pointed:
    """A channel of JSON messages with its pointers read."""

    channel: Channel
    value: pointer.Tokens
    time: pointer.Tokens | None
    time_form: TimeForm
    convert: units.Conversion | None
    battery: pointer.Tokens | None
    radio: pointer.Tokens | None


@dataclass(frozen=True, slots=True)
class _Named:
    """A channel of SenML records with the conversions that its role allows."""

    channel: Channel
    conversions: Mapping[str, units.Conversion | None]


@dataclass(frozen=True, slots=True)
class _Listeners:
    """The channels that listen to a topic, by the form of their messages.

    ``alone`` is the only one there is, when its messages are JSON with a time and no more.
    """

    channels: tuple[Channel, ...]
    bare: tuple[tuple[Channel, units.Conversion | None], ...]
    pointed: tuple[_Pointed, ...]
    named: Mapping[str, tuple[_Named, ...]]
    alone: _Pointed | None


def _listeners(channels: Iterable[Channel]) -> _Listeners:
    listening = tuple(channels)
    named: dict[str, tuple[_Named, ...]] = {}
    for channel in listening:
        if channel.senml is not None:
            way = _Named(channel, channel.conversions)
            named[channel.senml] = (*named.get(channel.senml, ()), way)
    pointed = tuple(
        _Pointed(
            channel,
            pointer.parse(channel.value),
            _parsed(channel.time),
            channel.time_form or TimeForm.RFC3339,
            channel.conversions[channel.unit],
            _parsed(channel.battery),
            _parsed(channel.radio),
        )
        for channel in listening
        if channel.value is not None
    )
    return _Listeners(
        listening,
        tuple(
            (channel, channel.conversions[channel.unit])
            for channel in listening
            if channel.senml is None and channel.value is None
        ),
        pointed,
        named,
        pointed[0] if len(listening) == 1 and pointed and _is_plain(pointed[0]) else None,
    )


def _is_plain(way: _Pointed) -> bool:
    return way.time is not None and way.battery is None and way.radio is None


def _of_one(way: _Pointed, topic: str, payload: bytes, received_ms: int) -> Arrival | None:
    """What most messages bring: one reading with its time. None when there is more to say."""
    try:
        tree = document(payload)
        value = kept_number(pointer.find(tree, way.value))
        moment_ms = time_ms(pointer.find(tree, way.time or ()), way.time_form)
    except PayloadError:
        return None
    kept = value if way.convert is None else way.convert(value)
    return Arrival(topic, received_ms, (Reading(way.channel.id, moment_ms, kept),))


def _parsed(text: str | None) -> pointer.Tokens | None:
    return None if text is None else pointer.parse(text)


class _Taken:
    """What is taken out of one message: readings and refusals as they come."""

    __slots__ = ("readings", "received_ms", "refusals", "retained", "sensors", "undated")

    def __init__(self, received_ms: int, retained: bool) -> None:
        self.received_ms = received_ms
        self.retained = retained
        self.readings: list[Reading] = []
        self.refusals: list[Refusal] = []
        self.sensors: list[SensorState] = []
        self.undated = False

    def take(self, listeners: _Listeners, payload: bytes) -> None:
        """Read the payload once for each form that somebody expects on the topic."""
        if listeners.bare:
            self._take_bare(listeners.bare, payload)
        if listeners.pointed:
            self._take_pointed(listeners.pointed, payload)
        if listeners.named:
            self._take_pack(listeners.named, payload)

    def refuse(self, channels: Iterable[Channel], reason: str) -> None:
        """One refusal for each of these channels."""
        self.refusals += [Refusal(reason, channel.id) for channel in channels]

    def _take_bare(
        self, bare: Sequence[tuple[Channel, units.Conversion | None]], payload: bytes
    ) -> None:
        try:
            if self.retained:
                raise PayloadError(_RETAINED)
            value = bare_number(payload)
        except PayloadError as fault:
            self.refuse((channel for channel, _ in bare), fault.what)
            return
        self.undated = True
        for channel, convert in bare:
            self._keep(channel, self.received_ms, value, convert)

    def _take_pointed(self, pointed: Sequence[_Pointed], payload: bytes) -> None:
        try:
            tree = document(payload)
        except PayloadError as fault:
            self.refuse((way.channel for way in pointed), fault.what)
            return
        for way in pointed:
            try:
                value = kept_number(pointer.find(tree, way.value))
                moment_ms = self._moment_ms(tree, way)
            except PayloadError as fault:
                self.refuse([way.channel], fault.what)
            else:
                self._keep(way.channel, moment_ms, value, way.convert)
                if way.battery is not None or way.radio is not None:
                    self._note_sensor(tree, way)

    def _note_sensor(self, tree: object, way: _Pointed) -> None:
        battery, radio = _number_at(tree, way.battery), _number_at(tree, way.radio)
        if battery is not None or radio is not None:
            self.sensors.append(SensorState(way.channel.id, battery, radio))

    def _moment_ms(self, tree: object, way: _Pointed) -> int:
        if way.time is not None:
            return time_ms(pointer.find(tree, way.time), way.time_form)
        if self.retained:
            raise PayloadError(_RETAINED)
        self.undated = True
        return self.received_ms

    def _take_pack(self, named: Mapping[str, tuple[_Named, ...]], payload: bytes) -> None:
        everyone = [way.channel for ways in named.values() for way in ways]
        try:
            records = senml.resolve(senml.pack_of(payload), self.received_ms / 1_000)
        except PayloadError as fault:
            self.refuse(everyone, fault.what)
            return
        wanted = False
        for record in records:
            for way in named.get(record.name, ()):
                wanted = True
                try:
                    self._take_record(way, record)
                except PayloadError as fault:
                    self.refuse([way.channel], fault.what)
        if records and not wanted:
            names = ", ".join(dict.fromkeys(record.name[:80] for record in records[:3]))
            self.refuse(everyone, f"no record of this name in the pack; it has {names}")

    def _take_record(self, way: _Named, record: senml.Record) -> None:
        channel = way.channel
        if record.relative and self.retained:
            raise PayloadError(_RETAINED)
        if record.value is None:
            raise PayloadError("the record carries no number (v)")
        unit = channel.unit if record.unit is None else record.unit
        if unit not in way.conversions:
            raise PayloadError(f"{unit[:40]!r} is no unit for {channel.role.value}")
        value = kept_number(record.value)
        self.undated = self.undated or record.relative
        self._keep(channel, unix_s_ms(record.time_s), value, way.conversions[unit])

    def _keep(
        self, channel: Channel, moment_ms: int, value: float, convert: units.Conversion | None
    ) -> None:
        kept = value if convert is None else convert(value)
        self.readings.append(Reading(channel.id, moment_ms, kept))


def _number_at(tree: object, place: pointer.Tokens | None) -> float | None:
    """A number beside the reading; None when it is not there, which refuses nothing."""
    if place is None:
        return None
    try:
        return kept_number(pointer.find(tree, place))
    except PayloadError:
        return None
