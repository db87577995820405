"""The resin sheet: all resins side by side, each figure with what bounds it and rests under it.

Nothing is added up into one mark: which figure matters is for whoever chooses. A figure that
the record does not give stays blank and says why.
"""

from __future__ import annotations

import csv
import io
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from api.answers import cold_answer, print_rows
from api.break_answers import Comparison, compared_breaks
from api.causes.proportions import wilson
from api.causes.rows import PrintRow
from api.causes.tables import Band, bands
from api.costs import Cost
from api.likelihood import at_least_share
from api.phases import is_whole
from api.print_answers import remarks_on
from api.prints import Print
from api.record import Kept
from api.settings_check import Guidance, Limits
from api.soak_results import HeatOfResin, heat_results
from api.workshop import Workshop

#: Risk that the sheet's threshold is for, 1 in 5, as the Causes page has it first.
LEVEL = 0.20

#: Of the settings that were tried the ones with most prints are told.
SETTINGS_TOLD_N = 4

NO_PRINT = "no print was looked at"
NO_LINK = "too few prints, or no link with the cold"
NOT_SOAKED = "no piece was soaked"
NOT_BROKEN = "no piece was broken"
NO_TIME = "no print ran to its end"
NO_COST = "use or price was not noted"

#: Why a print is left out of a figure, after "2 prints: ".
NOT_LOOKED_AT = "not looked at yet"
CUT_SHORT = "cut short"
NO_TIMES = "start or end not noted"
LACKING: Mapping[str, str] = {
    "resin_used_ml": "resin used not noted",
    "resin.density_g_cm3": "no density of the resin on record",
    "resin.price_per_kg": "no price of the resin on record",
    "afterwork.wash.fluid_used_ml": "wash fluid used not noted",
    "afterwork.wash.fluid_price_per_l": "price of the wash fluid not noted",
}
RESIN_ALONE = "resin alone: no print has its wash fluid noted"


@dataclass(frozen=True, slots=True)
class SheetFigure:
    """One figure of a resin: value, the 95 % interval, and how many tests are behind it.

    ``value`` is None where the record does not give it and ``why_not`` says why. An end that
    is None is not bounded, or there is no interval. ``left_out`` counts tests that could not be
    taken in, by the reason; ``remark`` says how far a figure reaches.
    """

    tests_n: int
    value: float | None = None
    low: float | None = None
    high: float | None = None
    why_not: str = ""
    left_out: Mapping[str, int] = field(default_factory=dict)
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Tried:
    """Prints with the same layer height [mm] and normal exposure [s], and their failed share."""

    layer_height_mm: float | None
    normal_exposure_s: float | None
    prints_n: int
    failures: float


@dataclass(frozen=True, slots=True)
class Worked:
    """A maker's printed range beside the range in which plates without a failure were printed."""

    printed: Limits | None
    low: float | None
    high: float | None
    prints_n: int


@dataclass(frozen=True, slots=True)
class ResinLine:
    """All figures of one resin; each ``SheetFigure`` in the unit of its column."""

    resin: int
    name: str
    category: str
    failed_share: SheetFigure
    threshold_c: SheetFigure
    heat_held_c: SheetFigure
    heat_median_c: SheetFigure
    load_n: SheetFigure
    print_time_h: SheetFigure
    cost: SheetFigure
    normal_exposure_s: Worked
    bottom_exposure_s: Worked
    temperature_c: Worked
    by_temperature: tuple[Band, ...]
    by_settings: tuple[Tried, ...]


#: The figures of a line in the order of the sheet: name, heading, unit.
FIGURES: Mapping[str, tuple[str, str]] = {
    "failed_share": ("Plates that failed", "%"),
    "threshold_c": ("1 in 5 fails below", "°C"),
    "heat_held_c": ("Heat that every piece held", "°C"),
    "heat_median_c": ("Half have given way at", "°C"),
    "load_n": ("Half break below", "N"),
    "print_time_h": ("Print time, median", "h"),
    "cost": ("Cost of a print, median", ""),
}


@dataclass(frozen=True, slots=True)
class ResinSheet:
    """The sheet: a line for each resin on record, and in which fixture loads were compared.

    ``cautions`` say what does not compare between the lines.
    """

    lines: tuple[ResinLine, ...]
    fixture: str | None
    cautions: tuple[str, ...] = ()


