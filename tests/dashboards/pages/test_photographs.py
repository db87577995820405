"""Photographs of a print on its page: added, seen small, refused in words, removed, back again."""

from __future__ import annotations

import io

import pytest
from PIL import Image
from starlette.testclient import TestClient

from api.answers import Workshop
from dashboards.pages.photographs import SMALL_PX

WAITING = 41


def picture(width: int = 1_200, height: int = 900, form: str = "JPEG") -> bytes:
    into = io.BytesIO()
    Image.new("RGB", (width, height), (120, 90, 40)).save(into, form)
    return into.getvalue()


def sent(client: TestClient, content: bytes, name: str = "collar.jpg", **fields: str) -> str:
    answer = client.post(
        f"/prints/{WAITING}/photographs", data=fields, files={"picture": (name, content)}
    )
    return answer.text


def test_a_photograph_of_a_part_is_seen_small_on_the_prints_page(
    filled: Workshop, client: TestClient
) -> None:
    page = sent(client, picture(), part="Lamp collar 2")
    assert "The photograph is on record." in page
    (kept,) = filled.record.photographs.of(print_id=WAITING)
    assert kept.entry.part == "Lamp collar 2"
    assert 'src="/photographs/1/small" alt="Lamp collar 2, photograph 1"' in page
    answer = client.get("/photographs/1/small")
    assert answer.headers["content-type"] == "image/jpeg"
    assert "immutable" in answer.headers["cache-control"]
    with Image.open(io.BytesIO(answer.content)) as small:
        assert max(small.size) == SMALL_PX


@pytest.mark.parametrize("form", ["PNG", "WEBP"])
def test_other_forms_are_shown_small_too(client: TestClient, form: str) -> None:
    sent(client, picture(form=form))
    with Image.open(io.BytesIO(client.get("/photographs/1/small").content)) as small:
        assert (small.format, max(small.size)) == ("JPEG", SMALL_PX)


def test_the_same_form_sent_twice_keeps_one_photograph(
    filled: Workshop, client: TestClient
) -> None:
    for _ in range(2):
        sent(client, picture(), key="a-form")
    sent(client, picture(640, 480), key="a-form")
    assert len(filled.record.photographs.of(print_id=WAITING)) == 2


def test_removed_and_brought_back_and_an_addition_taken_back(
    filled: Workshop, client: TestClient
) -> None:
    sent(client, picture())
    removed = client.post("/photographs/1/delete", data={"revision": "1"}).text
    assert "The photograph is off the record." in removed
    assert filled.record.photographs.of(print_id=WAITING) == []
    back = client.post("/photographs/1/undo").text
    assert "The photograph is on record." in back
    assert len(filled.record.photographs.of(print_id=WAITING)) == 1
    sent(client, picture(640, 480))
    client.post("/photographs/2/undo")
    assert [kept.id for kept in filled.record.photographs.of(print_id=WAITING)] == [1]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"GIF89a nothing", "no picture that can be read"),
        (b"", "no photograph was chosen"),
        (picture()[:200], "no picture that can be read"),
    ],
)
def test_what_is_no_picture_is_refused_in_words(
    filled: Workshop, client: TestClient, content: bytes, said: str
) -> None:
    page = sent(client, content)
    assert said in page
    assert "Photograph: " in page
    assert filled.record.photographs.of(print_id=WAITING) == []


def test_a_picture_that_is_too_large_is_refused_in_words(
    filled: Workshop, client: TestClient
) -> None:
    page = sent(client, b"\xff\xd8" + bytes(16 * 1_048_576 + 1))
    assert "the picture is too large" in page
    assert "Send at most 16 MiB" in page


def test_a_part_that_is_not_there_is_refused(client: TestClient) -> None:
    assert "has no part named Housing" in sent(client, picture(), part="Housing")
