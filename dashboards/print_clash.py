"""Two people at one print: what each of them changed, side by side. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus

#: Label, what stood when I began, what stands now, what I say.
Row = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class Clash:
    """A change came while a form was being filled in: nothing was overwritten, nothing is lost.

    ``rows`` are the entries that differ; ``leave`` is where to go to keep what stands.
    """

    rows: tuple[Row, ...]
    leave: str
    status: int = HTTPStatus.CONFLICT


def rows_of(
    began: Mapping[str, str], stands: Mapping[str, str], mine: Mapping[str, str]
) -> tuple[Row, ...]:
    """The entries in which what stands now differs from mine, in words, by label."""
    labels = dict.fromkeys([*stands, *mine])
    nothing = "nothing"
    return tuple(
        (label, began.get(label, nothing), stands.get(label, nothing), mine.get(label, nothing))
        for label in labels
        if stands.get(label) != mine.get(label)
    )
