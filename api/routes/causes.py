"""/api/causes: which conditions failures go with."""

from __future__ import annotations

import enum
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import ConfigDict, Field

from api import answers
from api.causes.answer import ColdAnswer
from api.causes.classical import F_AT_0_C, F_PER_C, ClassicalFit, RiskAt
from api.prints import Frozen
from api.problems import problems
from api.routes.asking import Now, TheWorkshop

router = APIRouter(prefix="/api/causes", tags=["Causes"])


class Unit(enum.StrEnum):
    """The unit in which a temperature is asked about."""

    CELSIUS = "C"
    FAHRENHEIT = "F"


class ColdShape(Frozen):
    """Whether failures go with cold resin, with everything the answer rests on.

    Association, not cause. `answer.classical` is the plain logistic fit in °C and °F, for
    those who know it; the answer does not rest on it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=True)

    answer: ColdAnswer
    measured_n: int = Field(description="Prints whose temperature was measured.", examples=[41])
    noted_n: int = Field(description="Prints whose temperature was noted by hand.", examples=[0])
    asked: RiskAt | None = Field(
        description="Risk by the classical fit at the temperature asked about; `extrapolated` "
        "and `note` say when it lies beyond the log."
    )


@router.get(
    "/vat-temperature",
    summary="Was it the cold?",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def vat_temperature(
    workshop: TheWorkshop,
    now: Now,
    level: Annotated[
        float, Query(ge=0.05, le=0.5, description="The share of failures the limit is for.")
    ] = 0.2,
    at: Annotated[
        float | None,
        Query(
            ge=-200,
            le=500,
            allow_inf_nan=False,
            description="A temperature to ask the classical fit about.",
            examples=[18],
        ),
    ] = None,
    unit: Annotated[Unit, Query(description="The unit of `at`.")] = Unit.CELSIUS,
) -> ColdShape:
    """Risk of failure against vat temperature in the first layers, with its interval.

    The answer keeps quiet where the record cannot say; `sentences` are the answer in words.
    """
    report = answers.cold_answer(workshop, level, now)
    fit = report.answer.classical
    asked = None
    if at is not None and isinstance(fit, ClassicalFit):
        at_c = at if unit is Unit.CELSIUS else (at - F_AT_0_C) / F_PER_C
        asked = fit.risk_at(at_c)
    return ColdShape(
        answer=report.answer,
        measured_n=len(report.rows) - report.noted_n,
        noted_n=report.noted_n,
        asked=asked,
    )
