"""The settings file as TOML tables that know where they stand, for messages with a line."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from collector.errors import SettingsError

_PASSWORD_VARIABLES = {
    "embedded_broker": "VATSIDE_EMBEDDED_BROKER_PASSWORD",
    "influx": "VATSIDE_INFLUX_TOKEN",
}


def text_of(path: Path) -> str:
    """The file's text; raises ``SettingsError`` when there is none or it is not UTF-8."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(
            "there is no such file.", where=str(path), remedy="Write one; the README shows how."
        ) from None
    except OSError as fault:
        raise SettingsError(
            f"the file cannot be read: {fault.strerror}.",
            where=str(path),
            remedy="Name a file that this user may read.",
        ) from None
    except UnicodeDecodeError as fault:
        line = path.read_bytes().count(b"\n", 0, fault.start) + 1
        raise SettingsError(
            "the text is not UTF-8.", where=f"{path}, line {line}", remedy="Save it as UTF-8."
        ) from None


def tables_of(path: Path, text: str) -> dict[str, Any]:
    """The tables of a TOML text; raises ``SettingsError`` with the line for what is none."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise SettingsError(
            "the values are nested too deeply.", where=str(path), remedy="Write plain values."
        ) from None
    except ValueError as fault:  # TOMLDecodeError, or a number too long for Python
        at = re.search(r"\(at line (\d+), column (\d+)\)", str(fault))
        where = f"{path}, line {at[1]}, column {at[2]}" if at else str(path)
        reason = re.sub(r" \(at .*\)$", "", str(fault))
        raise SettingsError(
            f"this is no valid TOML: {reason}.",
            where=where,
            remedy="Texts stand in quotes, tables in [ ], channels under [[channel]].",
        ) from None


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the file, which knows where it stands when something in it is wrong.

    ``row`` numbers the tables of an array from 1; ``part`` names a table within this one.
    """

    path: Path
    source: str
    name: str
    values: Mapping[str, Any]
    row: int | None = None
    part: str | None = None

    @property
    def password_advice(self) -> str:
        """What to do with a password that stands in this table."""
        variable = _PASSWORD_VARIABLES.get(self.name, "VATSIDE_BROKER_PASSWORD")
        return f"Take it out and put the password into {variable}."

    def check_keys(self, valid: Iterable[str]) -> None:
        """Refuse keys that the table does not have, and secrets with their own advice."""
        known = tuple(valid)
        for key in self.values:
            if key in known:
                continue
            if re.search("passw|secret|token", key, re.IGNORECASE):
                raise self.error(key, "a secret stands in the file.", self.password_advice)
            raise self.error(key, f"there is no key {key!r} here.", instead(key, known))

    def table(self, key: str) -> Table | None:
        """The table within this one under a key; None when the key is left out."""
        found = self.values.get(key)
        if found is None:
            return None
        if not isinstance(found, dict):
            raise self.error(key, f"{found!r} is no table.", f"Write {key} = {{ ... }}.")
        return Table(self.path, self.source, self.name, found, self.row, key)

    def text(self, key: str, *, empty: bool = False) -> str | None:
        """The text under a key; None when the key is left out."""
        found = self.values.get(key)
        if found is None:
            return None
        if not isinstance(found, str):
            raise self.error(key, f"{found!r} is no text.", f'Put it in quotes: {key} = "...".')
        if not empty and not found.strip():
            raise self.error(key, "the text is empty.", "Fill it in or leave the key out.")
        if "\0" in found:
            raise self.error(key, "the text holds the character U+0000.", "Take it out.")
        return found

    def number(self, key: str) -> float | None:
        """The number under a key; None when the key is left out."""
        found = self.values.get(key)
        if found is None or type(found) is int or type(found) is float:
            return found
        raise self.error(key, f"{found!r} is no number.", "Write digits without quotes.")

    def whole(self, key: str, least: int, most: int, default: int) -> int:
        """The whole number under a key, within bounds; the default when the key is left out."""
        found = self.number(key)
        if found is None:
            return default
        if type(found) is not int or not least <= found <= most:
            raise self.error(
                key, f"{found} cannot be.", f"Use a whole number from {least} to {most}."
            )
        return found

    def file(self, key: str) -> Path | None:
        """The file named under a key, seen from the settings file; it has to be there."""
        found = self.text(key)
        if found is None:
            return None
        path = self.place(key, found)
        if not path.is_file():
            raise self.error(key, f"there is no file {shown(str(path))}.", "Name one that exists.")
        return path

    def place(self, key: str, written: str) -> Path:
        """A path as seen from the settings file, with ~ for somebody's home."""
        try:
            return self.path.parent / Path(written).expanduser()
        except RuntimeError:
            raise self.error(
                key, f"{shown(written)} names nobody's home.", "Write the path in full."
            ) from None

    def choice(self, key: str, valid: list[str]) -> str:
        """The text under a key that has to be one of a few."""
        found = self.text(key) or ""
        if found not in valid:
            raise self.error(key, f"there is no {key} {found!r}.", instead(found, valid))
        return found

    def error(self, key: str | None, what: str, remedy: str) -> SettingsError:
        """An error that says where in the file it is."""
        line = _line_of(self.source, self.name, self.row, key, self.part)
        where = [str(self.path)]
        where += [f"line {line}"] if line else []
        where += [f"[{self.name}]"] if self.row is None else [f"[[{self.name}]] {self.row}"]
        where += [".".join(part for part in (self.part, key) if part)] if self.part or key else []
        return SettingsError(what, where=", ".join(where), remedy=remedy)


