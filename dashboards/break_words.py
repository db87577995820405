"""Everything that is on record of a break test, in words: as it stands and as it stood before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from api.answers import Workshop
from api.record import BreakOutcome, BreakTest
from dashboards import words
from dashboards.break_form import UNITS
from dashboards.break_sources import came_from


@dataclass(frozen=True, slots=True)
class BenchNames:
    """What stands for the ids of a break test."""

    resins: Mapping[int, str]
    fixtures: Mapping[int, str]
    gauges: Mapping[int, str]
    soaks: Mapping[int, str]

    @classmethod
    def of(cls, workshop: Workshop) -> BenchNames:
        """Those on record now."""
        record = workshop.record
        with record.reading():
            return cls(
                {kept.id: kept.entry.name for kept in record.resins.all()},
                {kept.id: kept.entry.name for kept in record.fixtures.all()},
                {kept.id: kept.entry.name for kept in record.gauges.all()},
                {kept.id: kept.entry.name for kept in record.soaks.all()},
            )


def in_words(test: BreakTest, names: BenchNames) -> dict[str, str]:
    """Every entry of a break test by its label, in words; what was not noted is left out."""
    said = {
        "Piece": test.piece,
        "Resin": names.resins.get(test.resin, f"resin {test.resin}"),
        "Came from": came_from(test, None),
        "Fixture": names.fixtures.get(test.fixture, f"fixture {test.fixture}"),
        "Gauge": names.gauges.get(test.gauge, f"gauge {test.gauge}"),
        "What it bore": bore(test),
        "Width measured": _length(test.width_mm),
        "Thickness measured": _length(test.thickness_mm),
        "Tested": _time(test.tested),
        "Cure ended": _time(test.cured) if test.cured else "",
        "Went through": ", ".join(
            f"{names.soaks.get(run.soak, f'soak run {run.soak}')} as {run.specimen}"
            for run in test.soaked
        ),
        "Note": test.note,
    }
    return {label: text for label, text in said.items() if text}


def bore(test: BreakTest) -> str:
    """What a piece bore, as it was typed: ``broke at 12.5 kgf``."""
    if test.outcome is BreakOutcome.HELD or test.load is None:
        return "no break at the gauge’s limit"
    return f"broke at {words.plain(test.load.value)} {UNITS[test.load.unit]}"


def _length(length_mm: float | None) -> str:
    return "" if length_mm is None else f"{words.plain(length_mm)} mm"


def _time(at: datetime) -> str:
    return f"{words.local(at):%Y-%m-%d %H:%M:%S}"
