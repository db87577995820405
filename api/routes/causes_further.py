"""/api/causes beyond the vat: other conditions, the next prints, exact small tables."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import ConfigDict, Field

from api.answers import Workshop
from api.causes.next_prints import REACH_C
from api.causes.ranking import Ranking
from api.causes_answers import (
    BAND_C,
    UNITS,
    BandsAnswer,
    Comparing,
    GroupsAnswer,
    bands_answer,
    conditions_answer,
    groups_answer,
)
from api.plan_answers import NextPrints, next_prints
from api.prints import MOST_ID, Frozen
from api.problems import problems
from api.routes.asking import Now, TheWorkshop

router = APIRouter(prefix="/api/causes", tags=["Causes"])

Level = Annotated[
    float, Query(ge=0.05, le=0.5, description="The share of failures the limit is for.")
]
Coldest = Annotated[
    float, Query(ge=-20, le=80, description="Coldest vat you can reach and accept [°C].")
]
Warmest = Annotated[
    float, Query(ge=-20, le=80, description="Warmest vat you can reach and accept [°C].")
]


class ConditionsShape(Frozen):
    """Which conditions failures go with. Association, not cause; no random step, so no seed."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=True)

    ranking: Ranking
    units: dict[str, str] = Field(
        description="The unit of each condition and setting by name.",
        examples=[{"vat temperature": "°C", "normal exposure": "s"}],
    )


@router.get("/conditions", summary="What else goes with failures?", responses=problems())
def conditions(workshop: TheWorkshop, now: Now) -> ConditionsShape:
    """Up to a dozen conditions, fixed before any outcome is looked at, in order of their link.

    Those flagged in the lead set are one finding: they cannot be told apart in this log. The
    layer count is not among the settings: it belongs to the plate, not to the machine.
    """
    return ConditionsShape(ranking=conditions_answer(workshop, now), units=dict(UNITS))


@router.get(
    "/next-prints",
    summary="What should I print next?",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def what_next(
    workshop: TheWorkshop,
    now: Now,
    level: Level = 0.2,
    coldest_c: Coldest = REACH_C[0],
    warmest_c: Warmest = REACH_C[1],
) -> NextPrints:
    """Three prints cold and three warm, in random order, after which the limit is known best.

    `comparison` judges the prints of the plans that were accepted before, which were drawn at
    random. `POST /api/causes/plans` accepts the plan.
    """
    return next_prints(workshop, now, level=level, reach_c=(coldest_c, warmest_c))


@router.get(
    "/bands",
    summary="Failures by band of vat temperature",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def bands(
    workshop: TheWorkshop,
    now: Now,
    width_c: Annotated[
        float, Query(ge=0.5, le=20, description="How wide a band is [°C].")
    ] = BAND_C,
) -> BandsAnswer:
    """Prints and failures in each band, the failing share with Wilson's interval."""
    return bands_answer(workshop, now, width_c=width_c)


class GroupsShape(Frozen):
    """Two groups of prints compared. A ratio without an upper end is null there."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=True, ser_json_inf_nan="null"
    )

    compared: GroupsAnswer


@router.get(
    "/two-groups",
    summary="Compare two resins or two settings",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def two_groups(
    workshop: TheWorkshop,
    now: Now,
    first: Annotated[
        int | None, Query(ge=1, le=MOST_ID, description="A resin's id.", examples=[1])
    ] = None,
    second: Annotated[
        int | None, Query(ge=1, le=MOST_ID, description="Another resin's id.", examples=[2])
    ] = None,
    setting: Annotated[
        str | None,
        Query(max_length=80, description="Instead: a setting.", examples=["normal exposure"]),
    ] = None,
    above: Annotated[
        float | None,
        Query(ge=-1e9, le=1e9, description="The value that parts its prints.", examples=[2.5]),
    ] = None,
) -> GroupsShape:
    """Fisher's exact test, Newcombe's difference, Mantel-Haenszel across strata.

    Resins are compared within bands of vat temperature, settings within resins; a comparison
    that turns round there is pointed out.
    """
    comparing = Comparing(_name(workshop, first), _name(workshop, second), setting, above)
    return GroupsShape(compared=groups_answer(workshop, now, comparing))


def _name(workshop: Workshop, resin: int | None) -> str | None:
    return None if resin is None else workshop.record.resins.get(resin).entry.name