def resin_sheet(workshop: Workshop, now: datetime) -> ResinSheet:
    """All resins by name."""
    with workshop.record.reading():
        resins = workshop.record.resins.all()
        prints = workshop.record.prints.all()
    rows, _, _ = print_rows(workshop, now)
    by_name: dict[str, list[PrintRow]] = defaultdict(list)
    for row in rows:
        by_name[row.resin].append(row)
    of_resin: dict[int, list[Kept[Print]]] = defaultdict(list)
    for kept in prints:
        of_resin[kept.entry.resin].append(kept)
    remarks = remarks_on(workshop, (kept.entry for kept in prints))
    costs = {kept.id: one.cost for kept, one in zip(prints, remarks, strict=True)}
    thresholds = _thresholds(workshop, now)
    heat = {one.resin: one for one in heat_results(workshop, now).resins}
    fixture, loads = _loads(workshop, now)
    lines = []
    for resin in resins:
        name = resin.entry.name
        own = [kept for kept in of_resin[resin.id] if not kept.entry.running]
        known = by_name[name]
        lines.append(
            ResinLine(
                resin=resin.id,
                name=name,
                category=resin.entry.category,
                failed_share=_failed(own),
                threshold_c=thresholds.get(name, SheetFigure(len(known), why_not=NO_LINK)),
                heat_held_c=_held(heat.get(resin.id)),
                heat_median_c=_median(heat.get(resin.id)),
                load_n=loads.get(name, SheetFigure(0, why_not=NOT_BROKEN)),
                print_time_h=_print_time([p.entry for p in own]),
                cost=_cost([costs[p.id] for p in own]),
                **_worked(resin.entry.guidance, own, known),
                by_temperature=bands(
                    [row.temperature_c for row in known], [row.failed_share for row in known]
                ),
                by_settings=_tried(own),
            )
        )
    return ResinSheet(tuple(lines), fixture, tuple(_cautions(lines)))


def _cautions(lines: Sequence[ResinLine]) -> Iterator[str]:
    """Costs of resin alone beside costs with wash fluid."""
    told = [line for line in lines if line.cost.value is not None]
    alone = [line.name for line in told if line.cost.remark]
    if alone and len(alone) < len(told):
        yield (
            f"The costs do not compare: that of {', '.join(alone)} is of the resin alone, "
            "the others are with wash fluid."
        )


def _looked_at(plates: Iterable[Kept[Print]]) -> list[tuple[Print, float]]:
    """The prints of which a part was looked at, with their failed share."""
    found = []
    for kept in plates:
        share = kept.entry.failed_share
        if share is not None:
            found.append((kept.entry, share))
    return found


def _failed(plates: Sequence[Kept[Print]]) -> SheetFigure:
    """Failed share over prints, the plate the unit, with Wilson's interval."""
    shares = [share for _, share in _looked_at(plates)]
    if not shares:
        return SheetFigure(0, why_not=NO_PRINT)
    found = wilson(sum(shares), len(shares))
    unseen = len(plates) - len(shares)
    left_out = {NOT_LOOKED_AT: unseen} if unseen else {}
    return SheetFigure(len(shares), found.share, found.lo, found.hi, left_out=left_out)


def _thresholds(workshop: Workshop, now: datetime) -> dict[str, SheetFigure]:
    """The threshold of every resin that has one of its own; in a log of one it is the log's."""
    report = cold_answer(workshop, LEVEL, now)
    found = {one.resin: (one.prints_n, one.threshold) for one in report.answer.per_resin}
    only = {row.resin for row in report.rows}
    if len(only) == 1 and report.answer.threshold is not None:
        found = {only.pop(): (len(report.rows), report.answer.threshold)}
    return {
        name: SheetFigure(
            prints_n,
            threshold.mid_c,
            threshold.lo_c,
            threshold.hi_c,
            "" if threshold.mid_c is not None else "only one bound can be given",
        )
        for name, (prints_n, threshold) in found.items()
    }


def _held(heat: HeatOfResin | None) -> SheetFigure:
    if heat is None:
        return SheetFigure(0, why_not=NOT_SOAKED)
    held, pieces_n = heat.highest_setpoint_c, len(heat.tested)
    if held is None:
        why_not = "no step is known to have been held by every piece"
        return SheetFigure(pieces_n, why_not=why_not)
    share_pct = 100 * at_least_share(pieces_n, pieces_n)
    remark = f"with 95 % confidence at least {share_pct:.0f} % of such pieces would"
    return SheetFigure(pieces_n, held, remark=remark)


def _median(heat: HeatOfResin | None) -> SheetFigure:
    if heat is None:
        return SheetFigure(0, why_not=NOT_SOAKED)
    median, bounds = heat.median, heat.median.interval
    return SheetFigure(
        median.parts,
        median.median_c,
        bounds.low if bounds else None,
        bounds.high if bounds else None,
        median.refusal or "",
    )


def _loads(workshop: Workshop, now: datetime) -> tuple[str | None, dict[str, SheetFigure]]:
    """Median loads by resin, of pieces never soaked, in the fixture with most tests."""
    used = Counter(kept.entry.fixture for kept in workshop.record.breaks.all())
    if not used:
        return None, {}
    fixture = max(used, key=lambda number: (used[number], -number))
    found, _ = compared_breaks(workshop, Comparison(fixture, soaked=False), now)
    return workshop.record.fixtures.get(fixture).entry.name, {
        group.name: SheetFigure(
            group.median.parts,
            group.median.median_n,
            group.median.interval_n.low if group.median.interval_n else None,
            group.median.interval_n.high if group.median.interval_n else None,
            group.median.refusal or "",
        )
        for group in found.groups
    }


