"""Readings in files: every form gives back exactly what was written, and names what it cannot."""

from __future__ import annotations

import csv
import json
import math
import struct
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.errors import InvalidError, PayloadError
from collector.readings import Mark, Reading, Series
from collector.store.line_reader import points_in
from collector.transfer import csv_form, line_form, senml_form
from collector.transfer.cells import Columns
from collector.transfer.files import Form, RowFile, form_of, text_of, write_rows
from collector.transfer.rows import Block, Fault, Found, Row, Values, marks_of, marks_text, rows_of

NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z
FIRST_SENML_MS = 2**28 * 1_000

values = st.floats(allow_nan=False, allow_infinity=False)
rows = st.builds(
    Row,
    channel=st.sampled_from(["vat-north", "room-temp", "a"]),
    time_ms=st.integers(FIRST_SENML_MS, 9_223_372_036_853),
    value=values,
    marks=st.integers(0, 255),
    nth=st.integers(0, 3),
    unit=st.sampled_from([None, "°C", "%RH", "W", "Ω", "mV"]),
)


def exact(found: Iterable[Found]) -> list[tuple[object, ...]]:
    """Rows with each value as its bits, so that -0.0 is not 0.0."""
    kept: list[tuple[object, ...]] = []
    for row in found:
        assert isinstance(row, Row), row
        kept.append((*row[:2], struct.pack("<d", row.value), *row[3:]))
    return kept


@settings(max_examples=60, deadline=None)
@given(st.lists(rows, max_size=20))
def test_text_forms_give_back_what_was_written_to_the_last_bit(written: list[Row]) -> None:
    texts = {
        form: "".join(text_of(written, form, values=Values.RECEIVED))
        for form in (Form.CSV, Form.LINES, Form.SENML)
    }
    of_csv = csv_form.read(texts[Form.CSV].splitlines(keepends=True), Columns(), "x.csv")
    assert exact(row for _, row in of_csv) == exact(written)
    of_lines = line_form.read(texts[Form.LINES].splitlines(keepends=True), "reading", "ns")
    without = [row._replace(unit=None) for row in written]  # a line has no place for it
    assert exact(row for _, row in of_lines) == exact(without)
    named = [row._replace(unit=senml_form.UNITS.get(row.unit or "")) for row in written]
    for size in (1, 7, 10_000):
        text = texts[Form.SENML]
        pieces = [text[at : at + size] for at in range(0, len(text), size)]
        assert exact(row for _, row in senml_form.read(pieces)) == exact(named)


def test_parquet_gives_back_what_was_written_to_the_last_bit(tmp_path: Path) -> None:
    written = [
        Row("vat-north", NOON_MS + n, value, n % 256, n % 3, "°C" if n % 2 else None)
        for n, value in enumerate([0.1, -0.0, 5e-324, 1.7976931348623157e308, 20.5] * 20)
    ]
    path = tmp_path / "readings.parquet"
    write_rows(path, Form.PARQUET, written)
    file = RowFile(path, form_of(path))
    assert exact(row for _, row in file.rows()) == exact(written)
    assert [number for number, _ in file.rows()] == list(range(1, 101))


def test_parquet_of_another_program_is_read_with_its_own_names_and_units(tmp_path: Path) -> None:
    """pandas writes timestamps in its own unit; a null is a fault of its row."""
    import pandas

    frame = pandas.DataFrame(
        {
            "when": pandas.to_datetime([NOON_MS, NOON_MS + 1], unit="ms", utc=True),
            "Temperature": [20.5, None],
        }
    )
    path = tmp_path / "other.parquet"
    frame.to_parquet(path, engine="pyarrow")
    columns = Columns({"when": "time", "Temperature": "value"}, "vat-north")
    (_, good), (number, bad) = RowFile(path, Form.PARQUET, columns).rows()
    assert good == Row("vat-north", NOON_MS, 20.5)
    assert number == 2
    assert isinstance(bad, Fault)
    assert "value" in bad.what or "nan" in bad.what
    path.write_bytes(b"PAR1 and no more")
    with pytest.raises(InvalidError, match="cannot be read as Parquet"):
        list(RowFile(path, Form.PARQUET).rows())


