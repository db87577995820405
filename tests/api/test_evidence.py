"""Evidence bundles: the same files make the same bytes, and every changed byte is named."""

from __future__ import annotations

import io
import json
import zipfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api import evidence
from api.evidence import MANIFEST, SEAL, Checked, checked, checked_archive, packed, sealed
from collector.errors import InvalidError

FILES = {
    "profile.csv": b"time,channel,value\n2026-01-14T19:30:00Z,chamber,60.1\n",
    "report.html": "<!doctype html><p>60 °C".encode(),
    "photographs/look-1.jpg": bytes(range(256)),
    "empty.txt": b"",
}
ABOUT = {"soak": 3, "name": "Housings"}
MADE = "2026-01-15T08:00:00Z"


def bundle() -> bytes:
    return packed(sealed(FILES, ABOUT, MADE))


def found(archive: bytes) -> Checked | str:
    """What the check says: its result, or the words of its refusal."""
    try:
        return checked_archive(archive)
    except InvalidError as fault:
        return str(fault)


def test_a_whole_bundle_has_no_fault() -> None:
    said = checked_archive(bundle())
    assert (said.files_n, said.faults) == (4, ())
    assert said.seal == evidence.sum_of(sealed(FILES, ABOUT, MADE)[MANIFEST])


def test_the_same_files_in_another_order_make_the_same_bytes() -> None:
    turned = dict(reversed(FILES.items()))
    assert packed(sealed(turned, ABOUT, MADE)) == bundle()


def test_an_unpacked_bundle_is_checked_too() -> None:
    with zipfile.ZipFile(io.BytesIO(bundle())) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    assert checked(files).faults == ()


def test_the_sums_are_those_of_any_other_program() -> None:
    """SHA-256 of the empty message: FIPS 180-4, as printed in NIST's example values."""
    manifest = json.loads(sealed(FILES, ABOUT, MADE)[MANIFEST])
    empty = next(file for file in manifest["files"] if file["path"] == "empty.txt")
    assert empty["sha256"] == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def test_every_flipped_byte_is_found() -> None:
    whole = bundle()
    for at in range(len(whole)):
        changed = bytearray(whole)
        changed[at] ^= 0x20
        said = found(bytes(changed))
        assert isinstance(said, str) or said.faults, at


@pytest.mark.parametrize("path", sorted(FILES.keys() - {"empty.txt"}))
def test_a_flipped_byte_of_a_file_names_that_file_alone(path: str) -> None:
    whole = bundle()
    for at in range(0, len(FILES[path]), 7):
        changed = bytearray(whole)
        changed[whole.index(FILES[path]) + at] ^= 0x01
        said = checked_archive(bytes(changed))
        assert [fault.path for fault in said.faults] == [path]


def test_a_changed_list_is_named() -> None:
    files = sealed(FILES, ABOUT, MADE)
    files[MANIFEST] = files[MANIFEST].replace(b"Housings", b"Housing5")
    said = checked_archive(packed(files))
    assert [fault.path for fault in said.faults] == [MANIFEST]


def test_a_missing_an_added_and_a_doubled_file_are_named() -> None:
    files = sealed(FILES, ABOUT, MADE)
    less = {path: content for path, content in files.items() if path != "profile.csv"}
    assert [fault.path for fault in checked(less).faults] == ["profile.csv"]
    assert [fault.path for fault in checked(files | {"more.txt": b"x"}).faults] == ["more.txt"]
    without_seal = {path: content for path, content in files.items() if path != SEAL}
    assert [fault.path for fault in checked(without_seal).faults] == [SEAL]
    into = io.BytesIO(bundle())
    with (
        pytest.warns(UserWarning, match="Duplicate name"),
        zipfile.ZipFile(into, "a") as archive,
    ):
        archive.writestr("profile.csv", b"another")
    assert "profile.csv" in [fault.path for fault in checked_archive(into.getvalue()).faults]


def test_files_packed_anew_by_another_program_are_told_apart() -> None:
    into = io.BytesIO()
    with zipfile.ZipFile(into, "w") as archive:
        for path, content in sealed(FILES, ABOUT, MADE).items():
            archive.writestr(path, content)
    (fault,) = checked_archive(into.getvalue()).faults
    assert "packed anew" in fault.words


def test_a_forged_bundle_does_not_have_the_noted_seal() -> None:
    seal = checked_archive(bundle()).seal
    forged = packed(sealed(FILES | {"profile.csv": b"60.0 all the time\n"}, ABOUT, MADE))
    assert checked_archive(forged).faults == ()
    assert checked_archive(bundle(), seal).faults == ()
    (fault,) = checked_archive(forged, seal).faults
    assert "not the one that was noted" in fault.words


@pytest.mark.parametrize("other", [b"", b"PK", b"plain text", bytes(2_000)])
def test_what_is_no_bundle_is_refused_in_words(other: bytes) -> None:
    with pytest.raises(InvalidError, match="no whole zip"):
        checked_archive(other)


def test_another_zip_is_refused_in_words() -> None:
    with pytest.raises(InvalidError, match=r"no manifest\.json"):
        checked_archive(packed({"letter.txt": b"hello"}))
    text = b'{"files": []}'
    seal = f"{evidence.sum_of(text)}  {MANIFEST}\n".encode()
    with pytest.raises(InvalidError, match="none of vatside's"):
        checked_archive(packed({MANIFEST: text, SEAL: seal}))


def test_a_file_cannot_take_the_place_of_the_list() -> None:
    with pytest.raises(ValueError, match="written by the bundle"):
        sealed({MANIFEST: b""}, ABOUT, MADE)


@given(
    st.dictionaries(st.text("abc/.", min_size=1, max_size=6), st.binary(max_size=40), max_size=5)
)
def test_any_files_go_in_and_check_out(files: dict[str, bytes]) -> None:
    assert checked_archive(packed(sealed(files, ABOUT, MADE))).faults == ()
