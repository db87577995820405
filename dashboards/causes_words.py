"""How the Causes page says rankings, bands and comparisons as tables. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from api.causes.link import Direction
from api.causes.ranking import Candidate, Ranking
from api.causes.ranking_words import Standing, towards_the_bad_end
from api.causes.tables import Band
from api.causes.two_groups import TwoGroups
from api.causes.words import plain
from dashboards import words
from dashboards.figure import Table

STANDINGS = {
    Standing.FLAGGED: "goes with failures",
    Standing.ONLY_SEASONAL: "only between parts of the year",
    Standing.EXPLAINED: "says no more than the first",
    Standing.NOT_FLAGGED: "not told from chance",
}

QUESTIONS = {
    "vat_temperature": "Was it the cold?",
    "conditions": "What else goes with failures?",
    "next_prints": "What should I print next?",
    "bands": "Failures by vat temperature",
    "two_groups": "Two compared",
}


def conditions_table(found: Ranking, units: Mapping[str, str]) -> Table:
    """Every condition that was looked at, in order of its link."""
    return Table(
        caption=f"{words.count(len(found.candidates), 'condition')} looked at, clearest first",
        heads=("Condition", "Worse when", "Odds of failing (95 % interval)", "What can be said"),
        rows=tuple(_condition(candidate, units) for candidate in found.candidates),
    )


def _condition(candidate: Candidate, units: Mapping[str, str]) -> tuple[str, ...]:
    standing = STANDINGS[candidate.standing]
    if candidate.in_lead_set and candidate.standing is not Standing.FLAGGED:
        standing = "cannot be told apart from the first"
    if candidate.moves_with:
        standing += f"; moves with {', '.join(candidate.moves_with)}"
    low = candidate.direction is Direction.LOW
    return (candidate.name, "low" if low else "high", _odds(candidate, units), standing)


def _odds(candidate: Candidate, units: Mapping[str, str]) -> str:
    found = towards_the_bad_end(candidate)
    if found is None or candidate.effect is None:
        return "–"
    ratio, lo, hi, end = found
    step = f"{plain(candidate.effect.per, 2)} {units.get(candidate.name, '')}".strip()
    return f"{ratio} times for {step} {end} ({lo} to {hi})"


def bands_table(bands: tuple[Band, ...]) -> Table:
    """Prints and failures by band, with the interval of each share."""
    rows = []
    for band in bands:
        said = "no print"
        if band.share is not None:
            share = band.share
            said = (
                f"{words.share(share.share)} ({words.share(share.lo)} to {words.share(share.hi)})"
            )
        failures = words.number(band.failures, 0 if band.failures == round(band.failures) else 1)
        place = f"{words.number(band.from_c, 0)} to {words.number(band.to_c, 0)} °C"
        rows.append((place, str(band.prints_n), failures, said))
    return Table(
        caption="Prints by vat temperature in their first layers",
        heads=("Vat temperature", "Prints", "Failed", "Share (95 % interval)"),
        rows=tuple(rows),
    )


def groups_table(found: TwoGroups) -> Table:
    """The two groups with their counts."""
    named = zip((found.first, found.second), found.table, strict=True)
    return Table(
        caption="A plate counts as failed when at least half of its parts failed",
        heads=("Prints of", "Failed", "Good"),
        rows=tuple((name, str(failed), str(good)) for name, (failed, good) in named),
    )
