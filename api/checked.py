"""Build a model from what was entered, or say which field makes no sense."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from collector.errors import InvalidError

M = TypeVar("M", bound=BaseModel)


def checked(model: type[M], values: Mapping[str, object]) -> M:
    """The ``model`` built from ``values`` as JSON would carry them.

    Raises ``InvalidError`` whose ``where`` names the first field that is wrong, as
    ``parts.0.outcome``.
    """
    try:
        return model.model_validate(values)
    except ValidationError as error:
        raise invalid(error) from None


def invalid(error: ValidationError) -> InvalidError:
    """The ``InvalidError`` that says what the first fault of a model is, and where."""
    fault = error.errors(include_url=False, include_context=False)[0]
    where = field_name(fault["loc"])
    return InvalidError(sentence(fault["msg"]), where=where, remedy=remedy_for(fault["type"]))


def field_name(path: Sequence[int | str]) -> str | None:
    """``("parts", 0, "outcome")`` as ``parts.0.outcome``; None for the model as a whole."""
    return ".".join(str(step) for step in path) or None


def sentence(message: str) -> str:
    """A message of the checking library, without its prefix for our own rules."""
    return message.removeprefix("Value error, ")


def remedy_for(fault: str) -> str:
    """What to do about a fault, by its kind in the checking library's list."""
    return _REMEDY_FOR.get(fault, "Correct this field and send it again.")


_REMEDY_FOR = {
    "extra_forbidden": "Take the field out or check its spelling; /api/docs lists the fields.",
    "missing": "Give this field; /api/docs lists what is needed.",
    "timezone_aware": "Add Z or an offset to the time, as in 2026-01-14T19:30:00+01:00.",
    "datetime_from_date_parsing": "Write the time as 2026-01-14T19:30:00Z.",
    "datetime_parsing": "Write the time as 2026-01-14T19:30:00Z.",
    "json_invalid": "Send well-formed JSON.",
}
