"""The engine against a slow one that shares nothing with it but the rules."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.soak.engine import fold
from api.soak.events import ChamberReading, Event, LookTaken, Started, TakenOut, Trace, in_order
from api.soak.program import Finding, Program, Settle, SettleRule, Step
from api.soak.state import Phase, RunState
from tests.api.soak.oracle import Points, readings_between, slow_place, slow_run

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


def check(state: RunState, program: Program, probes: dict[str, Points]) -> None:
    rows = list(probes.values())
    slow = slow_run(program, rows)
    assert len(state.steps) == len(slow.steps)
    assert (state.phase is Phase.COOL_DOWN) == slow.cooling
    for log, expected in zip(state.steps, slow.steps, strict=True):
        assert log.began_ms == near(expected.began)
        assert log.settled_ms == near(expected.settled)
        assert log.done_ms == near(expected.done)
        assert log.dwell_ms == pytest.approx(float(expected.dwell), abs=0.01)
        assert log.watched_ms == pytest.approx(float(expected.watched), abs=0.01)
        assert log.area == pytest.approx(float(expected.area), rel=1e-9, abs=1)
        if expected.settled is not None:
            end = slow.until if expected.done is None else expected.done
            values = readings_between(rows, expected.settled, end)
            assert log.lowest_c == min(values, default=None)
            assert log.highest_c == max(values, default=None)
        end = slow.until if expected.done is None else expected.done
        seen = readings_between(rows, expected.began, end)
        assert log.peak_c == max(seen, default=None)
        outs = [out for out in state.excursions if out.step == log.number]
        assert [(out.start_ms, out.end_ms) for out in outs] == [
            (near(begin), near(end)) for begin, end in expected.excursions
        ]
        assert all(out.depth_k > 0 for out in outs)
    assert [(hole.start_ms - START, hole.end_ms - START) for hole in state.holes] == slow.holes
    for look in state.looks:
        if look.place.final:
            expected_place = slow_place(program, rows, look.time_ms - START)
            assert look.place.step == expected_place["step"]
            assert look.place.completed == expected_place["completed"]
            assert look.place.peak_c == expected_place["peak_c"]
            assert look.place.dwell_s * 1_000 == pytest.approx(expected_place["dwell_ms"], abs=0.01)


@settings(max_examples=800, deadline=None)
@given(programs, profiles(), marks)
def test_one_probe(program: Program, points: Points, looks: list[tuple[int, str, Finding]]) -> None:
    probes = {"chamber": points}
    check(fold(program, events_of(probes, looks)), program, probes)


@settings(max_examples=500, deadline=None)
@given(programs, profiles(), profiles(), marks)
def test_two_probes_are_in_band_only_together(
    program: Program, left: Points, right: Points, looks: list[tuple[int, str, Finding]]
) -> None:
    probes = {"left": left, "right": right}
    check(fold(program, events_of(probes, looks)), program, probes)


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
