"""Files and folders: what is read, what is refused, and that a write is whole or nothing."""

from __future__ import annotations

import gzip
import json
import os
import stat
import tracemalloc
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from passim.elements import Fleet, SatelliteId, parse_two_line, read_elements, rounded_to_two_line, write_elements
from passim.elements.formats import parse_elements
from passim.elements.omm import message_of
from passim.errors import ElementsError, RoundedElementsWarning

LINE_1 = "1 99999U 26001A   26060.00000000  .00000000  00000-0  10000-4 0  9993"
LINE_2 = "2 99999  53.0000 120.0000 0001000  90.0000  10.0000 15.05490650    15"
RECORD = parse_two_line(LINE_1, LINE_2, "PLOVER 1")
TLE = f"PLOVER 1\n{LINE_1}\n{LINE_2}\n"
JSON = json.dumps(message_of(RECORD))
WANTED = "wanted two-line sets or OMM as JSON, CSV, XML or KVN"
SUFFIXES = (".tle", ".json", ".csv", ".xml", ".kvn")


def put(path: Path, content: str | bytes) -> Path:
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


# ---------------------------------------------------------------------------------------------------- reading


def test_a_file_gives_a_fleet_with_its_name(tmp_path: Path) -> None:
    fleet = read_elements(put(tmp_path / "plover.tle", TLE))
    assert (fleet.records, fleet.name, fleet.skipped) == ((RECORD,), "plover", ())
    assert read_elements(str(tmp_path / "plover.tle")) == fleet


@pytest.mark.parametrize("suffix", [*SUFFIXES, ".tle.gz", ".JSON.GZ"])
def test_the_form_is_told_by_content_not_by_suffix(tmp_path: Path, suffix: str) -> None:
    written = tmp_path / f"plover{suffix}"
    write_elements(Fleet([RECORD]), written)
    assert read_elements(written).records == (RECORD,)
    assert read_elements(written).name == "plover"
    assert read_elements(put(tmp_path / "anything.data", written.read_bytes())).records == (RECORD,)


def test_several_paths_keep_their_order(tmp_path: Path) -> None:
    other = parse_two_line(LINE_1, LINE_2, "B")
    paths = [put(tmp_path / "b.tle", TLE.replace("PLOVER 1", "B")), put(tmp_path / "a.json", JSON)]
    fleet = read_elements(paths)
    assert fleet.records == (other, RECORD)
    assert fleet.name == "b + a"
    assert read_elements(path for path in paths) == fleet
    with pytest.raises(ElementsError, match=r"^element files; got no path; wanted at least one file or folder"):
        read_elements([])


def test_a_folder_is_read_in_the_order_of_names_and_not_below(tmp_path: Path) -> None:
    for name in ("b.tle", "a.txt", "c.3le", "d.2LE"):
        put(tmp_path / name, TLE.replace("PLOVER 1", name))
    put(tmp_path / "e.json.gz", gzip.compress(JSON.encode()))
    put(tmp_path / ".hidden.tle", "rubbish")
    put(tmp_path / "README.md", "# what is here")
    put(tmp_path / "horizon.pdf", b"%PDF")
    (tmp_path / "older").mkdir()
    put(tmp_path / "older" / "f.tle", TLE)
    fleet = read_elements(tmp_path)
    assert list(fleet.names) == ["a.txt", "b.tle", "c.3le", "d.2LE", "PLOVER 1"]
    assert fleet.name == tmp_path.name
    assert tuple(map(str, fleet.skipped)) == (
        f"{tmp_path}/horizon.pdf: not read; its suffix is none of an element file",
        f"{tmp_path}/older: not read; a folder inside a folder",
    )


def test_a_bad_file_in_a_folder_stops_a_strict_reading_and_is_named_by_a_lenient_one(tmp_path: Path) -> None:
    put(tmp_path / "a.tle", TLE)
    put(tmp_path / "b.txt", "No GP data found\n")
    nothing = f"no element sets: the query matched nothing; got 'No GP data found'; {WANTED}"
    with pytest.raises(ElementsError, match=rf"b\.txt: {nothing}"):
        read_elements(tmp_path)
    fleet = read_elements(tmp_path, lenient=True)
    assert fleet.records == (RECORD,)
    assert tuple(map(str, fleet.skipped)) == (f"{tmp_path}/b.txt: {nothing}; try checking its name or number",)
    put(tmp_path / "a.tle", "")
    with pytest.raises(ElementsError, match=r"^no usable element set; got 2 files and records left out, the last: "):
        read_elements(tmp_path, lenient=True)


