"""Element files on disk: reading files, folders and gzip, and writing fleets whole or not at all."""

from __future__ import annotations

import gzip
import os
import warnings
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from passim.elements.atomic import write_atomically
from passim.elements.formats import LARGEST_BYTES, MOST_SETS, numbered, parse_elements
from passim.elements.lines import Words, printable
from passim.elements.omm_text import write_csv, write_json, write_kvn
from passim.elements.read_log import MOST_SKIPPED, Skipped
from passim.elements.records import ElementSet, Fleet
from passim.elements.two_line import format_two_line, rounded_fields, rounded_to_two_line
from passim.errors import ElementsError, RoundedElementsWarning, shown

# What a folder is searched for; each also with .gz behind it.
READ_SUFFIXES = (".tle", ".txt", ".2le", ".3le", ".json", ".csv", ".xml", ".kvn", ".omm")
WRITE_SUFFIXES = (".tle", ".json", ".csv", ".xml", ".kvn")

# Where the head of a gzip file says on which system it was made.
_OF_SYSTEM = 9

_AnyPath = str | os.PathLike[str]


def read_elements(path_or_paths: _AnyPath | Iterable[_AnyPath], *, lenient: bool | float = False) -> Fleet:
    """Return the fleet in one or several element files or folders, in the order given.

    Reads two-line and three-line sets and OMM as JSON, CSV, XML and KVN, each also as gzip; the form is told by the
    content. Of a folder the files with a known suffix are read, sorted by name, and those in folders below it are
    not; hidden files and README files are passed over, others are named in ``fleet.skipped``.

    The first bad record stops with ElementsError. With ``lenient=True`` bad records, and bad files among several, are
    left out and named in ``fleet.skipped``, one line each; it is still an error when nothing is left. A number between
    says how large a share of the records of a file may be damaged: commands and pages take 0.01, and a file that is
    damaged in more than one record of a hundred, or that cannot be read at all, stops with ElementsError.
    """
    given = [path_or_paths] if isinstance(path_or_paths, (str, os.PathLike)) else list(path_or_paths)
    if not given:
        raise ElementsError("element files", got=Words("no path"), wanted="at least one file or folder")
    files: list[Path] = []
    skipped: list[Skipped] = []
    for path in map(Path, given):
        if _is_folder(path):
            files += _files_of_folder(path, skipped)
        else:
            files.append(path)

    name = " + ".join(_stem(Path(path)) for path in given) if len(given) <= 3 else f"{len(given):,} files"
    records: list[ElementSet] = []
    for file in files:
        try:
            fleet = parse_elements(_content(file), str(file), lenient=lenient)
        except ElementsError as error:
            # One bad file among several is left out like a bad record; a single one has nothing to fall back on.
            if lenient < 1 or len(files) == 1:
                raise
            skipped.append(_unread(str(file), error))
            continue
        records += fleet.records
        skipped += fleet.skipped
        if len(records) > MOST_SETS:
            got, wanted = Words(f"more than {len(records) - 1:,}"), f"at most {MOST_SETS:,}"
            raise ElementsError("element sets of these files", got=got, wanted=wanted, try_next="fewer files")
    if not records:
        got = Words(f"{len(skipped):,} files and records left out, the last: {skipped[-1]}")
        raise ElementsError("no usable element set", got=got, wanted="at least one")
    if (more := len(skipped) - MOST_SKIPPED) > 0:
        rest = skipped[MOST_SKIPPED:]
        what, lost = f"{more:,} more records and files left out", sum(entry.records for entry in rest)
        skipped[MOST_SKIPPED:] = [Skipped(kind="more", file="", what=what, records=lost)]
    return Fleet(numbered(records) if len(files) > 1 else records, name, skipped=skipped)


def write_elements(fleet: Fleet, path: _AnyPath, *, created: datetime | None = None) -> None:
    """Write a fleet to a file in the form its suffix names: .tle .json .csv .xml .kvn, each also with .gz.

    Reading .json, .csv, .xml or .kvn gives an equal fleet, but that KVN and XML have no empty name: they say UNKNOWN,
    the standard's word. A .tle file rounds as two-line sets do, and a `RoundedElementsWarning` says which fields.
    Raises ElementsError when the form cannot carry an object or a name at all, naming the object, the field and the way
    out, and when the file cannot be written; the old file then stands as it was.

    `created` (aware; default: now) is the creation date that XML and KVN carry. Everything else depends on the fleet
    alone, gzip included, so the same fleet and date give the same bytes.
    """
    path = Path(path)
    form = _form(path)
    if form not in WRITE_SUFFIXES:
        wanted = f"one of {' '.join(WRITE_SUFFIXES)}, or one of them with .gz"
        raise ElementsError("suffix of the file to write", got=path.name, wanted=wanted)
    if not len(fleet):
        raise ElementsError("fleet to write", got=Words("no element sets"), wanted="at least one")
    rounded = rounded_to_two_line(fleet) if form == ".tle" else fleet
    data = _written(rounded, form, created or datetime.now(UTC)).encode("utf-8")
    if path.suffix.lower() == ".gz":
        data = packed(data)
    try:
        write_atomically(path, data)
    except (OSError, ValueError) as error:
        raise _unusable(path, error, "a file that can be written") from None
    if fields := rounded_fields(fleet, rounded):
        words = ", ".join(f"{field} in {count:,}" for field, count in fields.items())
        words_of_loss = f"{printable(path.name)}: rounded to what two-line sets hold, of {len(fleet):,} sets: {words}"
        warnings.warn(RoundedElementsWarning(words_of_loss, fields), stacklevel=2)


