"""When a run on record would be done, and that what is kept of earlier ways is what they were."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from api.answers import Workshop
from api.record import Calibration
from api.record.calibrations import CalibrationPair
from api.soak.program import READY_MADE, Program, Settle, SettleRule
from api.soak_answers import soak_state
from api.soak_finish import finish_before, finish_now
from api.soak_results import approach_now, chamber_of
from collector.readings import Reading, ms_of
from collector.store.contract import Arrival
from tests.dashboards import workshops

NOW = workshops.NOW
#: Time constant of the chamber [s].
TAU_S = 600.0


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Workshop]:
    """A chamber that has been through two runs of two short steps, days ago."""
    workshop = workshops.empty_workshop(tmp_path)
    for days in (3, 2):
        begin = NOW - timedelta(days=days)
        run = workshops.short_run(begin).model_copy(
            update={"name": f"{days} days ago", "ended": begin + timedelta(hours=2)}
        )
        workshop.record.soaks.add(run)
        _heats(workshop, ms_of(begin), ((50.0, 50.0), (60.0, 70.0)))
    yield workshop
    workshops.close(workshop)


def _heats(workshop: Workshop, begin_ms: int, stages: tuple[tuple[float, float], ...]) -> None:
    """The chamber nears each setpoint for so many minutes, read every 20 s."""
    at_ms, value_c, rows = begin_ms, 20.0, []
    for setpoint_c, minutes in stages:
        seconds = np.arange(0, minutes * 60, 20)
        values = setpoint_c + (value_c - setpoint_c) * np.exp(-seconds / TAU_S)
        rows += list(zip(at_ms + 1_000 * seconds, values, strict=True))
        at_ms += round(minutes * 60_000)
        value_c = setpoint_c + (value_c - setpoint_c) * np.exp(-minutes * 60 / TAU_S)
    workshop.received.append(
        [Arrival("bench", int(t), (Reading("chamber", int(t), float(v)),)) for t, v in rows]
    )


def test_earlier_ways_give_the_pace_and_the_last_reading_the_start(bench: Workshop) -> None:
    ready = READY_MADE[2]
    found = finish_before(bench, ready, ["chamber"], NOW, NOW)
    assert found.chamber is not None
    assert found.chamber.tau_s == pytest.approx(TAU_S, rel=0.02)
    assert found.chamber.fitted_n >= 2
    # Nothing has been read for days: it is taken to be as warm as a room.
    assert (found.from_c, found.measured) == (20.0, False)
    assert found.at == NOW + timedelta(minutes=found.minutes)
    workshops.append(bench, "chamber", [(NOW - timedelta(seconds=30), 45.0)])
    warm = finish_before(bench, ready, ["chamber"], NOW, NOW)
    assert (warm.from_c, warm.measured) == (45.0, True)
    assert warm.minutes < found.minutes


def test_another_chamber_is_taken_at_a_usual_pace(bench: Workshop) -> None:
    program = Program(
        name="one",
        steps=READY_MADE[0].steps[:1],
        settle=Settle(rule=SettleRule.NEAR_FINAL),
    )
    found = finish_before(bench, program, ["other"], NOW, NOW)
    assert found.chamber is None
    assert found.minutes == pytest.approx(48 - 20 + 60)
    assert found.settling_open


def test_the_end_of_a_run_under_way_keeps_still_while_all_goes_well(bench: Workshop) -> None:
    begin = NOW - timedelta(hours=2)
    soak = bench.record.soaks.add(workshops.short_run(begin)).id
    _heats(bench, ms_of(begin), ((50.0, 37.1), (60.0, 30.0)))
    last = soak_state(bench, soak, NOW).state.steps[-1]
    assert last.done_ms is not None
    for minute in (8, 20, 30, 36, 44, 55):
        at = begin + timedelta(minutes=minute)
        state = soak_state(bench, soak, at)
        found = finish_now(bench, state, approach_now(bench, state, at), at)
        assert found is not None
        assert ms_of(found.at) == pytest.approx(last.done_ms, abs=4 * 60_000), minute
    assert finish_now(bench, soak_state(bench, soak, NOW), None, NOW) is None


def test_what_is_kept_of_earlier_ways_is_what_would_be_fitted(bench: Workshop) -> None:
    """After a reading that came late, and after a calibration, as in a workshop opened anew."""

    def anew() -> object:
        fresh = Workshop(bench.settings, bench.received, bench.record)
        return chamber_of(fresh, ["chamber"], NOW)

    before = chamber_of(bench, ["chamber"], NOW)
    assert before is not None
    assert len(bench.windows)
    assert before == chamber_of(bench, ["chamber"], NOW) == anew()

    on_the_way = NOW - timedelta(days=3) + timedelta(minutes=2, seconds=5)
    workshops.append(bench, "chamber", [(on_the_way, 33.0)])
    late = chamber_of(bench, ["chamber"], NOW)
    assert late == anew() != before

    bench.record.calibrations.add(
        Calibration(
            channel="chamber",
            valid_from=NOW - timedelta(days=9),
            pairs=(CalibrationPair(read=0.0, true=1.0),),
        )
    )
    corrected = chamber_of(bench, ["chamber"], NOW)
    assert corrected == anew() != late
