"""/api/soaks/…: ready-made programs, their length, and what all runs together say."""

from __future__ import annotations

from datetime import datetime, timedelta
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Query
from pydantic import Field

from api.likelihood import Interval
from api.prints import Frozen
from api.problems import problems
from api.routes.asking import Now, TheWorkshop
from api.routes.shapes import SOAK, sent
from api.soak.finishing import ROOM_C, estimated_min
from api.soak.program import READY_MADE, Program
from api.soak_results import (
    Approach,
    ChamberReport,
    HeatOfResin,
    chamber_of,
    chambers,
    heat_results,
)

router = APIRouter(prefix="/api/soaks", tags=["Soak bench"])


class EstimateShape(Frozen):
    """How long a program will take, the cooling down left out."""

    minutes: float
    finishing: datetime
    from_c: float = Field(description="Where the chamber is thought to start [°C].")
    tau_s: float | None = Field(
        description="Time constant of the chamber from its runs [s]; null: a usual ramp instead."
    )
    residual_k: float | None = Field(description="How far its readings lie from such a curve.")


class AtSetpointShape(Frozen):
    """What a chamber did at one setpoint, over all steps that were done."""

    setpoint_c: float
    steps: int
    off_k: float = Field(description="Measured mean less setpoint.")
    off_sd_k: float | None = Field(description="Its standard deviation from step to step.")
    overshoot_k: float
    settle_min: float = Field(description="Median time from the beginning of the step.")
    spread_k: float | None = Field(description="The furthest its probes stood apart.")


class ApproachShape(Frozen):
    """One approach to a step, with the lag fitted to it."""

    soak: int
    step: int
    setpoint_c: float
    from_c: float
    minutes: float
    tau_s: float | None
    residual_k: float
    refusal: str | None = Field(description="Why the curve must not be used to look ahead.")


class ChamberShape(Frozen):
    """How far one chamber can be trusted, by what its probes measured."""

    channels: tuple[str, ...]
    runs: int
    error_sd_k: float | None = Field(
        description="Of its error from step to step; null before a setpoint was held twice."
    )
    tau_s: float | None = Field(description="Median over the approaches that a curve fits.")
    residual_k: float | None
    setpoints: tuple[AtSetpointShape, ...]
    approaches: tuple[ApproachShape, ...]


class IntervalShape(Frozen):
    """A 95 % interval; an end that is null is not bounded."""

    low: float | None
    high: float | None


class SurvivedShape(Frozen):
    """The highest measured temperature that every specimen survived."""

    temperature_c: float
    parts: int
    at_least_share: float = Field(
        description="With 95 % confidence at least this share of such parts would."
    )


class TestedShape(Frozen):
    """One specimen: it gave way above `low_c` and up to `high_c`; null where not known."""

    soak: int
    run: str
    specimen: str
    low_c: float | None
    high_c: float | None


class ResinHeatShape(Frozen):
    """What heat one resin stood over all runs."""

    resin: int
    name: str
    parts: int
    runs: int
    failed: int
    highest_setpoint_c: float | None = Field(description="Held by every specimen.")
    survived: SurvivedShape | None
    median_c: float | None = Field(description="At which half of such parts have given way.")
    interval: IntervalShape | None
    one_run: bool = Field(description="All parts share one run; three runs of 2 or 3 tell more.")
    refusal: str | None
    tested: tuple[TestedShape, ...]


class DifferenceShape(Frozen):
    """Median of `second` less that of `first` [K]."""

    first: str
    second: str
    difference_k: float
    interval: IntervalShape
    p_holm: float
    flagged: bool = Field(description="Whether the two are told apart, after Holm.")


class HeatShape(Frozen):
    """Every resin that was soaked, and the differences between them."""

    resins: tuple[ResinHeatShape, ...]
    differences: tuple[DifferenceShape, ...]
    chamber_sd_k: float
    chamber_sd_measured: bool
    left_out: dict[str, int] = Field(description="Specimens in no figure, by the reason.")


@router.get("/programs", summary="List the ready-made programs", responses=problems())
def list_programs() -> list[Program]:
    """To start from. Their notes say whose values they take; none of them is that test."""
    return list(READY_MADE)


@router.post(
    "/estimate",
    summary="Estimate how long a program takes",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def estimate(
    workshop: TheWorkshop,
    now: Now,
    program: Annotated[Program, Body(examples=[SOAK["program"]])],
    chamber: Annotated[
        list[str] | None, Query(description="Channels of the chamber's probes.")
    ] = None,
    from_c: Annotated[float, Query(ge=-100, le=500, description="Where it starts [°C].")] = ROOM_C,
) -> EstimateShape:
    """From the chamber's own lag where earlier runs have shown it, started now."""
    report = chamber_of(workshop, chamber, now) if chamber else None
    tau_s = report.tau_s if report else None
    minutes = estimated_min(program, from_c, tau_s=tau_s)
    return EstimateShape(
        minutes=minutes,
        finishing=now + timedelta(minutes=minutes),
        from_c=from_c,
        tau_s=tau_s,
        residual_k=report.residual_k if report else None,
    )


@router.get("/chambers", summary="How far each chamber can be trusted", responses=problems())
def list_chambers(workshop: TheWorkshop, now: Now) -> list[ChamberShape]:
    """From all runs: measured less setpoint, overshoot, time to settle, spread of its probes."""
    return [_chamber(report) for report in chambers(workshop, now)]


@router.get("/results", summary="What heat each resin stood", responses=problems())
def get_results(workshop: TheWorkshop, now: Now) -> HeatShape:
    """Over all runs: highest step all survived, median failure temperature, differences."""
    found = heat_results(workshop, now)
    return sent(
        HeatShape,
        found,
        resins=tuple(map(_resin, found.resins)),
        differences=tuple(
            sent(DifferenceShape, one, interval=_interval(one.interval))
            for one in found.differences
        ),
        left_out=dict(found.left_out),
    )


def _chamber(report: ChamberReport) -> ChamberShape:
    return sent(
        ChamberShape,
        report,
        setpoints=tuple(sent(AtSetpointShape, line) for line in report.lines),
        approaches=tuple(map(_approach, report.approaches)),
    )


def _approach(approach: Approach) -> ApproachShape:
    lag = approach.lag
    return sent(
        ApproachShape,
        approach,
        tau_s=lag.tau_s if lag.tau_s == lag.tau_s else None,  # NaN where nothing was fitted
        residual_k=lag.residual_k,
        refusal=lag.refusal,
    )


def _resin(found: HeatOfResin) -> ResinHeatShape:
    median = found.median
    return sent(
        ResinHeatShape,
        median,
        resin=found.resin,
        name=found.name,
        highest_setpoint_c=found.highest_setpoint_c,
        survived=None if median.survived is None else sent(SurvivedShape, median.survived),
        interval=_interval(median.interval),
        tested=tuple(
            sent(
                TestedShape,
                one,
                low_c=_finite(one.bracket.low_c),
                high_c=_finite(one.bracket.high_c),
            )
            for one in found.tested
        ),
    )


def _interval(interval: Interval | None) -> IntervalShape | None:
    return None if interval is None else IntervalShape(low=interval.low, high=interval.high)


def _finite(value: float) -> float | None:
    return value if abs(value) < float("inf") else None
