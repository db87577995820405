"""The invented winter: the same every time, plausible, and drawn from the truth it states."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pytest

from api.phases import first_layers
from api.prints import Part, Print, Settings, Window
from dashboards.demo.physics import DAY_S, HOUR_S, TRUTH
from dashboards.demo.winter import (
    MACHINES,
    RESINS,
    RUNNING,
    PlannedPrint,
    Winter,
    first_layers_s,
    planned_s,
    winter,
)

NOW_S = 1_790_000_000.0


@pytest.fixture(scope="module")
def played() -> Winter:
    return winter(NOW_S)


def failed_share(plate: PlannedPrint) -> float:
    return float(np.mean([part.outcome == "failed" for part in plate.parts]))


def as_print(plate: PlannedPrint) -> Print:
    """The plate as the record's own model, which checks it."""
    return Print(
        start=datetime.fromtimestamp(plate.start_s, UTC),
        end=datetime.fromtimestamp(plate.end_s, UTC),
        resin=1,
        machine=1,
        settings=Settings.model_validate(plate.settings),
        parts=tuple(
            Part.model_validate(
                {
                    "name": part.name,
                    "outcome": part.outcome,
                    "modes": list(part.modes),
                }
            )
            for part in plate.parts
        ),
    )


def test_the_same_now_and_seed_give_the_same_winter(played: Winter) -> None:
    again = winter(NOW_S)
    assert again.prints == played.prints
    assert [soak.looks for soak in again.soaks] == [soak.looks for soak in played.soaks]
    other = winter(NOW_S, seed=played.seed + 1)
    assert [plate.start_s for plate in other.prints] != [p.start_s for p in played.prints]


def test_a_day_later_the_whole_winter_is_a_day_later(played: Winter) -> None:
    later = winter(NOW_S + DAY_S)
    assert [plate.start_s - DAY_S for plate in later.prints] == [
        plate.start_s for plate in played.prints
    ]
    assert [failed_share(p) for p in later.prints] == [failed_share(p) for p in played.prints]


def test_sixty_prints_are_logged_and_one_is_running(played: Winter) -> None:
    done = [plate for plate in played.prints if plate.logged and plate.end_s <= played.now_s]
    running = [plate for plate in played.prints if plate.end_s > played.now_s]
    assert len(done) == 60
    assert [(plate.key, plate.machine, plate.logged) for plate in running] == [
        (RUNNING, "South", True)
    ]
    assert running[0].start_s < played.now_s
    assert len({plate.key for plate in played.prints}) == len(played.prints) == 63
    assert {plate.resin for plate in done} == {resin.name for resin in RESINS}
    assert played.start_s <= min(plate.start_s for plate in done) - DAY_S


@pytest.mark.parametrize("seed", range(5))
def test_no_machine_prints_two_plates_at_once(seed: int) -> None:
    for machine in MACHINES:
        plates = winter(NOW_S, seed).prints_on(machine)
        assert all(before.end_s <= after.start_s for before, after in pairwise(plates))


def test_prints_hold_what_the_record_asks_of_them(played: Winter) -> None:
    for plate in played.prints:
        checked = as_print(plate)
        assert checked.failed_share == pytest.approx(failed_share(plate))
        window = Window(checked.start, checked.end or checked.start)
        assert first_layers(window, checked.settings).length_s == pytest.approx(
            first_layers_s(plate.settings), abs=1e-6
        )


def test_settings_and_duration_agree(played: Winter) -> None:
    for plate in played.prints:
        ratio = (plate.end_s - plate.start_s) / planned_s(plate.settings)
        assert 1.0 < ratio < 1.035
        assert 2 * HOUR_S < plate.end_s - plate.start_s < 9 * HOUR_S


def test_outcomes_follow_the_true_risk_over_many_winters() -> None:
    plates = [plate for seed in range(60) for plate in winter(NOW_S, seed).prints]
    vat_c = np.array([plate.first_layers_c for plate in plates])
    share = np.array([failed_share(plate) for plate in plates])
    risk = np.array([TRUTH.risk(celsius) for celsius in vat_c])
    edges = np.quantile(vat_c, np.linspace(0, 1, 9))
    for low, high in pairwise(edges):
        within = (vat_c >= low) & (vat_c < high)
        surprise = share[within] - risk[within]
        standard_error = surprise.std() / np.sqrt(within.sum())
        assert abs(surprise.mean()) < 4.0 * standard_error, f"{low:.1f} to {high:.1f} °C"
    # Plates stand or fall as one at least as often as the truth says.
    assert ((share == 0.0) | (share == 1.0)).mean() > TRUTH.together


def test_a_log_has_a_temperature_range_and_failures_to_learn_from(played: Winter) -> None:
    done = [plate for plate in played.prints if plate.logged and plate.end_s <= played.now_s]
    vat_c = [plate.first_layers_c for plate in done]
    failed = sum(failed_share(plate) > 0 for plate in done)
    assert max(vat_c) - min(vat_c) > 8.0
    assert min(vat_c) < TRUTH.limit_c(0.20) < max(vat_c)
    assert 8 <= failed <= 30


def test_two_soaks_are_over_and_one_dwells_now(played: Winter) -> None:
    over = [soak.end_s < played.now_s for soak in played.soaks]
    assert over == [True, True, False]
    under_way = played.soaks[-1]
    assert under_way.run.start_s < under_way.run.ends_s[0] < played.now_s < under_way.run.ends_s[1]
    now_c = float(under_way.run.at(np.array([played.now_s]))[0])
    assert abs(now_c - under_way.steps[1].setpoint_c) < under_way.steps[1].tolerance_k


def test_a_specimen_gives_way_in_the_first_step_hot_enough_and_is_taken_out(
    played: Winter,
) -> None:
    for soak in played.soaks:
        for specimen in soak.specimens:
            looks = [look for look in soak.looks if look.specimen == specimen.name]
            assert [look.step for look in looks] == list(range(len(looks)))
            for look in looks:
                end_s = soak.run.ends_s[look.step]
                mean_c = float(soak.run.at(np.arange(end_s - HOUR_S, end_s)).mean())
                if abs(specimen.gives_way_c - mean_c) > 0.02:
                    assert look.seen == ("softened" if specimen.gives_way_c < mean_c else "sound")
            assert all(look.seen == "sound" for look in looks[:-1])
            assert looks[-1].seen == "softened" or len(looks) == len(soak.steps)


def test_looks_are_taken_while_their_step_still_runs(played: Winter) -> None:
    for soak in played.soaks:
        starts = (soak.run.start_s, *soak.run.ends_s)
        for look in soak.looks:
            assert starts[look.step] < look.time_s < soak.run.ends_s[look.step]
