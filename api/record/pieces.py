"""What follows when a print or a soak specimen is corrected: a piece is one piece everywhere.

A piece that was broken on the bench may name the print it came from and the soak runs it went
through. All of them tell of the same resin, so correcting it in one corrects it in the others,
each a change like any other with what stood before. Renamed parts are followed; a part that a
test names cannot go.
"""

from __future__ import annotations

from api.prints import Print
from api.record.breaks import Breaks, BreakTest
from api.record.entries import Kept
from api.record.ledger import Ledger
from api.soak.program import SoakRun
from collector.errors import ConflictError

#: A specimen by its run and name.
SpecimenKey = tuple[int, str]


def follow_print(
    breaks: Breaks, soaks: Ledger[SoakRun], print_id: int, before: Print, after: Print
) -> None:
    """Bring the pieces of a print in line with its correction.

    Raises ``ConflictError`` when a test names a part that is gone, or a piece is tied to
    another print of another resin.
    """
    _follow_parts(breaks, print_id, before, after)
    if before.resin != after.resin:
        tests = {kept.id: kept for kept in breaks.of_print(print_id)}
        _follow_resin(breaks, soaks, tests, after.resin, f"print {print_id}", own=print_id)


def follow_soak(
    breaks: Breaks, soaks: Ledger[SoakRun], soak_id: int, before: SoakRun, after: SoakRun
) -> None:
    """Bring the pieces broken after a run in line with a correction of its specimens' resins.

    Raises ``ConflictError`` when such a piece names a print of another resin.
    """
    was = {one.name: one.resin for one in before.specimens}
    for one in after.specimens:
        if one.resin is not None and was.get(one.name) != one.resin:
            tests = {kept.id: kept for kept in breaks.of_specimen(soak_id, one.name)}
            _follow_resin(breaks, soaks, tests, one.resin, f"specimen {one.name}")


def _follow_parts(breaks: Breaks, print_id: int, before: Print, after: Print) -> None:
    names = {part.name for part in after.parts}
    known = {part.name for part in before.parts}
    if names >= known:
        return
    renamed: dict[str, str] = {}
    if len(before.parts) == len(after.parts):
        pairs = zip(before.parts, after.parts, strict=True)
        renamed = {old.name: new.name for old, new in pairs if new.name not in known}
    for kept in breaks.of_print(print_id):
        part = kept.entry.part
        if part is None or part in names:
            continue
        if part not in renamed:
            raise ConflictError(
                f"break test {kept.id} is of {part}, which the print would not have any more",
                where="parts",
                remedy="Correct that test first: choose another part of the print, or none.",
            )
        breaks.change_alone(kept.id, kept.entry.model_copy(update={"part": renamed[part]}))


def _follow_resin(
    breaks: Breaks,
    soaks: Ledger[SoakRun],
    tests: dict[int, Kept[BreakTest]],
    resin: int,
    what: str,
    own: int | None = None,
) -> None:
    """Give tests, the specimens they name and what hangs on those a resin; ``own`` is the print."""
    specimens: set[SpecimenKey] = set()
    waiting = list(tests.values())
    while waiting:
        kept = waiting.pop()
        _check_print(breaks, kept, resin, what, own)
        for run in kept.entry.soaked:
            noted = {one.name: one.resin for one in soaks.get(run.soak).entry.specimens}
            if noted.get(run.specimen) is None or (run.soak, run.specimen) in specimens:
                continue
            specimens.add((run.soak, run.specimen))
            for other in breaks.of_specimen(run.soak, run.specimen):
                if other.id not in tests:
                    tests[other.id] = other
                    waiting.append(other)
    for soak in sorted({soak for soak, _ in specimens}):
        entry = soaks.get(soak).entry
        given = tuple(
            one.model_copy(update={"resin": resin}) if (soak, one.name) in specimens else one
            for one in entry.specimens
        )
        soaks.change_alone(soak, entry.model_copy(update={"specimens": given}))
    for kept in tests.values():
        # Read again: its part may have been renamed just before.
        entry_now = breaks.get(kept.id).entry
        bottle = entry_now.bottle if entry_now.resin == resin else None
        told = entry_now.model_copy(update={"resin": resin, "bottle": bottle})
        breaks.change_alone(kept.id, told)


def _check_print(
    breaks: Breaks, kept: Kept[BreakTest], resin: int, what: str, own: int | None
) -> None:
    """Refuse where a piece hangs on a print of another resin."""
    print_id = kept.entry.print
    if print_id is None or print_id == own or kept.entry.resin == resin:
        return
    raise ConflictError(
        f"break test {kept.id} ties {what} to print {print_id}, "
        f"which is of {breaks.resin_called(kept.entry.resin)}",
        where="resin",
        remedy=f"Correct the resin of print {print_id}: what hangs on it follows. Or correct "
        "that test, if it names the wrong print.",
    )
