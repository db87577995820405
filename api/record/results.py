"""Saved results: what was asked, what the answer was then, and the mark of the log it rests on."""

from __future__ import annotations

import enum
import json
import sqlite3
from collections.abc import Mapping

from pydantic import Field, JsonValue

from api.prints import Frozen, Instant
from api.record.database import Value
from api.record.entries import Note
from api.record.ledger import Ledger
from api.record.moments import stored
from collector.readings import moment_of


class Question(enum.StrEnum):
    """The questions whose answers can be saved."""

    VAT_TEMPERATURE = "vat_temperature"
    CONDITIONS = "conditions"
    NEXT_PRINTS = "next_prints"
    BANDS = "bands"
    TWO_GROUPS = "two_groups"


class Result(Frozen):
    """An answer as it was when it was saved.

    ``asked`` are the question's parameters by name, ``answer`` the whole answer as JSON,
    ``fingerprint`` the mark of everything that it was computed from.
    """

    question: Question
    asked: dict[str, JsonValue] = Field(default_factory=dict)
    saved: Instant
    sentences: tuple[str, ...] = Field((), max_length=200)
    method: str = Field("", max_length=400)
    version: str = Field("", max_length=20)
    fingerprint: str = Field(max_length=64)
    answer: JsonValue = None
    note: Note = ""


class Results(Ledger[Result]):
    """The saved results, oldest first."""

    kind = "result"

    def _columns(self, entry: Result) -> Mapping[str, Value]:
        return {
            "question": entry.question.value,
            "asked": json.dumps(entry.asked, sort_keys=True, ensure_ascii=False),
            "saved_ms": stored(entry.saved, "saved"),
            "sentences": json.dumps(entry.sentences, ensure_ascii=False),
            "method": entry.method,
            "version": entry.version,
            "fingerprint": entry.fingerprint,
            "answer": json.dumps(entry.answer, ensure_ascii=False),
            "note": entry.note,
        }

    def _entry(self, row: sqlite3.Row) -> Result:
        return Result(
            question=Question(row["question"]),
            asked=json.loads(row["asked"]),
            saved=moment_of(row["saved_ms"]),
            sentences=tuple(json.loads(row["sentences"])),
            method=row["method"],
            version=row["version"],
            fingerprint=row["fingerprint"],
            answer=json.loads(row["answer"]),
            note=row["note"],
        )
