"""Photographs: only the pixels are kept, whole or not at all, and shown where they belong."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from PIL import Image, PngImagePlugin

from api.answers import Workshop
from api.photographs import PICTURE_MAX, SIDE_MAX, fit_to_keep
from api.routes.shapes import LOOK, PRINT, SOAK
from collector.errors import InvalidError

#: EXIF (JEITA CP-3451): orientation and the tag of the GPS block.
ORIENTATION, GPS = 0x0112, 0x8825

#: Words that a camera or an editor leaves in a file.
SECRETS = (b"Pocket camera", b"52.5", b"kitchen window", b"GPSLatitude", b"xmpmeta")


def picture(form: str, size: tuple[int, int] = (60, 40), *, mode: str = "RGB") -> bytes:
    """A picture, red on the left and blue on the right, with everything that should go."""
    image = Image.new(mode, size, "red" if mode != "L" else 90)
    image.paste("blue" if mode != "L" else 200, (size[0] // 2, 0, *size))
    exif = Image.Exif()
    exif[0x010F] = "Pocket camera"
    exif[ORIENTATION] = 6  # to be turned a quarter clockwise
    exif.get_ifd(GPS).update({1: "N", 2: (52.0, 30.0, 0.5), 29: "52.5"})
    xmp = b"<x:xmpmeta>GPSLatitude 52.5</x:xmpmeta>"
    into = io.BytesIO()
    if form == "PNG":
        words = PngImagePlugin.PngInfo()
        words.add_text("Comment", "kitchen window")
        image.save(into, form, exif=exif, pnginfo=words)
    elif form == "JPEG":
        image.save(into, form, exif=exif, comment=b"kitchen window", xmp=xmp, quality=95)
    else:
        image.save(into, form, exif=exif, xmp=xmp)
    return into.getvalue()


@pytest.mark.parametrize(
    ("form", "media_type"), [("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp")]
)
def test_only_the_pixels_are_kept_and_they_stand_upright(form: str, media_type: str) -> None:
    sent = picture(form)
    assert any(secret in sent for secret in SECRETS)
    kept = fit_to_keep(sent)
    assert not [secret for secret in (*SECRETS, b"Exif", b"eXIf") if secret in kept.content]
    with Image.open(io.BytesIO(kept.content)) as opened:
        assert not opened.getexif()
        assert set(opened.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "loop"} | {
            "background",
            "timestamp",
            "duration",
        }
        assert (opened.format, opened.size) == (form, (40, 60))
        above, below = (opened.convert("RGB").getpixel(at) for at in ((20, 10), (20, 50)))
    # Turned clockwise, what was on the left is on top.
    assert isinstance(above, tuple)
    assert isinstance(below, tuple)
    assert above[0] > 200 > 60 > above[2]
    assert below[2] > 200 > 60 > below[0]
    assert (kept.media_type, kept.width_px, kept.height_px) == (media_type, 40, 60)
    assert fit_to_keep(sent).sha256 == kept.sha256


def test_grey_and_see_through_pictures_stay_so() -> None:
    with Image.open(io.BytesIO(fit_to_keep(picture("JPEG", mode="L")).content)) as grey:
        assert grey.mode == "L"
    into = io.BytesIO()
    Image.new("RGBA", (8, 8), (255, 0, 0, 100)).save(into, "PNG")
    with Image.open(io.BytesIO(fit_to_keep(into.getvalue()).content)) as clear:
        assert clear.getpixel((1, 1)) == (255, 0, 0, 100)


def test_a_very_large_picture_is_made_smaller_and_a_huge_one_refused() -> None:
    wide = fit_to_keep(picture("JPEG", (6_000, 300)))
    assert max(wide.width_px, wide.height_px) == SIDE_MAX
    bomb = io.BytesIO()
    Image.new("1", (10_000, 9_000)).save(bomb, "PNG")
    for sent in (bomb.getvalue(), b"\xff\xd8" + b"0" * PICTURE_MAX):
        with pytest.raises(InvalidError, match="too large"):
            fit_to_keep(sent)


@pytest.mark.parametrize(
    "sent",
    [
        b"",
        b"not a picture",
        picture("JPEG")[:300],
        picture("PNG")[:-40],
        b"GIF89a\x01\x00\x01\x00\x80\x00\x00\xff\xff\xff\x00\x00\x00;",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
    ],
)
def test_what_is_no_whole_picture_is_refused(sent: bytes) -> None:
    with pytest.raises(InvalidError, match="no picture"):
        fit_to_keep(sent)


def test_photographs_of_a_print_a_part_and_a_look(client: TestClient, workshop: Workshop) -> None:
    client.post("/api/prints", json=PRINT)
    client.post("/api/soaks", json=SOAK)
    client.post("/api/soaks/1/looks", json=LOOK)
    key = {"Idempotency-Key": "snap-1", "Content-Type": "image/jpeg"}
    part: dict[str, str | int] = {"print": 1, "part": "lamp collar 2", "note": "corner lifted"}
    made = client.post("/api/photographs", content=picture("JPEG"), params=part, headers=key)
    assert made.status_code == 201
    body = made.json()
    assert (body["print"], body["part"], body["note"]) == (1, "lamp collar 2", "corner lifted")
    again = client.post("/api/photographs", content=picture("JPEG"), params=part, headers=key)
    assert again.json()["id"] == body["id"]
    look = client.post("/api/photographs", content=picture("PNG"), params={"look": 1})
    assert look.status_code == 201
    listed = client.get("/api/photographs", params={"print": 1}).json()
    assert [one["id"] for one in listed["photographs"]] == [body["id"]]
    page = client.get("/api/photographs", params={"limit": 1}).json()
    rest = client.get("/api/photographs", params={"after": page["next"]}).json()
    assert [one["look"] for one in rest["photographs"]] == [1]
    assert rest["next"] is None

    address = made.headers["Location"]
    shown = client.get(f"{address}/picture")
    assert shown.headers["content-type"] == "image/jpeg"
    assert (len(shown.content), shown.headers["ETag"]) == (body["bytes_n"], f'"{body["sha256"]}"')
    folder = workshop.record.folder / "photographs"
    names = sorted(path.name for path in folder.rglob("*.*"))
    assert names == sorted([f"{body['sha256']}.jpg", f"{look.json()['sha256']}.png"])

    patched = client.patch(address, json={"note": ""}, headers={"If-Match": '"1"'})
    assert patched.json()["revision"] == 2
    assert client.patch(address, json={"note": "x"}, headers={"If-Match": '"1"'}).status_code == 409
    assert client.delete("/api/prints/1").status_code == 409
    assert client.delete(address).status_code == 204
    assert client.get(f"{address}/picture").status_code == 404
    assert [r["change"] for r in client.get(f"{address}/revisions").json()] == [
        "corrected",
        "deleted",
    ]
    assert client.delete("/api/soaks/1/looks/1").status_code == 409


def test_what_cannot_be_kept_is_said_and_leaves_nothing(
    client: TestClient, workshop: Workshop
) -> None:
    client.post("/api/prints", json=PRINT)

    def send(content: bytes, **params: str | int) -> Any:
        return client.post("/api/photographs", content=content, params=params)

    assert send(picture("JPEG")).json()["detail"].startswith("a photograph shows a print, a look")
    assert send(picture("JPEG"), print=9).json()["where"] == "print"
    assert send(picture("JPEG"), print=1, part="lid").json()["where"] == "part"
    assert send(b"", print=1).json()["where"] == "body"
    assert send(b"nonsense", print=1).status_code == 422
    # Above the bound of other requests, below that of a picture: read, and found to be none.
    assert send(b"\xff\xd8" + b"0" * 3_000_000, print=1).status_code == 422
    assert send(b"0" * 18_000_000, print=1).status_code == 413
    assert client.post("/api/prints", content=b"0" * 3_000_000).status_code == 413
    assert client.get("/api/photographs").json()["photographs"] == []


def test_a_picture_whose_file_is_gone_is_told(client: TestClient, workshop: Workshop) -> None:
    client.post("/api/prints", json=PRINT)
    client.post("/api/photographs", content=picture("WEBP"), params={"print": 1})
    (path,) = (workshop.record.folder / "photographs").rglob("*.webp")
    Path(path).unlink()
    gone = client.get("/api/photographs/1/picture")
    assert gone.status_code == 404
    assert "not in its folder" in gone.json()["detail"]
