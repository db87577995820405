"""After a failure: what was unusual about one print, against the good prints like it? Pure.

Robust distance per condition: how far from the median of the good prints, in units of their
spread (1.4826 times the median absolute deviation, which is the standard deviation of a normal
quantity). Unusual is not guilty: the words say so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from api.causes import words
from api.causes.ranking import NO_UNITS, ConditionRow
from api.causes.rows import Floats, fingerprint_of, legible

#: Good prints with a reading that a condition needs before anything is called unusual.
NEEDS_PEERS = 5

#: Distance from which a condition is called unusual.
UNUSUAL_FROM = 3.0

#: Median absolute deviation to standard deviation, for a normal quantity.
MAD_TO_SD = 1.4826

METHOD = "distance from the median of the good prints like it, in robust standard deviations"
VERSION = "1"

NOT_GUILTY = "Unusual does not mean that it had to do with the failure."


@dataclass(frozen=True, slots=True)
class Oddity:
    """One condition of the print against its peers.

    ``distance`` counts robust standard deviations, negative below the median; None where all
    peers agree and this print does not. ``usual_lo`` to ``usual_hi`` hold the middle 80 % of
    the peers. ``coverage`` is the share of the window that was recorded, None where unknown.
    ``unit`` is that of all values, empty where it is not known.
    """

    name: str
    value: float
    median: float
    usual_lo: float
    usual_hi: float
    distance: float | None
    peers_n: int
    coverage: float | None
    unusual: bool
    unit: str = ""


@dataclass(frozen=True, slots=True)
class PrintOnItsOwn:
    """What was unusual about a print, the most unusual first.

    ``same_settings`` says whether the peers share resin and settings, or the resin alone;
    ``not_compared`` gives the reason for each condition that could not be.
    """

    sentences: tuple[str, ...]
    oddities: tuple[Oddity, ...]
    peers_n: int
    same_settings: bool
    not_compared: Mapping[str, str]
    method: str
    version: str
    fingerprint: str


def unusual(
    row: ConditionRow,
    others: Sequence[ConditionRow],
    coverage: Mapping[str, float] | None = None,
    *,
    units: Mapping[str, str] = NO_UNITS,
) -> PrintOnItsOwn:
    """Compare one print with the good ones of the same resin and settings among ``others``.

    With fewer than five of those, all good prints of the resin stand in. ``coverage`` is the
    recorded share of each condition of this print, 0 to 1; ``units`` are said in the sentences.
    """
    good = [o for o in others if o.id != row.id and o.failed_share == 0.0 and o.resin == row.resin]
    alike = [o for o in good if dict(o.settings) == dict(row.settings)]
    same_settings = len(alike) >= NEEDS_PEERS
    peers = alike if same_settings else good
    found: list[Oddity] = []
    not_compared: dict[str, str] = {}
    for name in sorted({name for o in (row, *peers) for name in o.conditions}):
        value = row.conditions.get(name, math.nan) + 0.0
        read = [v for o in peers if legible(v := o.conditions.get(name, math.nan))]
        seen = np.array(read, dtype=np.float64) + 0.0
        if not legible(value):
            not_compared[name] = "not read in this print"
        elif len(seen) < NEEDS_PEERS:
            not_compared[name] = f"read in only {words.counted(len(seen), 'good print')}"
        else:
            odd = _oddity(name, value, seen, (coverage or {}).get(name))
            found.append(replace(odd, unit=units.get(name, "")))
    found.sort(key=lambda o: (-abs(math.inf if o.distance is None else o.distance), o.name))
    said = _sentences(row, found, len(peers), same_settings, not_compared)
    return PrintOnItsOwn(
        sentences=tuple(said),
        oddities=tuple(found),
        peers_n=len(peers),
        same_settings=same_settings,
        not_compared=not_compared,
        method=METHOD,
        version=VERSION,
        fingerprint=fingerprint_of((), *sorted(map(_as_text, (row, *peers)))),
    )


def _as_text(row: ConditionRow) -> str:
    return repr((row.id, row.failed_share, row.resin, sorted(row.conditions.items())))


def _oddity(name: str, value: float, seen: Floats, coverage: float | None) -> Oddity:
    median = float(np.median(seen))
    spread = MAD_TO_SD * float(np.median(np.abs(seen - median)))
    if spread <= 0.0:
        # More than half agree to the digit: the plain spread is all there is to measure with.
        spread = float(seen.std())
    apart = value - median
    same = abs(apart) <= 1e-9 * max(abs(median), 1.0)
    distance = apart / spread if spread > 0.0 else (0.0 if same else None)
    lo, hi = np.quantile(seen, [0.1, 0.9]).tolist()
    odd = distance is None or abs(distance) >= UNUSUAL_FROM
    return Oddity(name, value, median, lo, hi, distance, len(seen), coverage, odd)


def _sentences(
    row: ConditionRow,
    found: Sequence[Oddity],
    peers_n: int,
    same_settings: bool,
    not_compared: Mapping[str, str],
) -> list[str]:
    alike = f"good prints of {row.resin}" + (" with the same settings" if same_settings else "")
    if not found:
        return [
            f"Nothing to compare with yet: {words.counted(peers_n, 'good print')} of {row.resin}."
            f" Needs {NEEDS_PEERS} with readings."
        ]
    odd = [o for o in found if o.unusual]
    said = [_sentence(o, alike) for o in odd]
    if odd:
        said.append(NOT_GUILTY)
    else:
        said.append(f"Nothing stands out against {peers_n} {alike}.")
    if not same_settings:
        said.append("Fewer than five good prints had the same settings, so the resin's all count.")
    return said + [f"{name}: {reason}." for name, reason in not_compared.items()]


def _sentence(oddity: Oddity, alike: str) -> str:
    side = "higher" if oddity.value > oddity.median else "lower"
    recorded = (
        "" if oddity.coverage is None else f"; {words.per_cent(oddity.coverage)} of it was recorded"
    )
    value, low, high = _told_apart(oddity.value, oddity.usual_lo, oddity.usual_hi)
    unit = f" {oddity.unit}" if oddity.unit else ""
    return (
        f"{oddity.name} was {value}{unit}, {side} than usual: {low} to {high}{unit}"
        f" in most of {oddity.peers_n} {alike}{recorded}."
    )


def _told_apart(value: float, *others: float) -> list[str]:
    """Numbers in three digits, or in as many more as it takes to tell the first from the others."""
    for digits in range(3, 8):
        said = [words.plain(number, digits) for number in (value, *others)]
        if said[0] not in said[1:]:
            break
    return said
