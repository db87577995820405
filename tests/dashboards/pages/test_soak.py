"""The soak bench without script: start a run, log looks, read the verdicts, end it."""

from __future__ import annotations

import html
import io
import json
import re
from datetime import timedelta

import pytest
from PIL import Image
from starlette.testclient import TestClient

from api.answers import Workshop
from api.soak.program import READY_MADE, Finding, Settle, SettleRule
from api.soak_answers import soak_state
from api.soak_results import approach_now
from collector.readings import moment_of, ms_of
from dashboards import soak_form, soak_words
from tests.dashboards import workshops

START = {
    "name": "Housings",
    "program": "0",
    "chamber": "chamber",
    "specimen-0": "amber 2",
    "resin-0": "2",
    "specimen-3": "willow 1",
    "resin-3": "3",
}


def test_a_run_from_a_ready_made_program(filled: Workshop, client: TestClient) -> None:
    answer = client.post("/soak", data=START)
    run = filled.record.soaks.get(2).entry
    assert answer.url.path == "/soak/2"
    assert run.program == READY_MADE[0]
    assert run.started == workshops.NOW
    assert [(piece.name, piece.resin) for piece in run.specimens] == [
        ("amber 2", 2),
        ("willow 1", 3),
    ]


def test_a_run_with_steps_of_ones_own(filled: Workshop, client: TestClient) -> None:
    steps = {"program": "own", "steps": "60 90 2\n\n55; 30,5; 1.5\n", "look_every_min": "15"}
    client.post("/soak", data=START | steps)
    program = filled.record.soaks.get(2).entry.program
    assert [(s.setpoint_c, s.dwell_min, s.tolerance_k) for s in program.steps] == [
        (60.0, 90.0, 2.0),
        (55.0, 30.5, 1.5),
    ]
    assert program.look_every_min == 15


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"name": ""}, "at least 1 character"),
        ({"chamber": ""}, "no probe of the chamber was chosen"),
        ({"specimen-0": "", "specimen-3": ""}, "no specimen was named"),
        ({"specimen-3": "amber 2"}, "same name"),
        ({"program": "own", "steps": "sixty, 90"}, "is not a number"),
        ({"program": "own", "steps": "60"}, "line 1 of the steps"),
        ({"program": "own", "steps": ""}, "at least 1 item"),
        ({"program": "99"}, "no program was chosen"),
        ({"name": "Collars, first run"}, "is named Collars, first run already"),
        ({"started": "soon"}, "is not a time"),
    ],
)
def test_a_refused_run_comes_back_with_all_that_was_typed(
    filled: Workshop, client: TestClient, change: dict[str, str], said: str
) -> None:
    form = {name: text for name, text in (START | change).items() if text}
    answer = client.post("/soak", data=form)
    assert answer.status_code in (409, 422)
    assert said in html.unescape(answer.text)
    for name in ("name", "specimen-0", "specimen-3"):
        if form.get(name):
            assert f'value="{form[name]}"' in answer.text
    assert len(filled.record.soaks.all()) == 1


def test_the_page_says_where_the_run_stands(client: TestClient) -> None:
    """The chamber left 50 °C in minute 190 at 1 K/min and is in band of 60 °C since 198."""
    page = client.get("/soak/1").text
    now = client.get("/soak/1/now").json()["texts"]
    assert now["step"] == "Step 2 of 8: 60 °C ± 2 K"
    assert now["phase"] == "dwelling"
    assert now["clock"] in ("0:41", "0:42")
    assert now["asked"] == "1:00"
    assert now["clock-words"] == "The clock runs: the chamber is in its band."
    assert now["next"].endswith(" min of dwell to go.")
    for name, text in now.items():
        assert re.search(rf'data-live="{name}">{re.escape(html.escape(text))}<', page), name
    assert "independent thermal cut-out" in page
    assert "wet with solvent never go into heat" in page


