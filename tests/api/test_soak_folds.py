"""What is remembered of a run is only a shortcut: it always equals folding everything anew."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api.soak.events import Ended, LookTaken, Mark, ProgramEdited, TakenOut
from api.soak.program import Finding, Program, Settle, SettleRule, SoakRun, Specimen, Step
from api.soak.state import Phase
from api.soak_folds import LAG_MS, FoldedRun, SoakFolds, fold_run
from collector.readings import Mark as Doubt
from collector.readings import Reading, moment_of
from collector.store.contract import Arrival
from collector.store.sqlite import SqliteStore

START = 1_768_420_800_000
PLAN = Program(
    name="three",
    steps=tuple(Step(setpoint_c=c, tolerance_k=2.5, dwell_min=2) for c in (50, 55, 60)),
    settle=Settle(rule=SettleRule.STEADY_TOGETHER, over_min=0.5),
    gap_limit_s=60,
)
RUN = SoakRun(
    name="run",
    program=PLAN,
    chamber_channels=("left", "right"),
    specimen_channel="inside",
    specimens=(Specimen(name="A"), Specimen(name="B")),
    started=moment_of(START),
)


@pytest.fixture
def numbered(tmp_path: Path) -> Iterator[Path]:
    return (tmp_path / f"{n}.db" for n in itertools.count())


def keep(store: SqliteStore, *readings: Reading) -> None:
    store.append([Arrival("bench", one.time_ms, (one,)) for one in readings])


def reading(channel: str, at_s: float, value: float, doubt: Doubt = Doubt.NONE) -> Reading:
    return Reading(channel, START + round(at_s * 1_000), value, doubt)


steps_of_time = st.sampled_from([1, 5, 20, 59, 61, 130])
doings = st.one_of(
    st.tuples(st.just("read"), st.sampled_from([49, 50, 52, 55, 57, 60, 66]), st.booleans()),
    st.tuples(st.just("late"), st.integers(1, 300), st.sampled_from([48, 50, 58])),
    st.tuples(st.just("look"), st.integers(0, 200), st.sampled_from(list(Finding))),
    st.tuples(st.just("out"), st.integers(0, 90), st.just("B")),
    st.tuples(st.just("edit"), st.integers(0, 90), st.sampled_from([52.0, 70.0])),
    st.tuples(st.just("forget"), st.just(0), st.just(0)),
    st.tuples(st.just("end"), st.integers(0, 90), st.just(0)),
    st.tuples(st.just("chains"), st.just(0), st.just(0)),
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.tuples(steps_of_time, doings), max_size=25))
def test_memory_equals_fold_after_anything(
    numbered: Iterator[Path], story: list[tuple[int, tuple[str, int, object]]]
) -> None:
    folds, chains, run, now_s = SoakFolds(), object(), RUN, 0
    marks: list[Mark] = []
    with SqliteStore(next(numbered)) as store:
        for step_s, (what, number, more) in story:
            now_s += step_s
            then = START + max(now_s - number, 0) * 1_000
            match what:
                case "read":
                    doubt = Doubt.JUMP if more and number == 66 else Doubt(0)
                    for place, channel in enumerate(("left", "right", "inside")):
                        keep(store, reading(channel, now_s - 0.3 * place, number, doubt))
                case "late":
                    keep(store, reading("right", max(now_s - number, 0), float(str(more))))
                case "look" if run.ended is None or number:
                    marks.append(LookTaken(then, "A", Finding(str(more))))
                case "out":
                    marks.append(TakenOut(then, "B"))
                case "edit":
                    last = Step(setpoint_c=float(str(more)), dwell_min=1)
                    new = PLAN.model_copy(update={"steps": (*PLAN.steps[:2], last)})
                    marks.append(ProgramEdited(then, new))
                case "forget" if marks:
                    marks.pop(len(marks) // 2)
                case "end" if run.ended is None and then > START:
                    run = run.model_copy(update={"ended": moment_of(then)})
                    marks.append(Ended(then))
                case "chains":
                    chains = object()
            now_ms = START + now_s * 1_000
            remembered = folds.folded(store, chains, 1, run, marks, now_ms)
            assert_same(remembered, fold_run(store, run, marks, now_ms))


def assert_same(one: FoldedRun, other: FoldedRun) -> None:
    assert one.state == other.state
    assert one.marked_out == other.marked_out
    assert [(r.mark, r.why.what) for r in one.refused] == [
        (r.mark, r.why.what) for r in other.refused
    ]


class Counting:
    """A store that counts how many readings it was asked for."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self.read_n = 0

    def __getattr__(self, name: str) -> object:
        return getattr(self._store, name)

    def between(self, channel: str, start_ms: int, end_ms: int) -> object:
        series = self._store.between(channel, start_ms, end_ms)
        self.read_n += len(series)
        return series


def test_a_live_run_is_not_read_from_its_start_each_time(tmp_path: Path) -> None:
    plain = RUN.model_copy(update={"chamber_channels": ("left",), "specimen_channel": None})
    folds, chains = SoakFolds(), object()
    with SqliteStore(tmp_path / "readings.db") as store:
        keep(store, *(reading("left", second, 50.0) for second in range(900)))
        counting = Counting(store)

        def asked(second: int) -> FoldedRun:
            now_ms = START + second * 1_000
            return folds.folded(counting, chains, 1, plain, [], now_ms)  # type: ignore[arg-type]

        assert asked(900).state.phase is Phase.APPROACH
        counting.read_n = 0
        keep(store, reading("left", 900, 50.0), reading("left", 901, 50.0))
        asked(902)
        assert counting.read_n <= 2 * LAG_MS / 1_000
        keep(store, reading("left", 3.5, 50.0))
        counting.read_n = 0
        asked(903)
        assert counting.read_n == 903


def test_what_cannot_have_been_so_is_left_out_and_told(tmp_path: Path) -> None:
    """A program edited while step 2 was thought not to be done; then late readings came."""
    plain = RUN.model_copy(
        update={
            "chamber_channels": ("left",),
            "specimen_channel": None,
            "program": PLAN.model_copy(update={"settle": Settle()}),
        }
    )
    changed = plain.program.model_copy(
        update={"steps": (plain.program.steps[0], Step(setpoint_c=80))}
    )
    marks: list[Mark] = [ProgramEdited(START + 600_000, changed)]
    folds, chains = SoakFolds(), object()
    with SqliteStore(tmp_path / "readings.db") as store:
        keep(store, *(reading("left", 10 * n, 50.0) for n in range(20)))
        before = folds.folded(store, chains, 1, plain, marks, START + 700_000)
        assert before.refused == ()
        assert before.state.program == changed
        keep(store, *(reading("left", 200 + 10 * n, 55.0) for n in range(39)))
        after = folds.folded(store, chains, 1, plain, marks, START + 700_000)
    assert [refused.mark for refused in after.refused] == marks
    assert "changes or drops a step" in after.refused[0].why.what
    assert after.state.program == plain.program
    assert after.state.log is not None
    assert after.state.log.number == 3
