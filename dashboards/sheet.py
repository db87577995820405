"""Pages out of templates: rendering, our own static files, and who may do what with a page.

Every page is a plain document that works without script. Its content security policy lets it
load from this server alone and evaluate nothing: the charts' expressions are walked by an
interpreter (``static/chart.js``), so no ``unsafe-eval`` is needed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.datastructures import FormData, UploadFile

from collector.errors import ConflictError, InvalidError
from dashboards import words

HERE = Path(__file__).resolve().parent

#: The pages in the order of the navigation.
PAGES = (
    ("/", "Room"),
    ("/prints", "Prints"),
    ("/causes", "Causes"),
    ("/soak", "Soak bench"),
    ("/breaks", "Break bench"),
    ("/resins", "Resin sheet"),
    ("/health", "Health"),
)

POLICY = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
#: Sent with every page.
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-cache",
}

FOREVER = "public, max-age=31536000, immutable"
_TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One of our own files: its bytes, media type and a mark that changes with its content."""

    content: bytes
    media_type: str
    mark: str


def static_files() -> dict[str, StaticFile]:
    """Our own scripts and styles by name."""
    files: dict[str, StaticFile] = {}
    for path in sorted((HERE / "static").iterdir()):
        content = path.read_bytes()
        mark = hashlib.sha256(content).hexdigest()[:12]
        files[path.name] = StaticFile(content, _TYPES[path.suffix], mark)
    return files


class Sheets:
    """The templates with the words they use and the addresses of the static files."""

    def __init__(self) -> None:
        self.files = static_files()
        self._environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.globals.update(words=words, pages=PAGES, static=self.address)

    def address(self, name: str) -> str:
        """The address of one of our static files, new whenever the file is."""
        return f"/static/{self.files[name].mark}/{name}"

    def page(
        self, template: str, here: str, now: datetime, *, status: int = 200, **content: Any
    ) -> HTMLResponse:
        """A page from a template; ``here`` is the navigation's place, ``now`` its moment."""
        text = self.text(template, now, here=here, **content)
        return HTMLResponse(text, status_code=status, headers=HEADERS)

    def text(self, template: str, now: datetime, **content: Any) -> str:
        """A template filled in, as it stands at ``now``."""
        return self._environment.get_template(template).render(
            now=now, zone=words.zone(now), **content
        )

    def part(self, template: str, now: datetime, **content: Any) -> HTMLResponse:
        """A part of a page, for a script that puts it in its place."""
        text = self._environment.get_template(template).render(now=now, **content)
        return HTMLResponse(text, headers=HEADERS)


def sheets_of(request: Request) -> Sheets:
    """The templates of this app."""
    sheets: Sheets = request.app.state.sheets
    return sheets


def clock() -> datetime:
    """The moment of the request, aware UTC."""
    return datetime.now(UTC)


async def filled_in(request: Request) -> FormData:
    """The form that was sent, with nothing but text in it."""
    form = await request.form(max_files=0)
    if any(isinstance(entry, UploadFile) for entry in form.values()):
        raise InvalidError("this form takes no files", remedy="Send it without one.")
    return form


SheetsHere = Annotated[Sheets, Depends(sheets_of)]
Now = Annotated[datetime, Depends(clock)]
Filled = Annotated[FormData, Depends(filled_in)]


def text_of(form: Mapping[str, Any], name: str) -> str:
    """A field of a form as text without blanks around it; empty when it is not there."""
    entry = form.get(name, "")
    return entry.strip() if isinstance(entry, str) else ""


async def picture_in(form: FormData) -> bytes:
    """The photograph that a form brings in ``picture``. Raises ``InvalidError`` without one."""
    picture = form.get("picture")
    sent = await picture.read() if isinstance(picture, UploadFile) else b""
    if not sent:
        raise InvalidError("no photograph was chosen", remedy="Take or choose one.")
    return sent


def at_photograph(fault: InvalidError | ConflictError) -> InvalidError:
    """A fault of a photograph, told at the field it was chosen in."""
    return InvalidError(fault.what, where="photograph", remedy=fault.remedy)


def onwards(address: str) -> Response:
    """Send the browser on to a page after a form has gone through (303, so reload is safe)."""
    return RedirectResponse(address, status_code=303)


def time_of(text: str, field: str) -> datetime | None:
    """The moment of a form's time field, local unless it says otherwise; None when empty.

    Raises ``InvalidError`` naming the field.
    """
    if not text:
        return None
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        raise InvalidError(
            f"“{text[:40]}” is not a time",
            where=field,
            remedy="Write it as 2026-01-14T19:30, in the zone named at the foot of the page.",
        ) from None


def number_of(text: str, field: str) -> float | None:
    """The number of a form's field, with a point or a comma; None when empty.

    Raises ``InvalidError`` naming the field.
    """
    if not text:
        return None
    try:
        return float(text.replace(",", ".").replace(words.MINUS, "-"))
    except ValueError:
        raise InvalidError(
            f"“{text[:40]}” is not a number", where=field, remedy="Write it as 2.5."
        ) from None


def id_of(text: str, field: str) -> int | None:
    """The id that a form's or an address's field names; None when empty.

    Raises ``InvalidError`` naming the field.
    """
    if not text:
        return None
    if not text.isdecimal() or len(text) > 18:
        raise InvalidError(
            f"“{text[:40]}” names no {field}", where=field, remedy="Choose one from the list."
        )
    return int(text)
