"""SenML, Sensor Measurement Lists (RFC 8428), in JSON and in CBOR. Pure.

A *pack* is an array of records. Base fields (``bn bt bu bv bs bver``) hold from their record
on until the same field comes again. To *resolve* a record is to apply them:

- name = bn + n; it has to be of ``A-Z a-z 0-9 - : . / _`` and start with a letter or digit;
- time = bt + t, each 0 when missing. A sum below 2^28 s is relative to now, one from there on
  (1978-07-04T21:24:16Z) is Unix time; the sum decides, not its parts;
- value = bv + v and sum = bs + s, a missing one of the two being 0; u overrides bu;
- exactly one of v, vs, vb, vd, unless there is a sum (or a base value, which is a value);
- a record of base fields alone brings no measurement.

Resolved records are in order of time. A pack is refused whole when anything in it breaks the
RFC: a version above 10 or one that changes within the pack, a label ending in ``_`` that we
do not know, a name, type or value that may not be. Other unknown labels are ignored.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from math import isfinite
from typing import NamedTuple, TypeAlias

import cbor2

from collector.channels import SENML_NAME
from collector.errors import PayloadError
from collector.json_document import DEEPEST, document
from collector.reading_time import kind_of

Pack: TypeAlias = list[Mapping[str, object]]

#: Times below it are relative to now [s] (section 4.5.3).
ABSOLUTE_FROM_S = 2**28

#: The version that RFC 8428 defines; a pack without one has it.
VERSION = 10

#: CBOR's integers for the labels of JSON (section 6, table 4).
CBOR_LABELS: Mapping[int, str] = {
    -6: "bs",
    -5: "bv",
    -4: "bu",
    -3: "bt",
    -2: "bn",
    -1: "bver",
    0: "n",
    1: "u",
    2: "v",
    3: "vs",
    4: "vb",
    5: "s",
    6: "t",
    7: "ut",
    8: "vd",
}

_LABELS = frozenset(CBOR_LABELS.values())
_REGULAR = frozenset(label for label in _LABELS if not label.startswith("b"))
_PLAIN = frozenset({"n", "u", "v", "t"})
_LEAST_INT, _LONGEST_INT = -(2**63), 2**64  # beyond them JSON gives the nearest float64
_LONGEST_NUMBER_BYTES = 128  # the largest float64 is just below 2^1024
_BASE64URL = re.compile(r"[A-Za-z0-9_-]*")
_END = "end of the pack"


class Record(NamedTuple):
    """A resolved record: ``name``, Unix ``time_s`` and one value.

    ``value`` (v), ``text`` (vs), ``flag`` (vb) and ``octets`` (vd) are None when not sent;
    all four are when there is only a ``sum`` [unit·s]. ``relative`` tells that the time was
    given relative to now. ``update_s`` is the longest time to the next reading.
    """

    name: str
    time_s: float
    relative: bool
    unit: str | None = None
    value: float | None = None
    text: str | None = None
    flag: bool | None = None
    octets: bytes | None = None
    sum: float | None = None
    update_s: float | None = None
    version: int = VERSION


def pack_of(payload: bytes) -> Pack:
    """The records of a message, JSON or CBOR, under the labels of JSON.

    The first byte tells which: an array begins with 0x80 to 0x9f in CBOR and never in JSON. An
    array of indefinite length, meant for streams, is taken as well.
    Raises ``PayloadError`` when it is neither, or no array of records.
    """
    if payload and 0x80 <= payload[0] <= 0x9F:
        return _cbor_pack(payload)
    pack = document(payload)
    if type(pack) is not list:
        raise PayloadError(f"no SenML pack but {kind_of(pack)}; a pack is an array of records")
    for number, record in enumerate(pack, start=1):
        if type(record) is not dict:
            raise PayloadError(f"record {number} is {kind_of(record)}, not an object")
    return pack


def _cbor_pack(payload: bytes) -> Pack:
    # cbor2 takes no notice of what follows the first item, so the payload is made the first
    # of two and the second has to come out as it was put in.
    framed = b"\x82" + payload + cbor2.dumps(_END)
    try:
        pack, end = cbor2.loads(
            framed,
            max_depth=DEEPEST + 1,
            allow_duplicate_keys=False,
            semantic_decoders=_TAGGED,
        )
    except (cbor2.CBORDecodeError, ValueError, TypeError, OverflowError) as fault:
        why = fault.__cause__ if isinstance(fault.__cause__, ValueError) else fault
        raise PayloadError(f"no valid CBOR: {str(why)[:120]}") from None
    if end != _END:
        raise PayloadError("no valid CBOR: bytes follow the end of the pack")
    if type(pack) is not list:
        raise PayloadError("no SenML pack; a pack is an array of records")
    return [_labelled(record, number) for number, record in enumerate(pack, start=1)]


def _whole(octets: object, _: bool) -> int:
    """An integer of any length (tag 2), refused before arithmetic on it takes long."""
    if type(octets) is not bytes:
        raise ValueError("a long integer is no byte string")
    if len(octets) > _LONGEST_NUMBER_BYTES:
        raise ValueError(f"a number of {len(octets):,} bytes is larger than any float64")
    return int.from_bytes(octets, "big")


def _below_zero(octets: object, immutable: bool) -> int:
    return -1 - _whole(octets, immutable)


class _Tagged:
    """Stands for a tagged value that no field of SenML can be; other labels may hold it."""


def _useless(_: object, __: bool) -> _Tagged:
    return _Tagged()


#: Tags that are read in our way: long integers (RFC 8949 section 3.4.3; decimal fractions and
#: bigfloats hold them too), and those of which cbor2 would make dates, patterns, addresses,
#: which costs time and is of no use.
_TAGGED: Mapping[int, Callable[[object, bool], object]] = {
    2: _whole,
    3: _below_zero,
    **dict.fromkeys(
        (0, 1, 25, 28, 29, 30, 35, 36, 37, 100, 256, 258, 260, 261, 1004, 43000), _useless
    ),
}


def _labelled(record: object, number: int) -> dict[str, object]:
    if type(record) is not dict:
        raise PayloadError(f"record {number} is {kind_of(record)}, not a map")
    labelled: dict[str, object] = {}
    for key, found in record.items():
        label = CBOR_LABELS.get(key) if type(key) is int else key
        if type(label) is not str:
            raise PayloadError(f"record {number} has a label that RFC 8428 does not know")
        if label in labelled:
            raise PayloadError(f"record {number} gives {label} twice: which one is meant?")
        labelled[label] = found
    return labelled


def resolve(pack: Pack, now_s: float) -> list[Record]:
    """The resolved records of a pack that came at ``now_s`` (Unix), in order of time.

    Raises ``PayloadError`` naming the first record that breaks RFC 8428.
    """
    resolver = Resolver(now_s)
    records = [record for fields in pack if (record := resolver.take(fields)) is not None]
    records.sort(key=_time_of)
    return records


class Resolver:
    """Resolves the records of one pack one by one, in the order in which they stand there.

    For packs that are too long to be held at once (RFC 8428 section 4.8).
    """

    def __init__(self, now_s: float) -> None:
        self._now_s = now_s
        self._base = _Base()
        self._number = 0

    def take(self, fields: Mapping[str, object]) -> Record | None:
        """The next record, resolved; None for one of base fields alone.

        Raises ``PayloadError`` naming its number when it breaks RFC 8428.
        """
        self._number += 1
        try:
            if not fields.keys() <= _PLAIN:
                self._base.take(fields, first=self._number == 1)
            if _REGULAR.isdisjoint(fields):
                return None
            return _resolved(fields, self._base, self._now_s)
        except PayloadError as fault:
            raise PayloadError(f"record {self._number}: {fault.what}") from None


class _Base:
    """The base fields in force."""

    __slots__ = ("_checked", "name", "sum", "time_s", "unit", "value", "version")

    def __init__(self) -> None:
        self._checked: dict[str, str] = {}
        self.name = ""
        self.time_s: float = 0
        self.unit: str | None = None
        self.value: float | None = None
        self.sum: float | None = None
        self.version = VERSION

    def take(self, fields: Mapping[str, object], *, first: bool) -> None:
        """Take over what a record brings, after its labels are known to be understood."""
        if not fields.keys() <= _LABELS:
            _check_unknown(fields)
        if "bver" in fields:
            self._take_version(fields["bver"], first=first)
        if "bn" in fields:
            self.name = _text(fields, "bn") or ""
            self._checked = {}
        if "bt" in fields:
            self.time_s = _number(fields, "bt") or 0
        if "bu" in fields:
            self.unit = _text(fields, "bu")
        if "bv" in fields:
            self.value = _number(fields, "bv")
        if "bs" in fields:
            self.sum = _number(fields, "bs")

    def named(self, own: str) -> str:
        """The whole name of a record called ``own``, checked once for each."""
        known = self._checked.get(own)
        if known is not None:
            return known
        name = self.name + own
        if not SENML_NAME.fullmatch(name):
            raise PayloadError(f"{name[:80]!r} may not be a name" if name else "it has no name")
        self._checked[own] = name
        return name

    def _take_version(self, found: object, *, first: bool) -> None:
        if type(found) is not int or found < 1:
            raise PayloadError("bver is not a positive whole number")
        if found > VERSION:
            raise PayloadError(f"its version is newer than {VERSION}, the one we understand")
        if not first and found != self.version:
            raise PayloadError(f"version {found} in a pack of version {self.version}")
        self.version = found


def _check_unknown(fields: Mapping[str, object]) -> None:
    for label in fields:
        if label not in _LABELS and label.endswith("_"):
            raise PayloadError(f"{label[:40]} has to be understood and is not")


def _resolved(fields: Mapping[str, object], base: _Base, now_s: float) -> Record:
    name = base.named(_text(fields, "n") or "")
    time_s = base.time_s + (_number(fields, "t") or 0)
    relative = time_s < ABSOLUTE_FROM_S
    if relative:
        time_s += now_s
    unit = _text(fields, "u")
    if unit is None:
        unit = base.unit
    if base.sum is None and "v" in fields and fields.keys() <= _PLAIN:  # nearly all of them
        value = _added(base.value, _number(fields, "v"))
        return Record(name, time_s, relative, unit, value, version=base.version)
    given = [label for label in ("v", "vs", "vb", "vd") if label in fields]
    if len(given) > 1:
        raise PayloadError(f"{' and '.join(given)} are both given")
    total = _added(base.sum, _number(fields, "s"))
    value = None
    if not given or given == ["v"]:
        value = _added(base.value, _number(fields, "v"))
        if value is None and total is None:
            raise PayloadError("it has no value")
    return Record(
        name,
        time_s,
        relative,
        unit,
        value,
        _text(fields, "vs"),
        _flag(fields),
        _octets(fields),
        total,
        _number(fields, "ut"),
        base.version,
    )


def _added(base: float | None, own: float | None) -> float | None:
    """base + own in decimal, so that 0.1 + 0.2 is 0.3; None when there is neither."""
    if not base:
        return base if own is None else own
    if not own:
        return base
    return float(Decimal(repr(base)) + Decimal(repr(own)))


def _number(fields: Mapping[str, object], label: str) -> float | None:
    found = fields.get(label)
    if type(found) is float:
        if isfinite(found):
            return found
        raise PayloadError(f"{label} is {found}, which is no number")
    if (type(found) is int and _LEAST_INT <= found < _LONGEST_INT) or (
        found is None and label not in fields
    ):
        return found
    if type(found) is int or type(found) is Decimal:
        return _number({label: _nearest(found, label)}, label)
    raise PayloadError(f"{label} is {kind_of(found)} where a number belongs")


def _nearest(found: int | Decimal, label: str) -> float:
    """The float64 of CBOR's long integers and decimal fractions."""
    try:
        return float(found)
    except OverflowError:
        raise PayloadError(f"{label} is larger than any float64") from None


def _text(fields: Mapping[str, object], label: str) -> str | None:
    found = fields.get(label)
    if type(found) is str or (found is None and label not in fields):
        return found
    raise PayloadError(f"{label} is {kind_of(found)} where a text belongs")


def _flag(fields: Mapping[str, object]) -> bool | None:
    found = fields.get("vb")
    if type(found) is bool or (found is None and "vb" not in fields):
        return found
    raise PayloadError(f"vb is {kind_of(found)} where true or false belongs")


def _octets(fields: Mapping[str, object]) -> bytes | None:
    """The bytes of vd: base64url without padding in JSON, a byte string in CBOR."""
    found = fields.get("vd")
    if type(found) is bytes or (found is None and "vd" not in fields):
        return found
    if type(found) is not str or not _BASE64URL.fullmatch(found) or len(found) % 4 == 1:
        raise PayloadError("vd is not base64url without padding")
    return base64.urlsafe_b64decode(found + "=" * (-len(found) % 4))


def _time_of(record: Record) -> float:
    return record.time_s
