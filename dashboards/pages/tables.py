"""An old log in: choose the table, say what its columns mean, try it, take it. And all of it out.

Nothing is kept between the steps but in the page itself, so each works without script, and
nothing is on record before the last one has taken every row.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import HTMLResponse, Response
from starlette.datastructures import FormData, UploadFile

from api.answers import Workshop
from api.record.table_guess import Guess, guess, shown
from api.record.table_import import FIELDS, PART, Imported, Mapped, import_prints
from api.record.table_text import decoded
from collector.errors import InvalidError
from dashboards.pages.workshop import WorkshopHere
from dashboards.print_form import SETTING_FIELDS
from dashboards.sheet import Now, Sheets, SheetsHere, onwards, text_of

router = APIRouter(include_in_schema=False)

#: The largest table that the page takes [bytes].
TABLE_MOST = 4 * 1_048_576

#: Rows of a table whose columns are looked at, and columns that can be mapped.
COLUMNS_MOST = 120

#: What a column may tell, in the words of the form.
FIELD_WORDS: Mapping[str, str] = {
    "start": "start, date and time",
    "day": "day of the start",
    "time": "time of the start, beside its day",
    "order": "place in the order (no start was noted)",
    "end": "end, date and time",
    "resin": "resin",
    "machine": "machine",
    "bottle": "lot of the bottle",
    "plate": "name of the plate",
    "outcome": "outcome: good, flawed or failed",
    "failed": "failed: yes or no, 1 or 0",
    "good": "good: yes or no, 1 or 0",
    "parts": "parts, as an export writes them",
    "cut_short": "cut short: yes or no",
    "order_only": "only the order is known: yes or no",
    "logged_vat": "resin temperature noted by hand",
    "resin_poured_ml": "resin poured [ml]",
    "resin_used_ml": "resin used [ml]",
    "note": "note",
    **{
        f.name: f"{f.label.lower()} [{f.unit}]" if f.unit else f.label.lower()
        for f in SETTING_FIELDS
    },
}


def field_words(name: str) -> str:
    """A field in words; stages of the afterwork by their own names: ``wash, minutes``."""
    stage, _, rest = name.partition(".")
    return FIELD_WORDS.get(name) or f"{stage}: {rest.replace('_', ' ')}"


class LocalZone(tzinfo):
    """The zone of the machine that vatside runs on, as its pages have it."""

    def utcoffset(self, at: datetime | None) -> timedelta | None:
        """How far local time is ahead of UTC."""
        return None if at is None else at.replace(tzinfo=None).astimezone().utcoffset()

    def dst(self, at: datetime | None) -> timedelta | None:
        """Not told apart."""
        return None

    def tzname(self, at: datetime | None) -> str | None:
        """Its name at that time."""
        return None if at is None else at.replace(tzinfo=None).astimezone().tzname()


@dataclass(frozen=True, slots=True)
class Column:
    """A column as the form shows it: its heading, some values, the field chosen for it."""

    heading: str
    values: list[str]
    field: str


@dataclass(frozen=True, slots=True)
class Chosen:
    """Everything that was chosen for a table, as the form shows it again."""

    text: str
    guess: Guess
    columns: list[Column]
    resin: str = ""
    machine: str = ""
    make: bool = True
    fahrenheit: bool = False
    decimal_comma: bool = False
    encoding: str = "utf-8"

    @property
    def mapped(self) -> Mapped:
        """The same for the import. Raises ``InvalidError``."""
        if self.guess.own:
            return Mapped.own(make=self.make)
        return Mapped(
            {column.heading: column.field for column in self.columns if column.field},
            fahrenheit=self.fahrenheit,
            resin=self.resin or None,
            machine=self.machine or None,
            make=self.make,
            zone=LocalZone(),
            decimal_comma=self.decimal_comma,
        )


async def _uploaded(request: Request) -> AsyncIterator[FormData]:
    """The form with its table, as a file or as the text of the page before."""
    most = 2 * COLUMNS_MOST
    async with request.form(max_files=1, max_fields=most, max_part_size=2 * TABLE_MOST) as form:
        yield form


Uploaded = Annotated[FormData, Depends(_uploaded)]


@router.get("/prints/import")
def import_form(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    taken: Annotated[int | None, Query(ge=1)] = None,
) -> HTMLResponse:
    """Where a table is chosen, and where everything can be taken out."""
    return _page(workshop, sheets, now, taken=taken)


@router.post("/prints/import")
async def import_step(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Uploaded
) -> Response:
    """Look at a table, try it with what was chosen for it, or take it."""
    from starlette.concurrency import run_in_threadpool

    content = await _content(form)
    return await run_in_threadpool(_step, workshop, sheets, now, form, content)


async def _content(form: FormData) -> bytes | None:
    """The bytes of a file that was chosen; None where none was."""
    file = form.get("file")
    if not isinstance(file, UploadFile) or not file.filename:
        return None
    return await file.read(TABLE_MOST + 1)


def _step(
    workshop: Workshop, sheets: Sheets, now: datetime, form: FormData, content: bytes | None
) -> Response:
    try:
        chosen = _looked_at(content) if content is not None else _chosen(form)
    except InvalidError as fault:
        return _page(workshop, sheets, now, fault=fault)
    step = text_of(form, "step")
    if content is not None or step not in ("try", "take"):
        return _page(workshop, sheets, now, chosen=chosen)
    try:
        found = import_prints(workshop.record, chosen.text, chosen.mapped, dry_run=step == "try")
    except InvalidError as fault:
        return _page(workshop, sheets, now, chosen=chosen, fault=fault)
    if step == "take" and not found.faults:
        return onwards(f"/prints/import?taken={len(found.prints)}")
    return _page(workshop, sheets, now, chosen=chosen, found=found)


def _looked_at(content: bytes) -> Chosen:
    """A table that was just chosen, with what it seems to mean. Raises ``InvalidError``."""
    if len(content) > TABLE_MOST:
        raise InvalidError(
            f"the table has more than {TABLE_MOST // 1_048_576} MiB",
            where="file",
            remedy="Take it in pieces, or send it to /api/prints/import.",
        )
    text, encoding = decoded(content)
    found = guess(text)
    _check_size(found)
    return Chosen(
        text=text,
        guess=found,
        columns=_columns(found, found.columns),
        fahrenheit=found.fahrenheit,
        decimal_comma=found.decimal_comma,
        encoding=encoding,
    )


def _check_size(found: Guess) -> None:
    if not found.rows:
        raise InvalidError(
            "the table has no row below its header",
            where="file",
            remedy="Choose one whose first row names its columns, with the prints below.",
        )
    if len(found.header) > COLUMNS_MOST:
        raise InvalidError(
            f"the table has {len(found.header)} columns",
            where="file",
            remedy=f"Leave out what is no part of a print; at most {COLUMNS_MOST} can be mapped.",
        )


def _columns(found: Guess, fields: Mapping[str, str]) -> list[Column]:
    return [
        Column(heading, shown(found.rows, place), fields.get(heading, ""))
        for place, heading in enumerate(found.header)
        if heading and found.header.count(heading) == 1
    ]


def _chosen(form: FormData) -> Chosen:
    """What was chosen on the page for the table that it carries. Raises ``InvalidError``."""
    text = form.get("table")
    if not isinstance(text, str) or not text.strip():
        raise InvalidError("no table was chosen", where="file", remedy="Choose a CSV file.")
    text = text.replace("\r\n", "\n")  # a form turns every line's end into both signs
    found = guess(text)
    _check_size(found)
    fields = {
        heading: text_of(form, f"column-{place}") for place, heading in enumerate(found.header)
    }
    return Chosen(
        text=text,
        guess=found,
        columns=_columns(found, fields),
        resin=text_of(form, "resin"),
        machine=text_of(form, "machine"),
        make=text_of(form, "make") == "yes",
        fahrenheit=text_of(form, "unit") == "F",
        decimal_comma=text_of(form, "decimal") == "comma",
    )


def _page(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    *,
    chosen: Chosen | None = None,
    found: Imported | None = None,
    fault: InvalidError | None = None,
    taken: int | None = None,
) -> HTMLResponse:
    record = workshop.record
    wrong = fault is not None or (found is not None and found.faults_n > 0)
    return sheets.page(
        "tables.html",
        "/prints",
        now,
        status=fault.status if fault else 422 if wrong else 200,
        chosen=chosen,
        found=found,
        fault=fault,
        taken=taken,
        fields={name: field_words(name) for name in FIELDS},
        part=PART,
        resins=[kept.entry.name for kept in record.resins.all()],
        machines=[kept.entry.name for kept in record.machines.all()],
        count=record.prints.count(),
    )
