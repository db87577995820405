"""Photographs on record: what each shows, and under which hash its picture is kept."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from pydantic import Field, model_validator

from api.prints import MOST_ID, Frozen
from api.record.database import Value
from api.record.entries import Kept, Note
from api.record.ledger import Ledger
from collector.errors import InvalidError


class Photograph(Frozen):
    """A photograph of a print, of one of its parts (by name), of a look at a specimen, or of a
    piece on the break bench.

    ``sha256`` names the picture as it is kept, ``media_type`` its form; width and height in
    pixels, ``bytes_n`` its size. It keeps the part's name as that was when it was taken.
    """

    print: int | None = Field(None, ge=1, le=MOST_ID)
    part: str | None = Field(None, min_length=1, max_length=80)
    look: int | None = Field(None, ge=1, le=MOST_ID)
    break_test: int | None = Field(None, ge=1, le=MOST_ID)
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    media_type: str = Field(pattern=r"^image/(jpeg|png|webp)$")
    width_px: int = Field(ge=1)
    height_px: int = Field(ge=1)
    bytes_n: int = Field(ge=1)
    note: Note = ""

    @model_validator(mode="after")
    def _shows_one_thing(self) -> Photograph:
        if sum(one is not None for one in (self.print, self.look, self.break_test)) != 1:
            raise ValueError("a photograph shows a print, a look or a break test; name one of them")
        if self.part is not None and self.print is None:
            raise ValueError("a part belongs to a print; name the print")
        return self


class Photographs(Ledger[Photograph]):
    """The photographs, oldest first."""

    kind = "photograph"

    def of(
        self,
        *,
        print_id: int | None = None,
        look_id: int | None = None,
        break_id: int | None = None,
        after: int = 0,
        limit: int = 500,
    ) -> list[Kept[Photograph]]:
        """Up to ``limit`` photographs of one thing, or all, with ids above ``after``."""
        conditions, values = ["id > ?"], list[Value]([after])
        wanted_of = (("print", print_id), ("look", look_id), ("break_test", break_id))
        for column, wanted in wanted_of:
            if wanted is not None:
                conditions.append(f"{column} = ?")
                values.append(wanted)
        rest = f"ORDER BY id LIMIT {int(limit)}"
        return self._where(" AND ".join(conditions), tuple(values), rest)

    def _columns(self, entry: Photograph) -> Mapping[str, Value]:
        return entry.model_dump()

    def _entry(self, row: sqlite3.Row) -> Photograph:
        return Photograph(**{name: row[name] for name in Photograph.model_fields})

    def _check(self, entry_id: int | None, entry: Photograph) -> None:
        if entry_id is not None:
            before = self.get(entry_id).entry
            if before.sha256 != entry.sha256:
                raise InvalidError(
                    "the picture of a photograph does not change",
                    where="sha256",
                    remedy="Delete the photograph and send the other picture.",
                )
        if entry.look is not None:
            self._check_exists("look", entry.look, "look")
        if entry.break_test is not None:
            self._check_exists("break_test", entry.break_test, "break_test")
        if entry.print is not None:
            self._check_exists("print", entry.print, "print")
        if entry.part is not None and not self._database.row(
            "SELECT 1 FROM part WHERE print = ? AND name = ?", (entry.print, entry.part)
        ):
            raise InvalidError(
                f"print {entry.print} has no part named {entry.part}",
                where="part",
                remedy="Give the name of one of its parts, or leave it out.",
            )
