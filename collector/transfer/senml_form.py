"""Readings as one SenML pack in JSON (RFC 8428), a record a line. Pure.

A record has the channel as its name, the time in Unix seconds, unit and value. What SenML has no
word for stands under labels of our own, ``marks`` and ``nth``, which other readers ignore
(section 4.4). A pack of any length is read record by record.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping

from collector.errors import InvalidError, PayloadError
from collector.json_document import document
from collector.reading_time import unix_s_ms, within
from collector.senml import ABSOLUTE_FROM_S, Resolver
from collector.transfer.rows import Fault, Found, Row

#: What the SenML units registries call our units (RFC 8428 section 12.1, RFC 8798 for mV).
UNITS: Mapping[str, str] = {"°C": "Cel", "%RH": "%RH", "W": "W", "Ω": "Ohm", "mV": "mV"}

#: A record longer than this is none of a sensor's [characters].
LONGEST_RECORD = 1_000_000

_SPACE = " \t\r\n"


def written(rows: Iterable[Row]) -> Iterator[str]:
    """The pack; raises ``InvalidError`` for a time that SenML would take for a relative one."""
    between = "[\n"
    for row in rows:
        if row.time_ms < ABSOLUTE_FROM_S * 1_000:
            raise InvalidError(
                f"{row.channel} has a reading before July 1978, which SenML cannot say.",
                where="SenML",
                remedy="Use another form, or --from a later time.",
            )
        unit = f'"u":{json.dumps(UNITS.get(row.unit, row.unit))},' if row.unit else ""
        marks = f',"marks":{row.marks}' if row.marks else ""
        nth = f',"nth":{row.nth}' if row.nth else ""
        seconds, ms = divmod(row.time_ms, 1_000)
        fraction = f".{ms:03d}" if ms else ""
        yield (
            f'{between}{{"n":{json.dumps(row.channel)},"t":{seconds}{fraction},{unit}'
            f'"v":{row.value!r}{marks}{nth}}}'
        )
        between = ",\n"
    yield "[]\n" if between == "[\n" else "\n]\n"


def read(pieces: Iterable[str]) -> Iterator[tuple[int, Found]]:
    """Record number and row of each record that has a value; pieces of the text of any size.

    A record that breaks the RFC ends it, for such a pack is refused whole.
    """
    resolver = Resolver(0.0)
    for number, found in _records(pieces):
        if isinstance(found, Fault):
            yield number, found
            return
        text, fields = found
        try:
            record = resolver.take(fields)
        except PayloadError as fault:
            yield number, Fault(fault.what, "Correct the pack.", text, fatal=True)
            return
        if record is None:
            continue
        try:
            if record.relative:
                raise PayloadError("its time is relative to now, and a file has no now")
            if record.value is None:
                raise PayloadError("it carries no number (v)")
            yield (
                number,
                Row(
                    record.name,
                    _ms(record.time_s),
                    float(record.value),
                    _whole(fields, "marks", 255),
                    _whole(fields, "nth", 10**9),
                    record.unit,
                ),
            )
        except PayloadError as fault:
            yield number, Fault(fault.what, "Correct the record.", text)


def _ms(time_s: float) -> int:
    """Whole milliseconds; far ahead a float64 of seconds is coarser than a microsecond."""
    nearest_ms = round(time_s * 1_000)
    return within(nearest_ms) if nearest_ms / 1_000 == time_s else unix_s_ms(time_s)


def _whole(fields: Mapping[str, object], label: str, most: int) -> int:
    found = fields.get(label, 0)
    if type(found) is not int or not 0 <= found <= most:
        raise PayloadError(f"{label} is no whole number of 0 to {most}")
    return found


def _records(
    pieces: Iterable[str],
) -> Iterator[tuple[int, tuple[str, Mapping[str, object]] | Fault]]:
    """The objects of an array, one by one, without holding the array."""
    text = _Text(pieces)
    number = 0
    if text.next() != "[":
        yield 1, _broken("it does not begin with [", text.rest())
        return
    text.at += 1
    while True:
        sign = text.next()
        if sign == "]" and not number:
            break
        number += 1
        if sign != "{":
            yield number, _broken("a record in { } belongs here", text.rest())
            return
        found = text.value()
        if isinstance(found, Fault):
            yield number, found
            return
        yield number, found
        sign = text.next()
        if sign == "]":
            break
        if sign != ",":
            yield number + 1, _broken("a comma or the end of the pack belongs here", text.rest())
            return
        text.at += 1
    text.at += 1
    if text.next():
        yield number + 1, _broken("something follows the end of the pack", text.rest())


def _broken(what: str, raw: str) -> Fault:
    return Fault(f"it is no SenML pack: {what}", "Correct the file from there on.", raw, fatal=True)


class _Text:
    """A text that comes in pieces, of which only what is being looked at is held."""

    def __init__(self, pieces: Iterable[str]) -> None:
        self._pieces = iter(pieces)
        self._held = ""
        self.at = 0
        self._decoder = json.JSONDecoder()

    def next(self) -> str:
        """The next character that is no space, left where it is; empty at the end."""
        while True:
            held, at = self._held, self.at
            while at < len(held) and held[at] in _SPACE:
                at += 1
            self.at = at
            if at < len(held):
                return held[at]
            if not self._more():
                return ""

    def rest(self) -> str:
        """What follows, for a message."""
        return self._held[self.at : self.at + 80]

    def value(self) -> tuple[str, Mapping[str, object]] | Fault:
        """The object that begins here, as text and read; the place is behind it then."""
        text = self._held[self.at : self._held.find("}", self.at) + 1]
        try:  # usually there is nothing nested in it, and no such sign in a name
            fields = document(text.encode("utf-8", "surrogatepass"))
        except PayloadError:
            found = self._any_value()
            if isinstance(found, Fault):
                return found
            text = found
            try:
                fields = document(text.encode("utf-8", "surrogatepass"))
            except PayloadError as fault:
                return _broken(fault.what, text)
        self.at += len(text)
        assert isinstance(fields, dict)
        return text, fields

    def _any_value(self) -> str | Fault:
        """The text of the object that begins here, whatever is in it."""
        while True:
            try:
                _, end = self._decoder.raw_decode(self._held, self.at)
            except (json.JSONDecodeError, RecursionError) as error:
                if len(self._held) - self.at <= LONGEST_RECORD and self._more():
                    continue
                return _broken(str(error), self.rest())
            return self._held[self.at : end]

    def _more(self) -> bool:
        """Hold one more piece, and let go of what was read; False at the end."""
        piece = next(self._pieces, None)
        if piece is None:
            return False
        self._held = self._held[self.at :] + piece
        self.at = 0
        return True
