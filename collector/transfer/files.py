"""Files of readings: which form, where to read, and written whole or not at all."""

from __future__ import annotations

import contextlib
import enum
import gzip
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from collector.errors import InvalidError
from collector.recording import open_text, share_read
from collector.transfer import csv_form, line_form, parquet_form, senml_form
from collector.transfer.cells import Columns
from collector.transfer.rows import Found, Row, Values

#: A text is read in pieces of so many characters, and written so many lines at a time.
PIECE_N = 65_536
LINES_AT_ONCE_N = 4_096


class Form(enum.StrEnum):
    """The forms of a file; ``noun`` is what its rows are counted in."""

    CSV = "csv"
    PARQUET = "parquet"
    LINES = "lines"
    SENML = "senml"

    @property
    def noun(self) -> str:
        """What the number of a faulty row counts."""
        return {"csv": "line", "parquet": "row", "lines": "line", "senml": "record"}[self.value]


_SUFFIXES = {
    ".csv": Form.CSV,
    ".parquet": Form.PARQUET,
    ".lp": Form.LINES,
    ".line": Form.LINES,
    ".senml": Form.SENML,
    ".json": Form.SENML,
}


def form_of(path: Path, asked: str | None = None) -> Form:
    """The form asked for, else the one that the name's ending tells; raises ``InvalidError``."""
    if asked is not None:
        return Form(asked)
    suffixes = [one.lower() for one in path.suffixes if one.lower() != ".gz"]
    found = _SUFFIXES.get(suffixes[-1]) if suffixes else None
    if found is None:
        raise InvalidError(
            "The name does not tell the form.",
            where=str(path),
            remedy=f"End it in {', '.join(_SUFFIXES)}, or say --form "
            f"{', '.join(form.value for form in Form)}.",
        )
    return found


@dataclass(slots=True)
class RowFile:
    """A file of rows to be read, more than once if need be.

    ``columns`` are for CSV and Parquet; ``measurement`` and ``precision`` for line protocol.
    """

    path: Path
    form: Form
    columns: Columns = field(default_factory=Columns)
    measurement: str = "reading"
    precision: str = "ns"
    share: float = 0.0
    _seen: tuple[int, int, int] | None = None

    def rows(self) -> Iterator[tuple[int, Found]]:
        """Number and row, or what is wrong with it; raises ``InvalidError`` for the whole file.

        The second time it has to be the same file still.
        """
        seen = self._state()
        if self._seen is not None and self._seen != seen:
            raise InvalidError(
                "The file has changed since it was looked over.",
                where=str(self.path),
                remedy="Run the import again when nothing writes to it; what was taken of it "
                "counts as duplicate then.",
            )
        self._seen = seen
        self.share = 0.0
        return self._parquet() if self.form is Form.PARQUET else self._text(seen[0])

    def _state(self) -> tuple[int, int, int]:
        try:
            state = self.path.stat()
        except OSError as error:
            raise InvalidError(
                f"The file cannot be read ({error.strerror}).",
                where=str(self.path),
                remedy="Name a file that exists and may be read.",
            ) from error
        if not self.path.is_file():
            raise InvalidError(
                "That is no file.",
                where=str(self.path),
                remedy="Name a file; it is read twice, so a pipe will not do.",
            )
        return state.st_size, state.st_mtime_ns, state.st_ino

    def _text(self, size: int) -> Iterator[tuple[int, Found]]:
        with open_text(self.path) as handle:
            try:
                for place, found in enumerate(self._decoded(handle)):
                    if place % LINES_AT_ONCE_N == 0:
                        self.share = share_read(handle, size)
                    yield found
            except (OSError, EOFError) as error:  # a disk, or a .gz that breaks off
                raise InvalidError(
                    f"The file cannot be read on from here ({error}).",
                    where=str(self.path),
                    remedy="Get it again.",
                ) from error

    def _decoded(self, handle: TextIO) -> Iterator[tuple[int, Found]]:
        if self.form is Form.CSV:
            return csv_form.read(handle, self.columns, str(self.path))
        if self.form is Form.LINES:
            return line_form.read(handle, self.measurement, self.precision)
        return senml_form.read(iter(lambda: handle.read(PIECE_N), ""))

    def _parquet(self) -> Iterator[tuple[int, Found]]:
        yield from parquet_form.read(self.path, self.columns)


def text_of(
    rows: Iterable[Row], form: Form, *, measurement: str = "reading", values: Values
) -> Iterator[str]:
    """Rows as the lines of a text form; raises ``InvalidError`` for what it cannot say."""
    if form is Form.CSV:
        return csv_form.written(rows, values)
    if form is Form.LINES:
        return line_form.written(rows, measurement, values)
    if form is Form.PARQUET:
        raise InvalidError("Parquet is no text.", where="--form", remedy="Name a file for it.")
    if values is not Values.RECEIVED:
        raise InvalidError(
            f"A SenML pack has no way to say that its values are {values.value}.",
            where="--values",
            remedy="Use CSV or Parquet for them.",
        )
    return senml_form.written(rows)


def write_rows(
    path: Path,
    form: Form,
    rows: Iterable[Row],
    *,
    measurement: str = "reading",
    values: Values = Values.RECEIVED,
) -> None:
    """Write rows to a new file, which is there whole or not at all.

    Raises ``InvalidError`` when it is there already, cannot be written, or the form cannot say
    something.
    """
    if form is Form.PARQUET:
        _made(path, lambda draft: _exhaust(parquet_form.write(draft, rows, values)))
        return
    lines = text_of(rows, form, measurement=measurement, values=values)
    _made(path, lambda draft: _write_text(draft, lines, packed=path.suffix == ".gz"))


def write_text(path: Path, lines: Iterable[str]) -> None:
    """Write a text to a new file, packed where its name ends in ``.gz``; raises as above."""
    _made(path, lambda draft: _write_text(draft, lines, packed=path.suffix == ".gz"))


def _exhaust(steps: Iterable[object]) -> None:
    for _ in steps:
        pass


def _write_text(draft: Path, lines: Iterable[str], *, packed: bool) -> None:
    if packed:
        with gzip.open(draft, "wt", encoding="utf-8", newline="", compresslevel=6) as handle:
            handle.writelines(lines)
        return
    with draft.open("w", encoding="utf-8", newline="") as handle:
        handle.writelines(lines)


def _made(path: Path, make: Callable[[Path], None]) -> None:
    """Have a file made under another name, and give it its own when it is whole and on disk."""
    if path.exists():
        raise _there_already(path)
    draft = None
    try:
        number, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-", suffix=".part")
        os.close(number)
        draft = Path(name)
        make(draft)
        mask = os.umask(0)
        os.umask(mask)
        draft.chmod(0o666 & ~mask)
        with draft.open("rb") as handle:
            os.fsync(handle.fileno())
        os.link(draft, path)  # fails where somebody made the file meanwhile
    except FileExistsError:
        raise _there_already(path) from None
    except OSError as error:
        raise InvalidError(
            f"The file cannot be written ({error.strerror}).",
            where=str(path),
            remedy="Name a file in a folder that is there, may be written and has space.",
        ) from error
    finally:
        if draft is not None:
            with contextlib.suppress(OSError):
                draft.unlink()


def _there_already(path: Path) -> InvalidError:
    return InvalidError(
        "There is a file of that name already.",
        where=str(path),
        remedy="Name a new one; nothing is overwritten.",
    )