def test_the_profile_is_drawn_in_the_bands_of_its_steps(client: TestClient) -> None:
    page = client.get("/soak/1").text
    rows = re.search(r'<script type="application/json">(.*?)</script>', page, re.DOTALL)
    assert rows is not None
    drawn = json.loads(rows[1])
    assert drawn["bands"]["setpoint"] == [50.0, 60.0]
    assert drawn["bands"]["low"] == [48.0, 58.0]
    (words,) = drawn["looks"]["words"]  # two pieces were looked at in one round
    assert words.startswith("grey 1: ")
    assert "; amber 1: " in words
    assert client.get("/soak/1/charts").json()["figures"] == {"profile": drawn}


def test_all_sound_is_one_tap(filled: Workshop, client: TestClient) -> None:
    client.post("/soak/1/looks", data={"all": "sound"})
    looks = [kept.entry for kept in filled.record.looks.of(1) if kept.entry.time == workshops.NOW]
    assert {look.specimen: look.finding for look in looks} == {
        "grey 1": Finding.SOUND,
        "amber 1": Finding.SOUND,
    }


def test_what_gave_way_is_not_called_sound_by_the_one_tap(
    filled: Workshop, client: TestClient
) -> None:
    page = client.post("/soak/1/looks", data={"finding-0": "cracked"}).text
    assert "The other 1 sound, seen now" in page
    client.post("/soak/1/looks", data={"all": "sound"})
    last = [kept.entry for kept in filled.record.looks.of(1)][-2:]
    assert sorted((look.specimen, look.finding.value) for look in last) == [
        ("amber 1", "sound"),
        ("grey 1", "cracked"),
    ]


def test_a_piece_that_was_taken_out_is_not_called_sound_by_the_one_tap(
    filled: Workshop, client: TestClient
) -> None:
    page = client.post("/soak/1/interventions", data={"kind": "taken_out", "specimen": "grey 1"})
    assert "The other 1 sound, seen now" in page.text
    client.post("/soak/1/looks", data={"all": "sound"})
    assert [kept.entry.specimen for kept in filled.record.looks.of(1)][2:] == ["amber 1"]


def test_a_piece_that_gave_way_is_judged_as_an_interval(
    filled: Workshop, client: TestClient
) -> None:
    at = (workshops.NOW - timedelta(minutes=20)).astimezone().strftime("%Y-%m-%dT%H:%M")
    form = {"finding-0": "sagged", "sag-0": "1,5", "finding-1": "sound", "time": at}
    page = client.post("/soak/1/looks", data=form).text
    look = filled.record.looks.of(1)[-2].entry
    assert (look.finding, look.sag_mm) == (Finding.SAGGED, 1.5)
    grey = page[page.index("<h3>grey 1</h3>") : page.index("<h3>amber 1</h3>")]
    assert "Gave way after the whole dwell of step 1" in grey
    assert re.search(r"and no later than 2[12] min of dwell in step 2", grey)
    assert "In temperature: above" in grey
    assert "Sound when last looked at" in page[page.index("<h3>amber 1</h3>") :]


def test_a_look_at_nothing_is_refused(filled: Workshop, client: TestClient) -> None:
    answer = client.post("/soak/1/looks", data={"time": ""})
    assert answer.status_code == 422
    assert "no finding was chosen" in answer.text
    before = client.post("/soak/1/looks", data={"all": "sound", "time": "2020-01-01T00:00"})
    assert before.status_code == 422
    assert len(filled.record.looks.of(1)) == 2


@pytest.mark.parametrize(
    ("form", "what"),
    [
        ({"finding-0": "sound", "sag-0": "2"}, "Sag 1: grey 1 has a sag, but was not seen to sag"),
        ({"finding-0": "sound", "sag-0": "much"}, "Sag 1: “much” is not a number"),
        ({"finding-0": "sound", "note-1": "dull"}, "what was seen of amber 1 was not chosen"),
        ({"finding-0": "sound", "sag-1": "2"}, "what was seen of amber 1 was not chosen"),
    ],
)
def test_nothing_that_was_typed_of_a_piece_is_dropped_in_silence(
    filled: Workshop, client: TestClient, form: dict[str, str], what: str
) -> None:
    before = filled.record.looks.of(1)
    answer = client.post("/soak/1/looks", data=form)
    assert answer.status_code == 422
    assert what in answer.text
    assert filled.record.looks.of(1) == before


