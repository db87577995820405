"""What the operator does to a run under way beside looking: an intervention. Pure."""

from __future__ import annotations

import enum

from pydantic import Field, model_validator

from api.prints import Frozen, Instant
from api.soak.program import Program


class InterventionKind(enum.StrEnum):
    """What was done."""

    TAKEN_OUT = "taken_out"
    PROGRAM_EDITED = "program_edited"
    REMARK = "remark"


class Intervention(Frozen):
    """One thing done to a run, at the moment it was done, entered late or not.

    ``taken_out`` names a specimen that left the chamber while the others go on,
    ``program_edited`` carries the program that is in force from then on, ``remark`` a note
    (the door was opened, the chamber was set) and changes nothing.
    """

    kind: InterventionKind
    time: Instant
    specimen: str | None = Field(None, min_length=1, max_length=80)
    program: Program | None = None
    note: str = Field("", max_length=2_000)

    @model_validator(mode="after")
    def _carries_what_its_kind_needs(self) -> Intervention:
        taken_out = self.kind is InterventionKind.TAKEN_OUT
        edited = self.kind is InterventionKind.PROGRAM_EDITED
        if taken_out != (self.specimen is not None):
            raise ValueError("'taken_out', and nothing else, names the specimen")
        if edited != (self.program is not None):
            raise ValueError("'program_edited', and nothing else, carries the new program")
        if self.kind is InterventionKind.REMARK and not self.note.strip():
            raise ValueError("a remark says something; write it in its note")
        return self
