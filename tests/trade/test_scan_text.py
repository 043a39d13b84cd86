"""Typed and pasted read-outs. Reply meanings by SAE J1979; the words are common practice."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.payloads import Scan
from roadworn.trade.codes import code_from_bytes
from roadworn.trade.scan_text import parse_scan_text
from roadworn.trade.scanned import ScannedCode


def read(text):
    found = parse_scan_text(text)
    assert found.problems == (), found.problems
    return found


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        (
            "P0420 P0171 pending P0300 permanent",
            [("P0420", "stored"), ("P0171", "pending"), ("P0300", "permanent")],
        ),
        ("stored P0420 pending P0171", [("P0420", "stored"), ("P0171", "pending")]),
        (
            "p0420, P0171 (pending); P0300",
            [("P0420", "stored"), ("P0171", "pending"), ("P0300", "stored")],
        ),
        (
            "Stored codes: P0420, P0171\nPending: P0300\nPermanent:\nP0420\nP0302\n\nABS C0031",
            [
                ("P0420", "stored"),
                ("P0171", "stored"),
                ("P0300", "pending"),
                ("P0420", "permanent"),
                ("P0302", "permanent"),
                ("C0031", "stored"),
            ],
        ),
        (
            "P0420: words of a reader (pending)\nP0171 - other words",
            [("P0420", "pending"), ("P0171", "stored")],
        ),
        ("P0420 - P0171", [("P0420", "stored"), ("P0171", "stored")]),
        ("P0420 P0420", [("P0420", "stored")]),
        ("P0000 P0420", [("P0420", "stored")]),  # two zero bytes are padding
        (
            "SPN 1208 FMI 3, SPN 110/FMI 0 pending",
            [("SPN 1208 FMI 3", "stored"), ("SPN 110 FMI 0", "pending")],
        ),
    ],
)
def test_codes_and_their_lists(text, codes):
    assert [(c.code, c.status) for c in read(text).codes] == codes


@pytest.mark.parametrize(
    "title", ["Scan report, 3 codes", "Full system scan", "Vehicle scan report (2 faults found)"]
)
def test_a_printouts_title_is_no_code(title):
    found = read(f"{title}\nP0301 stored\nP0420 pending\nU0100 stored\n")
    assert [code.code for code in found.codes] == ["P0301", "P0420", "U0100"]
    assert found.beside == (title,)


@pytest.mark.parametrize("line", ["scan failed", "scan P0301", "report XYZ"])
def test_what_says_more_than_a_title_is_none(line):
    assert parse_scan_text(f"{line}\nP0420\n").problems


def test_modules():
    # Two modules as on a CAN line with 11-bit identifiers: 7E8 engine, 7E9 another.
    found = read("7E8: P0123 P0420\n7E9: no codes\nlamp on\n83 07 E5 41")
    assert found.codes == (
        ScannedCode("P0123", "stored", "7E8"),
        ScannedCode("P0420", "stored", "7E8"),
    )
    assert (found.empty, found.lamp, found.readiness) == (("7E9",), "on", "8307E541")
    # The status byte counts 3 codes and the list holds 2: worth a remark, not a refusal.
    assert [r.code for r in found.remarks] == ["scan-count"]


@pytest.mark.parametrize(
    ("line", "module"),
    [
        ("Module: BCM - no communication", "BCM"),
        ("Module: BCM (did not respond)", "BCM"),
        ("BCM no communication", "BCM"),
        ("Instrument cluster - no comm", "Instrument cluster"),
        ("Body control module not responding", "Body control module"),
        ("no communication with ABS", "ABS"),
    ],
)
def test_a_module_without_an_answer_is_kept_by_its_name(line: str, module: str) -> None:
    found = read(f"Module: ECM\n P0420\n\n{line}\n\nTCM: no response\n")
    assert found.failed == (module, "transmission")
    assert [code.code for code in found.codes] == ["P0420"]
    assert read("the vehicle gave no answer").failed == ("engine",)


def test_a_failed_read_is_not_an_empty_list():
    none = read("no codes, lamp off")
    assert (none.empty, none.failed, none.lamp) == (("engine",), (), "off")
    for answer in (
        "NO DATA",
        "UNABLE TO CONNECT",
        "STOPPED",
        "CAN ERROR",
        "BUS INIT: ...ERROR",
        "?",
    ):
        failed = read(answer)
        assert (failed.codes, failed.empty, failed.failed) == ((), (), ("engine",)), answer
    mixed = read("ABS: C0034-11\nengine: unable to connect")
    outcomes = {m["name"]: m["outcome"] for m in mixed.payload()["modules"]}
    assert outcomes == {"ABS": "read", "engine": "failed"}


@pytest.mark.parametrize(
    ("text", "lamp"),
    [("lamp on", "on"), ("MIL: off", "off"), ("MIL commanded on; P0420", "on"), ("P0420", None)],
)
def test_lamp(text, lamp):
    assert read(text).lamp == lamp


@pytest.mark.parametrize(
    "text",
    ["83 07 E5 41", "8307e541", "41 01 83 07 E5 41", "readiness: 83 07 E5 41", "P0420 83 07 E5 41"],
)
def test_readiness_bytes(text):
    assert read(text).readiness == "8307E541"


@pytest.mark.parametrize(
    ("text", "code", "hint"),
    [
        ("PO420", "trouble-code", "letter O"),
        ("P0G80", "trouble-code", "'G'"),
        ("P042", "trouble-code", "4 characters"),
        ("0420", "trouble-code", "letter in front"),
        ("SPN 999999 FMI 3", "trouble-code", "524287"),
        ("SPN 100 FMI 32", "trouble-code", "31"),
        ("P0300 hello", "scan-text", "note"),
        ("lamp", "scan-text", "lamp on"),
        ("pending", "scan-text", "right after its code"),
        ("lamp on\nlamp off", "scan-lamp", "say which"),
        ("83 07 E5 41\n00 07 E5 41", "scan-readiness", "commands the lamp"),
        ("7E8: P0420\n7E8: no data", "scan-outcome", "say which"),
    ],
)
def test_what_is_not_understood_is_a_problem_with_a_hint(text, code, hint):
    found = parse_scan_text(text)
    assert [p.code for p in found.problems] == [code]
    assert hint in found.problems[0].hint


def test_a_wrong_character_is_shown_as_typed_and_nothing_is_recorded_for_it():
    found = parse_scan_text("P0171\nPO420")
    assert [c.code for c in found.codes] == ["P0171"]
    assert "'PO420'" in found.problems[0].message
    assert found.problems[0].row == 2


@pytest.mark.parametrize(
    "text",
    [
        "P0420 P0171 pending\nlamp on\n83 07 E5 41",
        "ABS: C0034-11\nengine: unable to connect",
        "SPN 1208 FMI 3",
        "no codes",
        "",
    ],
)
def test_the_payload_is_one_that_events_accept(text):
    Scan.model_validate_json(json.dumps(read(text).payload()))


def test_a_failure_type_goes_to_its_own_field():
    (module,) = read("P0123-11 pending").payload()["modules"]
    assert module["codes"] == [{"code": "P0123", "status": "pending", "failure_type": "11"}]


CODES = st.integers(1, 0xFFFF).map(lambda word: code_from_bytes(word >> 8, word & 0xFF))
STATUSES = st.sampled_from(["stored", "pending", "permanent"])


@given(st.lists(st.tuples(CODES, STATUSES), max_size=12, unique=True), st.booleans())
def test_a_typed_list_is_read_back(codes, as_lines):
    joint = "\n" if as_lines else ", "
    found = parse_scan_text(joint.join(f"{code} {status}" for code, status in codes))
    homeless = any(code[0] in "CB" for code, _ in codes)
    assert [p.code for p in found.problems] == ["scan-module"] * homeless
    assert [(c.code, c.status) for c in found.codes] == codes


@given(st.text(max_size=200))
def test_any_text_is_read_or_named(text):
    found = parse_scan_text(text)
    assert all(p.message and p.hint for p in (*found.problems, *found.remarks))


@pytest.mark.parametrize(
    "text", ["P" * 10_000_000, "P0420 " * 500_000, "\n" * 5000, ": " * 500_000]
)
def test_huge_texts_are_answered(text):
    assert len(parse_scan_text(text).codes) <= 1


@pytest.mark.parametrize(
    ("text", "status", "byte"),
    [
        # ISO 14229-1 bits: 2F confirmed and failing, 08 confirmed only, 04 pending, 01 failing.
        ("P0300 2F", "stored", "2F"),
        ("P0300 status 0x08", "stored", "08"),
        ("P0300 (04)", "pending", "04"),
        ("P0300 01", "pending", "01"),
        ("P0300 permanent 2F", "permanent", "2F"),
    ],
)
def test_a_status_byte_puts_a_code_into_its_list(text, status, byte):
    (code,) = read(text).codes
    assert (code.status, code.status_byte) == (status, byte)
    assert code.payload()["status_byte"] == byte


def test_a_code_that_a_status_byte_acquits_is_none():
    # 50: not tested since clear nor in this cycle (ISO 14229-1: just cleared).
    found = read("P0300 50\nP0420 2F")
    assert [code.code for code in found.codes] == ["P0420"]
    assert [remark.code for remark in found.remarks] == ["status-byte"]
    alone = read("P0300 50")
    assert (alone.codes, alone.empty) == ((), ("engine",))


@pytest.mark.parametrize(
    ("text", "codes", "lamp"),
    [
        # 1208 / 3 / 10 is the worked example of SAE J1939-73; lamp byte 04: amber warning alone.
        ("DM1 04 FF B8 04 03 0A", [("SPN 1208 FMI 3", "stored", 10)], "off"),
        ("DM1 44 FF 6E 00 00 01", [("SPN 110 FMI 0", "stored", 1)], "on"),
        ("DM2: 04 FF B8 04 03 0A", [("SPN 1208 FMI 3", "previous", 10)], None),
        ("J1939 24 0D 12 05", [("SPN 3364 FMI 18", "stored", 5)], None),
        ("SPN 110 FMI 0 x1", [("SPN 110 FMI 0", "stored", 1)], None),
        ("SPN 110 FMI 0 previously active", [("SPN 110 FMI 0", "previous", None)], None),
    ],
)
def test_heavy_vehicles_bytes_and_words(text, codes, lamp):
    found = read(text)
    assert [(c.code, c.status, c.occurrences) for c in found.codes] == codes
    assert (found.lamp, found.readiness) == (lamp, None)
    Scan.model_validate_json(json.dumps(found.payload()))


def test_a_message_without_a_fault_is_an_answer_without_codes():
    found = read("DM1 00 FF 00 00 00 00 FF FF")
    assert (found.codes, found.empty) == ((), ("engine",))


def test_four_bytes_beside_a_heavy_fault_are_not_guessed_at():
    found = parse_scan_text("SPN 110 FMI 0\n24 0D 12 05")
    assert "readiness or another fault" in found.problems[0].message
    assert read("SPN 110 FMI 0\nreadiness 00 07 E5 E5").readiness == "0007E5E5"


@pytest.mark.parametrize(
    ("text", "distance", "warm_ups"),
    [
        ("P0420, 120 km since clear, 4 warm-ups", (120.0, "km"), 4),
        ("distance since codes cleared: 75 mi", (75.0, "mi"), None),
        ("4 warm-ups since clear 1,100 km", (1100.0, "km"), 4),
        ("no codes; warm ups since clear: 0", None, 0),
    ],
)
def test_how_far_ago_codes_were_cleared(text, distance, warm_ups):
    found = read(text)
    assert (found.since_clear, found.warm_ups) == (distance, warm_ups)
    Scan.model_validate_json(json.dumps(found.payload()))


@pytest.mark.parametrize("text", ["120 since clear", "300 warm-ups", "99999999 km since clear"])
def test_figures_since_clear_that_cannot_be(text):
    (problem,) = parse_scan_text(text).problems
    assert problem.column == "since clear"
    assert problem.hint


@pytest.mark.parametrize(
    ("text", "module"),
    [
        ("ABS C0031", "ABS"),
        ("Module: gearbox 2\nP0700", "gearbox 2"),
        ("tcm: P0700", "transmission"),
    ],
)
def test_modules_as_readers_name_them(text, module):
    assert [code.module for code in read(text).codes] == [module]


@pytest.mark.parametrize(
    ("line", "status", "words"),
    [
        ("P0301 Cylinder 1 misfire detected", "stored", "Cylinder 1 misfire detected"),
        ("P0301 Cylinder 1 misfire - Pending", "pending", "Cylinder 1 misfire"),
        ("P0420: Catalyst below, stored", "stored", "Catalyst below"),
        ("ABS: C0034 Right front speed", "stored", "Right front speed"),
        ("SPN 110 FMI 0: coolant hot", "stored", "coolant hot"),
    ],
)
def test_a_readers_own_words_are_kept_beside_the_code(line, status, words):
    (code,) = read(line).codes
    assert (code.status, code.words) == (status, words)
    Scan.model_validate_json(json.dumps(read(line).payload()))


@pytest.mark.parametrize("line", ["P0420 pendng", "P0300 hello", "P0420 cylinder pendng misfire"])
def test_a_slip_is_no_description(line):
    assert {p.code for p in parse_scan_text(line).problems} == {"scan-text"}


@pytest.mark.parametrize(
    ("reply", "codes"),
    [
        # SAE J1979: a count byte on CAN, three codes a message on older lines, for every list.
        ("43 02 01 23 04 20", [("P0123", "stored"), ("P0420", "stored")]),
        ("47 01 23 01 71 00 00", [("P0123", "pending"), ("P0171", "pending")]),
        ("4A 01 04 20 >", [("P0420", "permanent")]),
        ("43 00", []),
        # ISO 14229-1 service 19 02: three bytes of the code and its status byte.
        ("59 02 FF 01 23 11 2F C0 73 00 04", [("P0123-11", "stored"), ("U0073-00", "pending")]),
    ],
)
def test_raw_replies_of_readers(reply, codes):
    found = read(reply)
    assert [(code.code, code.status) for code in found.codes] == codes
    assert found.empty == (() if codes else ("engine",))


@pytest.mark.parametrize("reply", ["43 02 01 23", "47 01", "59 02 FF 01 23", "4A 01 02 03 04"])
def test_a_raw_reply_that_is_cut_off_is_not_guessed_at(reply):
    assert "no whole list" in parse_scan_text(reply).problems[0].message


def test_what_was_active_before_says_nothing_of_now():
    # SAE J1939-73: DM1 lists what is active, DM2 what was.
    alone = read("DM2 04 FF 6E 00 00 05")
    assert alone.before == ("engine",)
    assert alone.payload()["modules"][0]["lists"] == ["previous"]
    both = read("DM1 00 FF 00 00 00 00\nDM2 04 FF 6E 00 00 05")
    assert both.before == ()
    Scan.model_validate_json(json.dumps(alone.payload()))


def test_all_ones_are_not_available_and_no_fault():
    assert read("DM1 04 FF FF FF FF FF").codes == ()


def test_one_module_keeps_one_name():
    assert {code.module for code in read("ECM: P0301\nengine: P0420\nPCM P0171").codes} == {
        "engine"
    }


def test_a_lamp_on_without_a_code_is_remarked():
    assert [r.code for r in read("lamp on, no codes").remarks] == ["scan-lamp"]
    assert read("lamp on P0420").remarks == ()


PASTED = """Vehicle: Brannock Osprey
Stored DTCs: 2
P0420
P0302
Pending:
P0171
ABS module
C0035 Left front wheel speed
Body control module - Pending
B1234
Readiness: CAT incomplete, EVAP incomplete, O2 complete
"""


def test_a_line_that_names_a_module_begins_it_and_its_list_anew():
    found = read(PASTED)
    assert [(code.code, code.status, code.module) for code in found.codes] == [
        ("P0420", "stored", "engine"),
        ("P0302", "stored", "engine"),
        ("P0171", "pending", "engine"),
        ("C0035", "stored", "ABS"),
        ("B1234", "pending", "Body control module"),
    ]
    assert found.beside == (
        "Vehicle: Brannock Osprey",
        "Readiness: CAT incomplete, EVAP incomplete, O2 complete",
    )


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("Stored\nP0420\nPending\nP0171", [("stored", "engine"), ("pending", "engine")]),
        ("Stored DTCs: 0\nPending codes: 1\nP0171", [("pending", "engine")]),
        ("Pending:\nABS\nC0035", [("stored", "ABS")]),
        ("ABS pending codes:\nC0035", [("pending", "ABS")]),
        ("Pending:\nABS C0035\nP0171", [("stored", "ABS"), ("pending", "engine")]),
        ("Steering module\nC0051", [("stored", "Steering module")]),
    ],
)
def test_headings_as_printouts_write_them(text, codes):
    assert [(code.status, code.module) for code in read(text).codes] == codes


@pytest.mark.parametrize("text", ["C0035", "P0420 B1234 pending", "Stored:\nC0035"])
def test_whose_a_code_of_chassis_or_body_is_is_asked(text):
    # SAE J2012: C is the chassis, B the body; neither is kept under the engine in silence.
    (problem,) = parse_scan_text(text).problems
    assert problem.code == "scan-module"
    assert "ABS: " in problem.hint
    assert read(f"ABS: {text.split()[-2] if 'pending' in text else 'C0035'}").codes
