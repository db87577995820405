"""Logs for the tests of the causes: typed tables and seeded winters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from api.causes import PrintRow

DAY_MS = 86_400_000

#: Challenger O-ring table A (any distress), 23 flights, °F; Dalal, Fowlkes and Hoadley (1989),
#: J. Am. Stat. Assoc. 84(408), 945-957, as listed in vcd::SpaceShuttle.
ORING_F = (
    *(53, 57, 58, 63, 66, 67, 67, 67, 68, 69, 70, 70),
    *(70, 70, 72, 73, 75, 75, 76, 76, 78, 79, 81),
)
ORING_ANY = (1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0)
#: Table B: rings distressed of 6, same source.
ORING_OF_SIX = (2, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 1, 0, 0, 0, 0, 2, 0, 0, 0, 0, 0, 0)
#: Table C: rings damaged of 6, Faraway, Extending the Linear Model with R (2006), 2.1;
#: as listed in openintro::orings.
ORING_DAMAGED = (5, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0)


def celsius(temperature_f: float) -> float:
    """°F to °C."""
    return (temperature_f - 32.0) / 1.8


def rows_of(
    temperatures_c: Sequence[float],
    shares: Sequence[float],
    *,
    resins: Sequence[str] = ("Harbour Grey",),
) -> list[PrintRow]:
    """One print a day, the resins taking turns."""
    return [
        PrintRow(f"print-{i}", i * DAY_MS, float(t), float(y), resins[i % len(resins)])
        for i, (t, y) in enumerate(zip(temperatures_c, shares, strict=True))
    ]


def winter(
    prints_n: int,
    *,
    seed: int,
    slope_per_c: float = -0.5,
    base: float = 0.0,
    shift: float = 0.0,
    resins: Sequence[str] = ("Harbour Grey", "Kiln Amber", "Willow"),
) -> list[PrintRow]:
    """A season of prints whose risk is ``base`` + logistic of vat temperature, 0.2 at 19 °C.

    ``shift`` is added to the logit of every print.
    """
    rng = np.random.default_rng(seed)
    turn = np.arange(prints_n) / max(prints_n, 1) * 2.0 * np.pi * 1.3
    temperature_c = 20.0 + 4.0 * np.sin(turn) + rng.normal(0.0, 1.5, prints_n)
    logit = np.log(0.25) + shift + slope_per_c * (temperature_c - 19.0)
    risk = base + (1.0 - base) / (1.0 + np.exp(-logit))
    failed = rng.random(prints_n) < risk
    return rows_of(temperature_c.tolist(), failed.astype(float).tolist(), resins=resins)
