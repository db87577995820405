"""The break tests of the invented winter: which pieces were broken, and what each bore. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from dashboards.demo.dice import Dice
from dashboards.demo.physics import DAY_S, HOUR_S, Truth
from dashboards.demo.soaks import PlannedSoak

#: The one fixture: flat bars in three-point bending [mm].
SPAN_MM, WIDTH_MM, THICKNESS_MM = 64.0, 10.0, 4.0

#: What the one gauge can read at most, and in which steps it shows a load [N].
GAUGE_LIMIT_N = 160.0
GAUGE_STEP_N = 0.5

#: From one piece to the next [s].
BETWEEN_S = 240.0

#: Moves these dice apart from those of the rest of the winter.
_OWN_DICE = 7_919


@dataclass(frozen=True, slots=True)
class PlannedBreak:
    """A piece on the bench: ``load_n`` is what the gauge showed [N], None when it held.

    ``soak`` is the key of the soak run that it went through under the same name, if any.
    """

    time_s: float
    piece: str
    resin: str
    cured_s: float
    load_n: float | None
    soak: str | None = None


def planned_breaks(
    now_s: float, soaks: tuple[PlannedSoak, ...], truth: Truth, seed: int
) -> tuple[PlannedBreak, ...]:
    """Bars of every resin on two afternoons, and the pieces of a soak two days after it."""
    dice = Dice(seed + _OWN_DICE)
    midnight_s = now_s // DAY_S * DAY_S
    afternoons = (
        (midnight_s - 40 * DAY_S + 15 * HOUR_S, {"Harbour Grey": 6, "Fathom Clear": 5}),
        (midnight_s - 19 * DAY_S + 16 * HOUR_S, {"Kiln Amber": 7, "Willow": 4}),
    )
    found: list[PlannedBreak] = []
    for start_s, counts in afternoons:
        pieces = [
            (f"{name} bar {n + 1}", name) for name, many in counts.items() for n in range(many)
        ]
        found += _row(start_s, pieces, truth, dice)
    for soak in soaks:
        if soak.key == "soak-harbour-grey":
            start_s = soak.end_s + 2 * DAY_S
            pieces = [(specimen.name, specimen.resin) for specimen in soak.specimens]
            found += _row(start_s, pieces, truth, dice, soak.key)
    return tuple(sorted(found, key=lambda piece: piece.time_s))


def _row(
    start_s: float,
    pieces: list[tuple[str, str]],
    truth: Truth,
    dice: Dice,
    soak: str | None = None,
) -> Iterator[PlannedBreak]:
    """Pieces broken one after the other; those of a soak were softened and bear less."""
    for number, (piece, resin) in enumerate(pieces):
        median_n, scatter = truth.breaking_n[resin]
        true_n = median_n * math.exp(dice.normal(0.0, scatter))
        true_n *= 1.0 if soak is None else truth.softened_times
        shown_n = max(round(true_n / GAUGE_STEP_N), 1) * GAUGE_STEP_N
        yield PlannedBreak(
            time_s=start_s + number * BETWEEN_S,
            piece=piece,
            resin=resin,
            cured_s=start_s - (5 if soak is None else 9) * DAY_S,
            load_n=shown_n if shown_n < GAUGE_LIMIT_N else None,
            soak=soak,
        )
