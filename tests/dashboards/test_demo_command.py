"""``vatside demo`` as a newcomer starts it: one address, every page, and a quiet terminal."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest

from tests.brokers import free_port, wait_until

#: How long a busy machine may take over anything here [s]; no claim about speed.
PATIENCE_S = 180

#: Resident memory of the whole demo (a stated limit) [MB].
MOST_MB = 300


@dataclass(frozen=True)
class Demo:
    """A running demo: its process, its address and the file of what it prints."""

    process: subprocess.Popen[str]
    url: str
    log: Path

    def get(self, path: str) -> str:
        """Body of a page or route."""
        with urllib.request.urlopen(self.url + path, timeout=30) as answer:
            assert answer.status == 200
            return str(answer.read().decode())

    def stored(self) -> int:
        """Readings on disk."""
        return int(json.loads(self.get("api/health"))["accounts"]["readings_stored"])


def makes_charts(parent: psutil.Process) -> bool:
    """Whether the short-lived process that compiles the charts is still at work."""
    return any(
        "dashboards.chart_bundle" in child.cmdline()
        for child in parent.children()
        if child.status() != psutil.STATUS_ZOMBIE
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    folder = tmp_path_factory.mktemp("demo")
    for package in ("api", "collector", "dashboards"):  # where the user stands lie others' files
        (folder / f"{package}.py").write_text("raise SystemExit('not vatside')")
    log = folder / "printed.txt"
    with log.open("w") as printed:
        process = subprocess.Popen(
            [
                *(sys.executable, "-P", "-m", "dashboards.cli", "demo"),
                *("--folder", "files", "--port", str(free_port())),
            ],
            cwd=folder,
            stdout=printed,
            stderr=subprocess.STDOUT,
            text=True,
        )
    try:
        wait_until(lambda: "open http" in log.read_text(), "an address is printed", PATIENCE_S)
        found = re.search(r"open (http://\S+)", log.read_text())
        assert found is not None
        running = Demo(process, found.group(1), log)
        wait_until(lambda: running.stored() > 200_000, "the winter arrives", PATIENCE_S)
        wait_until(
            lambda: len(json.loads(running.get("api/prints?limit=100"))["prints"]) > 50,
            "the prints arrive",
            PATIENCE_S,
        )
        yield running
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()


def test_every_page_has_something_true_to_show(demo: Demo) -> None:
    assert "North vat" in demo.get("")
    assert "Harbour Grey" in demo.get("prints")
    assert "fail" in demo.get("causes")
    assert "/soak/" in demo.get("soak")


def test_its_charts_are_made(demo: Demo) -> None:
    def state() -> str:
        return str(json.loads(demo.get("charts/state"))["state"])

    wait_until(lambda: state() != "preparing", "the charts are made", PATIENCE_S)
    assert state() == "ready"


def test_the_accounts_balance_while_it_plays(demo: Demo) -> None:
    health = json.loads(demo.get("api/health"))
    assert health["balanced"] is True
    assert health["accounts"]["readings_refused"] == 0


def test_nothing_but_plain_words_is_printed(demo: Demo) -> None:
    assert "Traceback" not in demo.log.read_text()
    assert "stopped (code" not in demo.log.read_text()


def test_the_whole_demo_stays_within_its_memory(demo: Demo) -> None:
    """Causes and the soak bench are asked first, so that what they load is counted too.

    Not counted is the process that compiles the charts once and ends after some seconds.
    """
    for path in ("causes", "soak", "api/causes/vat-temperature"):
        demo.get(path)
    parent = psutil.Process(demo.process.pid)
    wait_until(lambda: not makes_charts(parent), "the charts are made", PATIENCE_S)
    # Resident pages that the processes share (interpreter, libraries) count once, not four times.
    used = [
        one.memory_full_info().pss
        for one in (parent, *parent.children(recursive=True))
        if one.status() != psutil.STATUS_ZOMBIE
    ]
    assert len(used) >= 4  # pages, broker, collector, simulated workshop
    assert sum(used) / 1e6 <= MOST_MB


def test_a_killed_collector_comes_back_and_loses_nothing(demo: Demo) -> None:
    parent = psutil.Process(demo.process.pid)

    def collector() -> psutil.Process | None:
        for child in parent.children():
            if "collect" in child.cmdline():
                return child
        return None

    first = collector()
    assert first is not None
    before = demo.stored()
    first.kill()
    wait_until(lambda: demo.stored() > before, "it stores again", PATIENCE_S)
    assert json.loads(demo.get("api/health"))["balanced"] is True


def test_ctrl_c_stops_every_process(demo: Demo) -> None:
    children = psutil.Process(demo.process.pid).children(recursive=True)
    demo.process.send_signal(signal.SIGINT)
    assert demo.process.wait(20) == 0
    gone, alive = psutil.wait_procs(children, timeout=5)
    assert gone
    assert not alive