def test_a_look_can_be_taken_back(filled: Workshop, client: TestClient) -> None:
    look = filled.record.looks.of(1)[0].id
    client.post(f"/soak/1/looks/{look}/delete")
    assert [kept.id for kept in filled.record.looks.of(1)] == [look + 1]


def undo_in(page: str) -> str:
    """Where the undo that a page offers is sent."""
    found = re.search(r'class="notice done".*?action="([^"]+)"', page, re.DOTALL)
    assert found is not None
    return found[1]


def test_a_look_taken_back_by_mistake_comes_back(filled: Workshop, client: TestClient) -> None:
    before = filled.record.looks.of(1)
    page = client.post(f"/soak/1/looks/{before[0].id}/delete").text
    assert "The look is taken back." in page
    client.post(undo_in(page), data={"revision": ""})
    after = filled.record.looks.of(1)
    assert [(kept.id, kept.entry) for kept in after] == [(kept.id, kept.entry) for kept in before]
    other = filled.record.soaks.add(workshops.short_run(workshops.NOW)).id
    assert client.post(f"/soak/{other}/looks/{before[0].id}/undo").status_code == 422
    assert client.post(f"/soak/1/looks/{before[1].id}/undo").status_code == 422
    assert len(filled.record.looks.of(1)) == 2


def test_a_look_is_corrected_where_it_stands(filled: Workshop, client: TestClient) -> None:
    look = filled.record.looks.of(1)[0]
    typed = {"finding": "sagged", "sag": "0,8", "note": "at the rim", "revision": "1"}
    page = client.post(f"/soak/1/looks/{look.id}/correct", data=typed).text
    now = filled.record.looks.get(look.id)
    assert (now.entry.finding, now.entry.sag_mm) == (Finding.SAGGED, 0.8)
    assert (now.entry.note, now.entry.time) == ("at the rim", look.entry.time)
    client.post(undo_in(page), data={"revision": ""})
    assert filled.record.looks.get(look.id).entry == look.entry
    # Another's change is not written over, and a time that has not come is refused.
    stale = client.post(f"/soak/1/looks/{look.id}/correct", data=typed)
    assert stale.status_code == 409
    later = typed | {"revision": "3", "time": "2026-02-01T00:00"}
    answer = client.post(f"/soak/1/looks/{look.id}/correct", data=later)
    assert answer.status_code == 422
    assert "has not come yet" in answer.text
    at = (workshops.NOW - timedelta(minutes=90)).astimezone().strftime("%Y-%m-%dT%H:%M")
    client.post(f"/soak/1/looks/{look.id}/correct", data=later | {"time": at})
    assert filled.record.looks.get(look.id).entry.time == workshops.NOW - timedelta(minutes=90)


def test_an_end_by_mistake_is_taken_back(filled: Workshop, client: TestClient) -> None:
    client.post("/soak/1/end", data={"abandoned": "the wrong run"})
    page = client.get("/soak/1").text
    revision = re.search(r'end/undo"><input type="hidden" name="revision" value="(\d+)"', page)
    assert revision is not None
    page = client.post("/soak/1/end/undo", data={"revision": revision[1]}).text
    run = filled.record.soaks.get(1).entry
    assert (run.ended, run.abandoned) == (None, None)
    assert "Next look" in page
    ahead = {"ended": "2026-01-15T09:00", "abandoned": "too late"}
    assert "has not come yet" in client.post("/soak/1/end", data=ahead).text


def test_a_run_is_broken_off_with_its_reason(filled: Workshop, client: TestClient) -> None:
    page = client.post("/soak/1/end", data={"abandoned": "the fan stopped"}).text
    run = filled.record.soaks.get(1).entry
    assert (run.ended, run.abandoned) == (workshops.NOW, "the fan stopped")
    assert "the fan stopped" in page
    assert "broken off" in page
    assert "The run is over: the chamber is empty" not in page
    # A chamber does not cool by a word on a page.
    assert "See that the heater is off: nothing here switches it." in page
    assert "independent thermal cut-out" in page
    assert "Chamber at the end" in page


