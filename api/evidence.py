"""An evidence bundle: files in one archive with a list of their SHA-256 sums, and its check.

The archive is a plain zip whose entries are stored as they are, in one order, without times of
their own, so that the same files always make the same bytes. ``manifest.json`` lists every
other file with its size and sum; ``manifest.sha256`` holds the sum of that list, the *seal*.
A change of any single byte is found and named. Against somebody who packs changed files anew
only the seal helps, and only where it was noted elsewhere when the bundle was made. Pure.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from api.prints import Frozen
from collector.errors import InvalidError

MANIFEST = "manifest.json"
SEAL = "manifest.sha256"

#: Written into every manifest, so that a later form can be told apart.
FORM = "vatside evidence 1"

#: The one time that every entry of an archive carries; a zip has no "none".
NO_TIME = (1980, 1, 1, 0, 0, 0)


class Listed(Frozen):
    """One file of a bundle: its path, size [bytes] and SHA-256 in hexadecimal."""

    path: str
    bytes_n: int
    sha256: str


class Manifest(Frozen):
    """What a bundle is of, when it was made (RFC 3339), and its files."""

    form: str
    about: dict[str, Any]
    made: str
    files: tuple[Listed, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """Something in a bundle that is not as it was listed: which file, and what is wrong."""

    path: str
    words: str


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check of a bundle found: its files, its seal, and every fault."""

    files_n: int
    seal: str
    faults: tuple[Fault, ...]