def test_without_pyarrow_the_message_names_the_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    from collector.transfer import parquet_form

    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(InvalidError, match=r"pyarrow, which is not installed.*pip install"):
        parquet_form.check_installed()


def test_csv_is_what_the_standard_library_and_a_person_read(tmp_path: Path) -> None:
    text = "".join(csv_form.written([Row("vat-north", NOON_MS + 5, 20.5, 40, 1, "°C")]))
    assert list(csv.DictReader(text.splitlines())) == [
        {
            "channel": "vat-north", "time": "2026-01-01T12:00:00.005Z", "value": "20.5",
            "unit": "°C", "marks": "late conflict", "nth": "1",
        }
    ]  # fmt: skip
    path = tmp_path / "x.csv.gz"
    write_rows(path, form_of(path), [Row("a", NOON_MS, 1.0)])
    assert [row for _, row in RowFile(path, Form.CSV).rows()] == [Row("a", NOON_MS, 1.0)]


def test_line_protocol_is_what_the_store_itself_writes() -> None:
    lines = list(line_form.written([Row("a", 1, 20.5), Row("a", 1, 21.0, 32, 1)], "reading"))
    assert lines == [
        "reading,channel=a value=20.5,marks=0i 1000000\n",
        "reading_conflict,channel=a,nth=1 value=21,marks=32i 1000000\n",
    ]


def test_senml_is_a_pack_that_the_decoder_of_messages_reads() -> None:
    """RFC 8428 section 4.4: labels that a reader does not know are ignored."""
    from collector.senml import pack_of, resolve

    text = "".join(senml_form.written([Row("vat-north", NOON_MS + 5, 20.5, 32, 1, "°C")]))
    assert json.loads(text)[0] == {
        "n": "vat-north", "t": 1767268800.005, "u": "Cel", "v": 20.5, "marks": 32, "nth": 1,
    }  # fmt: skip
    (record,) = resolve(pack_of(text.encode()), 0)
    assert (record.name, record.value, record.unit) == ("vat-north", 20.5, "Cel")
    assert json.loads("".join(senml_form.written([]))) == []


def test_base_fields_of_another_sender_hold_over_a_pack_of_any_length() -> None:
    pack = [{"bn": "urn:dev:ow:10e2", "bt": NOON_MS / 1_000, "bu": "Cel", "v": 20.0}]
    pack += [{"t": n, "v": 20.0 + n} for n in range(1, 4)]
    found = [row for _, row in senml_form.read([json.dumps(pack, indent=2)])]
    assert found == [
        Row("urn:dev:ow:10e2", NOON_MS + n * 1_000, 20.0 + n, unit="Cel") for n in range(4)
    ]


# -- what is wrong is said with its number, and nothing is lost -----------------------------------


