"""May I start? What vat, room and chamber say about starting a print now or later. Pure.

The vat's temperature and trend, the limit that the log has taught (or the owner's own), when a
first-order warming will reach it, and the risk of a typical print now and then. It advises; it
starts nothing.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from api.causes import words
from api.causes.curve import RiskCurve
from api.causes.proportions import Share
from api.causes.rows import fingerprint_of
from api.warmup import Forecast, Lag, fit, forecast
from collector.readings import Series

METHOD = "last reading against the limit; one exponential fitted to the warming so far"
VERSION = "1"

#: The trend is taken over this long [ms], from this many readings at least.
TREND_MS, TREND_READINGS = 20 * 60_000, 5

#: A slower change than this is called steady [K/h]; common practice, no source.
STEADY_K_PER_H = 0.3

#: The warming begins at the last reading this close to the coldest one [K], or within six times
#: the readings' own scatter where that is more: a little late does an exponential no harm, while
#: a minute of standing still bends it.
FLOOR_K, FLOOR_SCATTERS = 0.15, 6.0


class Advice(enum.StrEnum):
    """What is advised for one machine."""

    START = "start"
    WAIT = "wait"
    NOT_BY_ITSELF = "not by itself"
    OUTSIDE_LIMITS = "outside limits"
    NOT_KNOWN = "not known"


class LimitFrom(enum.StrEnum):
    """Where the vat's lower limit comes from."""

    LOG = "log"
    OWNER = "owner"


@dataclass(frozen=True, slots=True)
class VatLimit:
    """The vat temperature to start above [°C].

    From the log it is the upper end of the interval at ``level`` (0 to 1), of one ``resin``
    where that has its own; from the owner it is theirs.
    """

    from_c: float
    source: LimitFrom
    level: float | None = None
    resin: str | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """One limit that the owner set, against the last reading; ``holds`` is None without one."""

    name: str
    value: float | None
    limit: float
    unit: str
    at_most: bool

    @property
    def holds(self) -> bool | None:
        """Whether the value keeps the limit."""
        if self.value is None:
            return None
        return self.value <= self.limit if self.at_most else self.value >= self.limit


@dataclass(frozen=True, slots=True)
class Readiness:
    """What is advised for one machine, with everything it rests on.

    ``vat_c`` is the last reading [°C], None when it is too old or there is none;
    ``trend_k_per_h`` its slope. ``forecast`` is given below the limit only; its ``residual_k``
    says how far the readings lie from the fitted curve. Risks are those of a typical print of
    the log, now and at the limit, None outside the logged temperatures. ``readings_n`` were
    fitted; ``fingerprint`` changes with any reading, limit or check.
    """

    machine: str
    advice: Advice
    sentences: tuple[str, ...]
    vat_c: float | None
    trend_k_per_h: float | None
    limit: VatLimit | None
    forecast: Forecast | None
    wait_s: float | None
    risk_now: Share | None
    risk_then: Share | None
    checks: tuple[Check, ...]
    readings_n: int
    method: str
    version: str
    fingerprint: str


CAUTION = "This is advice from the record. Look at vat and resin yourself; vatside starts nothing."


def readiness(
    machine: str,
    vat: Series,
    now_ms: int,
    *,
    gap_limit_ms: int,
    limit: VatLimit | None,
    curve: RiskCurve | None = None,
    checks: Sequence[Check] = (),
) -> Readiness:
    """Advice for a machine from the vat's last hours, doubtful readings left out before.

    ``vat`` ends at ``now_ms``; a last reading older than ``gap_limit_ms`` is no reading now.
    """
    vat_c = None
    if len(vat) and now_ms - int(vat.times_ms[-1]) <= gap_limit_ms:
        vat_c = float(vat.values[-1])
    below = vat_c is not None and limit is not None and vat_c < limit.from_c
    lag = fit(warming(vat, gap_limit_ms)) if below else None
    found = forecast(lag, limit.from_c) if lag is not None and limit is not None else None
    trend = None if vat_c is None else trend_k_per_h(vat, now_ms)
    advice = _advice(vat_c, limit, lag, found, trend, checks)
    risk_now = curve.at(vat_c) if curve is not None and vat_c is not None else None
    risk_then = curve.at(limit.from_c) if curve is not None and below and limit else None
    wait_s = None
    if found is not None and found.at_ms is not None:
        wait_s = max(found.at_ms - now_ms, 0) / 1_000
    said = [
        _vat_sentence(machine, vat_c, trend, now_ms, vat),
        *_limit_sentences(advice, vat_c, limit, found, lag, now_ms),
        *_risk_sentences(risk_now, risk_then, curve, vat_c),
        *_check_sentences(checks),
        CAUTION,
    ]
    return Readiness(
        machine=machine,
        advice=advice,
        sentences=tuple(said),
        vat_c=vat_c,
        trend_k_per_h=trend,
        limit=limit,
        forecast=found,
        wait_s=wait_s,
        risk_now=risk_now,
        risk_then=risk_then,
        checks=tuple(checks),
        readings_n=lag.count if lag is not None else 0,
        method=METHOD,
        version=VERSION,
        fingerprint=fingerprint_of((), vat.times_ms.tolist(), vat.values.tolist(), limit, *checks),
    )