def test_the_end_stops_the_live_page(filled: Workshop, client: TestClient) -> None:
    page = client.post("/soak/1/end", data={}).text
    assert filled.record.soaks.get(1).entry.ended == workshops.NOW
    assert "live.js" not in page


def test_a_silent_chamber_is_said(filled: Workshop, client: TestClient) -> None:
    run = filled.record.soaks.get(1).entry
    silent = run.model_copy(update={"name": "No probe", "chamber_channels": ("probe-2",)})
    filled.record.soaks.add(silent)
    now = client.get("/soak/2/now").json()["texts"]
    assert now["clock-words"] == "The clock stands: no chamber reading for 4 h."
    assert now["chamber"] == "no reading yet"
    assert client.get("/soak/2").status_code == 200


def test_the_steps_are_told_as_they_were_measured(filled: Workshop, client: TestClient) -> None:
    page = client.get("/soak/1").text
    steps = page[page.index("<h3>Steps as they were measured") :]
    assert re.search(r"1: 50 °C ± 2 K</th><td>2\d min</td><td[^>]*>1:00 of 1:00", steps)
    assert ">one probe<" in steps
    run = filled.record.soaks.get(1).entry
    twice = run.model_copy(update={"name": "two", "chamber_channels": ("chamber", "probe-2")})
    since = workshops.NOW - timedelta(hours=4)
    rows = filled.store.between("chamber", ms_of(since), ms_of(workshops.NOW) + 1)
    workshops.append(
        filled, "probe-2", [(moment_of(reading.time_ms), reading.value + 0.4) for reading in rows]
    )
    filled.record.soaks.add(twice)
    page = client.get("/soak/2").text
    # It is not in the settings, as a probe is that was taken away since.
    assert "probe-2, air in the chamber" in page
    assert ">0.4 K<" in page[page.index("<h3>Steps as they were measured") :]


def test_what_is_to_be_done_stands_at_the_top(filled: Workshop, client: TestClient) -> None:
    for look in filled.record.looks.of(1):
        filled.record.looks.delete(look.id)
    page = client.get("/soak/1").text
    assert 'data-ask="/api/soaks/1/notices"' in page
    assert "Look at every specimen: step 1 is done." in page


def test_a_piece_is_taken_out_and_put_back(filled: Workshop, client: TestClient) -> None:
    out = {"kind": "taken_out", "specimen": "amber 1", "note": "for the break bench"}
    page = client.post("/soak/1/interventions", data=out)
    assert "amber 1 was taken out (for the break bench)." in page.text
    (done,) = filled.record.interventions.of(1)
    assert done.entry.time == workshops.NOW
    assert "<option>amber 1</option>" not in page.text
    again = client.post("/soak/1/interventions", data=out)
    assert again.status_code == 422
    assert "taken out before" in again.text
    page = client.post(f"/soak/1/interventions/{done.id}/delete")
    assert filled.record.interventions.of(1) == []
    client.post(undo_in(page.text), data={"revision": ""})
    assert [kept.entry for kept in filled.record.interventions.of(1)] == [done.entry]
    assert client.post("/soak/2/interventions/1/undo").status_code in (404, 422)


def test_the_program_is_changed_from_now_on(filled: Workshop, client: TestClient) -> None:
    edit = {"kind": "program_edited", "steps": "50 60 2\n60 45 2\n70 30 2", "note": "late"}
    page = client.post("/soak/1/interventions", data=edit)
    assert page.status_code == 200, page.text
    assert "the program was changed to 50 °C ± 2 K for 1 h; 60 °C ± 2 K for 45 min" in page.text
    assert "Step 2 of 3" in page.text
    # Still the same program but for what was typed.
    (done,) = filled.record.interventions.of(1)
    assert done.entry.program is not None
    assert done.entry.program.name == filled.record.soaks.get(1).entry.program.name
    dropped = client.post("/soak/1/interventions", data=edit | {"steps": "60 45 2"})
    assert dropped.status_code == 422
    assert "changes or drops a step" in dropped.text
    slip = client.post("/soak/1/interventions", data=edit | {"steps": "fifty"})
    assert "line 1 of the steps" in slip.text


