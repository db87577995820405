"""The migrations of record.db: named functions, each applied once, in order.

A migration and the note that it was applied are one transaction. A released migration is
never edited; the next change of the tables is the next function.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

Migration = Callable[[sqlite3.Connection], None]


def m001_first_tables(connection: sqlite3.Connection) -> None:
    """Resins, machines, prints, soak runs and looks; every change; keys of creation."""
    for statement in _FIRST_TABLES:
        connection.execute(statement)


#: ``AUTOINCREMENT``: the id of something deleted is never given again, its revisions name it.
_KEPT = (
    "id INTEGER PRIMARY KEY AUTOINCREMENT, revision INTEGER NOT NULL, changed_ms INTEGER NOT NULL"
)

_FIRST_TABLES = (
    f"""CREATE TABLE resin ({_KEPT}, name TEXT NOT NULL UNIQUE COLLATE NOCASE,
        category TEXT NOT NULL, density_g_cm3 REAL, price_per_kg REAL, note TEXT NOT NULL)""",
    f"""CREATE TABLE machine ({_KEPT}, name TEXT NOT NULL UNIQUE COLLATE NOCASE,
        note TEXT NOT NULL)""",
    """CREATE TABLE machine_channel (
        machine INTEGER NOT NULL REFERENCES machine ON DELETE CASCADE,
        position INTEGER NOT NULL, channel TEXT NOT NULL, role TEXT NOT NULL,
        since_ms INTEGER, until_ms INTEGER, PRIMARY KEY (machine, position)) WITHOUT ROWID""",
    f"""CREATE TABLE print ({_KEPT}, start_ms INTEGER NOT NULL, end_ms INTEGER,
        order_only INTEGER NOT NULL, resin INTEGER NOT NULL REFERENCES resin,
        machine INTEGER NOT NULL REFERENCES machine, settings TEXT NOT NULL,
        logged_vat_c REAL, note TEXT NOT NULL)""",
    "CREATE INDEX print_by_start ON print (start_ms, id)",
    "CREATE INDEX print_by_resin ON print (resin)",
    "CREATE INDEX print_by_machine ON print (machine)",
    """CREATE TABLE part (
        print INTEGER NOT NULL REFERENCES print ON DELETE CASCADE,
        position INTEGER NOT NULL, name TEXT NOT NULL, outcome TEXT, modes TEXT NOT NULL,
        note TEXT NOT NULL, PRIMARY KEY (print, position)) WITHOUT ROWID""",
    f"""CREATE TABLE soak ({_KEPT}, name TEXT NOT NULL UNIQUE COLLATE NOCASE,
        program TEXT NOT NULL, chamber_channels TEXT NOT NULL, specimen_channel TEXT,
        started_ms INTEGER NOT NULL, ended_ms INTEGER, abandoned TEXT)""",
    """CREATE TABLE specimen (
        soak INTEGER NOT NULL REFERENCES soak ON DELETE CASCADE,
        name TEXT NOT NULL, position INTEGER NOT NULL, resin INTEGER REFERENCES resin,
        PRIMARY KEY (soak, name)) WITHOUT ROWID""",
    "CREATE INDEX specimen_by_resin ON specimen (resin)",
    f"""CREATE TABLE look ({_KEPT}, soak INTEGER NOT NULL, specimen TEXT NOT NULL,
        time_ms INTEGER NOT NULL, finding TEXT NOT NULL, sag_mm REAL, note TEXT NOT NULL,
        FOREIGN KEY (soak, specimen) REFERENCES specimen (soak, name))""",
    "CREATE INDEX look_by_soak ON look (soak, time_ms, id)",
    """CREATE TABLE revision (
        kind TEXT NOT NULL, id INTEGER NOT NULL, revision INTEGER NOT NULL,
        changed_ms INTEGER NOT NULL, change TEXT NOT NULL, before TEXT NOT NULL,
        PRIMARY KEY (kind, id, revision)) WITHOUT ROWID""",
    """CREATE TABLE creation_key (
        key TEXT PRIMARY KEY, kind TEXT NOT NULL, id INTEGER NOT NULL, entry TEXT NOT NULL,
        made_ms INTEGER NOT NULL) WITHOUT ROWID""",
)


def m002_print_log(connection: sqlite3.Connection) -> None:
    """Bottles, plates, photographs, dismissed stretches of power; more on resins and prints."""
    for statement in _PRINT_LOG:
        connection.execute(statement)


_PRINT_LOG = (
    "ALTER TABLE resin ADD COLUMN guidance TEXT NOT NULL DEFAULT '{}'",
    f"""CREATE TABLE bottle ({_KEPT}, resin INTEGER NOT NULL REFERENCES resin, lot TEXT NOT NULL,
        opened_ms INTEGER, mixed_ms INTEGER, emptied_ms INTEGER, price_per_kg REAL,
        note TEXT NOT NULL)""",
    "CREATE INDEX bottle_by_resin ON bottle (resin)",
    f"""CREATE TABLE plate ({_KEPT}, name TEXT NOT NULL UNIQUE COLLATE NOCASE,
        parts TEXT NOT NULL, resin_ml REAL, note TEXT NOT NULL)""",
    "ALTER TABLE print ADD COLUMN bottle INTEGER REFERENCES bottle",
    "ALTER TABLE print ADD COLUMN plate INTEGER REFERENCES plate",
    "ALTER TABLE print ADD COLUMN resin_poured_ml REAL",
    "ALTER TABLE print ADD COLUMN resin_used_ml REAL",
    "ALTER TABLE print ADD COLUMN cut_short INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE print ADD COLUMN afterwork TEXT NOT NULL DEFAULT '{}'",
    "ALTER TABLE part ADD COLUMN place TEXT",
    "CREATE INDEX print_by_bottle ON print (bottle)",
    "CREATE INDEX print_by_plate ON print (plate)",
    f"""CREATE TABLE photograph ({_KEPT}, print INTEGER REFERENCES print,
        part TEXT, look INTEGER REFERENCES look, sha256 TEXT NOT NULL, media_type TEXT NOT NULL,
        width_px INTEGER NOT NULL, height_px INTEGER NOT NULL, bytes_n INTEGER NOT NULL,
        note TEXT NOT NULL)""",
    "CREATE INDEX photograph_by_print ON photograph (print)",
    "CREATE INDEX photograph_by_look ON photograph (look)",
    f"""CREATE TABLE dismissal ({_KEPT}, machine INTEGER NOT NULL REFERENCES machine,
        start_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL, note TEXT NOT NULL)""",
    "CREATE INDEX dismissal_by_machine ON dismissal (machine, start_ms)",
)


def m003_calibrations(connection: sqlite3.Connection) -> None:
    """What the channels' readings are corrected by, one calibration from each moment on."""
    connection.execute(
        f"""CREATE TABLE calibration ({_KEPT}, channel TEXT NOT NULL,
        valid_from_ms INTEGER NOT NULL, pairs TEXT NOT NULL, note TEXT NOT NULL,
        UNIQUE (channel, valid_from_ms))"""
    )