def warming(vat: Series, gap_limit_ms: int) -> Series:
    """The readings since the vat last was at its coldest, after the last gap."""
    gaps = np.flatnonzero(np.diff(vat.times_ms) > gap_limit_ms)
    first = int(gaps[-1]) + 1 if len(gaps) else 0
    values = vat.values[first:]
    if len(values) > 3:
        scatter_k = float(np.sqrt(np.mean(np.diff(values, n=2) ** 2) / 6))
        near = np.flatnonzero(values <= values.min() + max(FLOOR_K, FLOOR_SCATTERS * scatter_k))
        first += int(near[-1])
    kept = slice(first, None)
    return Series(vat.channel, vat.times_ms[kept], vat.values[kept], vat.marks[kept])


def trend_k_per_h(vat: Series, now_ms: int) -> float | None:
    """Least-squares slope of the last twenty minutes [K/h]; None from too few readings."""
    late = vat.times_ms >= now_ms - TREND_MS
    hours = (vat.times_ms[late] - now_ms) / 3_600_000.0
    if len(hours) < TREND_READINGS or np.ptp(hours) <= 0:
        return None
    offsets = hours - hours.mean()
    return float(offsets @ vat.values[late] / (offsets @ offsets))


def _advice(
    vat_c: float | None,
    limit: VatLimit | None,
    lag: Lag | None,
    found: Forecast | None,
    trend: float | None,
    checks: Sequence[Check],
) -> Advice:
    broken = any(check.holds is False for check in checks)
    if vat_c is None or limit is None or vat_c >= limit.from_c:
        if broken:
            return Advice.OUTSIDE_LIMITS
        # What its owner asks for and nobody can see is no leave to start.
        seen = vat_c is not None and all(check.holds is not None for check in checks)
        return Advice.START if seen and limit is not None else Advice.NOT_KNOWN
    if found is not None and found.at_ms is not None:
        return Advice.WAIT
    # A curve that fits and ends below the limit; or readings that do not rise.
    fits = lag is not None and lag.refusal is None
    still = trend is not None and trend < STEADY_K_PER_H
    return Advice.NOT_BY_ITSELF if fits or still else Advice.WAIT


def _vat_sentence(
    machine: str, vat_c: float | None, trend: float | None, now_ms: int, vat: Series
) -> str:
    if vat_c is None:
        if not len(vat):
            return f"The vat of {machine} is not being read."
        minutes = (now_ms - int(vat.times_ms[-1])) / 60_000
        return f"The vat of {machine} was last read {minutes:.0f} minutes ago: not known now."
    moving = ""
    if trend is not None:
        size = f"{abs(trend):.1f} °C an hour"
        moving = f", {'rising' if trend > 0 else 'falling'} {size}"
        if abs(trend) < STEADY_K_PER_H:
            moving = ", steady"
    return f"The vat of {machine} is at {words.degrees(vat_c)}{moving}."


def _limit_sentences(
    advice: Advice,
    vat_c: float | None,
    limit: VatLimit | None,
    found: Forecast | None,
    lag: Lag | None,
    now_ms: int,
) -> list[str]:
    if limit is None:
        return ["No limit is known: your log teaches none yet, and you have set none of your own."]
    named = _named(limit)
    if vat_c is None:
        return [f"It should be at {words.degrees(limit.from_c)} or above ({named})."]
    if found is None:
        return [f"That is at or above {words.degrees(limit.from_c)} ({named})."]
    below = f"That is below {words.degrees(limit.from_c)} ({named})."
    if found.at_ms is not None and found.earliest_ms is not None and found.latest_ms is not None:
        soon, about, late = (
            max(round((at - now_ms) / 60_000), least)
            for at, least in ((found.earliest_ms, 0), (found.at_ms, 1), (found.latest_ms, 1))
        )
        return [
            below,
            f"Wait about {words.counted(about, 'minute')}"
            f" (95 % range {soon} to {late}): the vat is on its way there. The readings lie"
            f" {found.residual_k:.2f} °C from the curve that this is taken from.",
        ]
    if advice is Advice.NOT_BY_ITSELF and lag is not None and lag.refusal is None:
        return [below, f"It will not get there by itself: {found.refusal}."]
    if advice is Advice.NOT_BY_ITSELF:
        return [below, "It is not warming, so it will not get there by itself."]
    return [below, f"When it gets there cannot be said: {found.refusal}."]


def _named(limit: VatLimit) -> str:
    if limit.source is LimitFrom.OWNER:
        return "the limit you set"
    of = f" for {limit.resin}" if limit.resin else ""
    odds = words.one_in(limit.level or 0.2)
    return f"above this your log keeps a typical print{of} under {odds}"


def _risk_sentences(
    now: Share | None, then: Share | None, curve: RiskCurve | None, vat_c: float | None
) -> list[str]:
    if curve is None or vat_c is None:
        return []
    if now is None:
        side = "colder" if vat_c < curve.temperature_c[0] else "warmer"
        said = [f"The risk now is not known: {side} than anything you logged."]
    else:
        said = [f"Started now, {_share(now)} of typical prints fail in your log."]
    if then is not None:
        said.append(f"At the limit it is {_share(then)}.")
    return said


def _share(share: Share) -> str:
    ends = f"{words.per_cent(share.lo)} to {words.per_cent(share.hi)}"
    return f"{words.per_cent(share.share)} ({ends})"


def _check_sentences(checks: Sequence[Check]) -> list[str]:
    said = []
    for check in checks:
        side = "at most" if check.at_most else "at least"
        wanted = f"{side} {check.limit:g} {check.unit}"
        if check.value is None:
            said.append(f"{check.name}: not being read; you want {wanted}.")
        elif check.holds:
            said.append(f"{check.name}: {check.value:.1f} {check.unit}, within your {wanted}.")
        else:
            said.append(f"{check.name}: {check.value:.1f} {check.unit}; you want {wanted}.")
    return said