def test_a_remark_is_kept(filled: Workshop, client: TestClient) -> None:
    page = client.post("/soak/1/interventions", data={"kind": "remark", "note": "door open"})
    assert "door open" in page.text
    empty = client.post("/soak/1/interventions", data={"kind": "remark", "note": ""})
    assert empty.status_code == 422
    assert client.post("/soak/1/interventions", data={"kind": "other"}).status_code == 422
    assert client.post("/soak/9/interventions", data={"kind": "remark"}).status_code == 404


def test_a_look_is_photographed(filled: Workshop, client: TestClient) -> None:
    look = filled.record.looks.of(1)[0]
    picture = io.BytesIO()
    Image.new("RGB", (30, 20), "white").save(picture, "PNG")
    address = f"/soak/1/looks/{look.id}/photographs"
    page = client.post(address, files={"picture": ("look.png", picture.getvalue(), "image/png")})
    assert page.status_code == 200
    (kept,) = filled.record.photographs.of(look_id=look.id)
    assert f"/photographs/{kept.id}/small" in page.text
    gone = client.post(f"/photographs/{kept.id}/delete", data={"revision": "1"}).text
    assert "The photograph is off the record." in gone
    assert filled.record.photographs.of(look_id=look.id) == []
    back = client.post(undo_in(gone), data={"revision": ""}).text
    assert "The photograph is on record." in back
    assert len(filled.record.photographs.of(look_id=look.id)) == 1
    wrong = client.post(address, files={"picture": ("look.png", b"no picture", "image/png")})
    assert wrong.status_code == 422
    assert "no picture that can be read" in wrong.text
    assert client.post(address, files={"picture": ("", b"", "image/png")}).status_code == 422
    assert client.post(address.replace("/soak/1/", "/soak/2/")).status_code in (404, 422)


def test_what_all_runs_say_of_the_chamber_and_the_resins(client: TestClient) -> None:
    page = html.unescape(client.get("/soak").text)
    assert "Furthest off at 50 °C: measured" in page
    assert 'data-chart="chamber"' in page
    assert "Cannot say at which temperature half give way" in page
    assert "Held by every piece: 50 °C" in page
    # The first ready-made program is chosen: 8 dwells of an hour and the ways between them.
    assert re.search(r"Started now, the last dwell is done about tomorrow \d\d:\d\d: \d+ h", page)
    assert re.search(
        r"no earlier approach of this chamber tells better, from 60.\d °C \(as read\)", page
    )


def test_an_own_program_with_everything_it_may_say(filled: Workshop, client: TestClient) -> None:
    own = {
        "program": "own",
        "steps": "60 30",
        "rule": "near_final",
        "hold_min": "5",
        "ramp_limit_k_per_min": "1,5",
        "longest_approach_min": "40",
        "stop_above_c": "90",
        "cool_down_to_c": "35",
    }
    client.post("/soak", data=START | own)
    program = filled.record.soaks.get(2).entry.program
    (step,) = program.steps
    assert (step.ramp_limit_k_per_min, step.longest_approach_min) == (1.5, 40)
    assert (program.settle.rule, program.settle.hold_min) == ("near_final", 5)
    assert (program.stop_above_c, program.cool_down_to_c) == (90, 35)
    wrong = client.post("/soak", data=START | own | {"rule": "never"})
    assert wrong.status_code == 422
    assert "60 30" in wrong.text
    assert "is no rule for settling" in wrong.text


