"""The engine against a slow one that shares nothing with it but the rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.soak.engine import fold
from api.soak.events import (
    ChamberReading,
    Ended,
    Event,
    LookTaken,
    ProgramEdited,
    Started,
    TakenOut,
    Trace,
    in_order,
)
from api.soak.program import Finding, Program, Settle, SettleRule, Step
from api.soak.state import Phase, Place, RunState
from collector.errors import InvalidError
from tests.api.soak.oracle import (
    Points,
    Read,
    SlowRun,
    readings_between,
    slow_place,
    slow_run,
    slow_spread,
)

START = 1_767_225_600_000
GAP_S = 120

steps = st.builds(
    Step,
    setpoint_c=st.integers(4, 12).map(lambda n: n * 5.0),
    tolerance_k=st.sampled_from([1.0, 2.5, 4.0, 7.5]),
    dwell_min=st.sampled_from([0.25, 1.0, 2.0, 3.7]),
)
programs = st.builds(
    Program,
    name=st.just("random"),
    steps=st.lists(steps, min_size=1, max_size=4).map(tuple),
    gap_limit_s=st.just(GAP_S),
    settle=st.sampled_from([Settle(), Settle(), Settle(hold_min=0.5), Settle(hold_min=3)]),
)
rules = st.builds(
    Settle,
    rule=st.sampled_from(list(SettleRule)),
    hold_min=st.sampled_from([0.0, 0.5]),
    over_min=st.sampled_from([0.5, 2.0]),
    # Widths that no difference of the readings below meets exactly: ties are for other tests.
    within_k=st.sampled_from([3.03, 1.07]),
    change_k=st.sampled_from([2.03, 0.71]),
    apart_k=st.sampled_from([3.57, 1.13]),
)


@st.composite
def profiles(draw: st.DrawFn) -> Points:
    """Readings that wander, with holes, jumps and plateaus."""
    points, now, level = [], draw(st.integers(0, 200_000)), draw(st.integers(30, 130)) / 2
    for _ in range(draw(st.integers(0, 40))):
        points.append((now, level))
        now += draw(st.sampled_from([1_000, 10_000, 30_000, 59_001, 60_000, 120_000, 121_000]))
        level += draw(st.sampled_from([0, 0, 0, 0.5, -0.5, 2, -2, 5, 5, -5, 12.5, -12.5]))
    return points


@st.composite
def calm_profiles(draw: st.DrawFn) -> Points:
    """Readings that stay near one temperature for most of the time, as a chamber does.

    All sums are exact in binary, so that both engines see the same edges.
    """
    points, now = [], draw(st.integers(0, 60_000))
    level = draw(st.integers(4, 12)) * 5 + draw(st.sampled_from([0.0, 0.5, -1.25]))
    for _ in range(draw(st.integers(0, 40))):
        points.append((now, level))
        now += draw(st.sampled_from([10_000, 20_000, 29_500, 60_000, 60_000, 121_000]))
        level += draw(st.sampled_from([0, 0, 0, 0.25, -0.25, 0.75, -0.75, 2, -2, 5]))
    return points


either = st.one_of(profiles(), calm_profiles())

marks = st.lists(
    st.tuples(st.integers(0, 2_400_000), st.sampled_from("ABC"), st.sampled_from(list(Finding))),
    max_size=8,
)


def events_of(
    probes: dict[str, Points],
    looks: list[tuple[int, str, Finding]],
    specimen: Points | None = None,
) -> list[Event]:
    """One by one, in time order, readings before looks."""
    told: list[tuple[int, int, Event]] = [
        (t, 0, ChamberReading(START + t, v, name))
        for name, rows in {**probes, "specimen": specimen or []}.items()
        for t, v in rows
    ]
    told += [(t, 1, LookTaken(START + t, name, finding)) for t, name, finding in looks]
    started = Started(
        START, ("A", "B", "C"), tuple(probes), None if specimen is None else "specimen"
    )
    return [started, *(event for _, _, event in sorted(told, key=lambda row: row[:2]))]


def near(moment: Fraction | None) -> object:
    return None if moment is None else pytest.approx(START + float(moment), abs=0.01)


def check_steps(state: RunState, slow: SlowRun) -> None:
    """Every step, excursion and hole as the slow engine found them."""
    rows = slow.read.air
    assert len(state.steps) == len(slow.steps)
    for log, expected in zip(state.steps, slow.steps, strict=True):
        assert log.step == expected.step
        assert log.began_ms == near(expected.began)
        assert log.settled_ms == near(expected.settled)
        assert log.done_ms == near(expected.done)
        assert log.dwell_ms == pytest.approx(float(expected.dwell), abs=0.01)
        assert log.watched_ms == pytest.approx(float(expected.watched), abs=0.01)
        assert log.area == pytest.approx(float(expected.area), rel=1e-9, abs=1)
        end = slow.until if expected.done is None else expected.done
        if expected.settled is not None:
            values = readings_between(rows, expected.settled, end)
            assert log.lowest_c == min(values, default=None)
            assert log.highest_c == max(values, default=None)
            apart = slow_spread(slow.read, (expected.settled, end), slow.until)
            assert log.spread_k == (None if apart is None else pytest.approx(apart, abs=1e-6))
        seen = readings_between(rows, expected.peak_since, end)
        assert log.peak_c == max(seen, default=None)
        outs = [out for out in state.excursions if out.step == log.number]
        assert [(out.start_ms, out.end_ms) for out in outs] == [
            (near(out[0]), near(out[1])) for out in expected.excursions
        ]
        for out, (_, _, over, under) in zip(outs, expected.excursions, strict=True):
            assert out.over_k == pytest.approx(float(over), abs=1e-6)
            assert out.under_k == pytest.approx(float(under), abs=1e-6)
        assert all(out.depth_k > 0 for out in outs)
    assert [(hole.start_ms - START, hole.end_ms - START) for hole in state.holes] == slow.holes


def check_place(place: Place, expected: Mapping[str, object]) -> None:
    assert place.step == expected["step"]
    assert place.completed == expected["completed"]
    assert place.peak_c == expected["peak_c"]
    assert place.dwell_s * 1_000 == pytest.approx(expected["dwell_ms"], abs=0.01)
    mean = expected["mean_c"]
    assert place.mean_c == (None if mean is None else pytest.approx(mean, rel=1e-6, abs=1e-3))


def check(
    state: RunState, program: Program, probes: dict[str, Points], specimen: Points | None = None
) -> None:
    read = Read(list(probes.values()), specimen, GAP_S * 1_000)
    slow = slow_run(program, read)
    assert (state.phase is Phase.COOL_DOWN) == slow.cooling
    check_steps(state, slow)
    for look in state.looks:
        if look.place.final:
            check_place(look.place, slow_place(program, read, look.time_ms - START))


@settings(max_examples=400, deadline=None)
@given(programs, profiles(), marks)
def test_one_probe(program: Program, points: Points, looks: list[tuple[int, str, Finding]]) -> None:
    probes = {"chamber": points}
    check(fold(program, events_of(probes, looks)), program, probes)


@settings(max_examples=300, deadline=None)
@given(programs, profiles(), profiles(), marks)
def test_two_probes_are_in_band_only_together(
    program: Program, left: Points, right: Points, looks: list[tuple[int, str, Finding]]
) -> None:
    probes = {"left": left, "right": right}
    check(fold(program, events_of(probes, looks)), program, probes)


@settings(max_examples=500, deadline=None)
@given(programs, either, st.none() | either, st.none() | either, rules, marks)
def test_every_rule_for_settling_with_and_without_a_probe_in_a_specimen(
    program: Program,
    left: Points,
    right: Points | None,
    specimen: Points | None,
    settle: Settle,
    looks: list[tuple[int, str, Finding]],
) -> None:
    program = program.model_copy(update={"settle": settle})
    probes = {"left": left} if right is None else {"left": left, "right": right}
    check(fold(program, events_of(probes, looks, specimen)), program, probes, specimen)


@dataclass(frozen=True)
class Doing:
    """One thing done to a run: a look, a piece out, another program, or the end."""

    offset: int
    what: str
    specimen: str
    finding: Finding
    number: int
    step: Step
    settle: Settle

    def edited(self, program: Program) -> Program:
        """The program as this changes it: a dwell, a step, one more, one less, another rule."""
        steps, place = list(program.steps), self.number % len(program.steps)
        match self.what:
            case "dwell":
                changed = {"dwell_min": self.step.dwell_min}
                steps[place] = steps[place].model_copy(update=changed)
            case "band":
                steps[place] = self.step
            case "longer":
                steps.append(self.step)
            case "rule":
                return program.model_copy(update={"settle": self.settle})
            case _:
                steps = steps[: max(len(steps) - 1, 1)]
        return program.model_copy(update={"steps": tuple(steps)})


EDITS = ("dwell", "band", "longer", "shorter", "rule")
doings = st.lists(
    st.builds(
        Doing,
        offset=st.integers(0, 1_500_000),
        what=st.sampled_from(["look", "look", "out", "end", *EDITS, *EDITS]),
        specimen=st.sampled_from("ABC"),
        finding=st.sampled_from(list(Finding)),
        number=st.integers(0, 3),
        step=steps,
        settle=rules,
    ),
    max_size=8,
).map(lambda found: sorted(found, key=lambda doing: doing.offset))


@settings(max_examples=600, deadline=None)
@given(programs, either, st.none() | either, st.none() | either, rules, doings)
def test_pieces_taken_out_programs_changed_and_runs_ended(
    program: Program,
    left: Points,
    right: Points | None,
    specimen: Points | None,
    settle: Settle,
    story: list[Doing],
) -> None:
    """Events are told one by one; what cannot be is refused and changes nothing."""
    program = program.model_copy(update={"settle": settle})
    probes = {"left": left} if right is None else {"left": left, "right": right}
    ended = next((doing.offset for doing in story if doing.what == "end"), None)
    read = Read(list(probes.values()), specimen, GAP_S * 1_000)
    if ended is not None:
        read = read.before(ended)
    known = dict(zip(probes, read.air, strict=True))
    started, *readings = events_of(known, [], read.specimen)
    state = fold(program, [started])
    told: list[Event] = [started]
    edits: list[tuple[int, Program]] = []
    out: dict[str, tuple[int, int]] = {}
    seen: list[tuple[int, int]] = []
    over = False
    for doing in story:
        when = START + doing.offset
        heard = [one for one in readings if one.time_ms <= when]
        readings = readings[len(heard) :]
        state = fold(program, heard, state)
        told += heard
        so_far = read.before(doing.offset)
        at = so_far.known_until()
        slow = slow_run(program, so_far, at, edits)
        event: Event
        legal = not over
        match doing.what:
            case "look":
                event, legal = LookTaken(when, doing.specimen, doing.finding), True
            case "out":
                event, legal = TakenOut(when, doing.specimen), legal and doing.specimen not in out
            case "end":
                event = Ended(when)
            case _:
                edited = doing.edited(slow.program)
                event, legal = ProgramEdited(when, edited), legal and slow.accepts(edited)
        if not legal:
            with pytest.raises(InvalidError):
                fold(program, [event], state)
            continue
        state = fold(program, [event], state)
        told.append(event)
        if isinstance(event, LookTaken):
            seen.append(out.get(doing.specimen, (doing.offset, len(edits))))
        elif isinstance(event, TakenOut):
            out[doing.specimen] = (doing.offset, len(edits))
        elif isinstance(event, ProgramEdited):
            edits.append((at, event.program))
        over = over or isinstance(event, Ended)
    state = fold(program, readings, state)
    assert state == fold(program, [*told, *readings])
    slow = slow_run(program, read, None, edits)
    expected = Phase.FINISHED if slow.cooling else Phase.ABANDONED
    assert state.phase is expected if over else (state.phase is Phase.COOL_DOWN) == slow.cooling
    check_steps(state, slow)
    placed = [look.place for look in state.looks]
    for place, (offset, edits_n) in [
        *zip(placed, seen, strict=True),
        *((place, out[name]) for name, place in state.taken_out),
    ]:
        assert place.final or not over
        if place.final:
            # A program is in force from the last moment folded before it, even if it was told
            # after the look; one told after it and from that very moment on came too late.
            before = [edit for n, edit in enumerate(edits) if edit[0] < offset or (n < edits_n)]
            until = min(offset, slow.until) if over else offset
            check_place(place, slow_place(program, read, until, before))


@settings(max_examples=500, deadline=None)
@given(programs, profiles(), profiles(), st.none() | profiles(), rules, marks, st.data())
def test_a_prefix_and_the_rest_give_the_whole(
    program: Program,
    left: Points,
    right: Points,
    specimen: Points | None,
    settle: Settle,
    looks: list[tuple[int, str, Finding]],
    data: st.DataObject,
) -> None:
    program = program.model_copy(update={"settle": settle})
    events = events_of({"left": left, "right": right}, looks, specimen)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(events)), max_size=4)))
    state: RunState | None = None
    for begin, end in zip([0, *cuts], [*cuts, len(events)], strict=True):
        state = fold(program, events[begin:end], state)
    assert state == fold(program, events)


@settings(max_examples=200, deadline=None)
@given(programs, profiles(), profiles(), marks)
def test_one_by_one_and_in_one_piece_are_the_same(
    program: Program, left: Points, right: Points, looks: list[tuple[int, str, Finding]]
) -> None:
    probes = {"left": left, "right": right}
    events = events_of(probes, looks)
    state: RunState | None = None
    for event in events:
        state = fold(program, [event], state)
    traces = [
        Trace(
            np.array([START + t for t, _ in rows], np.int64),
            np.array([v for _, v in rows], np.float64),
            name,
        )
        for name, rows in probes.items()
    ]
    started = events[0]
    assert isinstance(started, Started)
    seen = [event for event in events if isinstance(event, LookTaken | TakenOut)]
    assert fold(program, in_order(started, traces, seen)) == state
