"""The acceptance run of the causes: seeded logs with known truth against the numbers to reach.

In full, one process of one core::

    OMP_NUM_THREADS=1 nice -n 19 .venv/bin/python -m tests.bench.causes_acceptance

It rewrites ``tests/bench/causes_acceptance.md``; ``--question 2`` runs and rewrites that part
alone. ``--logs 40`` runs fewer logs a cell and ``--cell TEXT`` only the cells whose name holds
the text; neither writes the document.
"""

from __future__ import annotations

import argparse
import datetime
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Protocol

from tests.bench import causes_cold, causes_planning, causes_ranking

LOGS_N = 400
DOCUMENT = Path(__file__).with_name("causes_acceptance.md")


class Figures(Protocol):
    """What a cell came to."""

    @property
    def name(self) -> str: ...
    @property
    def shown(self) -> tuple[float, ...]: ...
    @property
    def seconds(self) -> float: ...
    def misses(self) -> list[str]: ...


@dataclass(frozen=True)
class Question:
    """One table of the document; ``cells`` run one by one, each by its name."""

    title: str
    note: str
    headings: tuple[str, ...]
    cells: tuple[tuple[str, Callable[[int], Figures]], ...]


QUESTIONS = (
    Question(
        "Question 1: was it the cold, and where is the limit?",
        causes_cold.NOTE,
        causes_cold.HEADINGS,
        tuple((c.name, partial(causes_cold.run, c)) for c in causes_cold.CELLS),
    ),
    Question(
        "Question 2: which conditions go with failures?",
        causes_ranking.NOTE,
        causes_ranking.HEADINGS,
        tuple((c.name, partial(causes_ranking.run, c)) for c in causes_ranking.CELLS),
    ),
    Question(
        "Question 3: what to print next?",
        causes_planning.NOTE,
        causes_planning.HEADINGS,
        ((causes_planning.CELL, causes_planning.run),),
    ),
)


def line(figures: Figures, logs_n: int) -> str:
    """One row of a table, what was missed in its last column."""
    shown = ["–" if math.isnan(v) else f"{v:.3f}" for v in figures.shown]
    missed = "; ".join(figures.misses()) or "reached"
    return "| " + " | ".join([figures.name, str(logs_n), *shown, missed]) + " |"


def section(question: Question, rows: Sequence[str], logs_n: int, seconds: float) -> str:
    """One question's part of the document."""
    today = datetime.datetime.now(datetime.UTC).date()
    ran = f"{today}: {logs_n} logs a cell, seeds from 0 on, {seconds / 60:.0f} minutes of one core."
    heads = ["world, prints", "logs", *question.headings, "against the numbers to reach"]
    ruled = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    return "\n".join([f"## {question.title}", "", ran, "", question.note, "", *ruled, *rows, ""])


def rewrite(title: str, text: str) -> None:
    """Put one question's part into the document, the others as they stand."""
    old = DOCUMENT.read_text(encoding="utf-8") if DOCUMENT.exists() else ""
    parts = {part.split("\n", 1)[0]: part for part in old.split("\n## ")[1:]}
    parts[title] = text.removeprefix("## ")
    kept = [parts[q.title].rstrip("\n") for q in QUESTIONS if q.title in parts]
    DOCUMENT.write_text("\n\n## ".join([HEAD, *kept]) + "\n", encoding="utf-8")


HEAD = (
    "# Acceptance of the causes\n\nSeeded logs with known truth, made by"
    " `python -m tests.bench.causes_acceptance`; the worlds are in `causes_worlds.py` and beside"
    " the cells."
)


def main(arguments: Sequence[str]) -> int:
    """Run the cells, print the tables, and write the document after full runs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--logs", type=int, default=LOGS_N)
    parser.add_argument("--cell", default="")
    parser.add_argument("--question", type=int, choices=range(1, len(QUESTIONS) + 1))
    asked = parser.parse_args(arguments)
    missed = 0
    for number, question in enumerate(QUESTIONS, start=1):
        if asked.question not in (None, number):
            continue
        rows, seconds = [], 0.0
        for name, cell in question.cells:
            if asked.cell not in name:
                continue
            figures = cell(asked.logs)
            seconds += figures.seconds
            missed += bool(figures.misses())
            rows.append(line(figures, asked.logs))
            print(rows[-1], f"{figures.seconds:.0f} s", flush=True)
        if asked.logs >= LOGS_N and not asked.cell:
            rewrite(question.title, section(question, rows, asked.logs, seconds))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