def test_each_own_step_may_say_its_own_limits(filled: Workshop, client: TestClient) -> None:
    own = {
        "program": "own",
        "steps": "50 10\n62,5 90 1 ramp 1,5 within 40\n70 30 Within 25\n80 20 2 ramp 3",
        "ramp_limit_k_per_min": "2",
        "longest_approach_min": "60",
    }
    client.post("/soak", data=START | own)
    steps = filled.record.soaks.get(2).entry.program.steps
    assert [
        (step.tolerance_k, step.ramp_limit_k_per_min, step.longest_approach_min) for step in steps
    ] == [(2, 2, 60), (1, 1.5, 40), (2, 2, 25), (2, 3, 60)]
    page = html.unescape(client.get("/soak/2").text)
    assert "62.5 °C ± 1 K for 1 h 30 min, changing by at most 1.5 K/min on the way there" in page
    # The form for a change tells all of it, so that nothing is lost by sending it as it stands.
    typed = re.search(r'<textarea id="edit-steps"[^>]*>(.*?)</textarea>', page, re.DOTALL)
    assert typed is not None
    assert soak_form.steps_of(typed[1]) == [step.model_dump(exclude_none=True) for step in steps]


@pytest.mark.parametrize(
    "line",
    ["60 90 2 ramp", "60 90 slowly 2", "60 90 2 ramp fast", "ramp 2", "60 90 2 ramp 1 ramp 2"],
)
def test_a_line_that_is_no_step_is_named(client: TestClient, line: str) -> None:
    steps = {"program": "own", "steps": f"50 10\n{line}"}
    answer = client.post("/soak", data=START | steps)
    assert answer.status_code == 422
    assert "line 2" in answer.text
    assert line in html.unescape(answer.text)


@pytest.mark.parametrize(
    ("typed", "settle"),
    [
        ({}, Settle()),
        ({"rule": "in_band", "hold_min": "5", "within_k": "1"}, Settle(hold_min=5)),
        (
            {"rule": "near_final", "within_k": "1,5"},
            Settle(rule=SettleRule.NEAR_FINAL, within_k=1.5),
        ),
        (
            {"rule": "slow_change", "change_k": "1", "over_min": "30", "hold_min": "9"},
            Settle(rule=SettleRule.SLOW_CHANGE, change_k=1, over_min=30),
        ),
        (
            {"rule": "steady_together"},
            Settle(rule=SettleRule.STEADY_TOGETHER, over_min=10),
        ),
        (
            {"rule": "steady_together", "change_k": "1", "apart_k": "2", "over_min": "20"},
            Settle(rule=SettleRule.STEADY_TOGETHER, change_k=1, apart_k=2, over_min=20),
        ),
    ],
)
def test_the_rule_for_settling_with_its_widths(
    filled: Workshop, client: TestClient, typed: dict[str, str], settle: Settle
) -> None:
    client.post("/soak", data=START | {"program": "own", "steps": "60 30"} | typed)
    program = filled.record.soaks.get(2).entry.program
    assert program.settle == settle
    assert soak_form.changed_program(program, soak_form.texts_of_program(program)) == program


def test_limits_of_a_whole_program(filled: Workshop, client: TestClient) -> None:
    own = {"program": "own", "steps": "60 30", "gap_limit_s": "90", "when_all_gave_way": "go_on"}
    client.post("/soak", data=START | own)
    program = filled.record.soaks.get(2).entry.program
    assert (program.gap_limit_s, program.stop_when_all_gave_way) == (90, False)
    page = html.unescape(client.get("/soak/2").text)
    assert "More than 1.5 min without a reading is a gap" in page
    assert "once every piece has given way." not in page
    edit = {
        "kind": "program_edited",
        "steps": "60 30",
        "rule": "near_final",
        "within_k": "2",
        "gap_limit_s": "",
        "stop_above_c": "95",
    }
    client.post("/soak/2/interventions", data=edit)
    (done,) = filled.record.interventions.of(2)
    assert done.entry.program is not None
    assert done.entry.program.settle == Settle(rule=SettleRule.NEAR_FINAL, within_k=2)
    assert done.entry.program.gap_limit_s == 300
    assert done.entry.program.stop_above_c == 95
    assert done.entry.program.stop_when_all_gave_way


