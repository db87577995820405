"""The claim of the one process that may write to a store's file."""

from __future__ import annotations

import fcntl
from pathlib import Path
from typing import IO

from collector.errors import StoreError


def claimed(path: Path) -> IO[bytes]:
    """Hold a file against a second writer, until what is given back is closed or we end.

    Two would count everything twice, and each would rely on what it last saw there. Raises
    ``StoreError`` when another process has it.
    """
    claim = path.with_suffix(".lock").open("ab")
    try:
        fcntl.flock(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        claim.close()
        raise StoreError(
            "Another process writes to this store.",
            where=str(path),
            remedy="Stop it first (`vatside run` or `vatside collect`, or an import that still "
            "goes on), or use a [store] folder of your own.",
        ) from None
    except BaseException:
        claim.close()
        raise
    return claim