def test_a_folder_without_element_files_says_what_it_looks_for(tmp_path: Path) -> None:
    put(tmp_path / "README.md", "# nothing")
    with pytest.raises(
        ElementsError, match=r": got no element files|; got no element files; wanted files ending in \.tle"
    ):
        read_elements(tmp_path)


def test_a_folder_whose_link_leads_nowhere_is_told(tmp_path: Path) -> None:
    put(tmp_path / "a.tle", TLE)
    (tmp_path / "b.tle").symlink_to(tmp_path / "gone.tle")
    assert tuple(map(str, read_elements(tmp_path).skipped)) == (f"{tmp_path}/b.tle: not read; no regular file",)


ZEROS = gzip.compress(bytes(3 * 2**20))
UNREADABLE = {
    "empty": (b"", f"empty file; got 0 bytes; {WANTED}; try fetching the file again"),
    "blank": (b" \r\n\n", f"empty file; got 4 bytes; {WANTED}; try fetching the file again"),
    "mark alone": (b"\xef\xbb\xbf", f"no element sets; got comments only; {WANTED}"),
    "comments": (b"# one\n# two\n", f"no element sets; got comments only; {WANTED}"),
    "HTML": (b"<!DOCTYPE html>\n<html><body>Sign in", f"file; got an HTML page; {WANTED}; try the address of the data"),
    "old HTML": (b'<?xml version="1.0"?>\n<!-- x -->\n<html xmlns="x">', f"file; got an HTML page; {WANTED}"),
    "a provider's words": (
        b"No GP data found",
        f"the query matched nothing; got 'No GP data found'; {WANTED}; try checking its name or number",
    ),
    "a provider's other words": (b"no data found\n", f"the query matched nothing; got 'no data found'; {WANTED}"),
    "words like a provider's": (b"No data founder\n", f"no element sets; got 'No data founder'; {WANTED}"),
    "prose": (b"Dear all,\nplease find\n", f"no element sets; got 'Dear all,'; {WANTED}"),
    "binary": (bytes(range(256)) * 4, f"file; got binary data; {WANTED}"),
    "NUL in text": (TLE.encode() + b"\0", f"file; got binary data; {WANTED}"),
    "ZIP": (b"PK\x03\x04rest", f"file; got a ZIP archive; {WANTED}; try unpacking it"),
    "cut gzip": (gzip.compress(TLE.encode() * 50)[:-9], "gzip; got Compressed file ended before the end-of-stream"),
    "damaged gzip": (gzip.compress(TLE.encode())[:-8] + b"\0" * 8, "gzip; got CRC check failed"),
    "gzip of nothing": (gzip.compress(b""), "empty file; got 0 bytes"),
    "gzip twice": (gzip.compress(gzip.compress(TLE.encode())), f"file; got gzip inside gzip; {WANTED}"),
    "half a set": (LINE_1.encode(), "half a set; got '1 99999U"),
    "two forms": ((TLE + JSON).encode(), "text outside a set; got '{"),
    "two forms, other way": ((JSON + "\n" + TLE).encode(), "JSON at line 2, column 1; got 'PLOVER 1"),
    "latin-1": (TLE.replace("PLOVER", "M\xd6WE").encode("latin-1"), "text; got byte 0xd6; wanted UTF-8; try saving it"),
    "other CSV": (b"azimuth_deg,elevation_deg\n0,25\n", f"no element sets; got 'azimuth_deg,elevation_deg'; {WANTED}"),
}


def test_what_is_no_element_file_gets_one_clear_line(tmp_path: Path, subtests: pytest.Subtests) -> None:
    for kind in UNREADABLE:
        with subtests.test(kind=kind):
            content, message = UNREADABLE[kind]
            with pytest.raises(ElementsError) as raised:
                read_elements(put(tmp_path / "x.tle", content))
            text = str(raised.value)
            assert text.startswith(str(tmp_path / "x.tle"))
            assert message in text
            assert text.isprintable()


@pytest.mark.parametrize("content", [ZEROS, bytes(3 * 2**20)], ids=["packed", "plain"])
def test_a_file_that_is_too_large_or_unpacks_to_too_much_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: bytes
) -> None:
    monkeypatch.setattr("passim.elements.formats.LARGEST_BYTES", 2**20)
    with pytest.raises(ElementsError, match=r"x\.tle: size; got more; wanted at most 1 MiB; try splitting the file$"):
        read_elements(put(tmp_path / "x.tle", content))


def test_a_huge_file_is_refused_before_it_is_opened(tmp_path: Path) -> None:
    path = tmp_path / "x.tle"
    with path.open("wb") as file:
        file.truncate(600 * 2**20)  # a sparse file: it takes no room
    with pytest.raises(ElementsError, match=r"x\.tle; got 600 MiB; wanted at most 128 MiB; try splitting the file$"):
        read_elements(path)


