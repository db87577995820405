"""The whole record as one JSON document, and back into an empty record, exactly.

Everything that stands on record comes with its id, revision and time, and so does everything
that stood before. Pictures of photographs lie in their folder beside the record and are not
in the document.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Annotated, Any

from pydantic import Field, JsonValue

from api.checked import checked
from api.prints import MOST_ID, Frozen, Instant
from api.record import Kept, Record, Revision
from api.record.ledger import Ledger
from collector.errors import ConflictError, InvalidError

#: Names the form of the document.
FORM = "vatside-record-1"

Number = Annotated[int, Field(ge=1, le=MOST_ID)]


class KeptEntry(Frozen):
    """Something on record: its id, its revision, when that was made, and itself."""

    id: Number
    revision: Number
    changed: Instant
    entry: dict[str, JsonValue]


class KeptRevision(Frozen):
    """What stood on record before a change."""

    kind: str
    id: Number
    revision: Number
    changed: Instant
    change: str
    before: dict[str, JsonValue]


class WholeRecord(Frozen):
    """The whole record: what stands there by kind, and what stood there before."""

    form: str = FORM
    entries: dict[str, list[KeptEntry]]
    revisions: list[KeptRevision] = Field([])


def ledgers_of(record: Record) -> dict[str, Ledger[Any]]:
    """Every ledger by its kind, each after those that its entries may name."""
    return {one.kind: one for one in vars(record).values() if isinstance(one, Ledger)}


def everything(record: Record) -> WholeRecord:
    """The whole record as it stands at one moment."""
    with record.reading():
        entries = {
            kind: [
                KeptEntry(
                    id=kept.id,
                    revision=kept.revision,
                    changed=kept.changed,
                    entry=kept.entry.model_dump(mode="json"),
                )
                for kept in sorted(ledger.all(), key=lambda kept: int(kept.id))
            ]
            for kind, ledger in ledgers_of(record).items()
        }
        return WholeRecord(
            entries=entries,
            revisions=[
                KeptRevision.model_validate(one, from_attributes=True)
                for ledger in ledgers_of(record).values()
                for one in ledger.all_revisions()
            ],
        )


def put_back(record: Record, whole: WholeRecord, *, dry_run: bool = False) -> Mapping[str, int]:
    """Fill an empty record from a document: everything or nothing; counts by kind.

    With ``dry_run`` nothing stays, and the faults are found all the same.

    Raises ``ConflictError`` when anything is on record already, ``InvalidError`` naming the
    kind and id of an entry that makes no sense.
    """
    if whole.form != FORM:
        raise InvalidError(
            f"the document has the form {whole.form}",
            where="form",
            remedy=f"Send one of the form {FORM}, as an export gives it.",
        )
    ledgers = ledgers_of(record)
    for kind in [*whole.entries, *(one.kind for one in whole.revisions)]:
        if kind not in ledgers:
            raise InvalidError(
                f"a record has no {kind}", where=f"entries.{kind}", remedy="Update vatside."
            )
    with suppress(_NothingKeptError), record.transaction():
        _fill(ledgers, whole)
        if dry_run:
            raise _NothingKeptError
    return {kind: len(entries) for kind, entries in whole.entries.items()}


class _NothingKeptError(Exception):
    """Ends a transaction of which nothing is to stay."""


def _fill(ledgers: Mapping[str, Ledger[Any]], whole: WholeRecord) -> None:
    for kind, ledger in ledgers.items():
        if ledger.all():
            raise ConflictError(
                f"there is a {kind} on record already",
                where=kind,
                remedy="A whole record goes into an empty one only; start vatside with "
                "another [store] folder.",
            )
    for kind, ledger in ledgers.items():
        for kept in whole.entries.get(kind, []):
            _put_back(ledger, kept)
    for kind, ledger in ledgers.items():
        ledger.put_back_revisions(
            Revision(**dict(one)) for one in whole.revisions if one.kind == kind
        )


def _put_back(ledger: Ledger[Any], kept: KeptEntry) -> None:
    try:
        entry = checked(ledger.model(), kept.entry)
        ledger.put_back(Kept(kept.id, kept.revision, kept.changed, entry))
    except InvalidError as fault:
        where = f"entries.{ledger.kind}, id {kept.id}"
        where += f", {fault.where}" if fault.where else ""
        raise InvalidError(fault.what, where=where, remedy=fault.remedy) from None
