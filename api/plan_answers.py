"""What to print next: a round worked out from the log, accepted, started and judged.

The sums are in ``api.causes.next_prints`` and ``api.causes.planned``. Every function may raise
``InvalidError`` for what is asked, ``NotFoundError``, ``ConflictError`` and ``StoreError``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from api.answers import print_rows
from api.causes.next_prints import REACH_C, plan
from api.causes.next_prints import Plan as Suggestion
from api.causes.planned import Arm, Comparison, PlannedPrint, compare
from api.causes.rows import fingerprint_of, log_of
from api.causes_answers import remembered
from api.prints import Print
from api.record import Kept, Plan, PlanRow, PrintFilter
from api.workshop import Workshop
from collector.errors import ConflictError, InvalidError


@dataclass(frozen=True, slots=True)
class NextPrints:
    """The suggested round with what it rests on, and how the accepted ones came out.

    ``round_n`` is the number that the suggested round would get; ``comparison`` is None until
    a plan was accepted.
    """

    suggestion: Suggestion
    round_n: int
    reach_c: tuple[float, float]
    prints_n: int
    failures: float
    left_out: Mapping[str, int]
    warnings: tuple[str, ...]
    comparison: Comparison | None
    comparison_method: str
    comparison_fingerprint: str | None


COMPARISON_METHOD = (
    "Fisher's exact test and Newcombe's interval among the prints of accepted plans,"
    " by what was drawn for them"
)


def next_prints(
    workshop: Workshop,
    now: datetime,
    *,
    level: float = 0.20,
    reach_c: tuple[float, float] = REACH_C,
) -> NextPrints:
    """The next six prints for this log, and the comparison of those that were planned before."""
    rows, left_out, _ = print_rows(workshop, now)
    log = log_of(rows, left_out)
    planned = planned_prints(workshop)
    round_n = 1 + max((kept.entry.round_n for kept in workshop.record.plans.all()), default=0)
    suggestion = remembered(
        workshop,
        lambda: plan(rows, level=level, reach_c=reach_c, round_n=round_n),
        "next prints",
        rows,
        level,
        reach_c,
        round_n,
    )
    return NextPrints(
        suggestion=suggestion,
        round_n=round_n,
        reach_c=reach_c,
        prints_n=log.prints_n,
        failures=log.failures,
        left_out=log.left_out,
        warnings=log.warnings,
        comparison=compare(planned) if planned else None,
        comparison_method=COMPARISON_METHOD,
        comparison_fingerprint=fingerprint_of((), planned) if planned else None,
    )


def planned_prints(workshop: Workshop) -> tuple[PlannedPrint, ...]:
    """Every row of the accepted plans; one that was withdrawn counts as far as it was printed."""
    with workshop.record.reading():
        plans = workshop.record.plans.all()
        shares = {kept.id: kept.entry.failed_share for kept in workshop.record.prints.all()}
    return tuple(
        PlannedPrint(
            id=f"plan {kept.id}, row {position + 1}",
            round_n=kept.entry.round_n,
            arm=row.arm,
            failed_share=None if row.print is None else shares.get(row.print),
        )
        for kept in plans
        for position, row in enumerate(kept.entry.rows)
        if row.print is not None or not kept.entry.withdrawn
    )


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Which machine and resin a round is accepted for, and which round that is.

    ``fingerprint`` is the suggestion's own; given, the plan is refused when the log has
    changed since it was shown.
    """

    machine: int
    resin: int
    level: float = 0.20
    reach_c: tuple[float, float] = REACH_C
    fingerprint: str | None = None


def accept_plan(
    workshop: Workshop, now: datetime, acceptance: Acceptance, *, key: str | None = None
) -> Kept[Plan]:
    """Put the suggested round on record as a plan, in the order that was drawn for it."""
    found = next_prints(workshop, now, level=acceptance.level, reach_c=acceptance.reach_c)
    suggestion = found.suggestion
    if acceptance.fingerprint not in (None, suggestion.fingerprint):
        raise ConflictError(
            "the log has changed since this plan was shown",
            where="fingerprint",
            remedy="Look at the plan as it is now, and accept that.",
        )
    if not suggestion.answered or suggestion.width_now_c is None:
        raise InvalidError(
            "there is no plan to accept", where="level", remedy=" ".join(suggestion.sentences)
        )
    rows = tuple(
        PlanRow(arm=Arm.COLD if start_c == suggestion.cold_c else Arm.WARM, start_c=start_c)
        for start_c in suggestion.order_c
    )
    plan = Plan(
        accepted=now,
        machine=acceptance.machine,
        resin=acceptance.resin,
        round_n=found.round_n,
        rows=rows,
        level=suggestion.level,
        width_now_c=suggestion.width_now_c,
        width_after_c=suggestion.width_after_c or 0.0,
        failures_expected=suggestion.failures_expected or 0.0,
        method=suggestion.method,
        version=suggestion.version,
        fingerprint=suggestion.fingerprint,
        seed=suggestion.seed,
    )
    return workshop.record.plans.add(plan, key=key)


@dataclass(frozen=True, slots=True)
class WaitingRow:
    """A row of a plan that is to be started: the next of its plan when ``position`` is first."""

    plan: Kept[Plan]
    position: int

    @property
    def row(self) -> PlanRow:
        """The row itself."""
        return self.plan.entry.rows[self.position]


def waiting_rows(workshop: Workshop) -> tuple[WaitingRow, ...]:
    """The rows still to be started, plan by plan, in the order that was drawn."""
    return tuple(
        WaitingRow(kept, position)
        for kept in workshop.record.plans.open()
        for position in kept.entry.open_rows
    )


def pattern_for(workshop: Workshop, plan: Plan) -> Print | None:
    """The print that the next of a plan should be like: its first one, else the resin's last.

    Settings stay the same throughout a plan; the machine's last print stands in where the
    resin was never printed.
    """
    prints = workshop.record.prints
    started = [row.print for row in plan.rows if row.print is not None]
    if started:
        return prints.get(started[0]).entry
    wanted: Sequence[PrintFilter] = (
        PrintFilter(machine=plan.machine, resin=plan.resin),
        PrintFilter(resin=plan.resin),
        PrintFilter(machine=plan.machine),
    )
    for only in wanted:
        if found := prints.newest(1, only=only):
            return found[0].entry
    return None


def start_planned(
    workshop: Workshop, plan_id: int, position: int, plate: Print, *, key: str | None = None
) -> Kept[Print]:
    """Put a print on record and link it to its row of a plan: both, or neither."""
    record = workshop.record
    with record.transaction():
        kept = record.prints.add(plate, key=key)
        plan = record.plans.get(plan_id)
        if position < len(plan.entry.rows) and plan.entry.rows[position].print == kept.id:
            return kept
        if (plate.machine, plate.resin) != (plan.entry.machine, plan.entry.resin):
            raise InvalidError(
                "a planned print keeps the plan's machine and resin",
                where="resin" if plate.resin != plan.entry.resin else "machine",
                remedy="Put them back, or start this print without the plan.",
            )
        record.plans.change(plan_id, plan.entry.started(position, kept.id), revision=plan.revision)
        return kept
