"""Secrets from the environment: the value itself, or the file that holds it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from collector.errors import SettingsError

#: A secret file is a line or two; anything longer is another file by mistake [bytes].
_MOST_BYTES = 65_536


def secret(environ: Mapping[str, str], name: str) -> str | None:
    """The secret in variable ``name``, or in the file that ``name_FILE`` names; None without.

    One line end at the end of the file is left out. Raises ``SettingsError`` when both are set,
    and when the file cannot be read or is empty; never shows a secret.
    """
    value, path = environ.get(name) or None, environ.get(f"{name}_FILE") or None
    if path is None:
        return value
    if value is not None:
        raise SettingsError(
            f"{name} is set as well.", where=f"{name}_FILE", remedy="Unset one of the two."
        )
    where = f"{name}_FILE, {path}"
    try:
        with Path(path).open("rb") as file:
            text = file.read(_MOST_BYTES + 1).decode("utf-8")
    except OSError as fault:
        raise SettingsError(
            f"the secret cannot be read: {fault.strerror}.",
            where=where,
            remedy="Name a file that this user may read.",
        ) from None
    except UnicodeDecodeError:
        text = ""
    found = text.removesuffix("\n").removesuffix("\r")
    if not found.strip() or len(text) > _MOST_BYTES or "\n" in found:
        raise SettingsError(
            "this holds no secret.", where=where, remedy="Write it there as one line of UTF-8."
        )
    return found
