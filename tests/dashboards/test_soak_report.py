"""The report of a soak run and its evidence bundle, through the pages and the commands."""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from collections.abc import Iterator
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PIL import Image
from starlette.testclient import TestClient

from api.answers import Workshop
from api.evidence import checked_archive
from api.photographs import keep_photograph
from api.record import LoggedIntervention
from api.soak.interventions import InterventionKind
from dashboards.cli import main
from tests.dashboards import workshops
from tests.dashboards.pages.conftest import client_of


def jpeg(side_px: int = 40) -> bytes:
    """A plain picture."""
    into = io.BytesIO()
    Image.new("RGB", (side_px, side_px), (180, 160, 120)).save(into, "JPEG")
    return into.getvalue()


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[TestClient]:
    """The pages of a workshop whose run has a photographed look and one taken back."""
    workshop = workshops.filled_workshop(tmp_path)
    first, second, *_ = workshop.record.looks.of(1)
    keep_photograph(workshop.record, jpeg(), look_id=first.id)
    workshop.record.looks.delete(second.id)
    workshop.record.interventions.add(
        LoggedIntervention(
            soak=1,
            kind=InterventionKind.TAKEN_OUT,
            time=workshops.NOW - timedelta(minutes=30),
            specimen="amber 1",
            note="for the break bench",
        )
    )
    with client_of(workshop) as browser:
        yield browser
    workshops.close(workshop)


def workshop_of(browser: TestClient) -> Workshop:
    found: Workshop = browser.app.state.workshop  # type: ignore[attr-defined]
    return found


class Loads(HTMLParser):
    """Collects what a document would load or run."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        loading = {"src", "href", "xlink:href", "data", "action", "srcset"}
        self.addresses += [value or "" for name, value in attrs if name in loading]
        assert not [name for name, _ in attrs if name.startswith("on")]


def test_the_report_loads_and_runs_nothing(browser: TestClient) -> None:
    answer = browser.get("/soak/1/report")
    loads = Loads()
    loads.feed(answer.text)
    assert "svg" in loads.tags
    assert not loads.tags & {"script", "link", "iframe", "object", "form"}
    assert all(one.startswith("data:image/jpeg;base64,") for one in loads.addresses)
    assert len(loads.addresses) == 1
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert not re.search(r"url\(|@import", answer.text)


def test_the_report_says_what_is_known_and_what_it_rests_on(browser: TestClient) -> None:
    text = browser.get("/soak/1/report").text
    for said in (
        "Collars, first run",
        "Still under way: what follows is as of 14 Jan 2026 15:00",
        "Sound when last looked at, after the whole dwell of step 1",
        "Not looked at yet: nothing is known.",
        "14 Jan 2026 13:00",
        "amber 1 was taken out (for the break bench).",
        "independent thermal cut-out",
        "<h2>The program</h2>",
        "<li>120 °C ± 2 K for 1 h</li>",
        "More than 5 min without a reading is a gap",
        "without a calibration on record before the run",
        "states conformity with no standard",
    ):
        assert said in text, said


@pytest.mark.parametrize(
    ("form", "opening"), [("svg", b"<svg"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_the_chart_as_a_file(browser: TestClient, form: str, opening: bytes) -> None:
    answer = browser.get(f"/soak/1/profile.{form}")
    assert answer.content.startswith(opening)
    assert f"soak-1-profile.{form}" in answer.headers["content-disposition"]


def test_the_bundle_holds_everything_and_checks_out(browser: TestClient) -> None:
    answer = browser.get("/soak/1/evidence.zip")
    checked = checked_archive(answer.content, answer.headers["x-seal"])
    assert checked.faults == ()
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    assert set(files) == {
        "manifest.json",
        "manifest.sha256",
        "calibrations.json",
        "interventions.json",
        "looks.json",
        "photographs/look-1-1.jpg",
        "profile.csv",
        "profile.pdf",
        "profile.png",
        "profile.svg",
        "program.json",
        "report.html",
        "run.json",
        "state.json",
    }
    looks = json.loads(files["looks.json"])
    assert [look["id"] for look in looks["entries"]] == [1]
    assert [(one["id"], one["change"]) for one in looks["before"]] == [(2, "deleted")]
    state = json.loads(files["state.json"])
    now = browser.get("/api/soaks/1/state").json()
    # What it has to tell is of the moment of the bundle.
    assert state | {"notices": []} == now | {"notices": []}
    rows = list(csv.DictReader(io.StringIO(files["profile.csv"].decode())))
    stored = workshop_of(browser).store.between("chamber", 0, 2**62)
    assert [float(row["believed_c"]) for row in rows] == stored.values.tolist()
    assert rows[0]["time"] == "2026-01-14T11:00:00.000Z"


def test_a_run_that_is_not_on_record(browser: TestClient) -> None:
    for address in ("report", "evidence.zip", "profile.svg"):
        assert browser.get(f"/soak/99/{address}").status_code == 404
    assert browser.get("/soak/1/profile.gif").status_code == 422


SETTINGS = """
[store]
folder = "."
[[channel]]
id = "chamber"
place = "Heat chamber"
role = "chamber_temperature"
topic = "cellar/chamber"
"""


def test_made_and_checked_by_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    workshops.close(workshops.filled_workshop(tmp_path))
    settings = tmp_path / "vatside.toml"
    settings.write_text(SETTINGS)
    bundle = tmp_path / "run.zip"
    make = ["evidence", "1", str(bundle), "--settings", str(settings)]
    assert main(make) == 0
    made = capsys.readouterr().out
    seal = re.search(r"seal: ([0-9a-f]{64})", made)
    assert seal
    assert main(["verify", str(bundle), "--seal", seal[1]]) == 0
    assert "each as it was listed" in capsys.readouterr().out

    assert main(make) == 2
    assert "not there yet" in capsys.readouterr().err
    assert main(["evidence", "99", "--settings", str(settings)]) == 2
    assert "99" in capsys.readouterr().err

    changed = bytearray(bundle.read_bytes())
    changed[changed.index(b",chamber,20.5,") + 9] ^= 0x01
    bundle.write_bytes(changed)
    assert main(["verify", str(bundle)]) == 1
    assert "WRONG profile.csv" in capsys.readouterr().out

    assert main(["verify", str(tmp_path / "none.zip")]) == 2
    assert main(["verify", str(settings)]) == 2
    unpacked = tmp_path / "unpacked"
    with zipfile.ZipFile(io.BytesIO(bytes(changed))) as archive:
        for name in archive.namelist():
            if name != "profile.csv":
                archive.extract(name, unpacked)
    capsys.readouterr()
    assert main(["verify", str(unpacked)]) == 1
    assert "WRONG profile.csv: is missing" in capsys.readouterr().out
