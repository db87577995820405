"""How resins, machines, prints, soak runs and looks become rows and come back."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from api.prints import Afterwork, FailureMode, Outcome, Part, Print, Settings
from api.record.breaks import Breaks
from api.record.cursors import read_cursor
from api.record.database import Value
from api.record.entries import ChannelLink, Kept, Limits, LoggedLook, Machine, Resin
from api.record.ledger import Ledger
from api.record.moments import moment_or_none, stored, stored_or_none
from api.record.pieces import follow_print, follow_soak
from api.settings_check import Guidance
from api.soak.program import Program, SoakRun, Specimen
from collector.errors import ConflictError, InvalidError
from collector.readings import Role, moment_of, ms_of


class Resins(Ledger[Resin]):
    """The resins, by name."""

    kind = "resin"
    order = "name"

    def named(self, name: str) -> Kept[Resin] | None:
        """The resin of a name, upper and lower case alike, or None."""
        return next(iter(self._where("name = ?", (name,))), None)

    def _columns(self, entry: Resin) -> Mapping[str, Value]:
        columns = entry.model_dump(exclude={"guidance"})
        return {**columns, "guidance": entry.guidance.model_dump_json(exclude_none=True)}

    def _entry(self, row: sqlite3.Row) -> Resin:
        columns = {name: row[name] for name in Resin.model_fields}
        return Resin(**{**columns, "guidance": Guidance.model_validate_json(row["guidance"])})

    def _check(self, entry_id: int | None, entry: Resin) -> None:
        self._check_name_free(entry_id, entry.name)

    def _check_unused(self, entry_id: int, entry: Resin) -> None:
        key = (entry_id,)
        self._check_count("SELECT count(*) FROM print WHERE resin = ?", key, "prints")
        self._check_count("SELECT count(*) FROM specimen WHERE resin = ?", key, "specimens")
        self._check_count("SELECT count(*) FROM bottle WHERE resin = ?", key, "bottles")
        self._check_count("SELECT count(*) FROM plan WHERE resin = ?", key, "plans")
        sql = "SELECT count(*) FROM break_test WHERE resin = ?"
        self._check_count(sql, key, "break tests")


class Machines(Ledger[Machine]):
    """The machines, by name, with the dated links to their channels."""

    kind = "machine"
    order = "name"

    def named(self, name: str) -> Kept[Machine] | None:
        """The machine of a name, upper and lower case alike, or None."""
        return next(iter(self._where("name = ?", (name,))), None)

    def _columns(self, entry: Machine) -> Mapping[str, Value]:
        limits = entry.limits.model_dump_json(exclude_none=True)
        return {"name": entry.name, "note": entry.note, "limits": limits}

    def _entry(self, row: sqlite3.Row) -> Machine:
        links = self._database.rows(
            "SELECT * FROM machine_channel WHERE machine = ? ORDER BY position", (row["id"],)
        )
        return Machine(
            name=row["name"],
            note=row["note"],
            limits=Limits.model_validate_json(row["limits"]),
            channels=tuple(
                ChannelLink(
                    channel=link["channel"],
                    role=Role(link["role"]),
                    since=moment_or_none(link["since_ms"]),
                    until=moment_or_none(link["until_ms"]),
                )
                for link in links
            ),
        )

    def _write_children(self, entry_id: int, entry: Machine) -> None:
        self._database.change("DELETE FROM machine_channel WHERE machine = ?", (entry_id,))
        self._database.change_each(
            "INSERT INTO machine_channel VALUES (?, ?, ?, ?, ?, ?)",
            [
                (
                    entry_id,
                    n,
                    link.channel,
                    link.role.value,
                    stored_or_none(link.since, f"channels.{n}.since"),
                    stored_or_none(link.until, f"channels.{n}.until"),
                )
                for n, link in enumerate(entry.channels)
            ],
        )

    def _check(self, entry_id: int | None, entry: Machine) -> None:
        self._check_name_free(entry_id, entry.name)
        for other in self.all():
            if other.id != entry_id:
                _check_links_apart(entry, other.entry)

    def _check_unused(self, entry_id: int, entry: Machine) -> None:
        self._check_count("SELECT count(*) FROM print WHERE machine = ?", (entry_id,), "prints")
        sql = "SELECT count(*) FROM dismissal WHERE machine = ?"
        self._check_count(sql, (entry_id,), "dismissed stretches of power")
        self._check_count("SELECT count(*) FROM plan WHERE machine = ?", (entry_id,), "plans")


def _check_links_apart(entry: Machine, other: Machine) -> None:
    """Refuse a sensor that would sit on two machines at once."""
    for number, link in enumerate(entry.channels):
        for theirs in other.channels:
            if link.channel == theirs.channel and link.overlaps(theirs):
                raise ConflictError(
                    f"channel {link.channel} belongs to {other.name} over the same time",
                    where=f"channels.{number}",
                    remedy=f"End its link to {other.name} (until) before it moves to "
                    f"{entry.name} (since).",
                )


@dataclass(frozen=True, slots=True)
class PrintFilter:
    """Which prints to list; None asks for all. ``since`` and ``until`` bound the start.

    ``outcome`` is the worst among the parts; ``looked`` False asks for prints of which no
    part was looked at; ``mode`` asks for prints of which a part failed or was flawed that way.
    """

    resin: int | None = None
    machine: int | None = None
    bottle: int | None = None
    plate: int | None = None
    mode: FailureMode | None = None
    outcome: Outcome | None = None
    looked: bool | None = None
    since: datetime | None = None
    until: datetime | None = None


class Prints(Ledger[Print]):
    """The prints, by start."""

    kind = "print"
    order = "start_ms, id"

    def newest(
        self, limit: int, *, only: PrintFilter = PrintFilter(), before: str | None = None
    ) -> list[Kept[Print]]:
        """Up to ``limit`` prints, newest start first; ``before`` is a cursor of ``cursor_of``."""
        conditions, values = _conditions(only)
        if before is not None:
            conditions.append("(start_ms, id) < (?, ?)")
            values += read_cursor(before)
        rest = f"ORDER BY start_ms DESC, id DESC LIMIT {int(limit)}"
        return self._where(" AND ".join(conditions) or "1", tuple(values), rest)

    def count(self, only: PrintFilter = PrintFilter()) -> int:
        """How many prints a filter lets through."""
        conditions, values = _conditions(only)
        sql = f"SELECT count(*) FROM print WHERE {' AND '.join(conditions) or '1'}"
        row = self._database.row(sql, values)
        return int(row[0]) if row is not None else 0

    def running(self) -> list[Kept[Print]]:
        """Prints without an end of which no part was looked at, by start."""
        return self._where(f"end_ms IS NULL AND NOT {_LOOKED}", ())

    def started(self, machine: int, start: datetime) -> Kept[Print] | None:
        """The print that started on a machine at exactly a moment, or None."""
        return next(
            iter(self._where("machine = ? AND start_ms = ?", (machine, stored(start, "start")))),
            None,
        )

    def _columns(self, entry: Print) -> Mapping[str, Value]:
        return {
            "start_ms": stored(entry.start, "start"),
            "end_ms": stored_or_none(entry.end, "end"),
            "order_only": entry.order_only,
            "resin": entry.resin,
            "machine": entry.machine,
            "bottle": entry.bottle,
            "plate": entry.plate,
            "settings": entry.settings.model_dump_json(exclude_none=True),
            "resin_poured_ml": entry.resin_poured_ml,
            "resin_used_ml": entry.resin_used_ml,
            "cut_short": entry.cut_short,
            "afterwork": entry.afterwork.model_dump_json(exclude_none=True),
            "logged_vat_c": entry.logged_vat_c,
            "note": entry.note,
        }

    def _entry(self, row: sqlite3.Row) -> Print:
        parts = self._database.rows(
            "SELECT * FROM part WHERE print = ? ORDER BY position", (row["id"],)
        )
        return Print(
            start=moment_of(row["start_ms"]),
            end=moment_or_none(row["end_ms"]),
            order_only=bool(row["order_only"]),
            resin=row["resin"],
            machine=row["machine"],
            bottle=row["bottle"],
            plate=row["plate"],
            settings=Settings.model_validate_json(row["settings"]),
            resin_poured_ml=row["resin_poured_ml"],
            resin_used_ml=row["resin_used_ml"],
            cut_short=bool(row["cut_short"]),
            afterwork=Afterwork.model_validate_json(row["afterwork"]),
            parts=tuple(
                Part(
                    name=part["name"],
                    outcome=part["outcome"],
                    modes=tuple(json.loads(part["modes"])),
                    place=part["place"],
                    note=part["note"],
                )
                for part in parts
            ),
            logged_vat_c=row["logged_vat_c"],
            note=row["note"],
        )

    def _write_children(self, entry_id: int, entry: Print) -> None:
        self._database.change("DELETE FROM part WHERE print = ?", (entry_id,))
        self._database.change_each(
            "INSERT INTO part (print, position, name, outcome, modes, place, note) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    entry_id,
                    n,
                    part.name,
                    part.outcome,
                    json.dumps(part.modes),
                    part.place,
                    part.note,
                )
                for n, part in enumerate(entry.parts)
            ],
        )

    def _check(self, entry_id: int | None, entry: Print) -> None:
        self._check_exists("resin", entry.resin, "resin")
        self._check_exists("machine", entry.machine, "machine")
        if entry.plate is not None:
            self._check_exists("plate", entry.plate, "plate")
        if entry.bottle is not None:
            self._check_exists("bottle", entry.bottle, "bottle")
            self._check_bottle(entry.bottle, entry.resin)
        for name, stage in entry.afterwork:
            stored_or_none(stage and stage.start, f"afterwork.{name}.start")
        for number, part in enumerate(entry.parts):
            if FailureMode.OTHER in part.modes and not part.note.strip():
                raise InvalidError(
                    f"{part.name} failed in another way than those listed, and no word says how",
                    where=f"parts.{number}.note",
                    remedy="Say in the part's note what was wrong with it.",
                )

    def _follow(self, entry_id: int, before: Print, after: Print) -> None:
        breaks, soaks = Breaks(self._database), Soaks(self._database)
        follow_print(breaks, soaks, entry_id, before, after)

    def _check_bottle(self, bottle: int, resin: int) -> None:
        row = self._database.row("SELECT resin FROM bottle WHERE id = ?", (bottle,))
        if row is not None and row["resin"] != resin:
            raise InvalidError(
                f"bottle {bottle} holds resin {row['resin']}, not resin {resin}",
                where="bottle",
                remedy="Choose a bottle of the print's resin, or correct the resin.",
            )

    def _check_unused(self, entry_id: int, entry: Print) -> None:
        sql = "SELECT count(*) FROM photograph WHERE print = ?"
        self._check_count(sql, (entry_id,), "photographs")
        sql = "SELECT count(*) FROM break_test WHERE print = ?"
        self._check_count(sql, (entry_id,), "break tests")


def cursor_of(plate: Kept[Print]) -> str:
    """The cursor after which a list of prints goes on."""
    return f"{ms_of(plate.entry.start)}-{plate.id}"


#: A print has an outcome when a part of it has, and it is the worst among them.
_WORSE = {Outcome.GOOD: ("failed", "flawed"), Outcome.FLAWED: ("failed",), Outcome.FAILED: ()}
_PART_IS = "EXISTS (SELECT 1 FROM part WHERE part.print = print.id AND part.outcome = ?)"
_PART_HAS = "EXISTS (SELECT 1 FROM part WHERE part.print = print.id AND part.modes LIKE ?)"
_LOOKED = "EXISTS (SELECT 1 FROM part WHERE part.print = print.id AND part.outcome IS NOT NULL)"


def _conditions(only: PrintFilter) -> tuple[list[str], list[Value]]:
    """The conditions of a filter and their values, in the same order."""
    pairs: list[tuple[str, Value]] = [
        (condition, value)
        for condition, value in (
            ("resin = ?", only.resin),
            ("machine = ?", only.machine),
            ("bottle = ?", only.bottle),
            ("plate = ?", only.plate),
            (_PART_HAS, only.mode and f'%"{only.mode.value}"%'),
            ("start_ms >= ?", stored_or_none(only.since, "from")),
            ("start_ms < ?", stored_or_none(only.until, "until")),
        )
        if value is not None
    ]
    if only.outcome is not None:
        pairs.append((_PART_IS, only.outcome.value))
        pairs += [(f"NOT {_PART_IS}", worse) for worse in _WORSE[only.outcome]]
    conditions = [condition for condition, _ in pairs]
    if only.looked is not None:
        conditions.append(_LOOKED if only.looked else f"NOT {_LOOKED}")
    return conditions, [value for _, value in pairs]


#: What may name a soak run or a specimen of one, by table.
USED_IN = (("look", "looks"), ("intervention", "interventions"), ("break_soak", "break tests"))


class Soaks(Ledger[SoakRun]):
    """The heat-soak runs, by start."""

    kind = "soak"
    order = "started_ms, id"

    def under_way(self) -> list[Kept[SoakRun]]:
        """Runs that have not ended, by start."""
        return self._where("ended_ms IS NULL", ())

    def _columns(self, entry: SoakRun) -> Mapping[str, Value]:
        return {
            "name": entry.name,
            "program": entry.program.model_dump_json(),
            "chamber_channels": json.dumps(entry.chamber_channels),
            "specimen_channel": entry.specimen_channel,
            "started_ms": stored(entry.started, "started"),
            "ended_ms": stored_or_none(entry.ended, "ended"),
            "abandoned": entry.abandoned,
        }

    def _entry(self, row: sqlite3.Row) -> SoakRun:
        specimens = self._database.rows(
            "SELECT * FROM specimen WHERE soak = ? ORDER BY position", (row["id"],)
        )
        return SoakRun(
            name=row["name"],
            program=Program.model_validate_json(row["program"]),
            specimens=tuple(
                Specimen(name=piece["name"], resin=piece["resin"]) for piece in specimens
            ),
            chamber_channels=tuple(json.loads(row["chamber_channels"])),
            specimen_channel=row["specimen_channel"],
            started=moment_of(row["started_ms"]),
            ended=moment_or_none(row["ended_ms"]),
            abandoned=row["abandoned"],
        )

    def _write_children(self, entry_id: int, entry: SoakRun) -> None:
        # Looks hold on to their specimen, so specimens are brought in line one by one.
        names = {specimen.name for specimen in entry.specimens}
        for row in self._database.rows("SELECT name FROM specimen WHERE soak = ?", (entry_id,)):
            if row["name"] not in names:
                self._drop_specimen(entry_id, row["name"])
        self._database.change_each(
            "INSERT INTO specimen (soak, name, position, resin) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (soak, name) DO UPDATE SET position = excluded.position, "
            "resin = excluded.resin",
            [(entry_id, piece.name, n, piece.resin) for n, piece in enumerate(entry.specimens)],
        )

    def _follow(self, entry_id: int, before: SoakRun, after: SoakRun) -> None:
        follow_soak(Breaks(self._database), self, entry_id, before, after)

    def _drop_specimen(self, entry_id: int, name: str) -> None:
        for table, kind in USED_IN:
            self._check_count(
                f"SELECT count(*) FROM {table} WHERE soak = ? AND specimen = ?",
                (entry_id, name),
                kind,
                cannot=f"give up specimen {name}",
            )
        self._database.change("DELETE FROM specimen WHERE soak = ? AND name = ?", (entry_id, name))

    def _check(self, entry_id: int | None, entry: SoakRun) -> None:
        self._check_name_free(entry_id, entry.name)
        for number, specimen in enumerate(entry.specimens):
            if specimen.resin is not None:
                self._check_exists("resin", specimen.resin, f"specimens.{number}.resin")
        started_ms = stored(entry.started, "started")
        if self._database.row(
            "SELECT 1 FROM look WHERE soak = ? AND time_ms < ?", (entry_id, started_ms)
        ):
            raise InvalidError(
                "a look was taken before the run would start",
                where="started",
                remedy="Correct the time of that look first, or start the run earlier.",
            )
        if entry_id is not None:
            self._check_interventions_within(entry_id, started_ms, entry)

    def _check_interventions_within(self, entry_id: int, started_ms: int, entry: SoakRun) -> None:
        first_ms, last_ms = self._database.rows(
            "SELECT min(time_ms), max(time_ms) FROM intervention WHERE soak = ?", (entry_id,)
        )[0]
        ended_ms = stored_or_none(entry.ended, "ended")
        early = first_ms is not None and first_ms < started_ms
        if early or (last_ms is not None and ended_ms is not None and last_ms > ended_ms):
            raise InvalidError(
                "something was done to the run outside of that time",
                where="started" if early else "ended",
                remedy="Correct or delete that intervention first.",
            )

    def _check_unused(self, entry_id: int, entry: SoakRun) -> None:
        for table, kind in USED_IN:
            sql = f"SELECT count(*) FROM {table} WHERE soak = ?"
            self._check_count(sql, (entry_id,), kind)


class Looks(Ledger[LoggedLook]):
    """The looks at specimens, in the order of their times."""

    kind = "look"
    order = "soak, time_ms, id"

    def of(self, soak: int) -> list[Kept[LoggedLook]]:
        """The looks of one run, in the order of their times."""
        return self._where("soak = ?", (soak,))

    def _columns(self, entry: LoggedLook) -> Mapping[str, Value]:
        return {
            "soak": entry.soak,
            "specimen": entry.specimen,
            "time_ms": stored(entry.time, "time"),
            "finding": entry.finding.value,
            "sag_mm": entry.sag_mm,
            "note": entry.note,
        }

    def _entry(self, row: sqlite3.Row) -> LoggedLook:
        return LoggedLook(
            soak=row["soak"],
            specimen=row["specimen"],
            time=moment_of(row["time_ms"]),
            finding=row["finding"],
            sag_mm=row["sag_mm"],
            note=row["note"],
        )

    def _check(self, entry_id: int | None, entry: LoggedLook) -> None:
        run = self._database.row("SELECT started_ms FROM soak WHERE id = ?", (entry.soak,))
        if run is None:
            self._check_exists("soak", entry.soak, "soak")
            return
        if not self._database.row(
            "SELECT 1 FROM specimen WHERE soak = ? AND name = ?", (entry.soak, entry.specimen)
        ):
            raise InvalidError(
                f"there is no specimen {entry.specimen} in soak {entry.soak}",
                where="specimen",
                remedy="Give the name of one of the run's specimens.",
            )
        if stored(entry.time, "time") < run["started_ms"]:
            raise InvalidError(
                "the look was taken before the run started",
                where="time",
                remedy="Check the time and its zone, or the start of the run.",
            )

    def _check_unused(self, entry_id: int, entry: LoggedLook) -> None:
        sql = "SELECT count(*) FROM photograph WHERE look = ?"
        self._check_count(sql, (entry_id,), "photographs")
