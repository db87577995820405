"""/api/causes/results: answers that were saved, held against the log as it is now."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Request, Response
from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.prints import Frozen
from api.problems import problems
from api.record import Question, Result
from api.result_answers import Asked, reopen, save_result
from api.routes import asking
from api.routes.asking import EntryId, Key, Now, TheWorkshop
from api.routes.shapes import EVENING, ON_RECORD, OnRecord

router = APIRouter(prefix="/api/causes/results", tags=["Causes"])

RESULT: JsonDict = {
    "question": "vat_temperature",
    "asked": {"level": 0.2},
    "saved": EVENING,
    "sentences": ["Failures go with cold resin in your log: 60 prints, 12 failures."],
    "method": "Firth likelihood-ratio and circular-shift tests",
    "version": "1",
    "fingerprint": "0123456789abcdef",
    "answer": {"verdict": "between two bounds"},
    "note": "",
}


class ResultOnRecord(Result, OnRecord):
    """A saved result on record."""

    model_config = ConfigDict(json_schema_extra={"example": {**RESULT, **ON_RECORD}})


class ReopenedShape(Frozen):
    """A saved result beside the log as it is now."""

    result: ResultOnRecord
    log_changed: bool
    said: str = Field(examples=["The log has changed since."])
    sentences_now: tuple[str, ...] = Field(description="Today's answer, where it may differ.")


class Saving(Frozen):
    """Which answer to save."""

    question: Question
    asked: Asked = Asked()
    note: str = Field("", max_length=10_000)


@router.get("", summary="List the saved results", responses=problems())
def list_results(workshop: TheWorkshop) -> list[ResultOnRecord]:
    """Oldest first, as they were when they were saved."""
    return [asking.on_record(ResultOnRecord, kept) for kept in workshop.record.results.all()]


@router.post(
    "",
    summary="Save an answer as it is now",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def save(
    workshop: TheWorkshop,
    now: Now,
    request: Request,
    response: Response,
    saving: Annotated[Saving, Body(examples=[{"question": "vat_temperature"}])],
    key: Key = None,
) -> ResultOnRecord:
    """The answer is worked out here and kept whole, with the mark of what it rests on."""
    kept = save_result(workshop, saving.question, saving.asked, now, note=saving.note, key=key)
    asking.made(request, response, kept)
    return asking.on_record(ResultOnRecord, kept)


@router.get("/{id}", summary="Open a saved result", responses=problems(HTTPStatus.NOT_FOUND))
def open_result(workshop: TheWorkshop, now: Now, response: Response, id: EntryId) -> ReopenedShape:
    """As it was saved, and whether the log has changed since."""
    found = reopen(workshop, id, now)
    asking.tag(response, found.kept)
    return ReopenedShape(
        result=asking.on_record(ResultOnRecord, found.kept),
        log_changed=found.log_changed,
        said=found.said,
        sentences_now=found.sentences_now,
    )


@router.delete(
    "/{id}",
    summary="Delete a saved result",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_result(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """What stood there is kept among the revisions of the record."""
    workshop.record.results.delete(id, revision=revision)
