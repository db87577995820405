"""Question 3: what should I print next? Six prints, half cold, half warm, in random order. Pure.

The pair of temperatures is the one after which the limit of question 1 is expected to be known
best, over every outcome that the draws hold possible (method, section 3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from api.causes import words
from api.causes.answer import check_level, enough, link_of
from api.causes.link import SPARE_PRINTS, Direction
from api.causes.posterior import Draws, RiskModel, draw, weighted_quantiles
from api.causes.rows import Floats, Log, PrintRow, fingerprint_of, log_of, seed_of
from collector.errors import InvalidError

METHOD = "least expected width of the limit's 95 % interval over the outcomes of 3 + 3 prints"
VERSION = "1"

#: Temperatures that the owner can reach and accepts, when not told [°C].
REACH_C = (14.0, 28.0)

#: Prints at either temperature of a round, and how far these must be apart at least [°C].
EACH_N, APART_C = 3, 3.0

#: A temperature expected to fail more often than this is not suggested.
MOST_RISK = 0.50

#: The interval is cut this far beyond the reach [°C]: nothing is gained from knowing more there.
MARGIN_C = 6.0

#: The limit counts as known at this width [°C]; forecasts end at this many rounds.
KNOWN_C, MOST_ROUNDS = 3.0, 10

#: Draws that the forecast works on at most.
_FORECAST_DRAWS = 6_000

CAUTION = (
    "Warm the vat only as far as the resin's safety data sheet allows, and handle resin with"
    " gloves in a ventilated room."
)


WARM_SO_FAR = (
    "So far failures go with warm resin in your log: these six look for a cold limit, and compare"
    " cold with warm besides."
)


@dataclass(frozen=True, slots=True)
class Plan:
    """The next round of prints, or why there is none (``answered`` false).

    ``order_c`` are the vat temperatures to start at, one per print, in the order to print
    [°C]. Widths are those of the limit's 95 % interval [°C]: now, and expected after this
    round. ``rounds`` until the width is expected to be 3 °C: a rough forecast, None for more
    than ten.
    """

    answered: bool
    sentences: tuple[str, ...]
    level: float
    cold_c: float | None
    warm_c: float | None
    order_c: tuple[float, ...]
    width_now_c: float | None
    width_after_c: float | None
    failures_expected: float | None
    rounds: int | None
    method: str
    version: str
    fingerprint: str
    seed: int


@dataclass(frozen=True, slots=True)
class Pair:
    """A cold and a warm temperature [°C] and what a round at them is expected to bring."""

    cold_c: float
    warm_c: float
    width_c: float
    failures: float


def plan(
    rows: Sequence[PrintRow],
    *,
    level: float = 0.20,
    reach_c: tuple[float, float] = REACH_C,
    round_n: int = 1,
) -> Plan:
    """The next six prints for a log, within the temperatures that can be reached [°C].

    ``round_n`` counts the rounds from 1, so that each is put into an order of its own. Raises
    ``InvalidError`` for a level or a reach that makes no sense.
    """
    check_level(level)
    _check_reach(reach_c)
    log = log_of(rows)
    seed = seed_of(log.rows)
    fingerprint = fingerprint_of(log.rows, level, reach_c, round_n, VERSION)
    if not log.prints_n:
        return _refused(
            "Not enough yet: no print with a vat temperature.", level, fingerprint, seed
        )
    draws = draw(RiskModel.of(log), seed)
    if draws is None:
        said = "The risk curve could not be computed for this log, so nothing is suggested."
        return _refused(said, level, fingerprint, seed)
    width_now, pair = best_pair(draws, level, reach_c)
    if pair is None:
        said = (
            "Nothing is suggested: within your reach no two temperatures at least"
            f" {APART_C:.0f} °C apart are expected to fail less than half of the prints."
        )
        return _refused(said, level, fingerprint, seed)
    order = np.repeat([pair.cold_c, pair.warm_c], EACH_N)
    np.random.default_rng([seed, round_n]).shuffle(order)
    rounds = rounds_until_known(width_now, pair.width_c)
    return Plan(
        answered=True,
        sentences=tuple(_sentences(pair, width_now, rounds, _standing(log), level)),
        level=level,
        cold_c=pair.cold_c,
        warm_c=pair.warm_c,
        order_c=tuple(order.tolist()),
        width_now_c=width_now,
        width_after_c=pair.width_c,
        failures_expected=pair.failures,
        rounds=rounds,
        method=METHOD,
        version=VERSION,
        fingerprint=fingerprint,
        seed=seed,
    )


def best_pair(
    draws: Draws, level: float, reach_c: tuple[float, float]
) -> tuple[float, Pair | None]:
    """Width of the limit's interval now [°C] and the pair with the least expected width."""
    few = _thinned(draws)
    limit = np.clip(few.threshold_c(level), reach_c[0] - MARGIN_C, reach_c[1] + MARGIN_C)
    sorting = np.argsort(limit)
    limit, weights = limit[sorting], few.weights[sorting]
    grid = np.arange(math.ceil(reach_c[0] - 1e-9), math.floor(reach_c[1] + 1e-9) + 1.0)
    risk = few.risk(grid)[sorting]
    expected = weights @ risk
    chances = [_chances(column) for column in risk.T]
    lo, hi = weighted_quantiles(limit, weights, np.array([0.025, 0.975]))
    best: Pair | None = None
    for i, cold in enumerate(grid):
        for j in range(i, len(grid)):
            if grid[j] - cold < APART_C or max(expected[i], expected[j]) > MOST_RISK:
                continue
            width = _expected_width(limit, weights, chances[i], chances[j])
            if best is None or width < best.width_c - 1e-9:
                failures = EACH_N * float(expected[i] + expected[j])
                best = Pair(float(cold), float(grid[j]), width, failures)
    return float(hi - lo), best