def test_a_small_file_that_unpacks_to_a_huge_one_is_refused_before_it_is_unpacked() -> None:
    """100 KiB of gzip can hold 100 MiB; a regular pattern of element sets packs 80 to 1 at most."""
    packed = gzip.compress(b"[" + b"{}," * (30 * 2**20), mtime=0)
    assert len(packed) < 110_000
    tracemalloc.start()
    with pytest.raises(ElementsError, match=r"^x: gzip; got .* that unpack to more than 100 times as many; wanted "):
        parse_elements(packed, "x")
    assert tracemalloc.get_traced_memory()[1] < 40 * 2**20
    tracemalloc.stop()


@pytest.mark.parametrize(
    ("text", "beside_bytes"),
    [
        # Where every part is refused for itself a third is enough: a tenth of it is what is needed beside.
        ("[" + ", ".join(["{}"] * 20_000) + "]", 2**18),
        ("1 \n" * 20_000, 2**18),
        ('[{"a": [' + ",".join(["{}"] * 30_000) + "]}]", 3 * 2**19),
        ("[" * 60_000, 2**21),
        ("\n" * 60_000 + "NORAD_CAT_ID,EPOCH\n" + "," * 60_000, 2**21),
        ("CCSDS_OMM_VERS = 3.0\n" + "A = 1\n" * 60_000, 2**21),
    ],
    ids=["json", "two-line", "json in a record", "json deep", "csv", "kvn"],
)
def test_what_is_no_element_set_costs_no_more_than_a_few_times_its_size(text: str, beside_bytes: int) -> None:
    data = text.encode()
    tracemalloc.start()
    with pytest.raises(ElementsError):
        parse_elements(data, "x", lenient=True)
    assert tracemalloc.get_traced_memory()[1] < 4 * len(data) + beside_bytes
    tracemalloc.stop()


def test_of_many_bad_records_the_first_hundred_are_told_and_the_others_counted() -> None:
    fleet = parse_elements((TLE + "1 half\n" * 5000).encode(), "x", lenient=True)
    assert len(fleet.skipped) == 101
    assert str(fleet.skipped[-1]) == "x: 4,900 more bad records"


def test_more_sets_than_passim_judges_in_a_minute_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("passim.elements.formats.MOST_SETS", 2)
    with pytest.raises(ElementsError, match=r"x: number of element sets; got 3; wanted at most 2; try splitting"):
        parse_elements((TLE * 3).encode(), "x")


def test_what_is_not_there_or_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(
        ElementsError, match=r"no\.tle; got no such file or directory; wanted an element file or a folder"
    ):
        read_elements(tmp_path / "no.tle")
    with pytest.raises(ElementsError, match=r"got embedded null byte; wanted an element file"):
        read_elements("a\0b")
    os.mkfifo(tmp_path / "pipe.tle")
    with pytest.raises(ElementsError, match=r"pipe\.tle; got no regular file; wanted an element file or a folder$"):
        read_elements(tmp_path / "pipe.tle")
    with pytest.raises(ElementsError) as raised:
        read_elements(tmp_path / "evil\x1b[2J\n.tle")
    assert str(raised.value).isprintable()


def test_foreign_bytes_in_names_are_replaced_and_told_when_lenient() -> None:
    data = TLE.replace("PLOVER", "M\xd6WE").encode("latin-1")
    fleet = parse_elements(data, "x.tle", lenient=True)
    assert list(fleet.names) == ["M\N{REPLACEMENT CHARACTER}WE 1"]
    assert tuple(map(str, fleet.skipped)) == (
        "x.tle, line 1: text, where each foreign byte became \N{REPLACEMENT CHARACTER}; got byte 0xd6; wanted UTF-8",
    )


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_marked_text_is_read(encoding: str) -> None:
    for text in (TLE, JSON):
        assert parse_elements(text.encode(encoding)).records == (RECORD,)


# ---------------------------------------------------------------------------------------------------- writing


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_the_same_fleet_gives_the_same_bytes(tmp_path: Path, suffix: str) -> None:
    created = datetime(2026, 3, 2, tzinfo=UTC)
    for name in ("a", "b"):
        write_elements(Fleet([RECORD]), tmp_path / f"{name}{suffix}.gz", created=created)
        write_elements(Fleet([RECORD]), tmp_path / f"{name}{suffix}", created=created)
    packed = (tmp_path / f"a{suffix}.gz").read_bytes()
    assert packed == (tmp_path / f"b{suffix}.gz").read_bytes()
    assert gzip.decompress(packed) == (tmp_path / f"b{suffix}").read_bytes()


