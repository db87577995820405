"""What the commands share: options, a line that is written over, and care for the collector."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.errors import ConflictError, InvalidError, PayloadError

if TYPE_CHECKING:
    from collector.config import Settings

SETTINGS_FILE = Path("vatside.toml")


def takes_settings(command: argparse.ArgumentParser) -> None:
    """Let a command be told which settings file to use."""
    command.add_argument(
        "--settings", type=Path, default=SETTINGS_FILE, help="the settings file (%(default)s)"
    )


def overwrite(text: str) -> None:
    """Show how far a long command has come, on one line of a terminal."""
    if sys.stderr.isatty():
        print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)


def time_asked(text: str | None, option: str) -> int | None:
    """The time [ms since 1970] that an option names; raises ``InvalidError``."""
    from collector.reading_time import rfc3339_ms

    if text is None:
        return None
    try:
        return rfc3339_ms(text)
    except PayloadError as fault:
        raise InvalidError(
            f"{fault.what}.".capitalize(),
            where=option,
            remedy="Write it like 2026-01-14T19:30:00Z, or with an offset such as +01:00.",
        ) from None


def pairs_asked(pairs: list[str], option: str, example: str) -> dict[str, str]:
    """What NAME=WHAT options say; raises ``InvalidError``."""
    found: dict[str, str] = {}
    for pair in pairs:
        name, equals, what = pair.rpartition("=")
        if not (equals and name and what):
            raise InvalidError(
                f"{pair!r} does not say what is what.",
                where=option,
                remedy=f"Write it like {option} {example}.",
            )
        if name in found:
            raise InvalidError(
                f"{name!r} is given twice.", where=option, remedy="Give each name once."
            )
        found[name] = what
    return found


def refuse_beside_the_collector(settings: Settings, now_ms: int, why: str, remedy: str) -> None:
    """Raise ``ConflictError`` while the collector is at work on this store."""
    from collector.status import read_status

    status = read_status(settings.store.folder)
    if status is not None and not status.away(now_ms):
        raise ConflictError(why, where=str(settings.store.folder), remedy=remedy)
