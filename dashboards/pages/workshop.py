"""What every page needs from the app: the workshop it speaks of, and names for ids."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request

from api.answers import Workshop


def workshop_of(request: Request) -> Workshop:
    """The workshop of this app."""
    workshop: Workshop = request.app.state.workshop
    return workshop


WorkshopHere = Annotated[Workshop, Depends(workshop_of)]


def resin_names(workshop: Workshop) -> dict[int, str]:
    """The name of every resin on record, by id, in the order of their names."""
    return {resin.id: resin.entry.name for resin in workshop.record.resins.all()}


def machine_names(workshop: Workshop) -> dict[int, str]:
    """The name of every machine on record, by id, in the order of their names."""
    return {machine.id: machine.entry.name for machine in workshop.record.machines.all()}
