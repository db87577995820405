"""What an acceptance run is made of: cells, the numbers they have to reach, and the document.

The document is the run's memory: every cell's row is written as soon as the cell is done, and a
run that goes on leaves out the cells whose rows rest on as many logs already.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

#: Figures that are no share of logs: a bound on them has no standard error here.
NO_SHARES = (
    "width °C",
    "lead set size",
    "width, planned to ordinary",
    "planned less twice ordinary",
    "forecast to obtained",
    "planning, s",
)


@dataclass(frozen=True)
class Bound:
    """A number that a figure has to reach; ``figure`` is the heading it stands under."""

    figure: str
    kind: Literal["at least", "at most"]
    number: float

    def missed(self, figures: Figures, slack: float) -> str | None:
        """How it was missed, with how many standard errors of a share lie between; or None."""
        value = figures.values[self.figure]
        short = self.number - value if self.kind == "at least" else value - self.number
        if not short > slack + 1e-12:
            return None
        sign = "<" if self.kind == "at least" else ">"
        said = f"{self.figure} {value:.3f} {sign} {self.number:g}"
        if self.figure in NO_SHARES:
            return said
        error = math.sqrt(self.number * (1.0 - self.number) / figures.logs_n)
        return f"{said} ({short / error:.1f} standard errors)"


def at_least(figure: str, number: float) -> Bound:
    """The figure has to reach the number."""
    return Bound(figure, "at least", number)


def at_most(figure: str, number: float) -> Bound:
    """The figure may not go over the number."""
    return Bound(figure, "at most", number)


@dataclass(frozen=True)
class Figures:
    """What a cell came to over its logs: values by heading, NaN where there is none."""

    logs_n: int
    values: Mapping[str, float]
    seconds: float


@dataclass(frozen=True)
class Cell:
    """One world at one length of log: ``run`` takes the number of logs, seeds from 0 on."""

    name: str
    run: Callable[[int], Figures]
    bounds: tuple[Bound, ...] = ()

    def misses(self, figures: Figures, slack: float = 0.0) -> list[str]:
        """Which numbers were not reached; ``slack`` widens them for short runs."""
        return [said for bound in self.bounds if (said := bound.missed(figures, slack))]


@dataclass(frozen=True)
class Question:
    """One table of the document; ``notes`` stand below its heading."""

    title: str
    note: str
    headings: tuple[str, ...]
    cells: tuple[Cell, ...]

    def __post_init__(self) -> None:
        asked = {bound.figure for cell in self.cells for bound in cell.bounds}
        assert asked <= {*self.headings}, asked

    def row(self, cell: Cell, figures: Figures) -> str:
        """A cell's row, what was missed in its last column."""
        values = [figures.values[heading] for heading in self.headings]
        shown = ["–" if math.isnan(value) else f"{value:.3f}" for value in values]
        missed = "; ".join(cell.misses(figures)) or "reached"
        seconds = f"{figures.seconds:.0f}"
        return "| " + " | ".join([cell.name, str(figures.logs_n), *shown, seconds, missed]) + " |"

    @property
    def heads(self) -> list[str]:
        """The heads of the table."""
        return ["world, prints", "logs", *self.headings, "s of one core", "the numbers to reach"]

    def section(self, rows: Mapping[str, str], date: str) -> str:
        """The question's part of the document; a cell without a row is still to run."""
        empty = " | –" * (len(self.heads) - 3)
        lines = [rows.get(c.name, f"| {c.name} | 0{empty} | still to run |") for c in self.cells]
        ruled = ["| " + " | ".join(self.heads) + " |", "|" + "---|" * len(self.heads)]
        done = f"{date}: seeds from 0 on, as many logs as each row says."
        return "\n".join([f"## {self.title}", "", done, "", self.note, "", *ruled, *lines])


@dataclass(frozen=True)
class Document:
    """The committed results: a head, then one part a question, other parts kept as they stand."""

    path: Path
    head: str
    questions: tuple[Question, ...]

    def parts(self) -> dict[str, str]:
        """The parts as they stand on disk, by title; another run may have written there."""
        old = self.path.read_text(encoding="utf-8") if self.path.exists() else ""
        parts = old.split("\n## ")[1:]
        return {part.split("\n", 1)[0]: "## " + part.rstrip("\n") for part in parts}

    def rows(self, question: Question) -> dict[str, str]:
        """The rows of a question that are on record, by cell."""
        lines = self.parts().get(question.title, "").splitlines()
        rows = {line.split("|")[1].strip(): line for line in lines if line.startswith("| ")}
        named = {cell.name for cell in question.cells}
        return {name: line for name, line in rows.items() if name in named and _logs_n(line)}

    def logs_n(self, question: Question, cell: Cell) -> int:
        """How many logs a cell's row rests on; 0 where it has none."""
        return _logs_n(self.rows(question).get(cell.name, ""))

    def keep(self, question: Question, cell: Cell, figures: Figures) -> None:
        """Put a cell's row into the document, on disk when this returns."""
        rows = self.rows(question) | {cell.name: question.row(cell, figures)}
        today = datetime.datetime.now(datetime.UTC).date().isoformat()
        parts = self.parts() | {question.title: question.section(rows, today)}
        titles = [question.title for question in self.questions]
        order = [*titles, *(title for title in parts if title not in titles)]
        kept = [parts[title] for title in order if title in parts]
        fresh = self.path.with_suffix(".part")
        fresh.write_text("\n\n".join([self.head, *kept]) + "\n", encoding="utf-8")
        fresh.replace(self.path)


def _logs_n(line: str) -> int:
    fields = line.split("|")
    return int(fields[2]) if len(fields) > 2 and fields[2].strip().isdecimal() else 0
