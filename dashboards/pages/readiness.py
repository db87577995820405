"""May I start? The advice for each machine on the Room page, and the owner's limits."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.responses import Response

from api.answers import Workshop
from api.checked import checked
from api.readiness import Advice, Readiness
from api.readiness_answers import readiness_of_all
from api.record import Limits
from dashboards import words
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import Filled, Now, number_of, onwards, text_of

router = APIRouter(include_in_schema=False)

#: The answer to "May I start?" in a word or two.
ANSWERS = {
    Advice.START: "Yes",
    Advice.WAIT: "Not yet",
    Advice.NOT_BY_ITSELF: "No: too cold",
    Advice.OUTSIDE_LIMITS: "No: outside your limits",
    Advice.NOT_KNOWN: "Not known",
}

#: The owner's limits as the form shows them: name, label, unit.
LIMIT_FIELDS = (
    ("vat_from_c", "Vat at least", "°C"),
    ("vat_to_c", "Vat at most", "°C"),
    ("humidity_to_pct", "Room humidity at most", "%RH"),
    ("chamber_from_c", "Heat chamber at least", "°C"),
)


@dataclass(frozen=True, slots=True)
class MachineAdvice:
    """One machine as the Room page shows it."""

    id: int
    found: Readiness
    answer: str
    limits: Limits

    @property
    def said(self) -> tuple[str, ...]:
        """The advice in words, without the caution that stands below all of them."""
        return self.found.sentences[:-1]


def advices(workshop: Workshop, now: datetime) -> list[MachineAdvice]:
    """The advice for every machine on which nothing runs."""
    busy = {kept.entry.machine for kept in workshop.record.prints.running()}
    limits = {kept.id: kept.entry.limits for kept in workshop.record.machines.all()}
    return [
        MachineAdvice(id, found, ANSWERS[found.advice], limits[id])
        for id, found in readiness_of_all(workshop, now)
        if id not in busy
    ]


#: What the live script puts in the place of an answer when a print was started meanwhile.
BUSY = "A print runs on it"


@router.get("/room/ready")
def ready_now(workshop: WorkshopHere, now: Now) -> dict[str, Any]:
    """The advice as the page says it: texts and paragraphs by place; the live script asks."""
    free = advices(workshop, now)
    texts = {f"ready-{kept.id}": BUSY for kept in workshop.record.machines.all()}
    texts |= {f"ready-{one.id}": one.answer for one in free}
    paragraphs: dict[str, list[str]] = {name.replace("ready", "advice"): [] for name in texts}
    paragraphs |= {f"advice-{one.id}": list(one.said) for one in free}
    texts |= {name.replace("ready", "short"): answer for name, answer in texts.items()}
    texts["ready-at"] = f"As of {words.moment(now, now)}"
    return {"texts": texts, "paragraphs": paragraphs}


@router.post("/room/limits/{machine_id}")
def set_limits(
    workshop: WorkshopHere, machine_id: Annotated[int, Path(ge=1, lt=2**63)], form: Filled
) -> Response:
    """Set the owner's limits of a machine; an empty field is no limit."""
    machine = workshop.record.machines.get(machine_id).entry
    values = {name: number_of(text_of(form, name), name) for name, _, _ in LIMIT_FIELDS}
    limits = checked(Limits, values)
    workshop.record.machines.change(machine_id, machine.model_copy(update={"limits": limits}))
    return onwards("/#ready")
