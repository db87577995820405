"""Resins and machines: what has to be on record before the first print."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from api.answers import Workshop
from api.checked import checked
from api.record import Machine, Resin
from collector.errors import ConflictError, InvalidError
from collector.readings import Role
from dashboards import words
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, number_of, onwards, text_of

router = APIRouter(include_in_schema=False)

#: Roles of the sensors that sit on a machine.
MACHINE_ROLES = (Role.VAT_TEMPERATURE, Role.PRINTER_POWER)


@router.get("/shelf")
def shelf(workshop: WorkshopHere, sheets: SheetsHere, now: Now) -> HTMLResponse:
    """What is on record, and a form for each kind."""
    return _show(workshop, sheets, now, {})


@router.post("/shelf/resins")
def add_resin(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a resin on record."""
    names = ("name", "category", "density_g_cm3", "price_per_kg", "note")
    texts = {f"resin-{name}": text_of(form, name) for name in names}
    try:
        values: dict[str, object] = {
            "name": texts["resin-name"],
            "category": texts["resin-category"],
            "note": texts["resin-note"],
            "density_g_cm3": number_of(texts["resin-density_g_cm3"], "density_g_cm3"),
            "price_per_kg": number_of(texts["resin-price_per_kg"], "price_per_kg"),
        }
        workshop.record.resins.add(checked(Resin, values))
    except (InvalidError, ConflictError) as fault:
        return _show(workshop, sheets, now, texts, fault=fault)
    return onwards("/shelf?kept=resin")


@router.post("/shelf/machines")
def add_machine(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a machine on record, with the sensors that sit on it from the beginning."""
    texts = {f"machine-{name}": text_of(form, name) for name in ("name", "note", *MACHINE_ROLES)}
    links = [
        {"channel": text_of(form, role), "role": role}
        for role in MACHINE_ROLES
        if text_of(form, role)
    ]
    try:
        values = {"name": text_of(form, "name"), "note": text_of(form, "note"), "channels": links}
        workshop.record.machines.add(checked(Machine, values))
    except (InvalidError, ConflictError) as fault:
        return _show(workshop, sheets, now, texts, fault=fault)
    return onwards("/shelf?kept=machine")


def _show(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    texts: Mapping[str, str],
    *,
    fault: InvalidError | ConflictError | None = None,
) -> HTMLResponse:
    return sheets.page(
        "shelf.html",
        "/prints",
        now,
        status=fault.status if fault else 200,
        texts=texts,
        fault=fault,
        resins=workshop.record.resins.all(),
        machines=workshop.record.machines.all(),
        sensors={
            role: [channel for channel in workshop.settings.channels if channel.role is role]
            for role in MACHINE_ROLES
        },
        roles=words.ROLES,
    )
