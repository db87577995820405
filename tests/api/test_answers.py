"""Record, readings and settings become answers: conditions, the cold, a soak run."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from fastapi.testclient import TestClient

from api import answers
from api.answers import Workshop
from api.prints import Outcome, Part, Print, Settings
from api.record import ChannelLink, LoggedLook, Machine
from api.soak.program import Finding, Program, SoakRun, Specimen, Step
from api.soak.state import Phase
from collector.errors import NotFoundError
from collector.readings import Role, ms_of
from tests.stores import arrivals

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
MORNING = EVENING + timedelta(hours=7)
LATER = EVENING + timedelta(days=60)

GOOD, FAILED = Outcome.GOOD, Outcome.FAILED
NORTH, SOUTH = 1, 2


def plate(start: datetime = EVENING, machine: int = NORTH, **fields: object) -> Print:
    values: dict[str, object] = {
        "start": start,
        "end": start + timedelta(hours=7),
        "resin": 1,
        "machine": machine,
        "settings": Settings(bottom_layer_count=30, bottom_exposure_s=52),  # 30 minutes
        "parts": (Part(name="collar", outcome=GOOD),),
    }
    return Print.model_validate({**values, **fields})


def pour(
    workshop: Workshop, channel: str, start: datetime, values: list[float], every_s: float = 60
) -> list[tuple[int, float]]:
    """Readings of a channel at even steps from a moment on."""
    rows = [(ms_of(start) + round(n * every_s * 1_000), value) for n, value in enumerate(values)]
    workshop.received.append(arrivals(channel, rows))
    return rows


def mean_of(rows: list[tuple[int, float]], start_ms: int, end_ms: int) -> float:
    """Time-weighted mean by a plain loop, the line cut at the window's edges."""
    area = time = 0.0
    for (t0, v0), (t1, v1) in pairwise(rows):
        a, b = max(t0, start_ms), min(t1, end_ms)
        if a < b:
            va, vb = (v0 + (v1 - v0) * (t - t0) / (t1 - t0) for t in (a, b))
            area += (b - a) * (va + vb) / 2
            time += b - a
    return area / time


def test_a_print_is_told_what_vat_and_room_did(workshop: Workshop) -> None:
    before = EVENING - timedelta(minutes=10)
    vat = pour(workshop, "vat-north", before, [17 + 0.01 * n for n in range(450)])
    pour(workshop, "room-humid", before, [41.0] * 20)
    kept = workshop.record.prints.add(plate())
    found = answers.conditions_of(workshop, kept.id, LATER)
    assert found.first_layers is not None
    assert found.whole is not None
    first, whole = found.first_layers, found.whole
    assert (first.window.start, first.window.end) == (EVENING, EVENING + timedelta(minutes=30))
    assert (whole.window.start, whole.window.end) == (EVENING, MORNING)

    for window in (first, whole):
        summary = window.measured[Role.VAT_TEMPERATURE].summary
        start_ms, end_ms = ms_of(window.window.start), ms_of(window.window.end)
        assert summary.mean == pytest.approx(mean_of(vat, start_ms, end_ms), abs=1e-9)
        assert summary.coverage == 1.0
        inside = [v for t, v in vat if start_ms <= t < end_ms]
        assert (summary.minimum, summary.maximum) == (min(inside), max(inside))
    # 17.1 °C at the start and 0.01 °C a minute: 18 °C is reached after 90 minutes.
    assert whole.measured[Role.VAT_TEMPERATURE].summary.minutes_below == pytest.approx(90)
    assert found.vat.value_c == pytest.approx(17.25, abs=1e-9)

    humid = whole.measured[Role.ROOM_HUMIDITY].summary
    assert (humid.mean, humid.longest_gap_ms) == (None, (7 * 60 - 9) * 60_000)
    assert "was recorded" in whole.missing[Role.ROOM_HUMIDITY]
    assert "no record" in whole.missing[Role.ROOM_TEMPERATURE]


def test_a_running_print_is_taken_up_to_now(workshop: Workshop) -> None:
    pour(workshop, "vat-north", EVENING, [20.0] * 60)
    kept = workshop.record.prints.add(plate(end=None, parts=()))
    found = answers.conditions_of(workshop, kept.id, EVENING + timedelta(minutes=10))
    assert found.whole is not None
    assert found.whole.window.end == EVENING + timedelta(minutes=10)
    not_yet = answers.conditions_of(workshop, kept.id, EVENING)
    assert (not_yet.whole, not_yet.why_not) == (None, "it has not started yet")
    early = answers.conditions_of(workshop, kept.id, EVENING - timedelta(days=1))
    assert early.vat.value_c is None