def m004_plans_and_results(connection: sqlite3.Connection) -> None:
    """Accepted plans with their rows, saved results, and the owner's limits of a machine."""
    for statement in _PLANS_AND_RESULTS:
        connection.execute(statement)


_PLANS_AND_RESULTS = (
    "ALTER TABLE machine ADD COLUMN limits TEXT NOT NULL DEFAULT '{}'",
    f"""CREATE TABLE plan ({_KEPT}, accepted_ms INTEGER NOT NULL,
        machine INTEGER NOT NULL REFERENCES machine, resin INTEGER NOT NULL REFERENCES resin,
        round_n INTEGER NOT NULL, level REAL NOT NULL, width_now_c REAL NOT NULL,
        width_after_c REAL NOT NULL, failures_expected REAL NOT NULL, method TEXT NOT NULL,
        version TEXT NOT NULL, fingerprint TEXT NOT NULL, seed INTEGER NOT NULL,
        withdrawn INTEGER NOT NULL, note TEXT NOT NULL)""",
    """CREATE TABLE plan_row (
        plan INTEGER NOT NULL REFERENCES plan ON DELETE CASCADE,
        position INTEGER NOT NULL, arm TEXT NOT NULL, start_c REAL NOT NULL,
        print INTEGER UNIQUE REFERENCES print ON DELETE SET NULL,
        PRIMARY KEY (plan, position)) WITHOUT ROWID""",
    f"""CREATE TABLE result ({_KEPT}, question TEXT NOT NULL, asked TEXT NOT NULL,
        saved_ms INTEGER NOT NULL, sentences TEXT NOT NULL, method TEXT NOT NULL,
        version TEXT NOT NULL, fingerprint TEXT NOT NULL, answer TEXT NOT NULL,
        note TEXT NOT NULL)""",
)


def m005_break_bench(connection: sqlite3.Connection) -> None:
    """Fixtures, gauges and break tests, and photographs of what broke."""
    for statement in _BREAK_BENCH:
        connection.execute(statement)


