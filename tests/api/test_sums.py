"""Long sums: told step by step, cancelled at the next one, begun once, in turns."""

from __future__ import annotations

import threading

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.remembered import Remembered
from api.sums import At, State, Sums
from collector.errors import InvalidError, NotFoundError

PATIENCE_S = 30.0


def test_a_sum_tells_its_steps_and_its_result() -> None:
    sums, at_two, go_on = Sums(), threading.Event(), threading.Event()

    def work(at: At) -> object:
        at("the log", 0, 2)
        at("the sum", 1, 2)
        at_two.set()
        go_on.wait(PATIENCE_S)
        return 42

    sum = sums.begin("limit", work)
    at_two.wait(PATIENCE_S)
    assert sums.begin("limit", work) is sum
    progress = sum.progress
    assert (progress.state, progress.step, progress.done_n) == (State.RUNNING, "the sum", 1)
    go_on.set()
    assert sum.ended.wait(PATIENCE_S)
    assert sums.get(progress.id).result() == 42
    assert (sum.progress.state, sum.progress.done_n) == (State.DONE, 2)
    assert sums.begin("limit", work, good_for_s=60.0) is sum
    assert sums.begin("limit", work) is not sum


def test_a_cancelled_sum_ends_at_its_next_step_and_lets_the_next_one_in() -> None:
    sums, begun, go_on = Sums(), threading.Event(), threading.Event()
    steps: list[str] = []

    def work(at: At) -> object:
        for number, step in enumerate(("first", "second")):
            at(step, number, 2)
            steps.append(step)
            begun.set()
            go_on.wait(PATIENCE_S)
        return None

    sum = sums.begin("limit", work)
    begun.wait(PATIENCE_S)
    sum.cancel()
    waiting = sums.begin("limit", lambda at: "anew")
    assert waiting is not sum
    assert waiting.progress.step == "waiting for its turn"
    go_on.set()
    assert sum.ended.wait(PATIENCE_S)
    assert waiting.ended.wait(PATIENCE_S)
    assert sum.progress.state is State.CANCELLED
    assert steps == ["first"]
    assert waiting.result() == "anew"


def test_what_the_work_raises_is_raised_where_the_result_is_asked_for() -> None:
    def work(at: At) -> object:
        raise InvalidError("a level of 2 is no share", where="level", remedy="Ask for 0.2.")

    sum = Sums().begin("limit", work)
    assert sum.ended.wait(PATIENCE_S)
    assert sum.progress.state is State.FAILED
    with pytest.raises(InvalidError, match="no share"):
        sum.result()
    with pytest.raises(NotFoundError):
        Sums().get(1)


def test_one_answer_being_made_keeps_no_other_waiting() -> None:
    memory: Remembered[str, str] = Remembered(4)
    begun, go_on = threading.Event(), threading.Event()

    def slow() -> str:
        begun.set()
        go_on.wait(PATIENCE_S)
        return "slow"

    thread = threading.Thread(target=memory.answer, args=("slow", slow))
    thread.start()
    begun.wait(PATIENCE_S)
    assert memory.answer("quick", lambda: "quick") == "quick"
    go_on.set()
    thread.join(PATIENCE_S)
    assert memory.answer("slow", lambda: "made again") == "slow"


def test_a_question_is_begun_followed_and_cancelled_over_the_api(
    client: TestClient, workshop: Workshop
) -> None:
    begun = client.post("/api/causes/sums", json={"question": "vat_temperature"})
    assert begun.status_code == 202
    id = begun.json()["id"]
    assert begun.headers["Location"] == f"/api/causes/sums/{id}"
    assert workshop.sums.get(id).ended.wait(PATIENCE_S)
    followed = client.get(f"/api/causes/sums/{id}").json()
    assert (followed["state"], followed["done_n"], followed["steps_n"]) == ("done", 2, 2)
    assert followed["answer"]["verdict"] == "too few"
    assert client.post(f"/api/causes/sums/{id}/cancel").json()["state"] == "done"
    assert client.get("/api/causes/sums/999").status_code == 404
    wrong = {"question": "two_groups"}
    refused = client.post("/api/causes/sums", json=wrong).json()["id"]
    assert workshop.sums.get(refused).ended.wait(PATIENCE_S)
    assert client.get(f"/api/causes/sums/{refused}").status_code == 422
