"""The chart script and the compiled chart shapes, made once and kept on disk.

``vl_convert`` holds a script engine that takes more memory than the rest of the web process
together; it is therefore run in a process of its own that lives for a few seconds and leaves
its results in a folder named after everything they depend on. The web process only serves the
files. While they are being made, pages answer and say so.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import logging
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path

from dashboards import charts

log = logging.getLogger(__name__)

#: What the bundle hands to our own script: embedding with the interpreter that needs no eval.
SNIPPET = "window.vatsideEmbed = vegaEmbed;"
SCRIPT = "charts.js"
LIBRARIES = ("altair", "vl-convert-python")


def key() -> str:
    """A name for the bundle that changes with anything it is made from."""
    digest = hashlib.sha256()
    for source in (charts.__file__, __file__):
        digest.update(Path(source).read_bytes())
    for library in LIBRARIES:
        digest.update(f"{library}={version(library)};".encode())
    return digest.hexdigest()[:16]


def file_names() -> list[str]:
    """Every file that a page may ask for."""
    return [SCRIPT, *(f"{shape}.json" for shape in charts.SHAPES)]


class ChartBundle:
    """The files of the charts in ``folder``, made in the background when they are not there."""

    def __init__(self, folder: Path) -> None:
        self.key = key()
        self._home = folder.absolute()  # stays the same wherever the process goes
        self._folder = self._home / self.key
        self._made: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Begin making the files if they are not there; returns at once."""
        if self.ready or self._made is not None:
            return
        self._home.mkdir(parents=True, exist_ok=True)
        self._made = subprocess.Popen(
            [sys.executable, "-P", "-m", "dashboards.chart_bundle", str(self._folder)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        )

    def close(self) -> None:
        """Stop making the files, if that is still going on."""
        if self._made is not None:
            if self._made.poll() is None:
                self._made.terminate()
            self._made.wait()

    @property
    def ready(self) -> bool:
        """Whether the files are there."""
        return self._folder.is_dir()

    @property
    def state(self) -> str:
        """``ready``, ``preparing`` or ``failed``."""
        code = None if self._made is None else self._made.poll()  # also lets an ended one go
        if self.ready:
            return "ready"
        return "preparing" if code is None else "failed"

    def file(self, name: str) -> Path | None:
        """The gzip-packed file of that name, or None when it is not ready or not ours."""
        if name not in file_names():
            return None
        path = self._folder / f"{name}.gz"
        return path if path.is_file() else None


def make(folder: Path) -> None:
    """Compile every shape and the script into ``folder``, all of it or nothing."""
    import vl_convert

    folder.parent.mkdir(parents=True, exist_ok=True)
    unfinished = Path(tempfile.mkdtemp(prefix="making-", dir=folder.parent))
    try:
        texts = {SCRIPT: vl_convert.javascript_bundle(SNIPPET)}
        for name, shape in charts.SHAPES.items():
            texts[f"{name}.json"] = json.dumps(vl_convert.vegalite_to_vega(shape()))
        for name, text in texts.items():
            (unfinished / f"{name}.gz").write_bytes(gzip.compress(text.encode(), 9, mtime=0))
        unfinished.chmod(0o755)
        os.rename(unfinished, folder)  # noqa: PTH104 - must fail where another process was first
    except OSError:
        if not folder.is_dir():
            raise
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)


def main(argv: Sequence[str]) -> int:
    """Make the files in the folder named by the one argument."""
    (folder,) = argv
    os.nice(10)  # the first page goes before its charts
    try:
        make(Path(folder))
    except OSError as fault:
        why = fault.strerror or str(fault)
        print(
            f"vatside: {folder}: the files of the charts cannot be made ({why}); the pages show "
            "tables instead. Make room, and start it again.",
            file=sys.stderr,
        )
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