_BREAK_BENCH = (
    f"""CREATE TABLE fixture ({_KEPT}, name TEXT NOT NULL UNIQUE COLLATE NOCASE,
        holding TEXT NOT NULL, span_mm REAL, width_mm REAL, thickness_mm REAL,
        note TEXT NOT NULL)""",
    f"""CREATE TABLE gauge ({_KEPT}, name TEXT NOT NULL UNIQUE COLLATE NOCASE,
        limit_value REAL NOT NULL, limit_unit TEXT NOT NULL, note TEXT NOT NULL)""",
    f"""CREATE TABLE break_test ({_KEPT}, piece TEXT NOT NULL,
        resin INTEGER NOT NULL REFERENCES resin, bottle INTEGER REFERENCES bottle,
        print INTEGER REFERENCES print, part TEXT,
        fixture INTEGER NOT NULL REFERENCES fixture, gauge INTEGER NOT NULL REFERENCES gauge,
        outcome TEXT NOT NULL, load REAL, unit TEXT, width_mm REAL, thickness_mm REAL,
        tested_ms INTEGER NOT NULL, cured_ms INTEGER, note TEXT NOT NULL,
        CHECK ((outcome = 'broke') = (load IS NOT NULL)))""",
    "CREATE INDEX break_test_by_time ON break_test (tested_ms, id)",
    "CREATE INDEX break_test_by_resin ON break_test (resin)",
    "CREATE INDEX break_test_by_print ON break_test (print)",
    "CREATE INDEX break_test_by_gauge ON break_test (gauge)",
    """CREATE TABLE break_soak (
        break_test INTEGER NOT NULL REFERENCES break_test ON DELETE CASCADE,
        position INTEGER NOT NULL, soak INTEGER NOT NULL, specimen TEXT NOT NULL,
        PRIMARY KEY (break_test, position),
        FOREIGN KEY (soak, specimen) REFERENCES specimen (soak, name)) WITHOUT ROWID""",
    "CREATE INDEX break_soak_by_specimen ON break_soak (soak, specimen)",
    "ALTER TABLE photograph ADD COLUMN break_test INTEGER REFERENCES break_test",
    "CREATE INDEX photograph_by_break_test ON photograph (break_test)",
)


def m006_refused_prints(connection: sqlite3.Connection) -> None:
    """Messages that were to put a print on record and were refused."""
    connection.execute(
        """CREATE TABLE refused_print (id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL,
            payload BLOB NOT NULL, bytes_n INTEGER NOT NULL, reason TEXT NOT NULL,
            first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL, times_n INTEGER NOT NULL,
            settled TEXT, settled_ms INTEGER,
            print INTEGER REFERENCES print ON DELETE SET NULL)"""
    )
    connection.execute("CREATE INDEX refused_print_open ON refused_print (settled, last_ms)")


def m007_interventions(connection: sqlite3.Connection) -> None:
    """What was done to soak runs under way: specimens taken out, programs edited, remarks."""
    connection.execute(
        f"""CREATE TABLE intervention ({_KEPT}, soak INTEGER NOT NULL REFERENCES soak,
        what TEXT NOT NULL, time_ms INTEGER NOT NULL, specimen TEXT, program TEXT,
        note TEXT NOT NULL, FOREIGN KEY (soak, specimen) REFERENCES specimen (soak, name))"""
    )
    connection.execute("CREATE INDEX intervention_by_soak ON intervention (soak, time_ms, id)")


#: In the order in which they are applied.
MIGRATIONS: tuple[Migration, ...] = (
    m001_first_tables,
    m002_print_log,
    m003_calibrations,
    m004_plans_and_results,
    m005_break_bench,
    m006_refused_prints,
    m007_interventions,
)


def migrate(connection: sqlite3.Connection, now_ms: int) -> None:
    """Bring a record up to date; does nothing where it is.

    ``connection`` is in autocommit (``isolation_level=None``); ``now_ms`` is noted beside each
    migration [ms since 1970 UTC].
    """
    connection.execute(
        "CREATE TABLE IF NOT EXISTS migration (name TEXT PRIMARY KEY, applied_ms INTEGER NOT NULL)"
    )
    for migration in MIGRATIONS:
        _apply_once(connection, migration, now_ms)


def _apply_once(connection: sqlite3.Connection, migration: Migration, now_ms: int) -> None:
    name = migration.__name__
    connection.execute("BEGIN IMMEDIATE")
    try:
        done = connection.execute("SELECT 1 FROM migration WHERE name = ?", (name,)).fetchone()
        if not done:
            migration(connection)
            connection.execute("INSERT INTO migration VALUES (?, ?)", (name, now_ms))
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
