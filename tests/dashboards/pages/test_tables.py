"""An old log comes in through the page: looked at, tried, taken whole or not at all."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.answers import Workshop
from tests.dashboards import workshops
from tests.dashboards.pages.conftest import client_of

TABLE = """\
Date;Printer;Resin;Failed;Exposure (s);Resin temperature;Draught
1.12.2025 20:30;North;Willow;0;2,6;21,5;good
2.12.2025 20:30;Attic;Tar;1;2,6;18,0;failed: warped
"""


def look(client: TestClient, content: bytes) -> str:
    answer = client.post("/prints/import", files={"file": ("log.csv", content, "text/csv")})
    return answer.text


def fields_of(page: str) -> dict[str, str]:
    """What a browser would send of the form as it stands."""
    table = re.search(r'<textarea name="table"[^>]*>\n?(.*?)</textarea>', page, re.DOTALL)
    assert table is not None
    found = {"table": "\r\n".join(html.unescape(table[1]).splitlines())}
    for name, options in re.findall(r'<select[^>]* name="([^"]+)">(.*?)</select>', page, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options)
        first = re.search(r'value="([^"]*)"', options)
        assert first is not None
        found[name] = html.unescape((chosen or first)[1])
    found |= dict(re.findall(r'<input[^>]* name="(resin|machine)"[^>]* value="([^"]*)"', page))
    if re.search(r'name="make" value="yes" checked', page):
        found["make"] = "yes"
    return found


def send(client: TestClient, fields: dict[str, str]) -> str:
    parts = {name: (None, value) for name, value in fields.items()}
    return client.post("/prints/import", files=parts).text


def test_a_log_is_looked_at_tried_and_taken(filled: Workshop, client: TestClient) -> None:
    assert "Bring in an old log" in client.get("/prints/import").text
    fields = fields_of(look(client, TABLE.encode("cp1252")))
    assert fields["column-0"] == "start"
    assert fields["column-5"] == "logged_vat"
    assert fields["decimal"] == "comma"
    tried = send(client, fields | {"step": "try"})
    assert "2 prints</strong> would come in" in tried
    assert "1 machine would be put on record: Attic" in tried
    assert filled.record.prints.count() == 42
    assert "2 prints are on record now" in send(client, fields_of(tried) | {"step": "take"})
    assert filled.record.prints.count() == 44
    first = filled.record.prints.get(43).entry
    assert (first.logged_vat_c, first.settings.normal_exposure_s) == (21.5, 2.6)
    assert first.outcome == "good"
    twice = send(client, fields | {"step": "take"})
    assert "on record already" in twice
    assert filled.record.prints.count() == 44


def test_a_column_may_tell_of_a_part(filled: Workshop, client: TestClient) -> None:
    fields = fields_of(look(client, TABLE.encode()))
    fields |= {"column-3": "", "column-6": "part:Draught", "step": "take"}
    send(client, fields)
    part = filled.record.prints.get(44).entry.parts[0]
    assert (part.name, part.outcome, part.modes) == ("Draught", "failed", ("warped",))


def test_faults_are_told_by_row_and_everything_chosen_stays(
    filled: Workshop, client: TestClient
) -> None:
    fields = fields_of(look(client, TABLE.replace("18,0", "cold").encode()))
    fields.pop("make")
    said = send(client, fields | {"step": "take"})
    assert "Nothing is on record." in said
    assert 'scope="row">Row 3</th>' in said
    assert "there is no resin named Tar on record" in html.unescape(said)
    assert fields_of(said) == fields
    assert filled.record.prints.count() == 42


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no row below its header"),
        (b"Date\n", "no row below its header"),
        (b"PK\x03\x04\x81\x8d", "the table is no text"),
        (b'Date\n"2026-01-01', "the table cannot be read"),
        ((",".join(map(str, range(200))) + "\n1\n").encode(), "200 columns"),
        (b"Date\n" + b"x" * (4 * 1_048_576), "more than 4 MiB"),
    ],
)
def test_what_is_no_table_is_told(client: TestClient, content: bytes, said: str) -> None:
    answer = client.post("/prints/import", files={"file": ("log.csv", content, "text/csv")})
    assert answer.status_code == 422
    assert said in html.unescape(answer.text)


def test_no_table_and_no_mapping_are_told(client: TestClient) -> None:
    assert "no table was chosen" in send(client, {"step": "try"})
    said = send(client, {"step": "try", "table": TABLE})
    assert "one column has to tell when each print started" in said


def test_an_export_comes_in_again_without_a_question(
    filled: Workshop, client: TestClient, tmp_path: Path
) -> None:
    table = client.get("/api/prints/export").content
    empty = workshops.empty_workshop(tmp_path / "another")
    with client_of(empty) as other:
        page = look(other, table)
        assert "every column is known" in page
        assert "42 prints are on record now" in send(other, fields_of(page) | {"step": "take"})
    ours, theirs = (
        [kept.entry.parts for kept in one.record.prints.all()] for one in (filled, empty)
    )
    assert ours == theirs
    workshops.close(empty)


def test_everything_can_be_taken_out_by_a_button(client: TestClient) -> None:
    page = client.get("/prints/import").text
    for address in ("/api/prints/export", "/api/record"):
        assert f'href="{address}" download' in page
        assert client.get(address).status_code == 200