def test_what_a_form_comes_to_is_told_before_the_start(client: TestClient) -> None:
    own = {"program": "own", "steps": "62 20\n70 30", "chamber": "chamber"}
    said = html.unescape(client.post("/soak/plan", data=own).text)
    # From 60.4 °C in the band of 62, then 62 to 68 °C at 1 K/min: 20 + 6 + 30 minutes.
    assert "Started now, the last dwell is done about today" in said
    assert ": 56 min." in said
    assert "<li>70 °C ± 2 K for 30 min</li>" in said
    later = client.post("/soak/plan", data=own | {"started": "2026-01-14T18:30"}).text
    assert "Started today 18:30" in later
    assert "as nothing was read" not in said
    empty = client.post("/soak/plan", data=own | {"steps": ""}).text
    assert "Type the steps" in empty
    slip = html.unescape(client.post("/soak/plan", data=own | {"steps": "62"}).text)
    assert "line 1 of the steps, “62”, is not a step" in slip
    for start in ("9999-12-31T23:59", "0001-01-01T00:00"):
        far = client.post("/soak/plan", data=own | {"started": start})
        assert far.status_code == 200
    # Without script a button of the form does the same, and starts nothing.
    page = client.post("/soak", data=START | own | {"only": "plan"})
    assert ": 56 min." in html.unescape(page.text)
    assert 'value="Housings"' in page.text
    assert len(client.get("/api/soaks").json()) == 1


def test_more_pieces_than_lie_open_can_be_named(filled: Workshop, client: TestClient) -> None:
    names = {f"specimen-{n}": f"piece {n}" for n in range(soak_form.SPECIMENS_N)}
    client.post("/soak", data=START | names)
    assert len(filled.record.soaks.get(2).entry.specimens) == soak_form.SPECIMENS_N >= 9


def test_the_end_of_a_run_under_way_is_told_with_what_it_rests_on(client: TestClient) -> None:
    page = html.unescape(client.get("/soak/1").text)
    texts = client.get("/soak/1/now").json()["texts"]
    # Step 2 of 8 is under way: six more hours of dwell and 8 K to each further step.
    assert re.fullmatch(r"about (today|tomorrow) \d\d:\d\d, in 7 h \d+ min", texts["finish"])
    assert texts["rests-on"].startswith("Each approach is taken at 1 K/min")
    assert texts["finish"] in page
    over = client.post("/soak/1/end", data={}).text
    assert "Last dwell done" not in over


def test_the_way_to_a_step_is_forecast_or_refused(filled: Workshop, client: TestClient) -> None:
    run = workshops.short_run(workshops.NOW - timedelta(minutes=12))
    filled.record.soaks.add(run)
    texts = client.get("/soak/2/now").json()["texts"]
    # The chamber of the workshop stays at 60 °C and the step is at 50 °C: nobody has set it.
    assert texts["approach"] == "The chamber is not moving towards 50 °C: has it been set?"
    climbs = filled.record.soaks.add(
        workshops.short_run(workshops.NOW - timedelta(hours=4)).model_copy(update={"name": "up"})
    )
    then = workshops.NOW - timedelta(hours=4) + timedelta(minutes=12)
    found = soak_state(filled, climbs.id, then)
    said = soak_words.approach(approach_now(filled, found, then), then)
    # It climbs by 1 K/min in a straight line, which no exponential tells the end of.
    assert re.fullmatch(r"In the band about .* if it keeps its present 1\.0 K/min; .*near\.", said)
    assert texts["next"].startswith("Set the chamber to 50 °C")


def test_a_step_that_heated_faster_than_allowed_is_told(
    filled: Workshop, client: TestClient
) -> None:
    # The chamber of the workshop goes up by 1 K/min four hours ago.
    run = workshops.short_run(workshops.NOW - timedelta(hours=4))
    slow = run.program.model_copy(
        update={
            "steps": tuple(
                step.model_copy(update={"ramp_limit_k_per_min": 0.5}) for step in run.program.steps
            )
        }
    )
    filled.record.soaks.add(run.model_copy(update={"program": slow}))
    said = "Step 1: changed by up to 1.0 K/min on the way to it"
    assert said in client.get("/soak/2").text
    assert "changed by up to" not in client.get("/soak/1").text