def test_what_was_never_noted_is_not_made_up(workshop: Workshop) -> None:
    pour(workshop, "vat-north", EVENING, [20.0] * 60)
    no_end = workshop.record.prints.add(plate(end=None))
    found = answers.conditions_of(workshop, no_end.id, LATER)
    assert (found.whole, found.why_not) == (None, answers.NO_END)
    assert found.vat.value_c == pytest.approx(20)
    no_start = workshop.record.prints.add(plate(order_only=True, logged_vat_c=16.5))
    found = answers.conditions_of(workshop, no_start.id, LATER)
    assert (found.first_layers, found.whole, found.why_not) == (None, None, answers.NO_START)
    assert (found.vat.value_c, found.vat.noted) == (16.5, True)


def test_a_sensor_that_moved_tells_of_the_machine_it_was_on(workshop: Workshop) -> None:
    moved = EVENING + timedelta(days=1)
    pour(workshop, "vat-north", EVENING, [21.0] * 60)
    pour(workshop, "vat-north", moved, [15.0] * 60)
    vat = ChannelLink(channel="vat-north", role=Role.VAT_TEMPERATURE, until=moved)
    workshop.record.machines.change(NORTH, Machine(name="North", channels=(vat,)))
    vat = ChannelLink(channel="vat-north", role=Role.VAT_TEMPERATURE, since=moved)
    workshop.record.machines.change(SOUTH, Machine(name="South", channels=(vat,)))
    values = {}
    for machine in (NORTH, SOUTH):
        for start in (EVENING, moved):
            kept = workshop.record.prints.add(plate(start, machine))
            found = answers.conditions_of(workshop, kept.id, LATER).vat
            values[machine, start] = found.value_c
            assert (found.value_c is None) == (found.reason == answers.NO_VAT)
    assert values == {
        (NORTH, EVENING): pytest.approx(21),
        (NORTH, moved): None,
        (SOUTH, EVENING): None,
        (SOUTH, moved): pytest.approx(15),
    }


def test_prints_that_cannot_be_used_are_counted_with_the_reason(workshop: Workshop) -> None:
    add = workshop.record.prints.add
    day = timedelta(days=1)
    pour(workshop, "vat-north", EVENING, [20.0] * 60)
    used = add(plate(parts=(Part(name="a", outcome=FAILED), Part(name="b", outcome=GOOD))))
    add(plate(EVENING + day, end=None, parts=()))
    add(plate(EVENING + 2 * day, parts=(Part(name="a"),)))
    add(plate(EVENING + 3 * day, machine=SOUTH))
    noted = add(plate(EVENING + 4 * day, machine=SOUTH, logged_vat_c=18.0))
    # A note never stands in for a sensor that was there and lost its readings.
    add(plate(EVENING + 5 * day, logged_vat_c=19.0))
    report = answers.cold_answer(workshop, 0.2, LATER)
    assert [(row.id, row.temperature_c, row.failed_share) for row in report.rows] == [
        (str(used.id), pytest.approx(20), 0.5),
        (str(noted.id), 18.0, 0.0),
    ]
    assert report.rows[0].settings == {"bottom layers": 30.0, "bottom exposure": 52.0}
    assert report.rows[0].resin == "Harbour Grey"
    assert report.noted_n == 1
    assert report.left_out == {
        answers.STILL_RUNNING: 1,
        answers.NO_OUTCOME: 1,
        answers.NO_TEMPERATURE: 1,
        answers.TOO_LITTLE_RECORD: 1,
    }
    assert report.answer.counts.left_out == report.left_out
    assert report.answer.counts.prints_n == 2


def winter(workshop: Workshop, prints_n: int = 24) -> None:
    """Cold plates fail, warm ones do not; every temperature noted by hand."""
    for n in range(prints_n):
        outcome = FAILED if n % 12 < 4 else GOOD
        workshop.record.prints.add(
            plate(
                EVENING + timedelta(days=n),
                machine=SOUTH,
                logged_vat_c=16 + 0.5 * (n % 12),
                parts=(Part(name="collar", outcome=outcome),),
            )
        )


def test_a_remembered_answer_is_the_answer_computed_again(workshop: Workshop) -> None:
    winter(workshop)
    first = answers.cold_answer(workshop, 0.2, LATER)
    assert answers.cold_answer(workshop, 0.2, LATER).answer is first.answer
    afresh = Workshop(workshop.settings, workshop.received, workshop.record)
    assert answers.cold_answer(afresh, 0.2, LATER) == first
    # Whatever it was computed from changes, and so does the answer.
    other_level = answers.cold_answer(workshop, 0.3, LATER)
    assert other_level.answer.level == 0.3
    plates = workshop.record.prints.all()
    workshop.record.prints.change(
        plates[0].id, plates[0].entry.model_copy(update={"logged_vat_c": 17.0})
    )
    again = answers.cold_answer(workshop, 0.2, LATER)
    assert again.answer is not first.answer
    assert again.answer == answers.cold_answer(afresh, 0.2, LATER).answer
    workshop.record.prints.add(plate(LATER, end=None, parts=()))
    assert answers.cold_answer(workshop, 0.2, LATER).answer.counts.left_out == {
        answers.STILL_RUNNING: 1
    }


