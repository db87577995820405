"""The acceptance run of the causes: seeded logs with known truth against the numbers to reach.

In full, one process of one core::

    OMP_NUM_THREADS=1 nice -n 19 .venv/bin/python -m tests.bench.causes_acceptance

Each cell is written into ``tests/bench/causes_acceptance.md`` as soon as it is done; with
``--resume`` those that rest on as many logs already are left out, so a run that was ended goes
on where it was. ``--question 2`` runs that part alone and ``--cell TEXT`` only the cells whose
name holds the text. ``--logs 40`` runs fewer logs a cell and then writes nothing.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.bench import causes_cold, causes_planning, causes_ranking
from tests.bench.acceptance_table import Document, Question

LOGS_N = 400
DOCUMENT = Path(__file__).with_name("causes_acceptance.md")

QUESTIONS = (
    Question(
        "Question 1: was it the cold, and where is the limit?",
        causes_cold.NOTE,
        causes_cold.HEADINGS,
        causes_cold.CELLS,
    ),
    Question(
        "Question 2: which conditions go with failures?",
        causes_ranking.NOTE,
        causes_ranking.HEADINGS,
        causes_ranking.CELLS,
    ),
    Question(
        "Question 3: what to print next?",
        causes_planning.NOTE,
        causes_planning.HEADINGS,
        causes_planning.CELLS,
    ),
)

HEAD = (
    "# Acceptance of the causes\n\nSeeded logs with known truth, made by"
    " `python -m tests.bench.causes_acceptance`; the worlds are in `causes_worlds.py` and beside"
    " the cells. The last column holds each figure against the number that the method asks for;"
    " a share of 400 logs has a standard error of its own, and a miss says how many of those it"
    " amounts to."
)


def main(arguments: Sequence[str], path: Path = DOCUMENT) -> int:
    """Run the cells and print their rows; after full runs write each into the document."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--logs", type=int, default=LOGS_N)
    parser.add_argument("--cell", default="")
    parser.add_argument("--question", type=int, choices=range(1, len(QUESTIONS) + 1))
    parser.add_argument("--resume", action="store_true")
    asked = parser.parse_args(arguments)
    document = Document(path, HEAD, QUESTIONS)
    missed = 0
    for number, question in enumerate(QUESTIONS, start=1):
        if asked.question not in (None, number):
            continue
        for cell in question.cells:
            if asked.cell not in cell.name:
                continue
            if asked.resume and document.logs_n(question, cell) >= asked.logs:
                continue
            figures = cell.run(asked.logs)
            missed += bool(cell.misses(figures))
            print(question.row(cell, figures), flush=True)
            if asked.logs >= LOGS_N:
                document.keep(question, cell, figures)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
