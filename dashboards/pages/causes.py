"""The Causes page: was it the cold, what else, what to print next? Words first, then the rest."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any, cast

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, Response
from pydantic import ConfigDict

from api.answers import ColdReport, Workshop, cold_answer
from api.causes.adjusting import SETTINGS
from api.causes.next_prints import REACH_C
from api.causes_answers import (
    UNITS,
    Comparing,
    GroupsAnswer,
    bands_answer,
    conditions_answer,
    groups_answer,
)
from api.checked import checked
from api.plan_answers import Acceptance, accept_plan, next_prints
from api.prints import Frozen
from api.record import Question
from api.result_answers import Asked, reopen, save_result
from api.sums import At
from collector.errors import InvalidError
from dashboards import causes_words, chart_rows, words
from dashboards.figure import Figure, KeyEntry, Table
from dashboards.pages.workshop import WorkshopHere, machine_names, resin_names
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, number_of, onwards, text_of

if TYPE_CHECKING:
    from api.causes import ColdAnswer

router = APIRouter(include_in_schema=False)

DEFAULT_LEVEL = 0.20

#: Levels that the page offers; any other from 0.05 to 0.50 may stand in the address.
LEVELS = (0.05, 0.10, 0.20, 0.30, 0.50)

#: The curve's table gives the risk at every whole degree only.
_KEY = (
    KeyEntry("circle", "print, no part failed"),
    KeyEntry("diamond", "some parts failed"),
    KeyEntry("cross", "all parts failed"),
    KeyEntry("line", "risk, with its 95 % band"),
    KeyEntry("band", "where the limit lies (95 %)"),
    KeyEntry("rule", "ends and best guess of the limit"),
)


#: A log longer than this is worked out beside the request [prints]; the page waits this long for
#: it [s] before it shows how far the sum is, and asks again after as long.
LONG_LOG_N, PATIENCE_S, AGAIN_S = 400, 1.0, 2

#: What was worked out is shown as it came out for this long [s], then looked at anew.
GOOD_FOR_S = 5.0


@router.get("/causes")
def causes(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, asked: Annotated[Address, Query()]
) -> HTMLResponse:
    """The whole page. What is out of range in the address is said, and the usual shown."""
    if workshop.record.prints.count() <= LONG_LOG_N:
        return _page(sheets, now, content_of(workshop, now, asked, _at_once))
    sum = workshop.sums.begin(
        ("causes page", asked),
        lambda at: content_of(workshop, now, asked, at),
        good_for_s=GOOD_FOR_S,
    )
    if sum.ended.wait(PATIENCE_S):
        return _page(sheets, now, cast(dict[str, Any], sum.result()))
    return sheets.page("causes_wait.html", "/causes", now, again_s=AGAIN_S, progress=sum.progress)


@router.post("/causes/sums/{sum_id}/cancel")
def cancel(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    sum_id: Annotated[int, Path(ge=1, lt=2**63)],
) -> HTMLResponse:
    """Cancel a sum that the page waits for."""
    sum = workshop.sums.get(sum_id)
    sum.cancel()
    return sheets.page("causes_wait.html", "/causes", now, again_s=None, progress=sum.progress)


def _at_once(step: str, done_n: int, steps_n: int) -> None:
    """Nobody waits to be told the steps of a short sum."""


def _page(sheets: Sheets, now: datetime, content: dict[str, Any]) -> HTMLResponse:
    fault: InvalidError | None = content["fault"]
    status = fault.status if fault else 200
    return sheets.page("causes.html", "/causes", now, status=status, **content)


def content_of(workshop: Workshop, now: datetime, asked: Address, at: At) -> dict[str, Any]:
    """Everything the page says; ``at`` is told each step, and may end the work there."""
    fault: InvalidError | None = None
    level, reach_c = DEFAULT_LEVEL, REACH_C
    at("the limit", 0, STEPS_N)
    try:
        level = number_of(asked.level, "level") or DEFAULT_LEVEL
        report = cold_answer(workshop, level, now)
    except InvalidError as error:
        fault, level = error, DEFAULT_LEVEL
        report = cold_answer(workshop, level, now)
    at("what to print next", 1, STEPS_N)
    try:
        reach_c = _reach(asked)
        further = next_prints(workshop, now, level=level, reach_c=reach_c)
    except InvalidError as error:
        fault, reach_c = fault or error, REACH_C
        further = next_prints(workshop, now, level=level, reach_c=reach_c)
    at("the conditions of every print", 2, STEPS_N)
    ranking = conditions_answer(workshop, now)
    at("the counts", 3, STEPS_N)
    groups: GroupsAnswer | None = None
    try:
        comparing = comparing_of(workshop, asked)
        groups = None if comparing.empty else groups_answer(workshop, now, comparing)
    except InvalidError as error:
        fault = fault or error
    found = report.answer
    bands = bands_answer(workshop, now)
    return {
        "fault": fault,
        "level": level,
        "levels": LEVELS,
        "report": report,
        "answer": found,
        "figure": risk_figure(report, level) if found.points else None,
        "fit": found.classical,
        "separated": hasattr(found.classical, "sentence"),
        "ranking": ranking,
        "conditions": causes_words.conditions_table(ranking, UNITS),
        "further": further,
        "bands": bands,
        "bands_table": causes_words.bands_table(bands.bands),
        "groups": groups,
        "groups_table": causes_words.groups_table(groups.found) if groups else None,
        "chosen": asked,
        "setting_names": [(name, unit) for name, unit in SETTINGS.values()],
        "results": workshop.record.results.all()[::-1],
        "questions": causes_words.QUESTIONS,
        "resins": resin_names(workshop),
        "machines": machine_names(workshop),
    }


#: The steps of :func:`content_of`.
STEPS_N = 4


class Address(Frozen):
    """What the address of the page may ask for, as it was typed."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    level: str = ""
    coldest: str = ""
    warmest: str = ""
    first: str = ""
    second: str = ""
    setting: str = ""
    above: str = ""