def faults(found: Iterable[tuple[int, Found]]) -> list[tuple[int, str]]:
    return [(number, row.what) for number, row in found if isinstance(row, Fault)]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("vat-north,2026-01-01T12:00:00Z", "it has 2 cells where the heading has 4"),
        (",2026-01-01T12:00:00Z,1,", "the channel is missing"),
        ("a,,1,", "the time is missing"),
        ("a,2026-01-01T12:00:00,1,", "has no offset; name the zone of such times with --zone"),
        ("a,1767268800,1,", "for Unix time say --column HEADING=unix_s"),
        ('a,2026-01-01T12:00:00Z,"18,5",', "with --decimal-comma it is one"),
        ("a,yesterday,1,", "'yesterday' is not RFC 3339"),
        ("a,2026-01-01T12:00:00Z,,", "the value is missing"),
        ("a,2026-01-01T12:00:00Z,nan,", "'nan' is no number"),
        ("a,2026-01-01T12:00:00Z,1_000,", "'1_000' is no number"),
        ("a,2026-01-01T12:00:00Z,1e999,", "'1e999' is no number that can be kept"),
        ('a,2026-01-01T12:00:00Z,"20,5",', "'20,5' is no number"),
        ("a,2026-01-01T12:00:00Z,1,odd", "'odd' is no mark"),
        ("a,2026-01-01T12:00:00Z,1,0x100", "'0x100' is no mark"),
    ],
)
def test_a_bad_line_of_csv(line: str, reason: str) -> None:
    lines = ["channel,time,value,marks\n", "a,2026-01-01T12:00:00Z,1,\n", line + "\n"]
    ((number, said),) = faults(csv_form.read(lines, Columns(), "x.csv"))
    assert number == 3
    assert reason in said


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("reading,channel=a value=1", "no time"),
        ("reading value=1 1", "no tag channel"),
        ("reading,channel=a marks=1i 1", "no field value"),
        ("reading,channel=a value=t 1", "value is a boolean"),
        ("reading,channel=a value=1,humidity=2 1", "humidity has no place"),
        ("reading,channel=a,room=b value=1 1", "room has no place"),
        ("weather,channel=a value=1 1", "its measurement is 'weather'"),
        ("reading,channel=a value=1,marks=300i 1", "no marks"),
        ("reading,channel=a value=9007199254740993i 1", "cannot be kept to the last digit"),
        ("reading,channel=a value=1 -1000000", "not within 1970 to 9999"),
        ("reading,channel=a value= 1", "unable to parse"),
        ("reading_conflict,channel=a,nth=x value=1 1", "no number of a second value"),
    ],
)
def test_a_bad_line_of_line_protocol(line: str, reason: str) -> None:
    text = ["# a comment\n", "\n", "reading,channel=a value=1 1\n", line + "\n"]
    ((number, said),) = faults(line_form.read(text, "reading", "ns"))
    assert number == 4
    assert reason in said


@settings(max_examples=300, deadline=None)
@given(st.from_regex(line_form._OURS, fullmatch=True), st.sampled_from(["reading", "a", "other"]))
def test_what_is_read_fast_is_what_the_strict_reader_reads(line: str, measurement: str) -> None:
    rest = line.partition(",")[2]
    for ours in (f"{measurement},{rest}", f"{measurement}_conflict,{rest}", line):
        ((_, found),) = line_form.read([ours], measurement, "ns")
        assert (found.what if isinstance(found, Fault) else found) == strictly(ours, measurement)


def strictly(line: str, measurement: str) -> Row | str:
    (point,) = points_in(line)
    try:
        return line_form._row(point, measurement, "ns")
    except PayloadError as fault:
        return fault.what


BERLIN = ZoneInfo("Europe/Berlin")


def test_a_table_as_a_logger_of_another_country_writes_it() -> None:
    lines = [
        "Zeit;Temperatur;unit\n",
        "14.1.2026 20:30;18,5;°C\n",
        "2026-01-14 20:35:00;18;°C\n",
        "2026-01-14T19:40:00Z;18.25;°C\n",
        "14.13.2026 20:30;1,5;\n",
        "2026-01-14 20:45;1.234,5;\n",
    ]
    named = {"Zeit": "time", "Temperatur": "value"}
    columns = Columns(named, "a", BERLIN, decimal_comma=True)
    first, second, third, *bad = (found for _, found in csv_form.read(lines, columns, "x"))
    start_ms = 1_768_419_000_000  # 2026-01-14T19:30:00Z
    assert first == Row("a", start_ms, 18.5, unit="°C")
    assert second == Row("a", start_ms + 300_000, 18.0, unit="°C")
    assert third == Row("a", start_ms + 600_000, 18.25, unit="°C")
    assert [one.what for one in bad if isinstance(one, Fault)] == [
        "the time '14.13.2026 20:30' does not exist: month must be in 1..12",
        "'1.234,5' is no number",
    ]
    assert isinstance(bad[0], Fault)
    assert bad[0].raw == "14.13.2026 20:30;1,5;"


def test_the_hour_that_comes_twice_and_the_one_that_never_comes() -> None:
    """Europe/Berlin, 2026: 02:00 to 03:00 is left out on 29 March and comes twice on 25 October."""
    told = ["2026-10-25 02:10", "2026-10-25 02:50", "2026-10-25 02:10", "2026-10-25 03:00"]
    lines = ["channel,time,value\n"]
    lines += [f"{channel},{time},1\n" for channel in ("a", "b") for time in told]
    lines += ["a,2026-03-29 02:30,1\n"]
    *found, skipped = (row for _, row in csv_form.read(lines, Columns(zone=BERLIN), "x"))
    hours = [0, 40, 60, 110]  # minutes after 00:10 UTC
    times = [row.time_ms for row in found if isinstance(row, Row)]
    assert times == [1_792_887_000_000 + minute * 60_000 for minute in hours] * 2
    assert isinstance(skipped, Fault)
    assert "was skipped by the clocks of Europe/Berlin" in skipped.what


