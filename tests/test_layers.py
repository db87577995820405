"""The layers of DEVELOPERS.md, enforced by reading the imports of every module.

Imports go dashboards → api → collector and never back; pure modules import nothing that
reaches a clock, a file, a socket, a database or another process; a third-party library has
its one home; heavy libraries are never imported when a service starts.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LAYERS = ("collector", "api", "dashboards")

#: Modules that compute from their arguments alone (DEVELOPERS.md, "Layers").
PURE = (
    "collector/broker_words.py",
    "collector/calibration.py",
    "collector/channels.py",
    "collector/clocks.py",
    "collector/errors.py",
    "collector/fixed_points.py",
    "collector/json_document.py",
    "collector/keep_settings.py",
    "collector/local_times.py",
    "collector/payload.py",
    "collector/pointer.py",
    "collector/publications.py",
    "collector/quality.py",
    "collector/reading_time.py",
    "collector/readings.py",
    "collector/senml.py",
    "collector/signals.py",
    "collector/store/checksum.py",
    "collector/store/contract.py",
    "collector/store/flux.py",
    "collector/store/line_reader.py",
    "collector/store/lines.py",
    "collector/store/reading_lines.py",
    "collector/store/settling.py",
    "collector/store/packing.py",
    "collector/store/pyramid.py",
    "collector/store/corrected.py",
    "collector/store/stretches.py",
    "collector/topics.py",
    "collector/transfer/cells.py",
    "collector/transfer/csv_form.py",
    "collector/transfer/line_form.py",
    "collector/transfer/rows.py",
    "collector/transfer/senml_form.py",
    "collector/transfer/taking.py",
    "collector/units.py",
    "api/break_groups.py",
    "api/causes/",
    "api/conditions.py",
    "api/likelihood.py",
    "api/notices.py",
    "api/phases.py",
    "api/power.py",
    "api/costs.py",
    "api/prints.py",
    "api/psychrometrics.py",
    "api/readiness.py",
    "api/settings_check.py",
    "api/soak/",
    "api/standing.py",
    "api/strength.py",
    "api/warmup.py",
    "api/weibull.py",
    "dashboards/causes_words.py",
    "dashboards/charts.py",
    "dashboards/chart_rows.py",
    "dashboards/figure.py",
    "dashboards/print_report.py",
    "api/record/table_text.py",
    "dashboards/soak_words.py",
    "dashboards/words.py",
    "dashboards/demo/breaks.py",
    "dashboards/demo/dice.py",
    "dashboards/demo/entries.py",
    "dashboards/demo/packs.py",
    "dashboards/demo/physics.py",
    "dashboards/demo/sensors.py",
    "dashboards/demo/soaks.py",
    "dashboards/demo/winter.py",
)

#: What a pure module may not import: clocks, files, sockets, databases, processes, the web.
IMPURE = {
    "asyncio",
    "collector.broker",
    "collector.broker_check",
    "collector.inbox",
    "collector.publisher",
    "collector.service",
    "collector.spool",
    "collector.store.influx",
    "collector.store.sqlite",
    "collector.subscriber",
    "fastapi",
    "glob",
    "http",
    "httpx",
    "io",
    "logging",
    "multiprocessing",
    "os",
    "paho",
    "pathlib",
    "random",
    "shutil",
    "signal",
    "socket",
    "sqlite3",
    "starlette",
    "subprocess",
    "sys",
    "tempfile",
    "threading",
    "time",
    "urllib",
    "uvicorn",
}

#: Calls by which a pure module would reach a clock or a file without importing one.
IMPURE_CALLS = {"open", "input", "print", "now", "utcnow", "today"}

#: Libraries with one home; a trailing slash names a folder.
HOMES = {
    "paho": ("collector/subscriber.py",),
    "iotcore": ("collector/broker.py",),
    "cbor2": ("collector/senml.py",),
    "jsonpointer": ("collector/pointer.py",),
    "PIL": ("api/photographs.py",),
    "altair": ("dashboards/charts.py",),
    "thermocouple_its90": ("collector/signals.py",),
    "vl_convert": ("dashboards/chart_bundle.py", "dashboards/chart_paper.py"),
    "influxdb_client": ("collector/store/influx.py",),
    "urllib3": ("collector/store/influx.py",),
    "pyarrow": ("collector/transfer/parquet_form.py",),
}

#: Never imported at the top of a module: they cost a second or tens of megabytes each.
LATE = {
    "PIL",
    "scipy",
    "statsmodels",
    "altair",
    "vl_convert",
    "influxdb_client",
    "pandas",
    "pyarrow",
    "urllib3",
}


def modules() -> list[Path]:
    """Every module of the three packages."""
    return [path for layer in LAYERS for path in sorted((ROOT / layer).rglob("*.py"))]


def name_of(path: Path) -> str:
    """The path below the project, with forward slashes."""
    return path.relative_to(ROOT).as_posix()


def imports(tree: ast.AST) -> Iterator[tuple[str, int]]:
    """Dotted names that a tree imports, with their lines; ``from a import b`` gives both."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: write imports in full"
            yield node.module or "", node.lineno
            for alias in node.names:
                yield f"{node.module}.{alias.name}", node.lineno


def within(name: str, banned: str) -> bool:
    """Whether a dotted name is that module or lies below it."""
    return name == banned or name.startswith(f"{banned}.")


def belongs(path: Path, places: tuple[str, ...]) -> bool:
    """Whether a module is one of these files or lies in one of these folders."""
    name = name_of(path)
    return any(name == place or (place[-1] == "/" and name.startswith(place)) for place in places)


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def test_there_is_something_to_check() -> None:
    assert len(modules()) > 10
    for place in PURE:
        assert (ROOT / place).exists(), f"{place} is listed as pure and is not there"


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_imports_never_go_back_up(path: Path) -> None:
    own = LAYERS.index(path.relative_to(ROOT).parts[0])
    above = LAYERS[own + 1 :]
    back = [
        f"{name_of(path)}:{line} imports {name}"
        for name, line in imports(tree_of(path))
        if name.split(".")[0] in above
    ]
    assert not back


@pytest.mark.parametrize("path", [p for p in modules() if belongs(p, PURE)], ids=name_of)
def test_pure_modules_reach_nothing_outside(path: Path) -> None:
    tree = tree_of(path)
    reached = [
        f"{name_of(path)}:{line} imports {name}"
        for name, line in imports(tree)
        if any(within(name, banned) for banned in IMPURE)
    ]
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func
            word = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            if word in IMPURE_CALLS:
                reached.append(f"{name_of(path)}:{node.lineno} calls {word}()")
    assert not reached


@pytest.mark.parametrize("path", [p for p in modules() if belongs(p, PURE)], ids=name_of)
def test_pure_modules_hold_no_changing_globals(path: Path) -> None:
    for node in ast.walk(tree_of(path)):
        assert not isinstance(node, ast.Global), f"{name_of(path)}:{node.lineno} has a global"


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_each_library_stays_at_home(path: Path) -> None:
    away = [
        f"{name_of(path)}:{line} imports {name}"
        for name, line in imports(tree_of(path))
        for library, homes in HOMES.items()
        if within(name, library) and not belongs(path, homes)
    ]
    assert not away


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_heavy_libraries_are_imported_where_used(path: Path) -> None:
    top = [node for node in tree_of(path).body if isinstance(node, ast.Import | ast.ImportFrom)]
    early = [
        f"{name_of(path)}:{line} imports {name} at start"
        for node in top
        for name, line in imports(node)
        if name.split(".")[0] in LATE
    ]
    assert not early
