"""Bottles of resin and plates of parts: what a print is made from and of."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping

from pydantic import Field, model_validator

from api.prints import MOST_ID, Frozen, Instant, Part, Spot
from api.record.database import Value
from api.record.entries import Kept, Name, Note
from api.record.ledger import Ledger
from api.record.moments import moment_or_none, stored_or_none


class Bottle(Frozen):
    """A bottle of a resin: lot, when it was opened, last mixed and emptied.

    ``price_per_kg`` is what this bottle cost, where it differs from the resin's.
    """

    resin: int = Field(ge=1, le=MOST_ID)
    lot: str = Field("", max_length=80)
    opened: Instant | None = None
    mixed: Instant | None = None
    emptied: Instant | None = None
    price_per_kg: float | None = Field(None, ge=0, le=1e6)
    note: Note = ""

    @model_validator(mode="after")
    def _is_emptied_last(self) -> Bottle:
        if self.opened and self.emptied and self.emptied < self.opened:
            raise ValueError("the bottle was emptied before it was opened; check both times")
        return self


class PlatePart(Frozen):
    """One part of a plate and where it stands."""

    name: str = Field(min_length=1, max_length=80)
    place: Spot | None = None


class Plate(Frozen):
    """A named set of parts that is printed again and again; it takes ``resin_ml`` of resin."""

    name: Name
    parts: tuple[PlatePart, ...] = Field((), max_length=500)
    resin_ml: float | None = Field(None, ge=0, le=100_000)
    note: Note = ""

    @model_validator(mode="after")
    def _names_its_parts_apart(self) -> Plate:
        names = [part.name for part in self.parts]
        if len(set(names)) != len(names):
            raise ValueError("two parts of a plate have the same name; give each its own")
        return self

    def fresh_parts(self) -> tuple[Part, ...]:
        """Its parts as those of a new print: nothing looked at yet."""
        return tuple(Part(name=part.name, place=part.place) for part in self.parts)


class Bottles(Ledger[Bottle]):
    """The bottles, by resin and age."""

    kind = "bottle"
    order = "resin, id"

    def which(self, *, resin: int | None = None, emptied: bool | None = None) -> list[Kept[Bottle]]:
        """Bottles of a resin, and those that are empty or not; None asks for all."""
        conditions, values = ["1"], list[Value]()
        if resin is not None:
            conditions.append("resin = ?")
            values.append(resin)
        if emptied is not None:
            conditions.append(f"emptied_ms IS {'NOT ' if emptied else ''}NULL")
        return self._where(" AND ".join(conditions), tuple(values))

    def of_lot(self, resin: int, lot: str) -> Kept[Bottle] | None:
        """The newest bottle of a resin and lot, or None."""
        found = self._where("resin = ? AND lot = ?", (resin, lot))
        return found[-1] if found else None

    def _columns(self, entry: Bottle) -> Mapping[str, Value]:
        return {
            "resin": entry.resin,
            "lot": entry.lot,
            "opened_ms": stored_or_none(entry.opened, "opened"),
            "mixed_ms": stored_or_none(entry.mixed, "mixed"),
            "emptied_ms": stored_or_none(entry.emptied, "emptied"),
            "price_per_kg": entry.price_per_kg,
            "note": entry.note,
        }

    def _entry(self, row: sqlite3.Row) -> Bottle:
        return Bottle(
            resin=row["resin"],
            lot=row["lot"],
            opened=moment_or_none(row["opened_ms"]),
            mixed=moment_or_none(row["mixed_ms"]),
            emptied=moment_or_none(row["emptied_ms"]),
            price_per_kg=row["price_per_kg"],
            note=row["note"],
        )

    def _check(self, entry_id: int | None, entry: Bottle) -> None:
        self._check_exists("resin", entry.resin, "resin")
        if entry_id is not None and self.get(entry_id).entry.resin != entry.resin:
            self._check_unused(entry_id, entry)

    def _check_unused(self, entry_id: int, entry: Bottle) -> None:
        self._check_count("SELECT count(*) FROM print WHERE bottle = ?", (entry_id,), "prints")
        sql = "SELECT count(*) FROM break_test WHERE bottle = ?"
        self._check_count(sql, (entry_id,), "break tests")


class Plates(Ledger[Plate]):
    """The plates, by name."""

    kind = "plate"
    order = "name"

    def named(self, name: str) -> Kept[Plate] | None:
        """The plate of a name, upper and lower case alike, or None."""
        return next(iter(self._where("name = ?", (name,))), None)

    def _columns(self, entry: Plate) -> Mapping[str, Value]:
        parts = [part.model_dump(mode="json") for part in entry.parts]
        return {
            "name": entry.name,
            "parts": json.dumps(parts, ensure_ascii=False),
            "resin_ml": entry.resin_ml,
            "note": entry.note,
        }

    def _entry(self, row: sqlite3.Row) -> Plate:
        return Plate(
            name=row["name"],
            parts=tuple(PlatePart.model_validate(part) for part in json.loads(row["parts"])),
            resin_ml=row["resin_ml"],
            note=row["note"],
        )

    def _check(self, entry_id: int | None, entry: Plate) -> None:
        self._check_name_free(entry_id, entry.name)

    def _check_unused(self, entry_id: int, entry: Plate) -> None:
        self._check_count("SELECT count(*) FROM print WHERE plate = ?", (entry_id,), "prints")