def packed(data: bytes) -> bytes:
    """Return `data` as gzip: the same bytes with every Python, whatever system it would name in the head."""
    made = bytearray(gzip.compress(data, mtime=0))
    made[_OF_SYSTEM] = 3  # Unix (RFC 1952, section 2.3.1)
    return bytes(made)


def _written(fleet: Fleet, form: str, created: datetime) -> str:
    """Return a fleet as the text of one form."""
    if created.utcoffset() is None:
        raise ElementsError("creation date", got=created, wanted="an aware time")
    created = created.astimezone(UTC)
    if form == ".tle":
        return "".join(map(format_two_line, fleet))
    if form == ".json":
        return write_json(fleet)
    if form == ".csv":
        return write_csv(fleet)
    if form == ".kvn":
        return write_kvn(fleet, created)
    from passim.elements.omm_xml import write_xml  # its parser is loaded only where XML is met

    return write_xml(fleet, created)


def _is_folder(path: Path) -> bool:
    """Tell whether `path` is a folder. Raises ElementsError when there is nothing, or nothing that can be read."""
    try:
        found = path.stat()
    except (OSError, ValueError) as error:
        raise _unusable(path, error, "an element file or a folder of them") from None
    if path.is_dir():
        return True
    if not path.is_file():
        raise ElementsError(
            f"{printable(str(path))}", got=Words("no regular file"), wanted="an element file or a folder"
        )
    if found.st_size > LARGEST_BYTES:
        got, wanted = Words(f"{found.st_size / 2**20:.0f} MiB"), f"at most {LARGEST_BYTES // 2**20} MiB"
        raise ElementsError(f"{printable(str(path))}", got=got, wanted=wanted, try_next="splitting the file")
    return False


def _files_of_folder(folder: Path, skipped: list[Skipped]) -> list[Path]:
    """Return the element files of a folder, sorted by name; name the others in `skipped`. Raises ElementsError."""
    try:
        entries = sorted(folder.iterdir(), key=lambda entry: entry.name)
    except OSError as error:
        raise _unusable(folder, error, "a folder that can be read") from None
    files = []
    for entry in entries:
        if entry.name.startswith(".") or entry.name.upper().startswith("README"):
            continue
        shown = printable(str(entry))
        if entry.is_dir():
            skipped.append(Skipped(kind="file", file=shown, what="not read; a folder inside a folder"))
        elif _form(entry) not in READ_SUFFIXES:
            skipped.append(Skipped(kind="file", file=shown, what="not read; its suffix is none of an element file"))
        elif not entry.is_file():
            skipped.append(Skipped(kind="file", file=shown, what="not read; no regular file"))
        else:
            files.append(entry)
    if not files:
        wanted = f"files ending in {' '.join(READ_SUFFIXES)}, or these with .gz"
        raise ElementsError(f"{printable(str(folder))}", got=Words("no element files"), wanted=wanted)
    return files


def _unread(file: str, error: ElementsError) -> Skipped:
    """Return the entry of a file that cannot be used at all."""
    name = printable(file)
    return Skipped(
        kind="file",
        file=name,
        what=error.what.removeprefix(name).removeprefix(": "),
        field=error.field,
        got="" if error.got is None else shown(error.got),
        wanted=error.wanted,
        try_next=error.try_next,
    )


def _content(path: Path) -> bytes:
    """Return the bytes of a file, never more than the largest size and one. Raises ElementsError."""
    try:
        with path.open("rb") as file:
            return bounded(file)
    except (OSError, ValueError) as error:
        raise _unusable(path, error, "a file that can be read") from None


def bounded(file: BinaryIO) -> bytes:
    """Return what a regular file holds, never more than the largest size and one; room is made for what is there."""
    return file.read(min(os.fstat(file.fileno()).st_size, LARGEST_BYTES) + 1)


def _form(path: Path) -> str:
    """Return the suffix of a file in small letters, without .gz."""
    return Path(path.stem).suffix.lower() if path.suffix.lower() == ".gz" else path.suffix.lower()


def _stem(path: Path) -> str:
    """Return the name of a fleet read from `path`: its file name without the suffixes."""
    name = path.resolve().name
    while name and (Path(name).suffix.lower() == ".gz" or Path(name).suffix.lower() in READ_SUFFIXES):
        name = Path(name).stem
    return printable(name) or "fleet"


def _unusable(path: Path, error: Exception, wanted: str) -> ElementsError:
    """Return the error for a path that the system refuses, in its words."""
    words = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return ElementsError(printable(str(path)), got=Words(words.lower()), wanted=wanted, try_next="checking the path")
