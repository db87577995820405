"""What is kept on record beside prints and soak runs: resins, machines, looks, revisions."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Generic, TypeVar

from pydantic import BaseModel, Field, JsonValue, model_validator

from api.prints import MOST_ID, Frozen, Instant
from api.settings_check import Guidance
from api.soak.program import Look
from collector.readings import Role

M_co = TypeVar("M_co", bound=BaseModel, covariant=True)

Name = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^\S(.*\S)?$")]
Note = Annotated[str, Field(max_length=10_000)]
ChannelId = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]


class Resin(Frozen):
    """A resin: name (given once), maker's category, density [g/cm³], price per kg, note.

    ``guidance`` is what its maker prints on it.
    """

    name: Name
    category: str = Field("", max_length=80)
    density_g_cm3: float | None = Field(None, gt=0, le=5)
    price_per_kg: float | None = Field(None, ge=0, le=1e6)
    guidance: Guidance = Guidance()
    note: Note = ""


class ChannelLink(Frozen):
    """Which sensor channel belongs to a machine, and when: [since, until). Sensors move.

    ``since`` None means from the beginning, ``until`` None means still.
    """

    channel: ChannelId
    role: Role
    since: Instant | None = None
    until: Instant | None = None

    @model_validator(mode="after")
    def _ends_after_it_starts(self) -> ChannelLink:
        if self.since is not None and self.until is not None and self.until <= self.since:
            raise ValueError("the link ends after it starts; check both times and their zone")
        return self

    def holds(self, moment: datetime) -> bool:
        """Whether the channel belonged to the machine at a moment."""
        return (self.since is None or self.since <= moment) and (
            self.until is None or moment < self.until
        )

    def overlaps(self, other: ChannelLink) -> bool:
        """Whether there is a moment at which both links hold."""
        return not (
            (self.until is not None and other.since is not None and self.until <= other.since)
            or (other.until is not None and self.since is not None and other.until <= self.since)
        )


class Limits(Frozen):
    """What the owner wants to hold before a print is started; None where no limit was set.

    ``vat_from_c`` and ``vat_to_c`` bound the resin in the vat [°C]; the lower one stands until
    the log has taught a limit. ``humidity_to_pct`` is the most humid room [%RH], ``chamber_from_c``
    the coldest heat chamber that a plate may be started for [°C].
    """

    vat_from_c: float | None = Field(None, ge=-20, le=80)
    vat_to_c: float | None = Field(None, ge=-20, le=80)
    humidity_to_pct: float | None = Field(None, gt=0, le=100)
    chamber_from_c: float | None = Field(None, ge=-20, le=200)

    @model_validator(mode="after")
    def _leaves_room(self) -> Limits:
        low, high = self.vat_from_c, self.vat_to_c
        if low is not None and high is not None and high <= low:
            raise ValueError("the vat's upper limit lies below its lower one; exchange them")
        return self


class Machine(Frozen):
    """A printer: name (given once), channels of its sensors with their dates, limits, note."""

    name: Name
    channels: tuple[ChannelLink, ...] = Field((), max_length=1_000)
    limits: Limits = Limits()
    note: Note = ""

    @model_validator(mode="after")
    def _one_link_at_a_time(self) -> Machine:
        for number, link in enumerate(self.channels):
            for other in self.channels[:number]:
                if link.channel == other.channel and link.overlaps(other):
                    raise ValueError(
                        f"channel {link.channel} is linked twice over the same time; "
                        "end the earlier link"
                    )
                if link.role == other.role and link.overlaps(other):
                    raise ValueError(
                        f"{other.channel} and {link.channel} are both the machine's {link.role} "
                        "over the same time; end the earlier link"
                    )
        return self

    def link(self, role: Role, moment: datetime) -> ChannelLink | None:
        """The link of the channel that measured a role on this machine at a moment, if any."""
        for link in self.channels:
            if link.role == role and link.holds(moment):
                return link
        return None

    def channel(self, role: Role, moment: datetime) -> str | None:
        """The channel that measured a role on this machine at a moment, if there was one."""
        link = self.link(role, moment)
        return None if link is None else link.channel


class LoggedLook(Look):
    """A look as the record keeps it: with the run (``soak``) in which it was taken."""

    soak: int = Field(ge=1, le=MOST_ID)


@dataclass(frozen=True, slots=True)
class Kept(Generic[M_co]):
    """Something on record: its id, its revision (1 when new), when that was made, and itself."""

    id: int
    revision: int
    changed: datetime
    entry: M_co


@dataclass(frozen=True, slots=True)
class Revision:
    """What stood on record before a change: revision number, what replaced it, and when.

    ``change`` is ``corrected`` or ``deleted``; ``before`` is the entry as JSON holds it.
    """

    kind: str
    id: int
    revision: int
    changed: datetime
    change: str
    before: dict[str, JsonValue]


def as_json(entry: BaseModel) -> str:
    """An entry as JSON with sorted names, the same text for the same entry."""
    return json.dumps(entry.model_dump(mode="json"), sort_keys=True, ensure_ascii=False)
