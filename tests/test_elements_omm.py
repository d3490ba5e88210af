"""Orbit mean-elements messages: what they must say, what is refused and how, and that nothing is lost on the way."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime

import pytest

from passim.elements import Fleet, parse_elements, parse_two_line
from passim.elements.omm import element_set_of, element_sets_of, message_of
from passim.errors import ElementsError

LINE_1 = "1 99999U 26001A   26060.00000000  .00000000  00000-0  10000-4 0  9993"
LINE_2 = "2 99999  53.0000 120.0000 0001000  90.0000  10.0000 15.05490650    15"

# An invented message with the keywords that public JSON feeds give.
MESSAGE: dict[str, object] = {
    "OBJECT_NAME": "PLOVER 1",
    "OBJECT_ID": "2026-001A",
    "EPOCH": "2026-03-01T00:00:00.000000",
    "MEAN_MOTION": 15.0549065,
    "ECCENTRICITY": 0.0001,
    "INCLINATION": 53,
    "RA_OF_ASC_NODE": 120,
    "ARG_OF_PERICENTER": 90,
    "MEAN_ANOMALY": 10,
    "EPHEMERIS_TYPE": 0,
    "CLASSIFICATION_TYPE": "U",
    "NORAD_CAT_ID": 99999,
    "ELEMENT_SET_NO": 999,
    "REV_AT_EPOCH": 1,
    "BSTAR": 1e-5,
    "MEAN_MOTION_DOT": 0,
    "MEAN_MOTION_DDOT": 0,
}
NUMBERS = (
    "EPOCH",
    "MEAN_MOTION",
    "ECCENTRICITY",
    "INCLINATION",
    "RA_OF_ASC_NODE",
    "ARG_OF_PERICENTER",
    "MEAN_ANOMALY",
    "BSTAR",
)
RECORD = parse_two_line(LINE_1, LINE_2, "PLOVER 1")


def read(text: str, **options: bool) -> Fleet:
    return parse_elements(text.encode(), "sets", **options)


# ---------------------------------------------------------------------------------------------------- one message


def test_the_keywords_say_what_the_columns_say() -> None:
    assert element_set_of(MESSAGE) == RECORD
    assert element_set_of({key: str(value) for key, value in MESSAGE.items()}) == RECORD
    assert element_set_of(message_of(RECORD)) == RECORD


def test_legal_values(subtests: pytest.Subtests) -> None:
    for keyword, value, field, expected in [
        ("NORAD_CAT_ID", "A0000", "satellite_id", "100000"),
        ("NORAD_CAT_ID", "00005", "satellite_id", "5"),
        ("NORAD_CAT_ID", 123456789, "satellite_id", "123456789"),
        ("OBJECT_ID", "", "designator", ""),
        ("OBJECT_ID", None, "designator", ""),
        ("OBJECT_ID", "UNKNOWN", "designator", ""),
        ("OBJECT_NAME", "", "name", ""),
        ("OBJECT_NAME", None, "name", ""),
        ("EPOCH", "2026-060T00:00:00Z", "epoch", datetime(2026, 3, 1, tzinfo=UTC)),
        ("BSTAR", " -.25E-3 ", "bstar", -0.25e-3),
        ("BSTAR", "+2.", "bstar", 2.0),
        ("ELEMENT_SET_NO", "", "element_set_number", 999),
        ("REV_AT_EPOCH", "12.0", "revolution_at_epoch", 12),
        ("EPHEMERIS_TYPE", "2", "bstar", 1e-5),
        ("EPHEMERIS_TYPE", "", "bstar", 1e-5),
        ("MEAN_ELEMENT_THEORY", "SGP/SGP4", "bstar", 1e-5),
        ("MEAN_ELEMENT_THEORY", "sgp4", "bstar", 1e-5),
        ("REF_FRAME", "TEME", "bstar", 1e-5),
        ("CENTER_NAME", "Earth", "bstar", 1e-5),
        ("BTERM", "", "bstar", 1e-5),
        ("USER_DEFINED_COLOUR", "red", "bstar", 1e-5),
        ("SOMETHING_NEW", [1, {"a": None}], "bstar", 1e-5),
    ]:
        with subtests.test(keyword=keyword, value=value, field=field, expected=expected):
            assert getattr(element_set_of(MESSAGE | {keyword: value}), field) == expected


def test_many_at_once_are_read_as_each_by_itself(subtests: pytest.Subtests) -> None:
    # Whatever is odd about one of them, a column of it says nothing else than the one alone: its set, or its fault.
    odd: list[object] = [None, True, 0, 1.5, -1, 1e300, math.nan, -math.inf, 10**40, "", " ", "x", "24", [], {"a": 1}]
    times = ["2026-03-01T24:00:00.000000", "2026-03-01 00:00:00.000000", "2026-03-01T00:00:00.00000Z", "2026-W09-7"]
    known = [*MESSAGE, "SEMI_MAJOR_AXIS", "BTERM", "REF_FRAME", "TIME_SYSTEM", "MEAN_ELEMENT_THEORY"]
    usual = [MESSAGE | {"NORAD_CAT_ID": k, "OBJECT_NAME": f"P {k}", "MEAN_MOTION": 15.0 + k / 9} for k in range(1, 9)]
    at_once = element_sets_of(usual)
    assert at_once == [element_set_of(message) for message in usual]
    assert [repr(one) for one in at_once or ()] == [repr(element_set_of(message)) for message in usual]
    legal = [("EPHEMERIS_TYPE", 2), ("EPOCH", "2026-02-28T23:59:59.999999"), ("BSTAR", -0.5), ("OBJECT_ID", "")]
    for keyword in known:
        beside = [*times, "1956-12-31T00:00:00.000000", "2100-01-01T00:00:00.000000"] if keyword == "EPOCH" else []
        for value in [*odd, *beside, " P", "\u00d6", "2026-001A;2026-001B", "absent"]:
            with subtests.test(keyword=keyword, value=value):
                message = {**usual[3], keyword: value}
                if value == "absent":
                    del message[keyword]
                mixed = [*usual[:3], message, *usual[4:]]
                for messages in (mixed, [message] * 3):
                    found = element_sets_of(messages)
                    try:
                        alone = [element_set_of(one) for one in messages]
                    except ElementsError:
                        assert found is None
                    else:
                        assert found is None or list(map(repr, found)) == list(map(repr, alone))
    for keyword, value in legal:
        assert element_sets_of([*usual, usual[0] | {keyword: value}]) is not None


@pytest.mark.parametrize(
    "keyword", ["OBJECT_ID", "OBJECT_NAME", "EPHEMERIS_TYPE", "CLASSIFICATION_TYPE", "MEAN_MOTION_DOT"]
)
def test_keywords_that_may_be_absent(keyword: str) -> None:
    assert element_set_of({key: value for key, value in MESSAGE.items() if key != keyword}).satellite_id == "99999"


def test_keywords_that_may_not_be_absent(subtests: pytest.Subtests) -> None:
    for keyword in NUMBERS:
        for value in [None, "", "  ", "absent"]:
            with subtests.test(keyword=keyword, value=value):
                message = {**MESSAGE, keyword: value}
                if value == "absent":
                    del message[keyword]
                with pytest.raises(ElementsError, match=rf"^{keyword}( of .*)?; got (nothing|null); wanted "):
                    element_set_of(message)


@pytest.mark.parametrize(
    ("keyword", "value", "message"),
    [
        ("MEAN_ELEMENT_THEORY", "SGP4-XP", "got 'SGP4-XP'; wanted SGP4 or SGP/SGP4"),
        ("MEAN_ELEMENT_THEORY", "DSST", "got 'DSST'; wanted SGP4 or SGP/SGP4"),
        ("REF_FRAME", "EME2000", "got 'EME2000'; wanted TEME"),
        ("TIME_SYSTEM", "TAI", "got 'TAI'; wanted UTC"),
        ("CENTER_NAME", "MARS", "got 'MARS'; wanted EARTH"),
        ("EPHEMERIS_TYPE", 4, "got 4; wanted 0 or 2"),
        ("EPHEMERIS_TYPE", None, "got null; wanted 0 or 2"),
        ("BTERM", 0.02, r"got 0.02; wanted BSTAR \(this keyword belongs to SGP4-XP\)"),
        ("AGOM", "0.01", r"got '0.01'; wanted BSTAR \(this keyword belongs to SGP4-XP\)"),
        ("MEAN_MOTION", "nan", "got 'nan'; wanted a finite number"),
        ("MEAN_MOTION", math.inf, "got inf; wanted a finite number"),
        ("MEAN_MOTION", "1e999", "got '1e999'; wanted a finite number"),
        ("MEAN_MOTION", "1_5", "got '1_5'; wanted a finite number"),
        ("MEAN_MOTION", "0x1p3", "got '0x1p3'; wanted a finite number"),
        ("MEAN_MOTION", "15,05", "got '15,05'; wanted a finite number"),
        ("MEAN_MOTION", "\u0661\u0665", "got '\u0661\u0665'; wanted a finite number"),
        pytest.param("MEAN_MOTION", 10**5000, "got a number of more than thirty digits; wanted a finite", id="huge"),
        ("BSTAR", True, "got true; wanted a finite number"),
        ("BSTAR", None, "got null; wanted a finite number"),
        ("BSTAR", [1], r"got \[1\]; wanted a finite number"),
        ("REV_AT_EPOCH", 1.5, "got 1.5; wanted a whole number"),
        ("REV_AT_EPOCH", "-1", "got '-1'; wanted a whole number"),
        ("EPOCH", 1772323200, "got 1772323200; wanted ISO 8601 text"),
        ("EPOCH", "2026-03-01T00:00:00+02:00", "wanted UTC, without another offset; try giving it in UTC"),
        ("OBJECT_NAME", 12, "got 12; wanted text"),
        ("OBJECT_ID", False, "got false; wanted text"),
    ],
)
def test_values_that_are_refused(keyword: str, value: object, message: str) -> None:
    with pytest.raises(ElementsError, match=rf"^{keyword} of (PLOVER 1 \(99999\)|object 99999); .*{message}") as raised:
        element_set_of(MESSAGE | {keyword: value})
    assert str(raised.value).isprintable()


@pytest.mark.parametrize("value", [True, 99999.0, -5, "-5", "1234567890", "I0000", "2026-001A", [5]])
def test_catalogue_numbers_that_are_refused(value: object) -> None:
    with pytest.raises(
        ElementsError, match=r"^NORAD_CAT_ID; got .*; wanted one to nine digits|^NORAD_CAT_ID of the rec"
    ):
        element_set_of(MESSAGE | {"NORAD_CAT_ID": value})


def test_a_range_is_checked_too() -> None:
    with pytest.raises(ElementsError, match=r"inclination_deg of PLOVER 1 \(99999\); got 181.0; wanted from 0 to 180"):
        element_set_of(MESSAGE | {"INCLINATION": 181})


def test_a_semi_major_axis_becomes_a_mean_motion() -> None:
    # Kepler's third law by hand: a geostationary axis of 42164.17 km gives one revolution a sidereal day, 86164.1 s.
    message = {key: value for key, value in MESSAGE.items() if key != "MEAN_MOTION"} | {"SEMI_MAJOR_AXIS": "42164.17"}
    assert element_set_of(message).mean_motion_rev_day == pytest.approx(86400 / 86164.1, rel=2e-6)


def test_an_axis_beside_a_mean_motion_must_agree_and_then_the_mean_motion_counts() -> None:
    assert element_set_of(MESSAGE | {"SEMI_MAJOR_AXIS": 6928.1}).mean_motion_rev_day == 15.0549065
    with pytest.raises(ElementsError, match=r"SEMI_MAJOR_AXIS of .*got 7100; wanted an axis that agrees"):
        element_set_of(MESSAGE | {"SEMI_MAJOR_AXIS": 7100})
    with pytest.raises(ElementsError, match=r"SEMI_MAJOR_AXIS of .*got 0; wanted kilometres"):
        element_set_of(MESSAGE | {"SEMI_MAJOR_AXIS": 0})


# ---------------------------------------------------------------------------------------------------- JSON


def test_json_object_or_array() -> None:
    assert read(json.dumps(MESSAGE)).records == (RECORD,)
    assert read("\ufeff \n" + json.dumps([MESSAGE, MESSAGE], indent=2).replace("\n", "\r\n")).records == (
        RECORD,
        RECORD,
    )


def test_json_faults(subtests: pytest.Subtests) -> None:
    for text, message in [
        ("[]", "sets: no element sets; got none; wanted two-line sets or OMM"),
        ("[1]", "sets, record 1: record; got a number; wanted a JSON object of OMM keywords"),
        ("[null]", "sets, record 1: record; got no object; wanted"),
        (
            '{"error": "no"}',
            "sets, record 1: NORAD_CAT_ID of the record; got nothing; wanted a catal",
        ),
        ('{"EPOCH": "x", "EPOCH": "y"}', "sets, record 1: EPOCH; got the key twice; wanted each key once"),
        (
            '[{"EPOCH": ',
            "sets: JSON at line 1, column 12; got the end of the file; wanted a whole JSON document; try fetch",
        ),
        ("{} {}", "sets: JSON at line 1, column 4; got '{}'; wanted a whole JSON document"),
        ("[" * 100_000, "sets: JSON; got a document nested too deeply"),
        ('{"a": ' + "9" * 5000 + "}", "sets: JSON; got a document nested too deeply or with endless digits"),
        (
            json.dumps([MESSAGE | {"BSTAR": math.nan}]),
            "sets, record 1: BSTAR of PLOVER 1 (99999); got nan; wanted a finite",
        ),
        (
            json.dumps([MESSAGE, MESSAGE | {"BSTAR": "x"}]),
            "sets, record 2: BSTAR of PLOVER 1 (99999); got 'x'; wanted a finite",
        ),
    ]:
        with subtests.test(text=text, message=message):
            with pytest.raises(ElementsError) as raised:
                read(text)
            assert str(raised.value).startswith(message)


def test_lenient_json_skips_records_and_keeps_what_stands_before_a_cut() -> None:
    text = json.dumps([MESSAGE, MESSAGE | {"BSTAR": None}, 5, MESSAGE])
    fleet = read(text, lenient=True)
    assert len(fleet) == 2
    assert [str(entry).split(":")[0] for entry in fleet.skipped] == ["sets, record 2", "sets, record 3"]
    cut = read(json.dumps([MESSAGE, MESSAGE, MESSAGE])[:-40], lenient=True)
    assert len(cut) == 2
    assert str(cut.skipped[0]).startswith("sets, after record 2, PLOVER 1 (99999): JSON at line 1, column ")


def test_a_lenient_reading_that_leaves_nothing_is_an_error() -> None:
    with pytest.raises(
        ElementsError, match=r"^sets: no usable record; got 2 bad, the first record 1: BSTAR of PLOVER 1 \(99999\)"
    ):
        read(json.dumps([MESSAGE | {"BSTAR": "x"}] * 2), lenient=True)


# ---------------------------------------------------------------------------------------------------- CSV


def csv_of(*messages: dict[str, object], end: str = "\n") -> str:
    rows = [",".join(MESSAGE), *(",".join(str(message[key]) for key in MESSAGE) for message in messages)]
    return end.join(rows) + end


def test_csv_rows() -> None:
    assert read(csv_of(MESSAGE, MESSAGE)).records == (RECORD, RECORD)
    assert read("\ufeff" + csv_of(MESSAGE, end="\r\n") + "\r\n\r\n").records == (RECORD,)
    assert read("\n" + csv_of(MESSAGE).replace(",", " , ")).records == (RECORD,)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (csv_of(), "sets: no element sets; got none"),
        (
            csv_of(MESSAGE)[:-3],
            "sets, line 2, PLOVER 1 (99999): row; got 16 cells; wanted 17 as in the header; try fetching",
        ),
        (csv_of(MESSAGE) + "1,2,3\n", "sets, line 3, 1 (2): row; got 3 cells; wanted 17 as in the header"),
        (
            csv_of(MESSAGE, MESSAGE | {"BSTAR": "NaN"}),
            "sets, line 3: BSTAR of PLOVER 1 (99999); got 'NaN'; wanted a finite",
        ),
        (csv_of(MESSAGE).replace("OBJECT_ID", "EPOCH"), "sets: CSV header; got EPOCH twice; wanted each column once"),
        (
            csv_of(MESSAGE).replace("NORAD_CAT_ID", "A").replace("OBJECT_ID", "B"),
            "sets: CSV header; got 'OBJECT_NAME, B",
        ),
        (csv_of(MESSAGE) + '"open', "sets, line 3: CSV; got unexpected end of data; wanted closed quotes and commas"),
    ],
)
def test_csv_faults(text: str, message: str) -> None:
    with pytest.raises(ElementsError) as raised:
        read(text)
    assert str(raised.value).startswith(message)


# ---------------------------------------------------------------------------------------------------- KVN

KVN = "CCSDS_OMM_VERS = 2.0\nCOMMENT invented\nCREATION_DATE = 2026-03-02T00:00:00\nORIGINATOR = NOBODY\n\n" + "".join(
    f"{key} = {value}\n" for key, value in MESSAGE.items()
)


def test_kvn_messages_one_after_the_other() -> None:
    assert read(KVN).records == (RECORD,)
    assert read("COMMENT first\n" + KVN + "\n\n" + KVN).records == (RECORD, RECORD)
    assert read("\ufeff" + KVN.replace("\n", "\r\n").replace(" = ", "=  ")).records == (RECORD,)


def test_kvn_units_are_taken_off_and_checked() -> None:
    assert read(
        KVN.replace("= 53\n", "= 53 [deg]\n").replace("= 15.0549065\n", "= 15.0549065 [REV/DAY]\n")
    ).records == (RECORD,)
    with pytest.raises(ElementsError, match=r"^sets, line 11, PLOVER 1 \(99999\): INCLINATION; got '\[rad\]'"):
        read(KVN.replace("= 53\n", "= 53 [rad]\n"))
    assert read(KVN.replace("= PLOVER 1\n", "= PLOVER [OLD]\n"))[0].name == "PLOVER [OLD]"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            KVN.replace("OMM", "OPM"),
            "sets, line 1: message; got 'CCSDS_OPM_VERS = 2.0'; wanted CCSDS_OMM_VERS = 2.0 or 3.0",
        ),
        (
            KVN.split("\n", 1)[1],
            "sets, line 2: message; got 'CREATION_DATE = 2026-03-02T00:00:00'; wanted CCSDS_OMM_VERS",
        ),
        (
            KVN.replace("BSTAR =", "BSTAR"),
            "sets, line 20, PLOVER 1 (99999): KVN line; got 'BSTAR 1e-05'",
        ),
        (
            KVN + "BSTAR = 1\n",
            "sets, line 20, PLOVER 1 (99999): BSTAR; got the keyword twice",
        ),
        (
            KVN.replace("= 0.0001", "= x"),
            "sets, line 10: ECCENTRICITY of PLOVER 1 (99999); got 'x'; wanted a finite number",
        ),
        (
            KVN + KVN.split("OBJECT_NAME")[0],
            "sets, line 23: NORAD_CAT_ID of the record; got nothing; wanted a catal",
        ),
    ],
)
def test_kvn_faults(text: str, message: str) -> None:
    with pytest.raises(ElementsError) as raised:
        read(text)
    assert str(raised.value).startswith(message)


def test_lenient_kvn_skips_one_message() -> None:
    fleet = read(KVN.replace("= 53\n", "= x\n") + KVN.replace("OMM", "OEM") + KVN, lenient=True)
    assert fleet.records == (RECORD,)
    assert [str(entry).split(";")[0] for entry in fleet.skipped] == [
        "sets, line 11: INCLINATION of PLOVER 1 (99999)",
        "sets, line 23: message",
    ]


# ---------------------------------------------------------------------------------------------------- XML


def omm(message: dict[str, object]) -> str:
    leaves = "".join(f"<{key}>{value}</{key}>\n" for key, value in message.items())
    return (
        '<omm id="CCSDS_OMM_VERS" version="2.0"><header><COMMENT>a</COMMENT><COMMENT>b</COMMENT></header>'
        f"<body><segment><metadata/><data>\n{leaves}</data></segment></body></omm>"
    )


def test_xml_with_one_root_or_many_messages() -> None:
    declaration = '<?xml version="1.0" encoding="UTF-8"?>\n'
    assert read(declaration + omm(MESSAGE)).records == (RECORD,)
    assert read("\n" + declaration + f"<ndm>{omm(MESSAGE)}<!-- x -->{omm(MESSAGE)}</ndm>").records == (RECORD, RECORD)
    assert read(f'<n:ndm xmlns:n="urn:x">{omm(MESSAGE)}</n:ndm>').records == (RECORD,)
    latin = '<?xml version="1.0" encoding="ISO-8859-1"?>' + omm(MESSAGE | {"OBJECT_NAME": "MÖWE &amp; <![CDATA[<1>]]>"})
    assert parse_elements(latin.encode("latin-1"))[0].name == "MÖWE & <1>"


BOMB = (
    '<?xml version="1.0"?><!DOCTYPE ndm [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    "<ndm>&b;</ndm>"
)
OUTSIDE = '<!DOCTYPE ndm [<!ENTITY x SYSTEM "file:///etc/passwd">]><ndm><omm><OBJECT_NAME>&x;</OBJECT_NAME></omm></ndm>'


def test_xml_faults(subtests: pytest.Subtests) -> None:
    for text, message in [
        (BOMB, "sets: XML; got a declaration <!DOCTYPE; wanted XML without a document type declaration or entities"),
        (OUTSIDE, "sets: XML; got a declaration <!DOCTYPE; wanted XML without a document type declaration or entities"),
        ("<ndm></ndm>", "sets: no element sets; got none"),
        ("<rss></rss>", "sets: XML root; got '<rss>'; wanted <ndm> or <omm>"),
        ("<ndm><opm></opm></ndm>", "sets, line 1: message; got '<opm>'; wanted <omm>"),
        ("<ndm>" + omm(MESSAGE)[:-20], "sets: XML at line "),
        (
            "<ndm>" + omm(MESSAGE).replace("PLOVER 1", "&nosuch;") + "</ndm>",
            "sets: XML at line 2; got undefined entity",
        ),
        (
            omm(MESSAGE | {"INCLINATION": "x"}),
            "sets, line 7: INCLINATION of PLOVER 1 (99999); got 'x'; wanted a finite number",
        ),
        (omm(MESSAGE) + LINE_1, "sets: XML at line 19; got junk after document element"),
        (
            omm(MESSAGE).replace("<BSTAR>", "<BSTAR>1</BSTAR><BSTAR>"),
            "sets, line 16, PLOVER 1 (99999): BSTAR; got the elem",
        ),
        (
            omm(MESSAGE).replace("<INCLINATION>", '<INCLINATION units="rad">'),
            "sets, line 7, PLOVER 1 (99999): INCLINATION; got '[rad]'; wanted [deg]",
        ),
        (
            '<?xml version="1.0" encoding="no-such"?>' + omm(MESSAGE),
            "sets: XML; got unknown encoding: no-such; wanted a whole XML document",
        ),
    ]:
        with subtests.test(text=text, message=message):
            with pytest.raises(ElementsError) as raised:
                read(text)
            assert str(raised.value).startswith(message)


def test_lenient_xml_skips_messages_and_keeps_what_stands_before_a_cut() -> None:
    bad = omm(MESSAGE | {"BSTAR": ""})
    fleet = read(f"<ndm>{omm(MESSAGE)}{bad}<opm/>{omm(MESSAGE)}{omm(MESSAGE)[:-30]}", lenient=True)
    assert fleet.records == (RECORD, RECORD)
    assert [str(entry).split(": ")[1].split(";")[0] for entry in fleet.skipped] == [
        "BSTAR of PLOVER 1 (99999)",
        "message",
        "XML",
    ]


def test_large_xml_is_refused_before_it_is_parsed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("passim.elements.omm_xml.LARGEST_XML_BYTES", 2**20)
    with pytest.raises(
        ElementsError, match=r"^sets: size; got 2 MiB; wanted at most 1 MiB of XML; try the JSON or CSV"
    ):
        read("<ndm>" + " " * 2**21)


def test_blanks_of_any_kind_around_a_number_do_no_harm() -> None:
    assert element_set_of(MESSAGE | {"BSTAR": " 1e-5\x1c"}).bstar == 1e-5
