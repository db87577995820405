"""The time that a message gives its reading, as whole milliseconds since 1970 UTC. Pure.

RFC 3339 with its offset, or Unix seconds or milliseconds as a JSON number. Whatever is finer
than a millisecond is cut off, after float64 noise below a microsecond has been rounded away.
"""

from __future__ import annotations

import re
from datetime import datetime

from collector.channels import TimeForm
from collector.errors import PayloadError

#: 10000-01-01T00:00:00Z, the first moment that a date can no longer name [ms].
END_MS = 253_402_300_800_000

#: RFC 3339 section 5.6; T and Z in either case, or a space for the T.
_RFC3339 = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:)(\d\d)(?:\.(\d+))?([Zz]|[+-]\d\d:\d\d)", re.ASCII
)

#: A date and time that names no moment, for it has no offset.
WITHOUT_OFFSET = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d+)?)?", re.ASCII)
_RFC3339_FORM, _UNIX_S_FORM = TimeForm.RFC3339, TimeForm.UNIX_S  # found faster than in the enum


def time_ms(found: object, form: TimeForm) -> int:
    """Whole milliseconds since 1970 UTC of a time as it stands in a message.

    Raises ``PayloadError`` when it is not of that form or not within 1970 to 9999.
    """
    if form is _RFC3339_FORM:
        if type(found) is not str:
            raise PayloadError(f"the time is {kind_of(found)}, where an RFC 3339 text belongs")
        return within(rfc3339_ms(found))
    if type(found) is not int and type(found) is not float:
        raise PayloadError(f"the time is {kind_of(found)}, where a number belongs")
    if form is _UNIX_S_FORM:
        if 1e11 <= found < END_MS:
            raise PayloadError(f"the time {found} is too large for seconds; are these unix_ms?")
        return unix_s_ms(found)
    return within(found // 1)


def unix_s_ms(seconds: float) -> int:
    """Whole milliseconds of Unix seconds; raises ``PayloadError`` outside 1970 to 9999."""
    if type(seconds) is int:
        return within(seconds * 1_000)
    if not -1e12 < seconds < 1e12:
        raise PayloadError(f"the time {seconds} s is not within 1970 to 9999")
    return within(round(seconds * 1_000_000) // 1_000)


def rfc3339_ms(text: str) -> int:
    """Whole milliseconds of an RFC 3339 date-time; raises ``PayloadError`` if it is none.

    A leap second (``:60``) counts as the second after ``:59``, as Unix time has it.
    """
    parts = _RFC3339.fullmatch(text)
    if parts is None:
        if WITHOUT_OFFSET.fullmatch(text):
            raise PayloadError(f"the time {text!r} has no offset; add Z or +01:00")
        raise PayloadError(f"the time {text[:40]!r} is not RFC 3339")
    date, hours, seconds, fraction, offset = parts.groups()
    leap = seconds == "60"
    written = f"{date}T{hours}{'59' if leap else seconds}{'+00:00' if offset in 'Zz' else offset}"
    try:
        whole_s = int(datetime.fromisoformat(written).timestamp())  # exact: there is no fraction
    except ValueError as fault:
        raise PayloadError(f"the time {text[:40]!r} does not exist: {fault}") from None
    fraction_ms = int(f"{fraction}00"[:3]) if fraction else 0
    return whole_s * 1_000 + fraction_ms + (1_000 if leap else 0)


def within(ms: float) -> int:
    """The same time as an integer; raises ``PayloadError`` outside 1970 to 9999."""
    if not 0 <= ms < END_MS:
        raise PayloadError(f"the time {ms} ms since 1970 is not within 1970 to 9999")
    return int(ms)


def kind_of(found: object) -> str:
    """What a decoded JSON value is, in words for a reason."""
    return _KINDS.get(type(found), "of another kind")


_KINDS = {
    bool: "true or false",
    type(None): "null",
    str: "a text",
    list: "an array",
    dict: "an object",
    int: "a number",
    float: "a number",
    bytes: "a byte string",
}
