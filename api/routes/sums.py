"""/api/causes/sums: questions whose answer takes long, begun, followed and cancelled."""

from __future__ import annotations

import dataclasses
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Path, Request, Response
from pydantic import ConfigDict, Field, JsonValue

from api.answers import print_rows
from api.prints import MOST_ID, Frozen
from api.problems import problems
from api.record import Question
from api.result_answers import Asked, as_tree, ask
from api.routes.asking import Now, TheWorkshop
from api.sums import At, Progress, State

router = APIRouter(prefix="/api/causes/sums", tags=["Causes"])

SumId = Annotated[int, Path(ge=1, le=MOST_ID, description="Its id.", examples=[1])]


class Begun(Frozen):
    """Which question to work out."""

    question: Question
    asked: Asked = Asked()


class SumShape(Frozen):
    """A sum under way or ended; `answer` is there once it is done."""

    model_config = ConfigDict(
        frozen=True,
        json_schema_extra={
            "example": {
                "id": 1,
                "state": "running",
                "step": "the log",
                "done_n": 0,
                "steps_n": 2,
                "answer": None,
            }
        },
    )

    id: int
    state: State
    step: str = Field(description="The step under way, or the last one.")
    done_n: int = Field(description="Steps that are done.")
    steps_n: int = Field(description="Steps in all.")
    answer: JsonValue = Field(None, description="As `/api/causes/results` would keep it.")


@router.post(
    "",
    summary="Begin a long sum",
    status_code=HTTPStatus.ACCEPTED,
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def begin(
    workshop: TheWorkshop,
    now: Now,
    request: Request,
    response: Response,
    begun: Annotated[Begun, Body(examples=[{"question": "conditions"}])],
) -> SumShape:
    """Works the answer out beside everything else; ask for it at the address in `Location`."""

    def work(at: At) -> object:
        at("the log", 0, 2)
        print_rows(workshop, now)
        at("the sum", 1, 2)
        return as_tree(ask(workshop, begun.question, begun.asked, now).answer)

    sum = workshop.sums.begin(("ask", begun), work)
    response.headers["Location"] = f"{request.url.path.rstrip('/')}/{sum.progress.id}"
    return _shape(sum.progress)


@router.get("/{id}", summary="How far a sum is", responses=problems(HTTPStatus.NOT_FOUND))
def follow(workshop: TheWorkshop, id: SumId) -> SumShape:
    """Its progress, and its answer once it is done; a fault of the question is the problem."""
    sum = workshop.sums.get(id)
    progress = sum.progress
    ended = progress.state in (State.DONE, State.FAILED)
    return _shape(progress, sum.result() if ended else None)


@router.post("/{id}/cancel", summary="Cancel a sum", responses=problems(HTTPStatus.NOT_FOUND))
def cancel(workshop: TheWorkshop, id: SumId) -> SumShape:
    """It ends at its next step; a sum that is done stays done."""
    sum = workshop.sums.get(id)
    sum.cancel()
    return _shape(sum.progress)


def _shape(progress: Progress, answer: object = None) -> SumShape:
    return SumShape.model_validate({**dataclasses.asdict(progress), "answer": answer})