def _print_time(plates: Sequence[Print]) -> SheetFigure:
    """The median time of prints that ran to their end, and why others are left out."""
    hours, left_out = [], Counter[str]()
    for plate in plates:
        if plate.end is not None and is_whole(plate):
            hours.append((plate.end - plate.start).total_seconds() / 3_600)
        else:
            known = plate.end is not None and not plate.order_only
            left_out[CUT_SHORT if known else NO_TIMES] += 1
    return _middle(hours, NO_TIME, left_out)


def _cost(costs: Sequence[Cost]) -> SheetFigure:
    """The median cost of prints of which all of it is noted, and why others are left out.

    Where no print has its wash fluid noted it is that of the resin alone, and says so.
    """
    alone = all(cost.fluid is None for cost in costs)
    known, left_out = [], Counter[str]()
    for cost in costs:
        amount = cost.resin if alone else cost.total
        if amount is None:
            left_out[LACKING[cost.missing[0]]] += 1
        else:
            known.append(amount)
    return _middle(known, NO_COST, left_out, RESIN_ALONE if alone and known else "")


def _middle(
    known: Sequence[float], why_not: str, reasons: Counter[str], remark: str = ""
) -> SheetFigure:
    """The median, with the quartiles as its ends: how it spreads, no interval of the median."""
    left_out = dict(reasons.most_common())
    if not known:
        return SheetFigure(0, why_not=why_not, left_out=left_out)
    low = high = None
    if len(known) > 1:
        low, _, high = statistics.quantiles(known, n=4, method="inclusive")
    return SheetFigure(
        len(known), statistics.median(known), low, high, left_out=left_out, remark=remark
    )


def _worked(
    guidance: Guidance, plates: Sequence[Kept[Print]], rows: Sequence[PrintRow]
) -> dict[str, Worked]:
    """The maker's ranges beside those of plates without a failed part."""
    good = [plate.settings for plate, share in _looked_at(plates) if share == 0]
    found = {
        name: _range(getattr(guidance, name), [getattr(settings, name) for settings in good])
        for name in ("normal_exposure_s", "bottom_exposure_s")
    }
    warm = [row.temperature_c for row in rows if row.failed_share == 0]
    return found | {"temperature_c": _range(guidance.temperature_c, warm)}


def _range(printed: Limits | None, values: Iterable[float | None]) -> Worked:
    known = [value for value in values if value is not None]
    return Worked(printed, min(known, default=None), max(known, default=None), len(known))


def _tried(plates: Sequence[Kept[Print]]) -> tuple[Tried, ...]:
    """The combinations of layer height and exposure with most prints."""
    shares: dict[tuple[float | None, float | None], list[float]] = defaultdict(list)
    for plate, share in _looked_at(plates):
        settings = plate.settings
        shares[(settings.layer_height_mm, settings.normal_exposure_s)].append(share)
    most = sorted(shares.items(), key=lambda item: (-len(item[1]), str(item[0])))
    return tuple(
        Tried(height, exposure, len(own), sum(own))
        for (height, exposure), own in most[:SETTINGS_TOLD_N]
        if (height, exposure) != (None, None)
    )


# ---- as a table ------------------------------------------------------------------------------


def sheet_as_table(sheet: ResinSheet) -> str:
    """The sheet as CSV: a line for each resin, five columns for each figure."""
    into = io.StringIO(newline="")
    writer = csv.writer(into)
    heads = ["resin", "category"]
    for name in FIGURES:
        heads += [name, *(f"{name}_{end}" for end in ("low", "high", "tests", "left_out"))]
    heads.append("cost_covers")
    for name in WORKED:
        heads += [f"{name}_printed_{end}" for end in ("low", "high")]
        heads += [f"{name}_worked_{end}" for end in ("low", "high")]
    writer.writerow(heads)
    for line in sheet.lines:
        cells: list[object] = [line.name, line.category]
        for name in FIGURES:
            one: SheetFigure = getattr(line, name)
            cells += [_text(one.value), _text(one.low), _text(one.high), one.tests_n]
            cells.append(sum(one.left_out.values()))
        cells.append(_covers(line.cost))
        for name in WORKED:
            found: Worked = getattr(line, name)
            printed = (found.printed.low, found.printed.high) if found.printed else (None, None)
            cells += map(_text, printed)
            cells += [_text(found.low), _text(found.high)]
        writer.writerow(cells)
    return into.getvalue()


#: What is told beside the maker's guidance.
WORKED = ("normal_exposure_s", "bottom_exposure_s", "temperature_c")


def _text(value: float | None) -> str:
    return "" if value is None else repr(value)


def _covers(cost: SheetFigure) -> str:
    if cost.value is None:
        return ""
    return "resin alone" if cost.remark else "resin and wash fluid"
