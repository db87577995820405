"""/api/calibrations: what the channels' readings are corrected by, and from when on."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Query, Request, Response
from pydantic import ConfigDict, computed_field
from pydantic.config import JsonDict

from api.answers import Workshop
from api.problems import problems
from api.record import Calibration, CalibrationKind, Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Patch, TheWorkshop
from api.routes.shapes import EVENING, ON_RECORD, OnRecord
from collector.errors import InvalidError, NotFoundError

router = APIRouter(prefix="/api/calibrations", tags=["Calibrations"])

CALIBRATION: JsonDict = {
    "channel": "vat-north",
    "valid_from": EVENING,
    "pairs": [
        {"read": 0.4, "true": 0, "found": "ice_point"},
        {"read": 99.1, "true": 99.63, "found": "boiling_point"},
    ],
    "note": "barometer at 1000 hPa",
}


class CalibrationOnRecord(Calibration, OnRecord):
    """A calibration on record."""

    model_config = ConfigDict(
        json_schema_extra={"example": {**CALIBRATION, **ON_RECORD, "kind": "two_point"}}
    )

    @computed_field(alias="kind", description="What the number of its pairs makes of it.")
    def kind_of_correction(self) -> CalibrationKind:
        """What the number of its pairs makes of it."""
        return self.kind


@router.get("", summary="List the calibrations", responses=problems())
def list_calibrations(
    workshop: TheWorkshop,
    channel: Annotated[
        str | None, Query(description="Only those of this channel.", examples=["vat-north"])
    ] = None,
) -> list[CalibrationOnRecord]:
    """By channel, earliest first. Each holds until the next one of its channel."""
    ledger = workshop.record.calibrations
    found = ledger.all() if channel is None else ledger.of(channel)
    return [asking.on_record(CalibrationOnRecord, kept) for kept in found]


@router.post(
    "",
    summary="Put a calibration on record",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_calibration(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    calibration: Annotated[Calibration, Body(examples=[CALIBRATION])],
    key: Key = None,
) -> CalibrationOnRecord:
    """Dated back it takes effect on old readings, everywhere and at once.

    What was received is never rewritten. `read` is what the channel read before any
    correction: `converted` of `/api/readings?raw=true`.
    """
    check_channel(workshop, calibration.channel)
    kept = workshop.record.calibrations.add(calibration, key=key)
    asking.made(request, response, kept)
    return asking.on_record(CalibrationOnRecord, kept)


@router.get("/{id}", summary="Get a calibration", responses=problems(HTTPStatus.NOT_FOUND))
def get_calibration(workshop: TheWorkshop, response: Response, id: EntryId) -> CalibrationOnRecord:
    """One calibration, its revision as ETag."""
    kept = workshop.record.calibrations.get(id)
    asking.tag(response, kept)
    return asking.on_record(CalibrationOnRecord, kept)


@router.patch(
    "/{id}",
    summary="Correct a calibration",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Calibration, valid_from=EVENING),
)
def correct_calibration(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> CalibrationOnRecord:
    """What stood before is kept among its revisions."""
    if isinstance(channel := patch.get("channel"), str):
        check_channel(workshop, channel)
    kept = asking.corrected(workshop, workshop.record.calibrations, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(CalibrationOnRecord, kept)


@router.delete(
    "/{id}",
    summary="Delete a calibration",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_calibration(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """Readings are as they were without it, to the last bit; what stood there is kept."""
    workshop.record.calibrations.delete(id, revision=revision)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a calibration",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def calibration_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted calibration."""
    return workshop.record.calibrations.revisions(id)


def check_channel(workshop: Workshop, channel: str) -> None:
    """Raise ``InvalidError`` for a channel that is not in the settings and has no reading."""
    try:
        workshop.settings.channel(channel)
    except NotFoundError as fault:
        if channel not in workshop.store.channels():
            raise InvalidError(fault.what, where="channel", remedy=fault.remedy) from None