@pytest.mark.parametrize("record", ['{"n":"a","v":1,"t":1767268800,"x":{"y":"}"}}', '{"n":"}"}'])
def test_a_record_with_a_brace_in_it_is_read_whole(record: str) -> None:
    text = f'[{record},{{"n":"a","v":2,"t":1767268801}}]'
    for pieces in ([text], list(text)):
        (number, found), *rest = senml_form.read(pieces)
        assert number == 1
        if isinstance(found, Fault):
            assert (found.raw, rest) == (record, [])
        else:
            assert found == Row("a", NOON_MS, 1.0)
            assert [row for _, row in rest] == [Row("a", NOON_MS + 1_000, 2.0)]


@pytest.mark.parametrize(("unit", "n"), [("ns", 10**9), ("us", 10**6), ("ms", 1_000), ("s", 1)])
def test_times_of_each_precision(unit: str, n: int) -> None:
    line = f"reading,channel=a value=1 {NOON_MS // 1_000 * n}\n"
    assert [row for _, row in line_form.read([line], "reading", unit)] == [Row("a", NOON_MS, 1.0)]


@pytest.mark.parametrize(
    ("text", "number", "reason"),
    [
        ('{"n":"a","v":1}', 1, "does not begin with ["),
        ('[{"n":"a","v":1,"t":1767268800}', 2, "a comma or the end of the pack"),
        ('[{"n":"a","v":1,"t":1767268800} {', 2, "a comma or the end of the pack"),
        ('[{"n":"a","v":1,"t":1767268800},]', 2, "a record in { } belongs here"),
        ('[{"n":"a","v":1,"t":1767268800},{"n":', 2, "no SenML pack"),
        ('[{"n":"a","v":NaN,"t":1767268800}]', 1, "no valid JSON"),
        ('[{"n":"a","v":1,"v":2,"t":1767268800}]', 1, "a key is given twice"),
        ('[{"n":"a b","v":1,"t":1767268800}]', 1, "may not be a name"),
        ('[{"n":"a","v":1,"t":1767268800,"must_":1}]', 1, "has to be understood"),
        ('[{"n":"a","v":1,"t":-5}]', 1, "relative to now"),
        ('[{"n":"a","vs":"warm","t":1767268800}]', 1, "carries no number"),
        ('[{"n":"a","v":1,"t":1767268800,"marks":-1}]', 1, "marks is no whole number"),
        ('[{"n":"a","v":1,"t":1767268800}] more', 2, "something follows"),
        ("", 1, "does not begin with ["),
    ],
)
def test_a_bad_pack_of_senml(text: str, number: int, reason: str) -> None:
    ((at, said),) = faults(senml_form.read([text]))
    assert at == number
    assert reason in said


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=80), st.sampled_from(["", "[", '[{"n":"a",', "channel,time,value\n"]))
def test_junk_never_breaks_a_reader(junk: str, before: str) -> None:
    text = before + junk
    for found in (senml_form.read([text]), line_form.read(text.splitlines(), "reading", "ns")):
        assert all(isinstance(row, Row | Fault) for _, row in found)
    with suppress(InvalidError):  # no heading that makes sense
        assert all(
            isinstance(row, Row | Fault)
            for _, row in csv_form.read(text.splitlines(keepends=True), Columns(), "x")
        )


