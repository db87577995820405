"""One ledger per kind of thing on record: add, get, change, delete, and what stood before.

Rules, the same for every kind:

* Something new has revision 1; each correction adds 1.
* A change names the revision it was made from. When another change came first it is refused
  and nothing is overwritten (optimistic locking).
* Before a correction or a deletion what stood there is copied to ``revision``; ids are never
  given again.
* A creation may carry a key of the caller's own. The same key again gives what was made the
  first time, and nothing is made twice; the same key for something else is refused.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Hashable, Iterable, Mapping
from typing import ClassVar, Generic, TypeVar, get_args

from pydantic import BaseModel

from api.prints import MOST_ID
from api.record.database import Database, Value
from api.record.entries import Kept, Revision, as_json
from collector.errors import ConflictError, InvalidError, NotFoundError
from collector.readings import moment_of, ms_of

M = TypeVar("M", bound=BaseModel)

#: How a revision says that its entry was taken off the record.
DELETED = "deleted"

#: The longest key of creation that is taken.
KEY_MAX = 200


class Ledger(Generic[M]):
    """The ledger of one kind. A subclass says how an entry becomes rows and comes back."""

    #: The name of the kind, which is the name of its table too.
    kind: ClassVar[str]

    #: The order in which ``all`` gives the entries.
    order: ClassVar[str] = "id"

    @property
    def called(self) -> str:
        """The kind as a sentence says it."""
        return self.kind.replace("_", " ")

    def __init__(self, database: Database) -> None:
        self._database = database
        self._all: tuple[Hashable, list[Kept[M]]] | None = None

    # ---- what a subclass says -------------------------------------------------------------

    def _columns(self, entry: M) -> Mapping[str, Value]:
        """The columns of the entry's own row, beside id, revision and time."""
        raise NotImplementedError

    def _entry(self, row: sqlite3.Row) -> M:
        """The entry of a row, with its child rows."""
        raise NotImplementedError

    def _write_children(self, entry_id: int, entry: M) -> None:
        """Bring the child rows of an entry in line with it."""

    def _check(self, entry_id: int | None, entry: M) -> None:
        """Raise when the entry clashes with the rest of the record; id None when new."""

    def _follow(self, entry_id: int, before: M, after: M) -> None:
        """Correct what else on record tells of the same thing, or raise ``ConflictError``."""

    def _check_unused(self, entry_id: int, entry: M) -> None:
        """Raise ``ConflictError`` when something else on record needs the entry."""

    # ---- what the rest of the api calls ---------------------------------------------------

    def add(self, entry: M, *, key: str | None = None) -> Kept[M]:
        """Put a new entry on record.

        Raises ``InvalidError`` naming the field, or ``ConflictError`` (name taken, key used).
        """
        with self._database.transaction():
            if key is not None and (made := self._made_with(key, entry)) is not None:
                return made
            self._check(None, entry)
            columns = {**self._columns(entry), "revision": 1, "changed_ms": self._database.clock()}
            names, marks = ", ".join(columns), ", ".join("?" * len(columns))
            entry_id = self._database.change(
                f"INSERT INTO {self.kind} ({names}) VALUES ({marks})", list(columns.values())
            )
            self._write_children(entry_id, entry)
            if key is not None:
                self._database.change(
                    "INSERT INTO creation_key VALUES (?, ?, ?, ?, ?)",
                    (key, self.kind, entry_id, as_json(entry), self._database.clock()),
                )
            return self.get(entry_id)

    def get(self, entry_id: int) -> Kept[M]:
        """The entry with an id. Raises ``NotFoundError``."""
        found: list[Kept[M]] = []
        if 0 < entry_id <= MOST_ID:
            found = self._where("id = ?", (entry_id,))
        if not found:
            raise NotFoundError(
                f"there is no {self.called} {entry_id} on record",
                where=self.kind,
                remedy=f"Look at the list of what there is; a deleted {self.called} is kept "
                "among its revisions.",
            )
        return found[0]

    def made_with_key(self, key: str) -> Kept[M] | None:
        """What was made with a key of creation, unless nothing was or it has been deleted."""
        found = self._where(
            "id = (SELECT id FROM creation_key WHERE key = ? AND kind = ?)", (key, self.kind)
        )
        return found[0] if found else None

    def all(self) -> list[Kept[M]]:
        """Every entry, in the kind's order; read anew only when something on record has changed."""
        with self._database.reading():
            version = self._database.version()
            if self._all is None or self._all[0] != version:
                self._all = version, self._where("1", ())
            return list(self._all[1])

    def change(self, entry_id: int, entry: M, *, revision: int | None = None) -> Kept[M]:
        """Correct an entry; ``revision`` is the one the correction was made from.

        Without a revision whatever stands there is corrected. An entry that stays as it is
        makes no revision. Raises ``ConflictError`` when another change came first.
        """
        with self._database.transaction():
            before = self.get(entry_id)
            after = self.change_alone(entry_id, entry, revision=revision)
            if after.revision != before.revision:
                self._follow(entry_id, before.entry, entry)
            return after

    def change_alone(self, entry_id: int, entry: M, *, revision: int | None = None) -> Kept[M]:
        """Correct an entry as :meth:`change` does, without what follows elsewhere."""
        with self._database.transaction():
            before = self.get(entry_id)
            self._check_revision(before, revision)
            if before.entry == entry:
                return before
            self._check(entry_id, entry)
            self._keep_before(before, "corrected")
            columns = {
                **self._columns(entry),
                "revision": before.revision + 1,
                "changed_ms": self._database.clock(),
            }
            self._database.change(
                f"UPDATE {self.kind} SET {', '.join(f'{name} = ?' for name in columns)} "
                "WHERE id = ?",
                [*columns.values(), entry_id],
            )
            self._write_children(entry_id, entry)
            return self.get(entry_id)

    def delete(self, entry_id: int, *, revision: int | None = None) -> None:
        """Take an entry off the record; what stood there stays among its revisions.

        Raises ``ConflictError`` when another change came first or something needs it.
        """
        with self._database.transaction():
            before = self.get(entry_id)
            self._check_revision(before, revision)
            self._check_unused(entry_id, before.entry)
            self._keep_before(before, DELETED)
            self._database.change(f"DELETE FROM {self.kind} WHERE id = ?", (entry_id,))

    def changed_since(self, kept: Kept[M], revision: int | None) -> M | None:
        """The entry as it stood at a revision that has been changed since; None: it stands still.

        None too where no revision was named, or one that there never was.
        """
        if revision is None or revision == kept.revision:
            return None
        for one in self.revisions(kept.id):
            if one.revision == revision:
                return self.model().model_validate(one.before)
        return None

    def undo(self, entry_id: int, *, revision: int | None = None) -> Kept[M] | None:
        """Take back the last change of an entry, which is a change like any other.

        A correction is corrected back, what was deleted comes back under its id, and what was
        only put on record (or back on it) is taken off again: then None. ``revision`` is the one
        that the entry stands at, or stood at when it was deleted. Raises ``NotFoundError`` when
        there never was such an entry, ``ConflictError`` when another change came first.
        """
        with self._database.transaction():
            last = next(reversed(self.revisions(entry_id)), None)
            deleted = last is not None and last.change == DELETED
            if last is not None and not self._where("id = ?", (entry_id,)):
                return self._bring_back(last, revision)
            if last is None or deleted:
                self.delete(entry_id, revision=revision)
                return None
            before = self.model().model_validate(last.before)
            return self.change(entry_id, before, revision=revision)

    def revisions(self, entry_id: int) -> list[Revision]:
        """What stood before each change of an entry, oldest first; also of a deleted one.

        Raises ``NotFoundError`` when there never was such an entry.
        """
        rows = []
        if 0 < entry_id <= MOST_ID:
            rows = self._database.rows(
                "SELECT * FROM revision WHERE kind = ? AND id = ? ORDER BY revision",
                (self.kind, entry_id),
            )
        if not rows:
            self.get(entry_id)
        return [_revision_of(row) for row in rows]

    def all_revisions(self) -> list[Revision]:
        """What stood before every change of this kind, by id, oldest first."""
        sql = "SELECT * FROM revision WHERE kind = ? ORDER BY id, revision"
        return [_revision_of(row) for row in self._database.rows(sql, (self.kind,))]

    @classmethod
    def model(cls) -> type[M]:
        """The model of an entry of this kind."""
        (found,) = get_args(cls.__orig_bases__[0])  # type: ignore[attr-defined]
        model: type[M] = found
        return model

    def put_back(self, kept: Kept[M]) -> None:
        """Put an entry back as it stood in another record, with its id and revision.

        It stood on record before, so it is not checked against rules that came later.
        """
        columns = {
            "id": kept.id,
            **self._columns(kept.entry),
            "revision": kept.revision,
            "changed_ms": ms_of(kept.changed),
        }
        names, marks = ", ".join(columns), ", ".join("?" * len(columns))
        self._database.change(
            f"INSERT INTO {self.kind} ({names}) VALUES ({marks})", list(columns.values())
        )
        self._write_children(kept.id, kept.entry)

    def put_back_revisions(self, revisions: Iterable[Revision]) -> None:
        """Put back what stood before; ids that it names are never given again."""
        kept = list(revisions)
        self._database.change_each(
            "INSERT INTO revision VALUES (?, ?, ?, ?, ?, ?)",
            [
                (
                    self.kind,
                    one.id,
                    one.revision,
                    ms_of(one.changed),
                    one.change,
                    json.dumps(one.before, sort_keys=True, ensure_ascii=False),
                )
                for one in kept
            ],
        )
        highest = max((one.id for one in kept), default=0)
        row = self._database.row(f"SELECT max(id) FROM {self.kind}")
        highest = max(highest, (row[0] or 0) if row is not None else 0)
        self._database.change("DELETE FROM sqlite_sequence WHERE name = ?", (self.kind,))
        self._database.change("INSERT INTO sqlite_sequence VALUES (?, ?)", (self.kind, highest))

    # ---- inside ---------------------------------------------------------------------------

    def _where(self, condition: str, values: tuple[Value, ...], rest: str = "") -> list[Kept[M]]:
        sql = f"SELECT * FROM {self.kind} WHERE {condition} {rest or f'ORDER BY {self.order}'}"
        with self._database.reading():
            return [
                Kept(row["id"], row["revision"], moment_of(row["changed_ms"]), self._entry(row))
                for row in self._database.rows(sql, values)
            ]

    def _made_with(self, key: str, entry: M) -> Kept[M] | None:
        """What was made with a key before, if anything was."""
        if not 0 < len(key) <= KEY_MAX:
            raise InvalidError(
                f"a key of creation has 1 to {KEY_MAX} characters",
                where="Idempotency-Key",
                remedy="Send a shorter key, such as a UUID.",
            )
        row = self._database.row("SELECT * FROM creation_key WHERE key = ?", (key,))
        if row is None:
            return None
        if row["kind"] != self.kind or type(entry).model_validate_json(row["entry"]) != entry:
            raise ConflictError(
                f"the key was used before, to make {row['kind']} {row['id']} with other content",
                where="Idempotency-Key",
                remedy="Send a new key for something new; correct what was made with PATCH.",
            )
        try:
            return self.get(row["id"])
        except NotFoundError:
            raise ConflictError(
                f"{self.called} {row['id']} was made with this key and has been deleted since",
                where="Idempotency-Key",
                remedy="Send a new key to make it again.",
            ) from None

    def _bring_back(self, deleted: Revision, revision: int | None) -> Kept[M]:
        """Put a deleted entry back as it stood, with the next revision."""
        entry = self.model().model_validate(deleted.before)
        stood = Kept(deleted.id, deleted.revision, deleted.changed, entry)
        self._check_revision(stood, revision)
        self._check(None, entry)
        now = moment_of(self._database.clock())
        self.put_back(Kept(deleted.id, deleted.revision + 1, now, entry))
        return self.get(deleted.id)

    def _check_revision(self, before: Kept[M], revision: int | None) -> None:
        if revision is not None and revision != before.revision:
            raise ConflictError(
                f"{self.called} {before.id} has been changed since revision {revision}: "
                f"it is at revision {before.revision} now",
                where=self.kind,
                remedy="Nothing was overwritten. Reload it, look at what was changed, and make "
                "your correction again.",
            )

    def _keep_before(self, before: Kept[M], change: str) -> None:
        self._database.change(
            "INSERT INTO revision VALUES (?, ?, ?, ?, ?, ?)",
            (
                self.kind,
                before.id,
                before.revision,
                self._database.clock(),
                change,
                as_json(before.entry),
            ),
        )

    def _check_exists(self, kind: str, entry_id: int, field: str) -> None:
        """Raise ``InvalidError`` for a field that names something that is not on record."""
        there = 0 < entry_id <= MOST_ID and self._database.row(
            f"SELECT 1 FROM {kind} WHERE id = ?", (entry_id,)
        )
        if not there:
            raise InvalidError(
                f"there is no {kind} {entry_id} on record",
                where=field,
                remedy=f"Put the {kind} on record first, or give the id of one that is.",
            )

    def _check_name_free(self, entry_id: int | None, name: str) -> None:
        row = self._database.row(
            f"SELECT id FROM {self.kind} WHERE name = ? AND id IS NOT ?", (name, entry_id)
        )
        if row is not None:
            raise ConflictError(
                f"{self.kind} {row['id']} is named {name} already",
                where="name",
                remedy="Choose another name, or correct the one that is on record.",
            )

    def _check_count(
        self, sql: str, values: tuple[Value, ...], what: str, *, cannot: str = "be deleted"
    ) -> None:
        """Raise ``ConflictError`` when a query counts anything, ``what`` says of what."""
        row = self._database.row(sql, values)
        count = row[0] if row is not None else 0
        if count:
            raise ConflictError(
                f"{self.called} {values[0]} cannot {cannot}: it is in use ({what}: {count})",
                where=self.kind,
                remedy="Correct or delete those first, or leave it on record.",
            )


def _revision_of(row: sqlite3.Row) -> Revision:
    return Revision(
        kind=row["kind"],
        id=row["id"],
        revision=row["revision"],
        changed=moment_of(row["changed_ms"]),
        change=row["change"],
        before=json.loads(row["before"]),
    )
