"""Pictures made fit to keep, and the folder they lie in. Home of Pillow.

A picture is re-encoded from its pixels alone: turned upright, made smaller where it is very
large, without place, time, device, comments or any other word its file carried. It is kept
under the hash of what is kept (``photographs/ab/abcd….jpg``), so the same picture is kept once.
"""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from api.checked import checked
from api.record import Kept, Photograph, Record
from collector.errors import InvalidError, NotFoundError, StoreError

#: The largest picture that is taken, as it is sent [bytes].
PICTURE_MAX = 16 * 1_048_576

#: The largest picture that is taken [pixels], and the longest side of one that is kept.
PIXELS_MAX = 60_000_000
SIDE_MAX = 4_096

#: JPEG and WebP are kept at this quality.
QUALITY = 88

_MEDIA_TYPE = {"JPEG": "image/jpeg", "PNG": "image/png", "WEBP": "image/webp"}
#: How the name of a kept picture ends, by its form.
ENDINGS = {"image/jpeg": "jpg", "image/png": "png", "image/webp": "webp"}


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture fit to keep: its bytes, form, width and height [pixels]."""

    content: bytes
    media_type: str
    width_px: int
    height_px: int

    @property
    def sha256(self) -> str:
        """The hash it is kept under."""
        return hashlib.sha256(self.content).hexdigest()


def fit_to_keep(sent: bytes) -> Picture:
    """A JPEG, PNG or WebP re-encoded from its pixels alone.

    Raises ``InvalidError`` for anything else, and for a picture that is too large or broken.
    """
    from PIL import Image, ImageOps

    if len(sent) > PICTURE_MAX:
        raise _too_large(f"{len(sent) / 1_048_576:.1f} MiB")
    try:
        with Image.open(io.BytesIO(sent), formats=tuple(_MEDIA_TYPE)) as opened:
            form = opened.format or ""
            if opened.width * opened.height > PIXELS_MAX:
                raise _too_large(f"{opened.width} x {opened.height} pixels")
            upright = ImageOps.exif_transpose(opened)
            plain = upright.convert(_mode(form, upright.mode, "transparency" in upright.info))
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_large("too many pixels") from None
    except (OSError, SyntaxError, ValueError) as fault:
        raise InvalidError(
            "that is no picture that can be read",
            where="body",
            remedy="Send a whole JPEG, PNG or WebP file.",
        ) from fault
    plain.info = {}  # what is left here is what an encoder would write beside the pixels
    plain.thumbnail((SIDE_MAX, SIDE_MAX))
    into = io.BytesIO()
    how = {"optimize": True} if form == "PNG" else {"quality": QUALITY}
    plain.save(into, form, **how)
    return Picture(into.getvalue(), _MEDIA_TYPE[form], plain.width, plain.height)


def reduced(content: bytes, side_px: int) -> bytes:
    """A kept picture as a JPEG whose longer side is at most ``side_px``, on white."""
    from PIL import Image

    with Image.open(io.BytesIO(content), formats=tuple(_MEDIA_TYPE)) as opened:
        opened.draft("RGB", (side_px, side_px))  # a JPEG is decoded no larger than it has to be
        picture = opened.convert("RGBA")
    picture.thumbnail((side_px, side_px))
    paper = Image.new("RGB", picture.size, "white")
    paper.paste(picture, mask=picture.getchannel("A"))
    into = io.BytesIO()
    paper.save(into, "JPEG", quality=QUALITY)
    return into.getvalue()


def _mode(form: str, mode: str, see_through: bool) -> str:
    """The pixels that are kept: grey stays grey, PNG and WebP keep what is see-through."""
    if mode in ("L", "1", "I;16", "I", "F"):
        return "L"
    if form != "JPEG" and (see_through or mode in ("RGBA", "LA", "PA")):
        return "RGBA"
    return "RGB"


def _too_large(what: str) -> InvalidError:
    return InvalidError(
        f"the picture is too large: {what}",
        where="body",
        remedy=f"Send at most {PICTURE_MAX // 1_048_576} MiB and "
        f"{PIXELS_MAX // 1_000_000} million pixels.",
    )


def keep_photograph(
    record: Record,
    sent: bytes,
    *,
    print_id: int | None = None,
    part: str | None = None,
    look_id: int | None = None,
    break_id: int | None = None,
    note: str = "",
    key: str | None = None,
) -> Kept[Photograph]:
    """Make a picture fit to keep, keep it, and put it on record as a photograph of something.

    Raises ``InvalidError``, ``ConflictError`` (key used) and ``StoreError``.
    """
    picture = fit_to_keep(sent)
    entry = checked(
        Photograph,
        {
            "print": print_id,
            "part": part,
            "look": look_id,
            "break_test": break_id,
            "sha256": picture.sha256,
            "media_type": picture.media_type,
            "width_px": picture.width_px,
            "height_px": picture.height_px,
            "bytes_n": len(picture.content),
            "note": note,
        },
    )
    # The file comes first: a crash between leaves a file nobody names, never a name without one.
    with record.transaction():
        _write(_path(record.folder, entry), picture.content)
        return record.photographs.add(entry, key=key)


def picture_of(record: Record, photograph: Photograph) -> bytes:
    """The bytes of a photograph. Raises ``NotFoundError`` where its file is gone."""
    path = _path(record.folder, photograph)
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise NotFoundError(
            "the picture of this photograph is not in its folder any more",
            where=str(path),
            remedy="Put the folder back from a copy, or delete the photograph.",
        ) from None
    except OSError as fault:
        raise StoreError(
            f"the picture cannot be read: {fault.strerror}",
            where=str(path),
            remedy="Check the folder's permissions and the disk.",
        ) from fault


def ending_of(photograph: Photograph) -> str:
    """The ending of its file's name, without the point."""
    return ENDINGS[photograph.media_type]


def _path(folder: Path, photograph: Photograph) -> Path:
    name = photograph.sha256
    return folder / "photographs" / name[:2] / f"{name}.{ending_of(photograph)}"


def _write(path: Path, content: bytes) -> None:
    """Whole or not at all, and on the disk before it is named on record."""
    if path.exists():
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as being_written:
            being_written.write(content)
            being_written.flush()
            os.fsync(being_written.fileno())
        Path(being_written.name).replace(path)
    except OSError as fault:
        raise StoreError(
            f"the picture cannot be kept: {fault.strerror}",
            where=str(path),
            remedy="Check that the folder can be written and that the disk has room.",
        ) from fault