@pytest.mark.parametrize(
    ("heading", "columns", "words"),
    [
        ("a,b", {}, "No column tells the value"),
        ("value,time", {}, "No column tells the channel"),
        ("value,channel", {}, "No column tells the time"),
        ("value,channel,time,unix_s", {}, "No column tells the time"),
        ("value,channel,time", {"Temp": "value"}, "There is no column 'Temp'"),
        ("value,channel,time", {"time": "moment"}, "There is no field 'moment'"),
        ("value,channel,time,T", {"T": "value"}, "Two columns are the value"),
        ("believed,channel,time", {}, "believed ones, computed"),
        ("", {}, "The file is empty"),
    ],
)
def test_a_table_that_cannot_be_read_as_a_whole(
    heading: str, columns: dict[str, str], words: str
) -> None:
    with pytest.raises(InvalidError, match=words):
        list(csv_form.read([heading + "\n"] if heading else [], Columns(columns), "x.csv"))


def test_a_table_with_unix_times_and_names_of_its_own() -> None:
    lines = ["ts,Temp\n", f"{NOON_MS / 1_000},20.5\n", f"{NOON_MS // 1_000},21\n"]
    columns = Columns({"ts": "unix_s", "Temp": "value"}, "vat-north")
    assert [row for _, row in csv_form.read(lines, columns, "x")] == [
        Row("vat-north", NOON_MS, 20.5),
        Row("vat-north", NOON_MS, 21.0),
    ]


# -- marks, order, files ------------------------------------------------------------------------


@given(st.integers(0, 255))
def test_marks_are_words_and_words_are_marks(bits: int) -> None:
    assert marks_of(marks_text(bits)) == bits
    for mark in Mark:
        assert ((mark.name or "").lower() in marks_text(bits).split()) == bool(bits & mark)


def test_second_values_follow_the_first_of_their_time() -> None:
    series = Series.of("a", [(1, 1.0, 32), (2, 2.0, 0), (3, 3.0, 32)])
    seconds = [Reading("a", t, v, Mark.CONFLICT) for t, v in [(1, 7.0), (1, 8.0), (3, 9.0)]]
    found = [(row.time_ms, row.value, row.nth) for row in rows_of(Block(None, series, seconds))]
    assert found == [(1, 1.0, 0), (1, 7.0, 1), (1, 8.0, 2), (2, 2.0, 0), (3, 3.0, 0), (3, 9.0, 1)]


def test_a_file_is_there_whole_or_not_at_all_and_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"

    def breaks_off() -> Iterable[Row]:
        yield Row("a", NOON_MS, 1.0)
        raise InvalidError("the store is gone")

    with pytest.raises(InvalidError, match="the store is gone"):
        write_rows(path, Form.CSV, breaks_off())
    assert list(tmp_path.iterdir()) == []
    write_rows(path, Form.CSV, [Row("a", NOON_MS, 1.0)])
    kept = path.read_text()
    with pytest.raises(InvalidError, match="nothing is overwritten"):
        write_rows(path, Form.CSV, [])
    assert path.read_text() == kept
    with pytest.raises(InvalidError, match="cannot be written"):
        write_rows(tmp_path / "none" / "x.csv", Form.CSV, [])
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("row", "form"),
    [(Row("a", 1_000, 1.0), Form.SENML), (Row("a", 253_402_300_000_000, 1.0), Form.LINES)],
)
def test_what_a_form_cannot_say_is_refused_and_not_altered(
    row: Row, form: Form, tmp_path: Path
) -> None:
    with pytest.raises(InvalidError, match="another form"):
        write_rows(tmp_path / "x", form, [row])


@pytest.mark.parametrize(
    ("name", "form"),
    [("a.csv", Form.CSV), ("a.CSV.gz", Form.CSV), ("a.lp", Form.LINES), ("a.json", Form.SENML)],
)
def test_the_ending_tells_the_form(name: str, form: Form) -> None:
    assert form_of(Path(name)) is form
    with pytest.raises(InvalidError, match="does not tell the form"):
        form_of(Path("readings.xls"))


def test_values_other_than_received_are_named_so() -> None:
    rows: Sequence[Row] = [Row("a", NOON_MS, math.pi)]
    text = "".join(csv_form.written(rows, Values.BELIEVED))
    assert text.startswith("channel,time,believed,")
    (line,) = line_form.written(rows, "reading", Values.CONVERTED)
    assert "converted=3.14" in line
    with pytest.raises(InvalidError, match="no way to say that its values are believed"):
        text_of(rows, Form.SENML, values=Values.BELIEVED)