def _reach(asked: Address) -> tuple[float, float]:
    coldest = number_of(asked.coldest, "coldest")
    warmest = number_of(asked.warmest, "warmest")
    return (
        REACH_C[0] if coldest is None else coldest,
        REACH_C[1] if warmest is None else warmest,
    )


def comparing_of(workshop: Workshop, asked: Address) -> Comparing:
    """What is to be compared; empty when nothing was chosen."""
    resins = {str(id): name for id, name in resin_names(workshop).items()}
    return Comparing(
        first=resins.get(asked.first),
        second=resins.get(asked.second),
        setting=asked.setting or None,
        above=number_of(asked.above, "above"),
    )


# ---- accepting a plan, saving an answer ------------------------------------------------------


@router.post("/causes/plans")
def accept(workshop: WorkshopHere, now: Now, form: Filled) -> Response:
    """Accept the suggested round as a plan; its prints then wait on the Prints page."""
    wanted = Acceptance(
        machine=id_of(text_of(form, "machine"), "machine"),
        resin=id_of(text_of(form, "resin"), "resin"),
        level=number_of(text_of(form, "level"), "level") or DEFAULT_LEVEL,
        reach_c=_reach(Address(coldest=text_of(form, "coldest"), warmest=text_of(form, "warmest"))),
        fingerprint=text_of(form, "fingerprint") or None,
    )
    accept_plan(workshop, now, wanted)
    return onwards("/prints#planned")


@router.post("/causes/results")
def save(workshop: WorkshopHere, now: Now, form: Filled) -> Response:
    """Save an answer as it is now."""
    texts = {name: text_of(form, name) for name in Asked.model_fields}
    asked = checked(Asked, {name: text for name, text in texts.items() if text})
    try:
        question = Question(text_of(form, "question"))
    except ValueError:
        raise InvalidError(
            "there is no such question", where="question", remedy="Save from the Causes page."
        ) from None
    kept = save_result(workshop, question, asked, now)
    return onwards(f"/causes/results/{kept.id}")


@router.get("/causes/results/{result_id}")
def saved(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    result_id: Annotated[int, Path(ge=1, lt=2**63)],
) -> HTMLResponse:
    """A saved answer, and whether the log has changed since."""
    found = reopen(workshop, result_id, now)
    return sheets.page(
        "causes_result.html",
        "/causes",
        now,
        found=found,
        result=found.kept.entry,
        question=causes_words.QUESTIONS[found.kept.entry.question],
    )


def id_of(text: str, field: str) -> int:
    """An id that was chosen in a form. Raises ``InvalidError`` naming the field."""
    if not text.isdecimal() or len(text) > 18:
        raise InvalidError(f"no {field} was chosen", where=field, remedy="Choose one.")
    return int(text)


# ---- the chart -------------------------------------------------------------------------------


def risk_figure(report: ColdReport, level: float) -> Figure:
    """Points, curve, band and limit of an answer as a chart, and the same as a table."""
    found = report.answer
    points = [
        chart_rows.Point(
            point.temperature_c,
            point.failed_share,
            f"print {point.id}, {point.resin}, {words.number(point.temperature_c)} °C: "
            f"{words.share(point.failed_share)} failed",
        )
        for point in found.points
    ]
    limit = found.threshold
    threshold = chart_rows.Threshold(limit.lo_c, limit.mid_c, limit.hi_c) if limit else None
    return Figure(
        id="risk",
        shape="risk",
        words="Each print by its vat temperature in the first layers and the share of its parts "
        "that failed. Prints at one temperature are stacked. The dotted line across is "
        f"{words.one_in(level)}.",
        datasets=chart_rows.risk_datasets(points, curve_columns(found), threshold, level),
        table=risk_table(found),
        key=_KEY if found.curve and limit else _KEY[: 4 if found.curve else 3],
    )


def curve_columns(found: ColdAnswer) -> chart_rows.Columns:
    """The risk curve as columns; empty where none was fitted."""
    if found.curve is None:
        return {}
    return {
        "temperature": chart_rows.rounded(found.curve.temperature_c),
        "low": chart_rows.rounded(found.curve.lo, 4),
        "mid": chart_rows.rounded(found.curve.mid, 4),
        "high": chart_rows.rounded(found.curve.hi, 4),
    }


def risk_table(found: ColdAnswer) -> Table:
    """Prints, failures and the curve's risk by whole degrees."""
    degrees = sorted({int(point.temperature_c // 1) for point in found.points})
    rows = []
    for degree in degrees:
        inside = [p for p in found.points if int(p.temperature_c // 1) == degree]
        failed = sum(point.failed_share for point in inside)
        rows.append(
            (
                f"{words.number(degree, 0)} to {words.number(degree + 1, 0)} °C",
                str(len(inside)),
                words.number(failed, 0 if failed == round(failed) else 1),
                risk_within(found, degree),
            )
        )
    return Table(
        caption="Prints and failed plates by vat temperature, and the curve's risk in between",
        heads=("Vat temperature", "Prints", "Failed", "Risk (95 % interval)"),
        rows=tuple(rows),
    )


def risk_within(found: ColdAnswer, degree: int) -> str:
    """The curve at the middle of a whole degree, with its interval."""
    curve = found.curve
    if curve is None:
        return "no curve"
    nearest = min(
        range(len(curve.temperature_c)), key=lambda i: abs(curve.temperature_c[i] - degree - 0.5)
    )
    low, mid, high = (words.share(side[nearest]) for side in (curve.lo, curve.mid, curve.hi))
    return f"{mid} ({low} to {high})"
