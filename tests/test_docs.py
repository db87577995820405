"""README.md and DEVELOPERS.md name what exists, and everything that exists is named there."""

from __future__ import annotations

import argparse
import itertools
import re
import tomllib
from functools import cache
from pathlib import Path

import pytest

from api.answers import Workshop
from api.app import create_app
from api.record import Record
from collector.config import ENVIRONMENT, SETTINGS, Settings
from collector.store.sqlite import SqliteStore
from dashboards.cli import parser
from tests.recordings import ROOT


@cache
def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


@cache
def developers() -> str:
    return (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands(of: argparse.ArgumentParser | None = None) -> dict[str, argparse.ArgumentParser]:
    """The commands of ``vatside`` by name, such as ``run`` and ``export readings``."""
    found: dict[str, argparse.ArgumentParser] = {}
    for action in (of or parser())._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, command in action.choices.items():
                below = commands(command)
                found |= {f"{name} {one}": other for one, other in below.items()} or {name: command}
    return found


def test_every_command_is_in_the_readme() -> None:
    assert len(commands()) > 10
    missing = [name for name in commands() if f"| `vatside {name}" not in readme()]
    assert not missing


def test_every_command_the_docs_name_exists() -> None:
    named = set(re.findall(r"`vatside ([a-z]+)", readme() + developers()))
    assert named
    assert named <= {name.split()[0] for name in commands()}


def test_every_option_the_docs_name_exists() -> None:
    known = {
        option
        for command in commands().values()
        for action in command._actions
        for option in action.option_strings
    }
    table = readme().split("## Commands")[1].split("## ")[0]
    named = set(re.findall(r"--[a-z][a-z-]+", table))
    assert named
    assert named <= known


def test_every_setting_is_in_the_readme_and_no_other() -> None:
    listed = dict(
        re.findall(r"^\| `([a-z_]+(?:\.[a-z_0-9]+)+)` \| (.+) \|$", readme(), re.MULTILINE)
    )
    assert listed == {key: meaning.replace("|", "\\|") for key, meaning in SETTINGS.items()}


def test_every_environment_variable_is_in_the_readme_and_no_other() -> None:
    table = readme().split("Secrets come from")[1].split("A message is")[0]
    listed = dict(re.findall(r"^\| `([A-Z_0-9]+)` \| (.+) \|$", table, re.MULTILINE))
    assert listed == dict(ENVIRONMENT)


def test_the_example_in_the_readme_is_the_one_the_command_prints() -> None:
    (shown,) = re.findall(r"```toml\n(.*?)```", readme(), re.DOTALL)
    assert shown == (ROOT / "collector" / "example.toml").read_text(encoding="utf-8")


def test_every_route_is_in_the_readme_and_no_other(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "readings.db")
    record = Record(tmp_path / "record.db")
    try:
        paths = create_app(Workshop(Settings(), store, record)).openapi()["paths"]
    finally:
        record.close()
        store.close()
    known = {(verb.upper(), path) for path, verbs in paths.items() for verb in verbs}
    listed = {
        (verb, path)
        for verbs, path in re.findall(
            r"^\| ([A-Z, ]+) \| `(/api/[^`]*)` \|", readme(), re.MULTILINE
        )
        for verb in verbs.split(", ")
    }
    assert listed == known


@pytest.mark.parametrize("text", ["README.md", "DEVELOPERS.md"])
def test_every_make_target_named_exists(text: str) -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z]+):", makefile, re.MULTILINE))
    named = set(re.findall(r"`make ([a-z]+)", (ROOT / text).read_text(encoding="utf-8")))
    assert named
    assert named <= targets


def test_every_file_and_picture_the_docs_name_is_there() -> None:
    pictures = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", readme())
    assert pictures
    files = re.findall(r"`((?:collector|api|dashboards|tests)/[\w./-]+)`", readme() + developers())
    missing = [name for name in pictures + files if not (ROOT / name).exists()]
    assert not missing


def test_every_dependency_has_its_reason_and_nothing_else_has() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [project["dependencies"], *project["optional-dependencies"].values()]
    names = {re.split(r"[\[>=<]", one)[0] for one in itertools.chain(*wanted)}
    table = developers().split("## Dependencies")[1]
    assert set(re.findall(r"^\| `([\w-]+)` \|", table, re.MULTILINE)) == names