def _line_of(
    source: str, table: str, row: int | None, key: str | None, part: str | None = None
) -> int | None:
    """The line of a key, or of its table's header when it has none; None when not found.

    The text is searched, since the parser keeps no lines: in an inline table the line of the
    table is the best that can be said.
    """
    rows, inside, in_part, nearest = 0, False, False, None
    for number, line in enumerate(source.splitlines(), start=1):
        header = _HEADER.match(line)
        if header:
            rows += header[1] == table
            at_row = row in (None, rows)
            inside = at_row and header[1] == table
            in_part = at_row and part is not None and header[1] == f"{table}.{part}"
            if (inside and key is None and part is None) or (in_part and key is None):
                return number
            nearest = number if in_part else nearest
            continue
        written = _KEY.match(line) if inside or in_part else None
        name = written[1].strip("\"'") if written else None
        if name is None:
            continue
        if part is None and inside and name == key:
            return number
        if in_part and name == key:
            return number
        if part is not None and inside and name == part:
            nearest = nearest or number
            if key is not None and re.search(rf"[.{{,]\s*{re.escape(key)}\s*=", line):
                return number
    return nearest


def line_of_header(source: str, name: str) -> int | None:
    """The line at which a top-level table or key of that name stands first."""
    for number, line in enumerate(source.splitlines(), start=1):
        found = _HEADER.match(line) or _KEY.match(line)
        if found and found[1].strip("\"'") == name:
            return number
    return None


def shown(text: str) -> str:
    """A text in quotes, cut to a length that fits into a message."""
    return repr(text if len(text) <= 60 else f"{text[:57]}...")


def instead(word: str, valid: Iterable[str]) -> str:
    """The advice for a word that does not exist: the nearest one that does, or all of them."""
    words = list(valid)
    near = difflib.get_close_matches(word, words, n=1, cutoff=0.5)
    if near:
        return f"Did you mean {near[0]}?"
    return f"Use one of: {', '.join(words)}." if words else "There is none at all."


_HEADER = re.compile(r"\s*\[\[?\s*([A-Za-z0-9_.\"'-]+)\s*\]")
_KEY = re.compile(r"\s*([A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')\s*[=.]")
