"""Sensors and their calibrations: a guided entry that works by its address and forms alone.

What was typed or taken so far stands in the page's address until it is put on record, so that
the page can be looked at again, reloaded and gone back to while a sensor settles.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from fastapi.responses import HTMLResponse, Response

from api.answers import Workshop
from api.calibrating import (
    Preview,
    SeenPoint,
    Sightings,
    Steadiness,
    points_of,
    preview,
    steadiness,
)
from api.checked import checked
from api.record import Calibration, CalibrationKind, FoundBy
from collector.channels import Channel
from collector.errors import ConflictError, InvalidError
from collector.readings import Role, moment_of
from dashboards import words
from dashboards.pages.workshop import WorkshopHere
from dashboards.refusal import refusal_of
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, number_of, onwards, text_of, time_of
from dashboards.traces import label_of

router = APIRouter(include_in_schema=False)

ChannelId = Annotated[str, Path(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
Refusal = InvalidError | ConflictError

#: Fields of the guided entry, in the order of the page.
NUMBERS = (
    "ice_read_c",
    "pressure_hpa",
    "height_m",
    "sea_level_hpa",
    "boiling_read_c",
    "reference_read",
    "reference_true",
)
FIELDS = (*NUMBERS, "valid_from", "note")

#: The fields as the page calls them.
LABELS = {
    "ice_read_c": "It read in ice water",
    "pressure_hpa": "Air pressure",
    "height_m": "Height above sea level",
    "sea_level_hpa": "The weather report’s pressure",
    "boiling_read_c": "It read in boiling water",
    "reference_read": "This sensor read",
    "reference_true": "The other one showed",
    "valid_from": "It holds from",
    "note": "Note",
}

#: The field that each button fills with the mean of the last minutes.
TAKES = {"ice": "ice_read_c", "boiling": "boiling_read_c", "reference": "reference_read"}

KINDS = {
    CalibrationKind.OFFSET: "shifts every reading by the same",
    CalibrationKind.TWO_POINT: "a straight line through two points",
    CalibrationKind.SEVERAL_POINT: "straight lines through its points",
}
FOUND = {
    FoundBy.ICE_POINT: "ice point",
    FoundBy.BOILING_POINT: "boiling point",
    FoundBy.REFERENCE_INSTRUMENT: "another instrument",
    FoundBy.SATURATED_SALT: "saturated salt",
    FoundBy.OTHER: "another way",
}

#: Readings of the last minutes that are listed.
LISTED_N = 8

#: Where a probe has lain in resin, and where it comes out of heat.
IN_RESIN = (Role.VAT_TEMPERATURE,)
IN_HEAT = (Role.CHAMBER_TEMPERATURE, Role.SPECIMEN_TEMPERATURE)


@dataclass(frozen=True, slots=True)
class SensorLine:
    """One channel in the list, with what it reads and what corrects it now."""

    id: str
    label: str
    value: str
    correction: str


@router.get("/sensors")
def sensors(workshop: WorkshopHere, sheets: SheetsHere, now: Now) -> HTMLResponse:
    """Every channel with its correction in force."""
    latest = workshop.newest(now)
    lines = []
    for channel in workshop.settings.channels:
        reading = latest.get(channel.id)
        value = words.value(reading.value if reading else None, channel.role.unit)
        held = [
            kept.entry
            for kept in workshop.record.calibrations.of(channel.id)
            if kept.entry.valid_from <= now
        ]
        said = f"corrected since {words.moment(held[-1].valid_from, now)}" if held else ""
        label = label_of(channel)
        lines.append(SensorLine(channel.id, label, f"{value} {channel.role.unit}", said))
    return sheets.page("sensors.html", "/health", now, lines=lines)


@router.get("/sensors/{channel_id}")
def sensor(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, request: Request, channel_id: ChannelId
) -> HTMLResponse:
    """One sensor: what it reads, the guided entry as far as it has come, its calibrations."""
    channel = workshop.settings.channel(channel_id)
    asked = request.query_params
    texts = {name: text_of(asked, name) for name in FIELDS}
    found = steadiness(workshop, channel, now)
    field = TAKES.get(text_of(asked, "take"))
    if field is not None and found.mean is not None:
        texts[field] = f"{found.mean:.2f}"
    hasty = found.why_not if field is not None else None
    seen, fault = None, None
    if text_of(asked, "preview"):
        try:
            entry, points = entered(channel, texts, now)
            seen = preview(workshop, channel, entry, points)
        except (InvalidError, ConflictError) as refusal:
            fault = refusal
    done = text_of(asked, "done")
    return _show(
        workshop,
        sheets,
        now,
        channel,
        texts,
        found,
        seen=seen,
        hasty=hasty,
        fault=fault,
        done=done,
    )


@router.get("/sensors/{channel_id}/now")
def sensor_now(workshop: WorkshopHere, now: Now, channel_id: ChannelId) -> dict[str, Any]:
    """How steady it is, in words; asked for by the live script."""
    channel = workshop.settings.channel(channel_id)
    found = steadiness(workshop, channel, now)
    return {"texts": steadiness_texts(found, channel, now), "marks": {}}


@router.post("/sensors/{channel_id}/calibrations")
def enter(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, channel_id: ChannelId, form: Filled
) -> Response:
    """Put the calibration that was shown on record."""
    channel = workshop.settings.channel(channel_id)
    texts = {name: text_of(form, name) for name in FIELDS}
    try:
        entry, _ = entered(channel, texts, now)
        workshop.record.calibrations.add(entry)
    except (InvalidError, ConflictError) as fault:
        found = steadiness(workshop, channel, now)
        return _show(workshop, sheets, now, channel, texts, found, fault=fault)
    return onwards(f"/sensors/{channel_id}?done=entered")


@router.post("/sensors/{channel_id}/calibrations/{calibration_id}/delete")
def take_back(
    workshop: WorkshopHere,
    channel_id: ChannelId,
    calibration_id: Annotated[int, Path(ge=1, lt=2**63)],
) -> Response:
    """Take a calibration off the record; what was received is as it was, and so is the rest."""
    ledger = workshop.record.calibrations
    if ledger.get(calibration_id).entry.channel != channel_id:
        raise InvalidError(
            f"calibration {calibration_id} belongs to another channel",
            where="calibration",
            remedy="Reload the page.",
        )
    ledger.delete(calibration_id)
    return onwards(f"/sensors/{channel_id}?done=back")


def entered(
    channel: Channel, texts: Mapping[str, str], now: datetime
) -> tuple[Calibration, tuple[SeenPoint, ...]]:
    """The calibration that a filled-in form describes; an empty date means from now on."""
    seen = Sightings(**{name: number_of(texts.get(name, ""), name) for name in NUMBERS})
    points = points_of(seen)
    values = {
        "channel": channel.id,
        "valid_from": time_of(texts.get("valid_from", ""), "valid_from") or now,
        "pairs": [point.pair for point in points],
        "note": "; ".join(filter(None, (texts.get("note", ""), *_sources(points)))),
    }
    return checked(Calibration, values), points


def _sources(points: tuple[SeenPoint, ...]) -> list[str]:
    """Where the boiling point came from: it is not to be told from the pair alone."""
    return [point.source for point in points if point.pair.found is FoundBy.BOILING_POINT]


def steadiness_texts(found: Steadiness, channel: Channel, now: datetime) -> dict[str, str]:
    """How steady a sensor is, in words by name."""
    unit = channel.role.unit
    newest = found.readings[0] if found.readings else None
    return {
        "newest": "–" if newest is None else f"{words.number(newest.value, 2)} {unit}",
        "newest-at": "" if newest is None else words.moment(moment_of(newest.time_ms), now),
        "mean": f"{words.number(found.mean, 2)} {unit}",
        "spread": f"{words.number(found.spread, 2)} {unit}",
        "over": f"{words.count(len(found.readings), 'reading')} in {words.length(found.over_s)}",
        "settled": "It has settled." if found.why_not is None else f"Not yet: {found.why_not}.",
    }


def _show(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    channel: Channel,
    texts: Mapping[str, str],
    found: Steadiness,
    *,
    seen: Preview | None = None,
    hasty: str | None = None,
    fault: Refusal | None = None,
    done: str = "",
) -> HTMLResponse:
    return sheets.page(
        "sensor.html",
        "/health",
        now,
        status=fault.status if fault else 200,
        channel=channel,
        unit=channel.role.unit,
        label=label_of(channel),
        fixed_points=channel.role.unit == "°C",
        in_resin=channel.role in IN_RESIN,
        in_heat=channel.role in IN_HEAT,
        live=steadiness_texts(found, channel, now),
        listed=[(moment_of(one.time_ms), one) for one in found.readings[:LISTED_N]],
        texts=texts,
        seen=seen,
        hasty=hasty,
        wrong=refusal_of(fault, LABELS),
        done=done,
        calibrations=list(reversed(workshop.record.calibrations.of(channel.id))),
        kinds=KINDS,
        found_by=FOUND,
    )
