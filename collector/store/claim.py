"""The claim of the one process that may write to a store's file."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from collector.errors import StoreError


class Claim:
    """Holds a file against a second writer until it is closed, let go of, or we end.

    Two would count everything twice, and each would rely on what it last saw there. Raises
    ``StoreError`` when another process has it, ``OSError`` when there is no place for a claim.
    """

    def __init__(self, path: Path) -> None:
        self._number: int | None = os.open(
            path.with_suffix(".lock"), os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o666
        )
        try:
            fcntl.flock(self._number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self.close()
            raise StoreError(
                "Another process writes to this store.",
                where=str(path),
                remedy="Stop it first (`vatside run` or `vatside collect`, or an import that "
                "still goes on), or use a [store] folder of your own.",
            ) from None
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Let another process have it."""
        number, self._number = self._number, None
        if number is not None:
            os.close(number)

    def __del__(self) -> None:
        if getattr(self, "_number", None) is not None:
            self.close()
