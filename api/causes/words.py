"""What to say: one paragraph of words for every situation of question 1. Pure.

The words are "goes with", "fail more often", "in your log"; nothing is said to cause anything,
and no bare p-value is printed (method, 0 and 1c).
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping

from api.causes.curve import ResinThreshold, Span, Threshold
from api.causes.proportions import Share

#: What question 1 needs before it is answered.
NEEDS_PRINTS, NEEDS_FAILURES, NEEDS_GOOD, NEEDS_RANGE_C = 15, 3.0, 3.0, 3.0


class Verdict(enum.StrEnum):
    """The situation a log is in. "Only seasonal" is a mark on the link, not a situation."""

    TOO_FEW = "too few"
    NOT_LINKED = "not linked"
    WARM_SIDE_WORSE = "warm side worse"
    BETWEEN_TWO_BOUNDS = "between two bounds"
    SAFE_ABOVE_ONLY = "safe above only"
    UNSAFE_BELOW_ONLY = "unsafe below only"
    NO_LIMIT_YET = "no limit yet"
    NOT_COMPUTED = "not computed"


def verdict_of(threshold: Threshold) -> Verdict:
    """The situation of a log whose failures go with cold resin."""
    if threshold.lo_c is not None:
        return Verdict.UNSAFE_BELOW_ONLY if threshold.hi_c is None else Verdict.BETWEEN_TWO_BOUNDS
    return Verdict.NO_LIMIT_YET if threshold.hi_c is None else Verdict.SAFE_ABOVE_ONLY


def limit_sentences(
    threshold: Threshold, level: float, coldest_c: float, warmest_c: float
) -> list[str]:
    """What the threshold allows to be said; lower bounds are rounded down, upper ones up."""
    odds, top = one_in(level), degrees(warmest_c)
    lo = None if threshold.lo_c is None else degrees(max(_floor(threshold.lo_c), coldest_c))
    hi = None if threshold.hi_c is None else degrees(min(_ceil(threshold.hi_c), warmest_c))
    if lo is not None and hi is not None and threshold.mid_c is not None:
        return [
            f"{odds} fails somewhere between {lo} and {hi}"
            f" (best guess {degrees(threshold.mid_c)}).",
            f"Starting above {hi} keeps a typical print under {odds}, up to {top},"
            " the warmest you have logged.",
        ]
    if hi is not None:
        return [
            f"Above {hi} a typical print fails less than {odds} (up to {top}).",
            "How much colder would do: not known yet.",
            f"Where {odds} fails may lie colder than anything you logged.",
        ]
    if lo is not None:
        return [
            f"Below {lo} more than {odds} fails.",
            "A safe temperature: not known yet.",
            "It may lie warmer than anything you logged.",
        ]
    return ["No limit can be given yet."]


def beyond_the_log(crossing: Span, level: float, coldest_c: float, warmest_c: float) -> list[str]:
    """What is known of a limit that lies outside everything logged; no bound is named there."""
    odds = one_in(level)
    if crossing.lo_c > warmest_c:
        return [
            f"Even at {degrees(warmest_c)}, the warmest you have logged, more than {odds} fails.",
            "A safe temperature, if there is one, lies warmer than anything you logged.",
            TYPICAL,
        ]
    if crossing.hi_c < coldest_c:
        return [
            f"Even at {degrees(coldest_c)}, the coldest you have logged, a typical print fails"
            f" less than {odds}.",
            f"Where {odds} fails lies colder than anything you logged.",
            TYPICAL,
        ]
    return []


TYPICAL = "That is for a typical print of your log: its average resin and settings."

ONLY_SEASONAL = (
    "The link is mostly between parts of the year: the season or a slow change of the machine"
    " may be behind it."
)

WARM_SIDE = "Failures rise again on the warm side; an upper limit exists but is not estimated."

PLAN_NEXT = "A few prints planned cold and warm would tell more: see what to print next."


def too_few(prints_n: int, failures: float, good: float, range_c: float | None) -> list[str]:
    """Why there is no answer yet, and how much more of what it needs."""
    lacking = []
    if prints_n < NEEDS_PRINTS:
        lacking.append(f"{counted(NEEDS_PRINTS, 'print')} with a vat temperature")
    if failures < NEEDS_FAILURES - 1e-9:
        lacking.append(f"{counted(NEEDS_FAILURES, 'failure')}")
    if good < NEEDS_GOOD - 1e-9:
        lacking.append(f"{counted(NEEDS_GOOD, 'good print')}")
    if range_c is None or range_c < NEEDS_RANGE_C - 1e-9:
        seen = "" if range_c is None else f" (so far {range_c:.1f} °C)"
        lacking.append(f"vat temperatures at least {NEEDS_RANGE_C:.0f} °C apart{seen}")
    so_far = f"{counted(prints_n, 'print')}, {counted(failures, 'failure')}"
    return [f"Not enough yet: {so_far}.", f"Needs {listed(lacking)}."]


def too_many_changes(prints_n: int, failures: float, columns_n: int) -> list[str]:
    """Why a log with more changes than prints to tell them apart is not answered."""
    return [
        f"Not enough yet: {counted(prints_n, 'print')}, {counted(failures, 'failure')}.",
        f"Needs more prints: {columns_n} resins and settings changed between them, and too few"
        " prints are left to tell temperature from those.",
    ]


def not_linked(prints_n: int, rate: Share) -> list[str]:
    """No link that could be told from chance."""
    return [
        f"In these {counted(prints_n, 'print')} failures do not go with vat temperature clearly"
        " enough to tell from chance.",
        overall(rate),
        PLAN_NEXT,
    ]


def linked(direction: str, prints_n: int, failures: float) -> str:
    """The finding itself: ``direction`` is "cold" or "warm"."""
    return (
        f"Failures go with {direction} resin in your log:"
        f" {counted(prints_n, 'print')}, {counted(failures, 'failure')}."
    )


def overall(rate: Share) -> str:
    """The failure rate of the whole log with its interval."""
    return (
        f"Over all, {per_cent(rate.share)} of prints failed"
        f" (95 % interval {per_cent(rate.lo)} to {per_cent(rate.hi)})."
    )


def resin_sentence(own: ResinThreshold, level: float) -> str | None:
    """What may be said of one resin; None where it has no bound of its own."""
    t, odds = own.threshold, one_in(level)
    lo = None if t.lo_c is None else degrees(max(_floor(t.lo_c), own.coldest_c))
    hi = None if t.hi_c is None else degrees(min(_ceil(t.hi_c), own.warmest_c))
    start = f"{own.resin} ({counted(own.prints_n, 'print')}, {counted(own.failures, 'failure')}):"
    if lo is not None and hi is not None and t.mid_c is not None:
        best = degrees(t.mid_c)
        return f"{start} {odds} fails somewhere between {lo} and {hi} (best guess {best})."
    if hi is not None:
        return f"{start} less than {odds} fails above {hi}."
    if lo is not None:
        return f"{start} more than {odds} fails below {lo}."
    return None


def left_out(reasons: Mapping[str, int]) -> list[str]:
    """How many prints are not in the answer, and why."""
    total = sum(reasons.values())
    if not total:
        return []
    why = ", ".join(f"{reason} ({n})" for reason, n in reasons.items())
    return [f"Left out: {counted(total, 'print')}: {why}."]


def one_in(level: float) -> str:
    """A level as "1 in 5" where it is one, else in per cent."""
    turns = 1.0 / level
    if abs(turns - round(turns)) < 0.02:
        return f"1 in {round(turns)}"
    return f"{100.0 * level:.3g} %"


def degrees(temperature_c: float) -> str:
    """A temperature to a tenth of a degree, with a true minus sign."""
    # A hair more, so that 25.75 comes out alike whichever way its digits were reached.
    return f"{round(temperature_c + 1e-9, 1) + 0.0:.1f} °C".replace("-", "−")


def per_cent(share: float) -> str:
    """A share as whole per cent; a tenth below 10 % where it is not whole."""
    return f"{100.0 * share:.0f} %"


def plain(value: float, digits: int = 4) -> str:
    """A number to so many digits, never as a power of ten: "12300", "0.05", true minus sign."""
    figures = max(digits - 1, 0)
    mantissa, power = f"{value:.{figures}e}".split("e")
    text = f"{float(mantissa + 'e' + power):.{max(figures - int(power), 0)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if float(text) == 0.0 else text.replace("-", "−")


def points(difference: float) -> str:
    """A difference of two shares in whole percentage points, with its sign; "0" has none."""
    whole = round(100.0 * difference)
    return f"{whole:+d}".replace("-", "−") if whole else "0"


def counted(number: float, noun: str) -> str:
    """ "1 print", "12 failures", "4.5 failures" for plates that failed in part."""
    whole = abs(number - round(number)) < 1e-6
    text = f"{round(number)}" if whole else f"{number:.1f}"
    return f"{text} {noun}" if text == "1" else f"{text} {noun}s"


def listed(things: list[str]) -> str:
    """ "a, b and c" """
    return ", ".join(things[:-1]) + (" and " if len(things) > 1 else "") + things[-1]


def _floor(temperature_c: float) -> float:
    return math.floor(temperature_c * 10.0 + 1e-6) / 10.0


def _ceil(temperature_c: float) -> float:
    return math.ceil(temperature_c * 10.0 - 1e-6) / 10.0
