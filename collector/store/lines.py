"""InfluxDB line protocol, written. Pure.

One point is one line: ``measurement,tag=value field=value time``. What the protocol cannot
say (an empty tag, a line end in a name, a value that is no number) is refused here with a
reason instead of being left out or altered on the way, so that every reading is accounted for.

Source: the line protocol reference of InfluxDB 2; numbers are written as in the public
line-protocol-corpus: the shortest decimal that gives the same float64 back, with an exponent
from 1e+06 up and below 1e-04.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from decimal import Decimal

from collector.errors import InvalidError

Field = bool | int | float | str

_IN_MEASUREMENT = str.maketrans({",": r"\,", " ": r"\ "})
_IN_KEY = str.maketrans({",": r"\,", " ": r"\ ", "=": r"\="})
_IN_TEXT = str.maketrans({'"': r"\"", "\\": r"\\"})

_INT_MOST = 2**63 - 1


def line(
    measurement: str, tags: Mapping[str, str], fields: Mapping[str, Field], time: int | None
) -> str:
    """One point as a line; ``time`` in the precision that the write asks for.

    Tags go in order of their keys, fields as given. Raises ``InvalidError`` for what the
    protocol cannot say.
    """
    if not fields:
        raise _unsayable("a point without fields", "fields")
    written = ",".join(f"{_key(key)}={_value(value)}" for key, value in fields.items())
    return f"{series(measurement, tags)} {written}" + ("" if time is None else f" {time}")


def series(measurement: str, tags: Mapping[str, str]) -> str:
    """Measurement and tags, as a line begins; raises ``InvalidError``."""
    if measurement.startswith("#"):
        raise _unsayable("a measurement that begins with #", "measurement")
    parts = [_name(measurement, "measurement").translate(_IN_MEASUREMENT)]
    parts += [f"{_key(key)}={_key(value)}" for key, value in sorted(tags.items())]
    return ",".join(parts)


def float_text(value: float) -> str:
    """A finite float64 in the fewest digits that give it back; raises ``InvalidError``."""
    if not math.isfinite(value):
        raise _unsayable(f"the value {value}", "fields")
    text = repr(value)
    if value == 0 or 1e-4 <= abs(value) < 1e6:
        return text.removesuffix(".0")
    sign, digits, exponent = Decimal(text).as_tuple()
    assert isinstance(exponent, int)
    whole = "".join(map(str, digits)).rstrip("0")
    power = exponent + len(digits) - 1
    fraction = f".{whole[1:]}" if len(whole) > 1 else ""
    return f"{'-' if sign else ''}{whole[0]}{fraction}e{power:+03d}"


def _value(value: Field) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        if not -_INT_MOST - 1 <= value <= _INT_MOST:
            raise _unsayable(f"the whole number {value}", "fields")
        return f"{value}i"
    if isinstance(value, float):
        return float_text(value)
    return f'"{value.translate(_IN_TEXT)}"'


def _key(text: str) -> str:
    return _name(text, "name of a tag or field, or value of a tag").translate(_IN_KEY)


def _name(text: str, what: str) -> str:
    if not text:
        raise _unsayable("an empty text", what)
    if "\n" in text:
        raise _unsayable(f"the line end in {text!r}", what)
    if text.endswith("\\"):
        raise _unsayable(f"the backslash at the end of {text!r}", what)
    return text


def _unsayable(what: str, where: str) -> InvalidError:
    return InvalidError(
        f"Line protocol cannot say {what}.", where=where, remedy="Write it in another way."
    )
