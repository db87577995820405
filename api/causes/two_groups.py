"""Two resins or two settings compared, alone and within strata, reversals pointed out. Pure.

A print counts as failed here when at least half of its parts failed: these are exact tables of
whole prints.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from api.causes import words
from api.causes.proportions import Share, newcombe
from api.causes.rows import PrintRow, log_of
from api.causes.tables import Fisher, Strata, Table, fisher, mantel_haenszel

#: Share of failed parts from which a print counts as failed.
FAILED_FROM = 0.5


@dataclass(frozen=True, slots=True)
class TwoGroups:
    """Group ``first`` against group ``second``.

    ``table`` holds (failed, good) of either; ``difference`` is the share failed first less
    second. ``strata`` compares within each stratum and is None where no stratum holds both;
    None throughout where a group has no print.
    """

    first: str
    second: str
    table: Table
    fisher: Fisher | None
    difference: Share | None
    strata: Strata | None
    sentences: tuple[str, ...]


def two_resins(
    rows: Sequence[PrintRow], first: str, second: str, *, width_c: float = 2.0
) -> TwoGroups:
    """Compare two resins; strata are bands of vat temperature ``width_c`` wide [°C]."""

    def band(row: PrintRow) -> str:
        return str(math.floor(row.temperature_c / width_c + 1e-9))

    log = log_of(rows)
    groups = [[r for r in log.rows if r.resin == name] for name in (first, second)]
    return _compared(groups, (first, second), band, "bands of vat temperature")


def two_settings(rows: Sequence[PrintRow], setting: str, above: float) -> TwoGroups:
    """Compare prints with a setting up to ``above`` with those above it; strata are the resins."""
    log = log_of(rows)
    logged = [r for r in log.rows if setting in r.settings]
    groups = [
        [r for r in logged if r.settings[setting] <= above],
        [r for r in logged if r.settings[setting] > above],
    ]
    edge = words.plain(above, 12)
    names = (f"{setting} up to {edge}", f"{setting} above {edge}")
    return _compared(groups, names, lambda row: row.resin, "resins")


def _compared(
    groups: Sequence[Sequence[PrintRow]],
    names: tuple[str, str],
    stratum: Callable[[PrintRow], str],
    kind: str,
) -> TwoGroups:
    table = _table(groups)
    if not all(map(sum, table)):
        lacking = f"{words.counted(sum(table[0]), 'print')} of {names[0]} and"
        lacking += f" {sum(table[1])} of {names[1]}."
        return TwoGroups(*names, table, None, None, None, (f"Not enough yet: {lacking}",))
    keys = sorted({stratum(row) for group in groups for row in group})
    within = [
        _table([[row for row in group if stratum(row) == key] for group in groups]) for key in keys
    ]
    shared = [t for t in within if all(map(sum, t))]
    strata = mantel_haenszel(shared) if shared else None
    (a, b), (c, d) = table
    exact, difference = fisher(table), newcombe(a, a + b, c, c + d)
    said = _sentences(names, table, exact, difference, strata, kind)
    return TwoGroups(*names, table, exact, difference, strata, said)


def _table(groups: Sequence[Sequence[PrintRow]]) -> Table:
    failed = [sum(row.failed_share >= FAILED_FROM for row in group) for group in groups]
    first, second = (
        (count, len(group) - count) for count, group in zip(failed, groups, strict=True)
    )
    return (first, second)


def _sentences(
    names: tuple[str, str],
    table: Table,
    exact: Fisher,
    difference: Share,
    strata: Strata | None,
    kind: str,
) -> tuple[str, ...]:
    counts = [
        f"{name}: {row[0]} of {words.counted(sum(row), 'print')} failed"
        for name, row in zip(names, table, strict=True)
    ]
    said = ["; ".join(counts) + ".", _apart(names, difference)]
    if exact.p > 0.05:
        said.append("That is not clear enough to tell from chance.")
    else:
        worse = names[0] if difference.share > 0.0 else names[1]
        said.append(f"Prints of {worse} fail more often in your log.")
    if strata is None:
        said.append(f"No two prints of both lie in the same {kind}: compare with care.")
    elif strata.reversed:
        said.append(
            f"Within the same {kind} the comparison turns round: the figures thrown together"
            " mislead, look at them stratum by stratum."
        )
    return tuple(said)


def _apart(names: tuple[str, str], difference: Share) -> str:
    lo, mid, hi = map(words.points, (difference.lo, difference.share, difference.hi))
    return f"{names[0]} less {names[1]}: {mid} percentage points (95 % interval {lo} to {hi})."