def test_the_memory_of_answers_is_bounded(workshop: Workshop) -> None:
    made: list[int] = []

    def make(n: int) -> str:
        made.append(n)
        return f"answer {n}"

    from api.remembered import Remembered

    memory: Remembered[int, str] = Remembered(2)
    for n in (1, 2, 1, 3, 1, 2):
        assert memory.answer(n, lambda n=n: make(n)) == f"answer {n}"  # type: ignore[misc]
    assert made == [1, 2, 3, 2]


def soak(workshop: Workshop, ended: datetime | None = None, abandoned: str | None = None) -> int:
    steps = (Step(setpoint_c=50, dwell_min=10), Step(setpoint_c=60, dwell_min=10))
    run = SoakRun(
        name="Lamp collars",
        program=Program(name="Two steps", steps=steps, gap_limit_s=120),
        chamber_channels=("chamber",),
        specimens=(Specimen(name="A", resin=1), Specimen(name="B", resin=2)),
        started=EVENING,
        ended=ended,
        abandoned=abandoned,
    )
    return workshop.record.soaks.add(run).id


def test_a_soak_run_is_folded_from_chamber_and_looks(
    workshop: Workshop, client: TestClient
) -> None:
    run = soak(workshop)
    # Minute by minute: 5 min up to 50 °C, 12 there, 3 up to 60 °C, 4 there, then nothing.
    values = [25, 30, 35, 40, 45, *[50.0] * 12, 53, 56, *[60.0] * 4]
    pour(workshop, "chamber", EVENING, [float(v) for v in values])
    after = EVENING + timedelta(minutes=30)
    for specimen, minute, finding in (("A", 16, Finding.SOUND), ("A", 21, Finding.SOFTENED)):
        workshop.record.looks.add(
            LoggedLook(
                soak=run,
                specimen=specimen,
                time=EVENING + timedelta(minutes=minute),
                finding=finding,
            )
        )
    found = answers.soak_state(workshop, run, after)
    # In the band of 48 to 52 °C from 4.6 min on: ten minutes of dwell later it is done.
    first, second = found.state.steps
    assert first.settled_ms == pytest.approx(ms_of(EVENING) + 4.6 * 60_000)
    assert first.done_ms == pytest.approx(ms_of(EVENING) + 14.6 * 60_000)
    # In the band of 58 to 62 °C from 18.5 min on, up to the last reading at 22 min.
    assert second.dwell_s == pytest.approx(3.5 * 60)
    assert found.state.phase is Phase.DWELL
    verdict_a, verdict_b = found.verdicts
    assert verdict_a.sound is not None
    assert verdict_a.failed is not None
    assert (verdict_a.sound.step, verdict_a.failed.step) == (1, 2)
    assert (verdict_b.sound, verdict_b.failed) == (None, None)

    early = answers.soak_state(workshop, run, EVENING + timedelta(minutes=10))
    assert early.state.log is not None
    assert early.state.log.dwell_s == pytest.approx(5.4 * 60)

    shown = client.get(f"/api/soaks/{run}/state").json()
    assert (shown["phase"], shown["step"], shown["inside"]) == ("dwell", 2, ["A", "B"])
    assert shown["steps"][0]["dwell_s"] == pytest.approx(600)
    assert shown["steps"][0]["settled"] == "2026-01-14T19:34:36Z"
    assert [look["finding"] for look in shown["looks"]] == ["sound", "softened"]
    assert shown["looks"][0]["time"] == "2026-01-14T19:46:00Z"
    assert shown["verdicts"][0]["steps"][0]["verdict"] == "held"
    with pytest.raises(NotFoundError):
        answers.soak_state(workshop, 99, after)


def test_a_soak_run_that_was_broken_off_stays_so(workshop: Workshop) -> None:
    pour(workshop, "chamber", EVENING, [50.0] * 30)
    run = soak(workshop, EVENING + timedelta(minutes=5), "the fan stopped")
    found = answers.soak_state(workshop, run, LATER)
    assert (found.state.phase, found.state.reason) == (Phase.ABANDONED, "the fan stopped")
    assert found.state.steps[0].dwell_s == pytest.approx(300)


def test_the_room_is_told_with_what_runs_and_what_is_silent(workshop: Workshop) -> None:
    pour(workshop, "vat-north", EVENING, [20.0, 20.5])
    run = workshop.record.prints.add(plate(end=None, parts=()))
    bench = soak(workshop)
    room = answers.room_now(workshop, EVENING + timedelta(minutes=2))
    by_id = {one.channel.id: one for one in room.channels}
    assert list(by_id) == [channel.id for channel in workshop.settings.channels]
    north = by_id["vat-north"]
    assert north.reading is not None
    assert (north.reading.value, north.silent_s, north.silent) == (20.5, 60.0, False)
    assert (by_id["chamber"].silent_s, by_id["chamber"].silent) == (None, True)
    assert [one.id for one in room.prints] == [run.id]
    assert [one.id for one in room.soaks] == [bench]
    assert room.accounts.balanced
    later = answers.room_now(workshop, LATER)
    assert all(one.silent for one in later.channels)
