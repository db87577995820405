"""An hour of readings in few bytes, and back again to the last bit. Pure.

A packed hour is one byte of version and then, under zlib, a heading and three streams:

- *times*: whole milliseconds from the start of the hour, as differences;
- *values*: as differences of whole numbers when value = number / 10^k or number / 2^k holds for
  all of them to the last bit (sensors send decimals or binary fractions), else as differences
  of their 64 bits, so that every value there is comes back as it was;
- *marks*: left out when there are none.

What differences differ by from a common one is kept in the fewest bytes that hold the largest
(in none when all are equal, as with a steady sensor's times), and those bytes are laid down by
rank (all lowest bytes, then all second ones), where zlib finds more to save.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from collector.errors import StoreError

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Marks = npt.NDArray[np.uint8]

_VERSION = 1

#: Hours that are kept unpacked: some 6 kB each with a reading every 10 s, 60 kB with one a second.
HOURS_KEPT = 96

#: Divisors that are tried, in this order; the number in the heading is the place in this list.
_DIVISORS: tuple[float, ...] = (
    *(float(10**k) for k in range(7)),
    *(float(2**k) for k in (4, 8, 12, 16, 20, 24)),
)
_AS_BITS = 255

#: Whole numbers up to here are told apart by a double, and so are their quotients.
_WHOLE_MOST = 2.0**53

#: readings, place of the divisor, whether marks follow.
_HEADING = struct.Struct("<IBB")
#: bytes a difference, the first number, and the common difference.
_STREAM = struct.Struct("<Bqq")


@dataclass(frozen=True, slots=True)
class Hour:
    """Readings of one channel within one hour, as arrays of equal length in time order.

    ``times_ms`` int64 from the start of the hour on, ``values`` float64, ``marks`` uint8.
    """

    times_ms: Times
    values: Values
    marks: Marks

    def __len__(self) -> int:
        return len(self.times_ms)


def pack(hour: Hour) -> bytes:
    """An hour of at least one reading as bytes."""
    place, numbers = _whole_numbers(hour.values)
    marked = bool(hour.marks.any())
    body = b"".join(
        (
            _HEADING.pack(len(hour), place, marked),
            _packed(hour.times_ms),
            _packed(numbers),
            hour.marks.tobytes() if marked else b"",
        )
    )
    return bytes((_VERSION,)) + zlib.compress(body, 6)


@lru_cache(maxsize=HOURS_KEPT)
def unpack(packed: bytes) -> Hour:
    """The hour that :func:`pack` was given. Raises ``StoreError`` for damaged bytes.

    Its arrays cannot be written to: the last hours are kept, known by their bytes, as the prints
    of one night on two machines ask for the same hours of the room.
    """
    try:
        return _unpacked(packed)
    except (zlib.error, struct.error, ValueError, IndexError) as error:
        raise StoreError(
            f"A packed hour is damaged ({error}).",
            where="store",
            remedy="Stop vatside, keep a copy of the file, and put a backup in its place.",
        ) from error


def _unpacked(packed: bytes) -> Hour:
    if packed[:1] != bytes((_VERSION,)):
        raise ValueError("it is of no known version")
    body = memoryview(zlib.decompress(packed[1:]))
    n, place, marked = _HEADING.unpack_from(body)
    times_ms, at = _stream(body, _HEADING.size, n)
    numbers, at = _stream(body, at, n)
    values = numbers.view(np.float64) if place == _AS_BITS else numbers / _DIVISORS[place]
    marks = np.zeros(n, dtype=np.uint8)
    if marked:
        marks = np.frombuffer(body, np.uint8, n, at).copy()
    for column in (times_ms, values, marks):
        column.flags.writeable = False
    return Hour(times_ms, values, marks)


def _whole_numbers(values: Values) -> tuple[int, Times]:
    """The values as whole numbers over a common divisor, or their bits; the divisor's place."""
    bits = values.view(np.int64)
    for place, numbers in _candidates(values):
        if (np.abs(numbers) <= _WHOLE_MOST).all():
            whole = numbers.astype(np.int64)
            if np.array_equal((whole / _DIVISORS[place]).view(np.int64), bits):
                return place, whole
    return _AS_BITS, bits


def _candidates(values: Values) -> Iterator[tuple[int, Values]]:
    """Each divisor that does for the first few values, with all values times it, rounded."""
    few = values[:8]
    for place, divisor in enumerate(_DIVISORS):
        if (_rounded(few, divisor) / divisor == few).all():
            yield place, _rounded(values, divisor)


def _rounded(values: Values, divisor: float) -> Values:
    """Whole numbers nearest to the values times a divisor, or infinite, or not a number."""
    with np.errstate(over="ignore", invalid="ignore"):
        return np.rint(values * divisor)


def _packed(numbers: Times) -> bytes:
    """First number and differences, in the fewest bytes that hold the largest, by rank.

    Differences may wrap around; adding them up again wraps back.
    """
    steps = np.diff(numbers)
    width = common = 0
    if len(steps):
        low, high = int(steps.min()), int(steps.max())
        common = (low + high) // 2
        if high > low:
            width = next(w for w in (1, 2, 4, 8) if high - common < 1 << 8 * w - 1)
            if width == 8:
                common = 0
    heading = _STREAM.pack(width, int(numbers[0]), common)
    if width == 0:
        return heading
    ranks = (steps - common).astype(f"<i{width}").view(np.uint8).reshape(-1, width)
    return heading + ranks.T.tobytes()


def _stream(body: memoryview, at: int, n: int) -> tuple[Times, int]:
    """The ``n`` numbers that begin at a place in the body, and the place after them."""
    width, first, common = _STREAM.unpack_from(body, at)
    at += _STREAM.size
    if width == 0:
        return first + common * np.arange(n, dtype=np.int64), at
    size = width * (n - 1)
    ranks = np.frombuffer(body, np.uint8, size, at).reshape(width, n - 1)
    numbers = np.empty(n, dtype=np.int64)
    numbers[0] = first
    numbers[1:] = np.ascontiguousarray(ranks.T).view(f"<i{width}").ravel()
    numbers[1:] += common
    np.cumsum(numbers, out=numbers)
    return numbers, at + size
