"""What the bench tells the person beside it, when, and that each thing keeps its key."""

from __future__ import annotations

from collections.abc import Sequence

from api.notices import Notice, NoticeKind, notices
from api.soak.engine import fold
from api.soak.events import Abandoned, ChamberReading, Ended, Event, LookTaken, Started, TakenOut
from api.soak.program import Finding, Program, Step
from api.soak.state import RunState

MIN = 60_000
PLAN = Program(
    name="two",
    steps=(
        Step(setpoint_c=50, tolerance_k=2, dwell_min=30, longest_approach_min=20),
        Step(setpoint_c=60, tolerance_k=2, dwell_min=30),
    ),
    stop_above_c=90,
    cool_down_to_c=40,
)
BOTH = ("A", "B")


def events(
    values: Sequence[float], *marks: Event, probes: tuple[str, ...] = ("air",)
) -> list[Event]:
    """A reading a minute of every probe, with marks in their places."""
    told: list[tuple[int, int, Event]] = [
        (minute * MIN, 0, ChamberReading(minute * MIN, value, probe))
        for minute, value in enumerate(values)
        for probe in probes
    ]
    told += [(mark.time_ms, 1, mark) for mark in marks]
    ordered = [event for _, _, event in sorted(told, key=lambda row: row[:2])]
    return [Started(0, BOTH, probes), *ordered]


def state(values: Sequence[float], *marks: Event, plan: Program = PLAN) -> RunState:
    return fold(plan, events(values, *marks))


def seen(
    minute: float, finding: Finding = Finding.SOUND, names: tuple[str, ...] = BOTH
) -> list[Event]:
    return [LookTaken(round(minute * MIN), name, finding) for name in names]


def told(run: RunState, minute: float) -> dict[NoticeKind, Notice]:
    return {notice.kind: notice for notice in notices(run, round(minute * MIN))}


def test_on_the_way_to_the_first_step_there_is_nothing_to_tell() -> None:
    assert told(state([20.0 + n for n in range(10)]), 9) == {}


def test_in_band_is_told_with_what_to_load_and_is_news_for_ten_minutes() -> None:
    run = state([50.0] * 12)
    notice = told(run, 5)[NoticeKind.IN_BAND]
    assert notice.said == (
        "In band at 50 °C ± 2 K: the dwell of step 1 runs. Load the specimens if they wait outside."
    )
    assert NoticeKind.IN_BAND not in told(run, 11)


def test_a_step_done_asks_for_a_look_and_the_next_setting_until_each_is_met() -> None:
    done = told(state([50.0] * 33), 32)
    assert done[NoticeKind.LOOK_DUE].said == "Look at every specimen: step 1 is done."
    assert done[NoticeKind.LOOK_DUE].since_ms == 30 * MIN
    assert done[NoticeKind.STEP_DONE].said == "Step 1 is done. Set the chamber to 60 °C."
    looked = told(state([50.0] * 33, *seen(31)), 32)
    assert set(looked) == {NoticeKind.STEP_DONE}
    there = told(state([50.0] * 33 + [60.0] * 3, *seen(31)), 35)
    assert set(there) == {NoticeKind.IN_BAND}


def test_the_end_of_a_dwell_that_is_only_forecast_asks_for_nothing() -> None:
    run = state([50.0] * 30)
    assert NoticeKind.LOOK_DUE not in told(run, 31)


def test_a_look_in_the_dwell_keeps_its_key_until_every_piece_was_seen() -> None:
    plan = PLAN.model_copy(update={"look_every_min": 10.0})
    one = told(state([50.0] * 13, plan=plan), 12)[NoticeKind.LOOK_DUE]
    half = told(state([50.0] * 14, *seen(12, names=("A",)), plan=plan), 13)[NoticeKind.LOOK_DUE]
    assert one.key == half.key
    again = told(state([50.0] * 25, *seen(12), plan=plan), 24)[NoticeKind.LOOK_DUE]
    assert again.key != one.key
    assert again.since_ms == 22 * MIN


def test_a_piece_that_gave_way_or_was_taken_out_needs_no_further_look() -> None:
    marks = [*seen(31, Finding.SAGGED, ("A",)), *seen(31, names=("B",))]
    assert NoticeKind.LOOK_DUE not in told(state([50.0] * 33, *marks), 32)
    out = [*seen(31, names=("B",)), TakenOut(20 * MIN, "A")]
    assert NoticeKind.LOOK_DUE not in told(state([50.0] * 33, *out), 32)


def test_an_excursion_is_an_alarm_with_its_depth_for_as_long_as_it_lasts() -> None:
    out = told(state([50.0] * 5 + [55.0] * 3), 7)[NoticeKind.EXCURSION]
    assert out.kind.alarming
    assert out.said.startswith("Out of band by 3.0 K: the clock stands.")
    later = told(state([50.0] * 5 + [55.0] * 3 + [56.0]), 8)[NoticeKind.EXCURSION]
    assert later.key == out.key
    assert NoticeKind.EXCURSION not in told(state([50.0] * 5 + [55.0] * 3 + [50.0]), 8)


def test_a_lost_probe_is_named_and_told_again_when_it_is_lost_again() -> None:
    run = fold(
        PLAN, [*events([50.0] * 3, probes=("left", "right")), ChamberReading(9 * MIN, 50, "left")]
    )
    (lost,) = (one for one in notices(run, 9 * MIN) if one.kind is NoticeKind.PROBE_LOST)
    assert lost.said == "No reading from probe right: nothing is counted until it is back."
    assert lost.since_ms == 2 * MIN
    never = told(fold(PLAN, [Started(0, BOTH)]), 6)[NoticeKind.PROBE_LOST]
    assert never.since_ms == 0
    assert told(fold(PLAN, [Started(0, BOTH)]), 5) == {}


def test_too_hot_comes_first_and_stays() -> None:
    run = state([50.0] * 3 + [91.0, 50.0])
    first, *_ = notices(run, 4 * MIN)
    assert first.kind is NoticeKind.OVER_TEMPERATURE
    assert "91.0 °C was read and the program stops above 90 °C" in first.said


def test_a_late_approach() -> None:
    late = told(state([20.0] * 22), 21)[NoticeKind.APPROACH_LATE]
    assert late.since_ms == 20 * MIN


def test_when_all_gave_way_the_run_should_end_unless_the_program_goes_on() -> None:
    broke = seen(10, Finding.BROKE)
    assert told(state([50.0] * 12, *broke), 11)[NoticeKind.ALL_GAVE_WAY].since_ms == 10 * MIN
    on = PLAN.model_copy(update={"stop_when_all_gave_way": False})
    assert NoticeKind.ALL_GAVE_WAY not in told(state([50.0] * 12, *broke, plan=on), 11)


def test_the_run_is_finished_then_cool_then_over() -> None:
    whole = [50.0] * 31 + [60.0] * 32
    done = told(state(whole, *seen(62)), 62)
    assert done[NoticeKind.RUN_FINISHED].said.endswith("Do not open it above 40 °C.")
    assert NoticeKind.COOL not in done
    cool = told(state([*whole, 39.0], *seen(62)), 63)
    assert cool[NoticeKind.COOL].said == "The chamber is down to 40 °C and may be opened."
    assert told(state([*whole, 39.0], *seen(62), Ended(64 * MIN)), 64) == {}
    assert told(state([50.0] * 3, Abandoned(3 * MIN, "fan")), 3) == {}
