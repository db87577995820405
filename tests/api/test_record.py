"""The record keeps what was done, and what stood before every correction."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

import pytest

from api.prints import FailureMode, Outcome, Part, Print, Settings
from api.record import (
    ChannelLink,
    LoggedLook,
    Machine,
    PrintFilter,
    Record,
    Resin,
    cursor_of,
)
from api.record.migrations import MIGRATIONS
from api.soak.program import Finding, Program, SoakRun, Specimen, Step
from collector.errors import ConflictError, InvalidError, NotFoundError, StoreError
from collector.readings import Role, moment_of

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    ticks = count(1_768_400_000_000, 1_000)
    kept = Record(tmp_path / "record.db", clock=lambda: next(ticks))
    yield kept
    kept.close()


@pytest.fixture
def grey(record: Record) -> int:
    return record.resins.add(Resin(name="Harbour Grey", price_per_kg=32.5)).id


@pytest.fixture
def north(record: Record) -> int:
    return record.machines.add(Machine(name="North")).id


def collars(resin: int, machine: int, start: datetime = EVENING, *outcomes: Outcome) -> Print:
    parts = tuple(Part(name=f"collar {n}", outcome=o) for n, o in enumerate(outcomes))
    return Print(
        start=start, end=start + timedelta(hours=7), resin=resin, machine=machine, parts=parts
    )


def heat_run(resin: int, *names: str) -> SoakRun:
    return SoakRun(
        name="Lamp collars, January",
        program=Program(name="Two steps", steps=(Step(setpoint_c=50), Step(setpoint_c=60))),
        chamber_channels=("chamber",),
        specimens=tuple(Specimen(name=name, resin=resin) for name in names),
        started=EVENING,
    )


def test_what_is_put_on_record_comes_back_and_survives_a_restart(
    record: Record, grey: int, north: int, tmp_path: Path
) -> None:
    plate = Print(
        start=EVENING,
        end=EVENING + timedelta(hours=7),
        resin=grey,
        machine=north,
        settings=Settings(layer_height_mm=0.05, bottom_exposure_s=30, bottom_layer_count=6),
        parts=(
            Part(name="left", outcome=Outcome.GOOD),
            Part(name="right", outcome=Outcome.FAILED, modes=(FailureMode.NOT_STUCK,), note="cold"),
            Part(name="not looked at yet"),
        ),
        logged_vat_c=18.5,
        note="draught from the stairs",
    )
    kept = record.prints.add(plate)
    assert (kept.revision, kept.entry) == (1, plate)
    again = Record(tmp_path / "record.db")
    assert again.prints.get(kept.id) == kept
    again.close()


def test_a_correction_keeps_what_stood_before(record: Record, grey: int, north: int) -> None:
    kept = record.prints.add(collars(grey, north))
    right = collars(grey, north, EVENING, Outcome.GOOD, Outcome.FLAWED)
    corrected = record.prints.change(kept.id, right, revision=1)
    assert (corrected.revision, corrected.entry) == (2, right)
    (before,) = record.prints.revisions(kept.id)
    assert (before.kind, before.id, before.revision, before.change) == (
        "print",
        kept.id,
        1,
        "corrected",
    )
    assert Print.model_validate(before.before) == kept.entry
    assert before.changed > kept.changed


def test_a_correction_that_changes_nothing_makes_no_revision(record: Record, grey: int) -> None:
    assert record.resins.change(grey, record.resins.get(grey).entry).revision == 1
    assert record.resins.revisions(grey) == []


def test_the_second_of_two_writers_overwrites_nothing(
    record: Record, grey: int, north: int
) -> None:
    kept = record.prints.add(collars(grey, north))
    first = kept.entry.model_copy(update={"note": "first"})
    second = kept.entry.model_copy(update={"note": "second"})
    record.prints.change(kept.id, first, revision=kept.revision)
    with pytest.raises(ConflictError, match="at revision 2 now") as caught:
        record.prints.change(kept.id, second, revision=kept.revision)
    assert caught.value.remedy
    assert record.prints.get(kept.id).entry.note == "first"
    with pytest.raises(ConflictError):
        record.prints.delete(kept.id, revision=1)


def test_writers_in_eight_threads_lose_no_change(record: Record, grey: int, north: int) -> None:
    kept = record.prints.add(collars(grey, north))
    refused: list[int] = []

    def write(writer: int) -> None:
        for n in range(10):
            while True:
                seen = record.prints.get(kept.id)
                note = f"{seen.entry.note} {writer}.{n}"
                try:
                    record.prints.change(
                        kept.id,
                        seen.entry.model_copy(update={"note": note}),
                        revision=seen.revision,
                    )
                    break
                except ConflictError:
                    refused.append(writer)

    threads = [threading.Thread(target=write, args=(writer,)) for writer in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    last = record.prints.get(kept.id)
    assert last.revision == 81
    assert sorted(last.entry.note.split()) == sorted(
        f"{w}.{n}" for w in range(8) for n in range(10)
    )
    assert len(record.prints.revisions(kept.id)) == 80


def test_a_print_is_never_read_half_changed(record: Record, grey: int, north: int) -> None:
    kept = record.prints.add(collars(grey, north))
    writing = threading.Event()
    writing.set()

    def write() -> None:
        for n in range(150):
            parts = tuple(Part(name=f"collar {k}") for k in range(n % 7))
            entry = kept.entry.model_copy(update={"note": str(len(parts)), "parts": parts})
            record.prints.change(kept.id, entry)
        writing.clear()

    writer = threading.Thread(target=write)
    writer.start()
    reads = 0
    while writing.is_set() or reads == 0:
        seen = record.prints.get(kept.id)
        assert seen.entry.note in ("", str(len(seen.entry.parts)))
        reads += 1
    writer.join()


def test_a_deleted_print_stays_among_its_revisions_and_its_id_is_never_given_again(
    record: Record, grey: int, north: int
) -> None:
    kept = record.prints.add(collars(grey, north, EVENING, Outcome.GOOD))
    record.prints.delete(kept.id, revision=1)
    with pytest.raises(NotFoundError):
        record.prints.get(kept.id)
    (before,) = record.prints.revisions(kept.id)
    assert before.change == "deleted"
    assert Print.model_validate(before.before) == kept.entry
    assert record.prints.add(kept.entry).id > kept.id


@pytest.mark.parametrize("wanted", [0, -1, 99, 2**63, 10**30])
def test_what_never_was_is_not_on_record(record: Record, wanted: int) -> None:
    for ledger in (record.resins, record.prints, record.soaks):
        with pytest.raises(NotFoundError):
            ledger.get(wanted)
        with pytest.raises(NotFoundError):
            ledger.revisions(wanted)


def test_a_resin_in_use_cannot_be_deleted_and_the_reason_is_given(
    record: Record, grey: int, north: int
) -> None:
    plate = record.prints.add(collars(grey, north))
    with pytest.raises(ConflictError, match=r"in use \(prints: 1\)"):
        record.resins.delete(grey)
    with pytest.raises(ConflictError, match=r"in use \(prints: 1\)"):
        record.machines.delete(north)
    record.prints.delete(plate.id)
    run = record.soaks.add(heat_run(grey, "A"))
    with pytest.raises(ConflictError, match=r"in use \(specimens: 1\)"):
        record.resins.delete(grey)
    record.soaks.delete(run.id)
    record.resins.delete(grey)
    assert record.resins.all() == []


def test_a_name_is_given_once_whatever_its_case(record: Record, grey: int) -> None:
    with pytest.raises(ConflictError) as caught:
        record.resins.add(Resin(name="harbour grey"))
    assert caught.value.where == "name"
    willow = record.resins.add(Resin(name="Willow"))
    with pytest.raises(ConflictError):
        record.resins.change(willow.id, Resin(name="HARBOUR GREY"))
    record.resins.change(grey, Resin(name="Harbour grey"))
    found = record.resins.named("HARBOUR GREY")
    assert found is not None
    assert found.id == grey
    assert [kept.entry.name for kept in record.resins.all()] == ["Harbour grey", "Willow"]


def test_a_print_names_the_field_that_is_not_on_record(record: Record, grey: int) -> None:
    with pytest.raises(InvalidError) as caught:
        record.prints.add(collars(grey, 7))
    assert caught.value.where == "machine"
    assert record.prints.all() == []


def test_the_same_key_makes_a_print_once(record: Record, grey: int, north: int) -> None:
    plate = collars(grey, north)
    first = record.prints.add(plate, key="phone-1")
    assert record.prints.add(plate, key="phone-1") == first
    assert record.prints.count() == 1
    with pytest.raises(ConflictError, match="used before"):
        record.prints.add(plate.model_copy(update={"note": "another"}), key="phone-1")
    with pytest.raises(ConflictError, match="used before"):
        record.resins.add(Resin(name="Willow"), key="phone-1")
    record.prints.change(first.id, plate.model_copy(update={"note": "corrected"}))
    assert record.prints.add(plate, key="phone-1").entry.note == "corrected"
    record.prints.delete(first.id)
    with pytest.raises(ConflictError, match="deleted since"):
        record.prints.add(plate, key="phone-1")
    for bad in ("", "x" * 201):
        with pytest.raises(InvalidError):
            record.prints.add(plate, key=bad)


def test_prints_are_listed_newest_first_page_by_page(record: Record, grey: int, north: int) -> None:
    starts = [EVENING + timedelta(days=n // 2) for n in range(9)]  # pairs share a start
    made = [record.prints.add(collars(grey, north, start)).id for start in starts]
    seen: list[int] = []
    cursor = None
    while page := record.prints.newest(2, before=cursor):
        seen += [plate.id for plate in page]
        cursor = cursor_of(page[-1])
    assert seen == sorted(made, reverse=True)
    for bad in ("", "7", "a-b", "1-2-3", "١-٢", "9" * 40 + "-1"):
        with pytest.raises(InvalidError):
            record.prints.newest(2, before=bad)


def test_prints_are_filtered(record: Record, grey: int, north: int) -> None:
    willow = record.resins.add(Resin(name="Willow")).id
    south = record.machines.add(Machine(name="South")).id
    good, flawed, failed = Outcome.GOOD, Outcome.FLAWED, Outcome.FAILED
    plates = [
        collars(grey, north, EVENING, good, good),
        collars(grey, south, EVENING + timedelta(days=1), good, flawed),
        collars(willow, north, EVENING + timedelta(days=2), flawed, failed, good),
        collars(willow, south, EVENING + timedelta(days=3)),
    ]
    ids = [record.prints.add(plate).id for plate in plates]

    def found(only: PrintFilter) -> list[int]:
        assert record.prints.count(only) == len(record.prints.newest(100, only=only))
        return sorted(ids.index(plate.id) for plate in record.prints.newest(100, only=only))

    assert found(PrintFilter(resin=willow)) == [2, 3]
    assert found(PrintFilter(machine=south)) == [1, 3]
    assert found(PrintFilter(resin=willow, machine=south)) == [3]
    assert found(PrintFilter(outcome=good)) == [0]
    assert found(PrintFilter(outcome=flawed)) == [1]
    assert found(PrintFilter(outcome=failed)) == [2]
    assert found(PrintFilter(looked=False)) == [3]
    assert found(PrintFilter(looked=True)) == [0, 1, 2]
    assert found(PrintFilter(since=plates[1].start, until=plates[3].start)) == [1, 2]
    for kept, plate in zip(record.prints.all(), plates, strict=True):
        assert kept.entry.outcome == plate.outcome


def test_a_sensor_that_moved_belongs_to_one_machine_at_a_time(record: Record, north: int) -> None:
    moved = datetime(2026, 1, 20, tzinfo=UTC)
    vat = ChannelLink(channel="vat-a", role=Role.VAT_TEMPERATURE)
    record.machines.change(north, Machine(name="North", channels=(vat,)))
    later = vat.model_copy(update={"since": moved})
    with pytest.raises(ConflictError, match="belongs to North"):
        record.machines.add(Machine(name="South", channels=(later,)))
    ended = vat.model_copy(update={"until": moved})
    record.machines.change(north, Machine(name="North", channels=(ended,)))
    south = record.machines.add(Machine(name="South", channels=(later,))).entry
    machine = record.machines.get(north).entry
    before, after = moved - timedelta(milliseconds=1), moved
    assert [machine.channel(Role.VAT_TEMPERATURE, t) for t in (before, after)] == ["vat-a", None]
    assert [south.channel(Role.VAT_TEMPERATURE, t) for t in (before, after)] == [None, "vat-a"]
    assert south.channel(Role.PRINTER_POWER, after) is None


def test_looks_hold_on_to_their_specimen_and_their_run(record: Record, grey: int) -> None:
    run = record.soaks.add(heat_run(grey, "A", "B"))
    late = LoggedLook(
        soak=run.id, specimen="A", time=EVENING + timedelta(hours=2), finding=Finding.SOFTENED
    )
    early = late.model_copy(update={"time": EVENING + timedelta(hours=1), "finding": Finding.SOUND})
    for look in (late, early):
        record.looks.add(look)
    assert [look.entry for look in record.looks.of(run.id)] == [early, late]
    with pytest.raises(InvalidError, match="no specimen C"):
        record.looks.add(late.model_copy(update={"specimen": "C"}))
    with pytest.raises(InvalidError, match="before the run started"):
        record.looks.add(late.model_copy(update={"time": EVENING - timedelta(seconds=1)}))
    with pytest.raises(InvalidError, match="no soak 9"):
        record.looks.add(late.model_copy(update={"soak": 9}))
    with pytest.raises(ConflictError, match=r"give up specimen A: it is in use \(looks: 2\)"):
        record.soaks.change(run.id, heat_run(grey, "B"))
    with pytest.raises(ConflictError, match=r"deleted: it is in use \(looks: 2\)"):
        record.soaks.delete(run.id)
    swapped = record.soaks.change(run.id, heat_run(grey, "C", "A"))
    assert [piece.name for piece in swapped.entry.specimens] == ["C", "A"]
    assert record.soaks.revisions(run.id)[0].before["specimens"] == [
        {"name": "A", "resin": grey},
        {"name": "B", "resin": grey},
    ]


def test_several_changes_are_one_or_none(record: Record, grey: int, north: int) -> None:
    def half_an_evening() -> None:
        with record.transaction():
            record.prints.add(collars(grey, north))
            record.resins.change(grey, Resin(name="Renamed"))
            record.prints.add(collars(grey, 99))

    with pytest.raises(InvalidError):
        half_an_evening()
    assert record.prints.all() == []
    assert record.resins.get(grey).entry.name == "Harbour Grey"
    assert record.resins.revisions(grey) == []


def test_an_older_change_of_the_tables_is_applied_once(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    for _ in range(2):
        record = Record(path, clock=lambda: 5)
        record.close()
    tables = sqlite3.connect(path)
    done = [(step.__name__, 5) for step in MIGRATIONS]
    assert tables.execute("SELECT * FROM migration ORDER BY name").fetchall() == done
    assert tables.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    tables.close()


def test_a_file_that_is_no_record_is_told_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    path.write_text("not a database, but somebody's shopping list " * 50)
    before = path.read_bytes()
    with pytest.raises(StoreError) as caught:
        Record(path)
    assert caught.value.where == str(path)
    assert path.read_bytes() == before


def test_times_are_kept_to_the_millisecond(record: Record, grey: int, north: int) -> None:
    start = EVENING.replace(microsecond=123_456)
    kept = record.prints.add(collars(grey, north, start))
    assert kept.entry.start == EVENING.replace(microsecond=123_000)
    assert kept.changed.tzinfo is UTC
    assert moment_of(0).year == 1970


def test_the_last_change_can_be_taken_back_and_that_too(
    record: Record, grey: int, north: int
) -> None:
    plate = collars(grey, north, EVENING, Outcome.GOOD)
    kept = record.prints.add(plate)
    record.prints.change(kept.id, plate.model_copy(update={"note": "a nick"}))
    record.prints.undo(kept.id, revision=2)
    assert record.prints.get(kept.id).entry == plate
    record.prints.undo(kept.id)
    assert record.prints.get(kept.id).entry.note == "a nick"
    assert [one.change for one in record.prints.revisions(kept.id)] == ["corrected"] * 3


def test_what_was_deleted_comes_back_under_its_id_and_with_its_parts(
    record: Record, grey: int, north: int
) -> None:
    plate = collars(grey, north, EVENING, Outcome.GOOD, Outcome.FAILED)
    kept = record.prints.add(plate, key="north-0142")
    record.prints.delete(kept.id)
    back = record.prints.undo(kept.id, revision=1)
    assert back is not None
    assert (back.id, back.revision, back.entry) == (kept.id, 2, plate)
    assert record.prints.add(plate, key="north-0142") == back
    assert record.prints.undo(kept.id) is None
    assert record.prints.count() == 0
    assert record.prints.add(plate).id == kept.id + 1


def test_what_was_only_put_on_record_is_taken_off_it_again(record: Record, grey: int) -> None:
    assert record.resins.undo(grey) is None
    assert record.resins.all() == []
    record.resins.add(Resin(name="harbour grey"))
    with pytest.raises(ConflictError, match="is named Harbour Grey already"):
        record.resins.undo(grey)


def test_nothing_is_taken_back_over_another_change(record: Record, grey: int, north: int) -> None:
    plate = collars(grey, north)
    kept = record.prints.add(plate)
    record.prints.change(kept.id, plate.model_copy(update={"note": "first"}))
    record.prints.change(kept.id, plate.model_copy(update={"note": "second"}))
    with pytest.raises(ConflictError):
        record.prints.undo(kept.id, revision=2)
    assert record.prints.get(kept.id).entry.note == "second"
    with pytest.raises(NotFoundError):
        record.prints.undo(999)


def test_every_entry_is_as_it_stands_whoever_changed_it(record: Record, tmp_path: Path) -> None:
    def names() -> list[str]:
        return [kept.entry.name for kept in record.resins.all()]

    willow = record.resins.add(Resin(name="Willow")).id
    assert names() == names() == ["Willow"]
    names().clear()
    assert names() == ["Willow"]
    with suppress(RuntimeError), record.transaction():
        record.resins.change(willow, Resin(name="Kiln Amber"))
        assert names() == ["Kiln Amber"]
        raise RuntimeError
    assert names() == ["Willow"]
    other = Record(tmp_path / "record.db")
    other.resins.change(willow, Resin(name="Fathom Clear"))
    with record.reading():
        assert names() == ["Fathom Clear"]
        other.resins.add(Resin(name="Harbour Grey"))
        assert names() == ["Fathom Clear"], "what is looked at twice at one moment is the same"
    other.close()
    assert names() == ["Fathom Clear", "Harbour Grey"]
    record.resins.delete(willow)
    assert names() == ["Harbour Grey"]
    assert record.resins.undo(willow) is not None
    assert names() == ["Fathom Clear", "Harbour Grey"]