def sum_of(content: bytes) -> str:
    """The SHA-256 of some bytes in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def sealed(files: Mapping[str, bytes], about: Mapping[str, Any], made: str) -> dict[str, bytes]:
    """The same files with the list of them and its seal in front, in the order of their paths.

    Raises ``ValueError`` where a file has the name of one of those two.
    """
    taken = {MANIFEST, SEAL} & files.keys()
    if taken:
        raise ValueError(f"{taken.pop()} is written by the bundle itself")
    manifest = Manifest(
        form=FORM,
        about=dict(about),
        made=made,
        files=tuple(
            Listed(path=path, bytes_n=len(files[path]), sha256=sum_of(files[path]))
            for path in sorted(files)
        ),
    )
    text = json.dumps(manifest.model_dump(), indent=1, ensure_ascii=False, sort_keys=True) + "\n"
    listed = text.encode()
    head = {MANIFEST: listed, SEAL: f"{sum_of(listed)}  {MANIFEST}\n".encode()}
    return head | {path: files[path] for path in sorted(files)}


def packed(files: Mapping[str, bytes]) -> bytes:
    """The files as one zip archive; the same files in the same order give the same bytes."""
    into = io.BytesIO()
    with zipfile.ZipFile(into, "w", zipfile.ZIP_STORED) as archive:
        for path, content in files.items():
            entry = zipfile.ZipInfo(path, NO_TIME)
            entry.create_system = 3  # one answer on every platform
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, content)
    return into.getvalue()


def checked_archive(archive: bytes, seal: str | None = None) -> Checked:
    """Check an archive byte for byte; ``seal`` is the one that was noted when it was made.

    Raises ``InvalidError`` where it is no zip archive at all, or none of vatside's.
    """
    files, faults = _unpacked(archive)
    found = checked(files, seal)
    named = {fault.path for fault in faults}
    rest = [fault for fault in found.faults if fault.path not in named]
    every = [*faults, *rest]
    if not every and packed(files) != archive:
        every.append(_repacked(files, archive))
    return Checked(found.files_n, found.seal, tuple(every))


def checked(files: Mapping[str, bytes], seal: str | None = None) -> Checked:
    """Check the files of an unpacked bundle by their paths.

    Raises ``InvalidError`` where they hold no manifest of vatside's.
    """
    manifest, written = files.get(MANIFEST), files.get(SEAL)
    if manifest is None:
        raise InvalidError(
            f"there is no {MANIFEST} in it",
            where=MANIFEST,
            remedy="Name an evidence bundle made by vatside, whole.",
        )
    real = sum_of(manifest)
    faults = _seal_faults(real, written, seal)
    listed = _listed(manifest)
    if listed is None:
        if faults:
            return Checked(0, real, tuple(faults))
        raise InvalidError(
            "the list of files is none of vatside's",
            where=MANIFEST,
            remedy=f"It must say “{FORM}”; a later vatside may know it.",
        )
    known = {file.path for file in listed.files}
    faults += [fault for file in listed.files if (fault := _fault_of(file, files))]
    for path in files.keys() - known - {MANIFEST, SEAL}:
        faults.append(Fault(path, "is not on the list: it was added later"))
    return Checked(len(listed.files), real, tuple(sorted(faults, key=lambda fault: fault.path)))


def _seal_faults(real: str, written: bytes | None, noted: str | None) -> list[Fault]:
    faults: list[Fault] = []
    if written is None:
        faults.append(Fault(SEAL, "is missing"))
    elif written != f"{real}  {MANIFEST}\n".encode():
        faults.append(Fault(MANIFEST, f"does not have the sum that {SEAL} holds; one was changed"))
    if noted is not None and noted.strip().lower() != real:
        faults.append(Fault(MANIFEST, f"has the seal {real}, not the one that was noted"))
    return faults


def _fault_of(file: Listed, files: Mapping[str, bytes]) -> Fault | None:
    content = files.get(file.path)
    if content is None:
        return Fault(file.path, "is missing")
    if sum_of(content) == file.sha256:
        return None
    if len(content) != file.bytes_n:
        return Fault(file.path, f"was changed: {len(content)} bytes, listed are {file.bytes_n}")
    return Fault(file.path, "was changed: its sum is not the one listed")


def _listed(manifest: bytes) -> Manifest | None:
    """The manifest, or None where it is none of ours."""
    try:
        listed = Manifest.model_validate_json(manifest)
    except ValidationError:
        return None
    return listed if listed.form == FORM else None


def _unpacked(archive: bytes) -> tuple[dict[str, bytes], list[Fault]]:
    """The files of an archive, and those that cannot be read or are there twice."""
    files: dict[str, bytes] = {}
    faults: list[Fault] = []
    try:
        with zipfile.ZipFile(io.BytesIO(archive)) as opened:
            for entry in opened.infolist():
                if entry.filename in files:
                    faults.append(Fault(entry.filename, "is in the archive twice"))
                    continue
                if entry.compress_type != zipfile.ZIP_STORED or entry.flag_bits & 1:
                    faults.append(Fault(entry.filename, "has another heading than was written"))
                try:
                    files[entry.filename] = opened.read(entry)
                except Exception:  # each way of packing has errors of its own
                    faults.append(Fault(entry.filename, "is damaged: it cannot be read whole"))
                    files[entry.filename] = _raw(archive, entry)
    except (zipfile.BadZipFile, ValueError, NotImplementedError, OSError) as fault:
        raise InvalidError(
            f"it is no whole zip archive ({fault})",
            where="the archive's directory",
            remedy="Copy the bundle again from where it was made.",
        ) from None
    return files, faults


def _raw(archive: bytes, entry: zipfile.ZipInfo) -> bytes:
    """The bytes of a damaged entry as they lie there, so that the rest can still be checked."""
    start = entry.header_offset + _heading_n(entry.filename)
    return archive[start : start + entry.file_size]


def _heading_n(path: str) -> int:
    """Length of the heading that stands before an entry of our own archives [bytes]."""
    return 30 + len(path.encode())


def _repacked(files: Mapping[str, bytes], archive: bytes) -> Fault:
    """Where an archive whose files are all as listed is still not the one that was written."""
    written = packed(files)
    at = next(
        (
            n
            for n, (ours, theirs) in enumerate(zip(written, archive, strict=False))
            if ours != theirs
        ),
        min(len(written), len(archive)),
    )
    path = "the archive"
    position = 0
    for name, content in files.items():
        if position <= at < position + _heading_n(name):
            path = name
        position += _heading_n(name) + len(content)
    return Fault(
        path,
        f"byte {at} of the archive is not as it was written, though every file in it is; "
        "was it packed anew?",
    )