def _thinned(draws: Draws) -> Draws:
    """At most :data:`_FORECAST_DRAWS` draws, taken evenly along the sum of the weights."""
    if len(draws.weights) <= _FORECAST_DRAWS:
        return draws
    at = (np.arange(_FORECAST_DRAWS) + 0.5) / _FORECAST_DRAWS
    chosen = np.minimum(np.searchsorted(np.cumsum(draws.weights), at), len(draws.weights) - 1)
    even = np.full(_FORECAST_DRAWS, 1.0 / _FORECAST_DRAWS)
    columns = (draws.a[chosen], draws.s[chosen], draws.f[chosen], draws.g[chosen])
    return Draws(draws.model, *columns, even)


def _chances(risk: Floats) -> Floats:
    """Chance of 0 to 3 failures among three prints, per draw: shape (m, 4)."""
    counts = np.arange(EACH_N + 1)
    ways = np.array([math.comb(EACH_N, k) for k in counts.tolist()])
    failed = risk[:, None] ** counts
    return np.asarray(ways * failed * (1.0 - risk[:, None]) ** (EACH_N - counts))


def _expected_width(limit: Floats, weights: Floats, cold: Floats, warm: Floats) -> float:
    """Width of the interval of ``limit`` (sorted), over all outcomes at two temperatures."""
    joint = (weights[:, None] * cold)[:, :, None] * warm[:, None, :]
    reached = np.cumsum(joint.reshape(len(limit), -1), axis=0)
    total = reached[-1]
    lo = limit[np.argmax(reached >= 0.025 * total, axis=0)]
    hi = limit[np.argmax(reached >= 0.975 * total, axis=0)]
    return float(total @ (hi - lo))


def rounds_until_known(width_now_c: float, width_after_c: float) -> int | None:
    """Rounds until the width is expected to be 3 °C; None for more than ten.

    The width shrinks with the root of the effective prints, so 1/width² grows evenly.
    """
    if width_now_c <= KNOWN_C:
        return 0
    gain = width_after_c**-2 - width_now_c**-2
    if gain <= 0.0:
        return None
    rounds = math.ceil((KNOWN_C**-2 - width_now_c**-2) / gain - 1e-9)
    return rounds if rounds <= MOST_ROUNDS else None


def _check_reach(reach_c: tuple[float, float]) -> None:
    low, high = reach_c
    if not (low >= -20.0 and low + APART_C <= high <= 80.0):
        raise InvalidError(
            f"vat temperatures from {low:g} to {high:g} °C leave nothing to compare",
            where="reach_c",
            remedy=f"Give a range of at least {APART_C:.0f} °C, such as 14 to 28.",
        )


def _refused(sentence: str, level: float, fingerprint: str, seed: int) -> Plan:
    none = (None, None, (), None, None, None, None)
    return Plan(False, (sentence,), level, *none, METHOD, VERSION, fingerprint, seed)


def _standing(log: Log) -> Direction | None:
    """Which end of the vat temperature failures go with in the log so far; None: not told yet."""
    if not enough(log) or log.adjusters().spare_prints < SPARE_PRINTS:
        return None
    link = link_of(log)
    return link.direction if link.linked else None


def _sentences(
    pair: Pair, width_now: float, rounds: int | None, standing: Direction | None, level: float
) -> list[str]:
    """The plan in words; of a limit that the log has not shown it is not said that it is known."""
    limit = "The limit"
    if standing is not Direction.LOW:
        limit = f"If cold resin fails more often at all, where {words.one_in(level)} fails"
    if rounds == 0:
        more = f"{limit} is known to within 3 °C already."
    elif rounds is None:
        more = "More than 10 rounds until it is known to within 3 °C (a rough forecast)."
    else:
        more = (
            f"About {words.counted(rounds, 'round')} until it is known to within 3 °C"
            " (a rough forecast)."
        )
    six = (
        f"three starting at {pair.cold_c:.0f} °C, three at {pair.warm_c:.0f} °C,"
        " in the order listed, with the same resin and settings throughout."
    )
    failures = f"Expect about {words.counted(round(pair.failures, 1), 'failure')} among them."
    warm = [WARM_SO_FAR] if standing is Direction.HIGH else []
    now = f"{limit} is now known to within {width_now:.1f} °C;"
    if pair.width_c >= width_now:
        # A limit that is known well may gain nothing from six prints: then say so first.
        gain = f"{now} another six prints are not expected to narrow it."
        return [gain, f"To check it all the same, print six: {six}", failures, *warm, CAUTION]
    gain = f"{now} after this round about {pair.width_c:.1f} °C is expected."
    return [f"Print six: {six}", failures, *warm, gain, more, CAUTION]