@pytest.mark.parametrize("name", ["x.txt", "x", "x.gz", "x.tle.zip", ".json"])
def test_an_unknown_suffix_lists_the_known_ones(tmp_path: Path, name: str) -> None:
    with pytest.raises(ElementsError) as raised:
        write_elements(Fleet([RECORD]), tmp_path / name)
    assert str(raised.value) == (
        f"suffix of the file to write; got '{name}'; wanted one of .tle .json .csv .xml .kvn, or one of them with .gz"
    )


def test_an_empty_fleet_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(ElementsError, match=r"^fleet to write; got no element sets; wanted at least one$"):
        write_elements(Fleet([]), tmp_path / "x.tle")
    assert not list(tmp_path.iterdir())


def test_a_refused_write_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = put(tmp_path / "x.tle", TLE)
    large = parse_two_line(LINE_1, LINE_2)
    fleet = Fleet([RECORD, replace(large, satellite_id=SatelliteId(900000001))])
    with pytest.raises(
        ElementsError,
        match=r"^satellite_id of object 900000001 does not fit .*try writing \.json, \.csv",
    ):
        write_elements(fleet, path)
    assert path.read_text() == TLE
    assert [entry.name for entry in tmp_path.iterdir()] == ["x.tle"]


def test_a_write_that_fails_on_the_way_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = put(tmp_path / "x.tle", TLE)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("passim.elements.atomic.os.fsync", full)
    with pytest.raises(ElementsError, match=r"x\.tle; got no space left on device; wanted a file that can be written"):
        write_elements(Fleet([RECORD, RECORD]), path)
    assert path.read_text() == TLE
    assert [entry.name for entry in tmp_path.iterdir()] == ["x.tle"]


def test_places_that_cannot_be_written_are_refused(tmp_path: Path) -> None:
    with pytest.raises(
        ElementsError, match=r"x\.tle; got no such file or directory; wanted a file that can be written"
    ):
        write_elements(Fleet([RECORD]), tmp_path / "no" / "x.tle")
    (tmp_path / "folder.tle").mkdir()
    with pytest.raises(ElementsError, match=r"folder\.tle; got a folder; wanted a file that can be written"):
        write_elements(Fleet([RECORD]), tmp_path / "folder.tle")


def test_permissions_and_links_are_those_of_any_file(tmp_path: Path) -> None:
    old_mask = os.umask(0o027)
    try:
        write_elements(Fleet([RECORD]), tmp_path / "new.tle")
    finally:
        os.umask(old_mask)
    assert stat.S_IMODE((tmp_path / "new.tle").stat().st_mode) == 0o640
    (tmp_path / "new.tle").chmod(0o604)
    (tmp_path / "link.tle").symlink_to("new.tle")
    write_elements(Fleet([RECORD, RECORD]), tmp_path / "link.tle")
    assert (tmp_path / "link.tle").is_symlink()
    assert stat.S_IMODE((tmp_path / "new.tle").stat().st_mode) == 0o604
    assert len(read_elements(tmp_path / "new.tle")) == 2


def test_rounding_makes_a_fleet_fit(tmp_path: Path) -> None:
    fleet = Fleet([replace(RECORD, node_deg=120.123456, name="A NAME OF MORE THAN TWENTY-FOUR")], "Plover")
    with pytest.warns(RoundedElementsWarning, match=r"^x\.tle: .*, of 1 sets: name in 1, node_deg in 1$") as told:
        write_elements(fleet, tmp_path / "x.tle")
    assert told[0].message.fields == {"name": 1, "node_deg": 1}  # type: ignore[union-attr]
    assert read_elements(tmp_path / "x.tle") == rounded_to_two_line(fleet)
    rounded = rounded_to_two_line(fleet)
    write_elements(rounded, tmp_path / "x.tle")
    assert read_elements(tmp_path / "x.tle") == rounded
    assert (rounded[0].node_deg, rounded[0].name, rounded.name) == (120.1235, "A NAME OF MORE THAN TWEN", "Plover")


def test_the_same_fleet_gives_the_same_gzip_whatever_python_writes_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The head of a gzip file has a place for the system (RFC 1952, section 2.3.1), which Pythons fill differently."""
    fleet = parse_elements(JSON.encode())
    compress, heads = gzip.compress, []
    for system in (3, 255):

        def compressed(data: bytes, mtime: float = 0, system: int = system) -> bytes:
            made = bytearray(compress(data, mtime=mtime))
            made[9] = system
            return bytes(made)

        monkeypatch.setattr("passim.elements.files.gzip.compress", compressed)
        write_elements(fleet, tmp_path / f"{system}.json.gz")
        heads.append((tmp_path / f"{system}.json.gz").read_bytes())
    assert heads[0] == heads[1]
    assert read_elements(tmp_path / "3.json.gz") == fleet
