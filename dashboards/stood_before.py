"""What stood on record before each change of an entry, in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from pydantic import BaseModel

from api.checked import checked
from api.record import Kept
from api.record.ledger import Ledger

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Before:
    """What stood before one change: when it was changed, how, and which entries differed."""

    changed: datetime
    change: str
    differences: list[tuple[str, str, str]]


def befores_of(
    ledger: Ledger[M], kept: Kept[M], in_words: Callable[[M], Mapping[str, str]]
) -> list[Before]:
    """What stood before each change of an entry, newest change first."""
    after = in_words(kept.entry)
    befores: list[Before] = []
    for revision in reversed(ledger.revisions(kept.id)):
        stood = in_words(checked(ledger.model(), revision.before))
        labels = dict.fromkeys([*stood, *after])
        differences = [
            (label, stood.get(label, "nothing"), after.get(label, "nothing"))
            for label in labels
            if stood.get(label) != after.get(label)
        ]
        befores.append(Before(revision.changed, revision.change, differences))
        after = stood
    return befores
