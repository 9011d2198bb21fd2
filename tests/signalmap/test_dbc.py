"""DBC in and out: exact decimals, everything kept, the same bytes every time, read by two independent libraries."""

from __future__ import annotations

import json
import os
import re
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import cantools
import numpy as np
import pytest
from canmatrix import ArbitrationId
from canmatrix.formats import loads_flat
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.read import read_capture
from swapbridge.core.errors import InputError
from swapbridge.core.integrity import Affine, Checksum, Counter, Crc, FieldSum, Sum, Term
from swapbridge.core.layout import Layout, split_layout
from swapbridge.demo.folder import HOST_RUNNING
from swapbridge.demo.vehicle_maps import donor_map, host_map
from swapbridge.signalmap.dbc_read import load_map, parse_map
from swapbridge.signalmap.dbc_write import (
    attribute_json,
    encode_map,
    exact_decimal,
    format_map,
    map_digest,
    save_map,
    written_digest,
)
from swapbridge.signalmap.decode import decode_columns
from swapbridge.signalmap.signal_map import BasePayload, MapMessage, MapNode, MapSignal, SignalMap

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: ECM TCM\n'

CAPTURES = Path(__file__).parent.parent.parent / "captures"


def one(signal: str, head: str = "BO_ 100 M: 8 ECM") -> str:
    return f"{HEAD}\n{head}\n {signal}\n"


@pytest.mark.parametrize(
    ("text", "exact"),
    [
        ("0.03937", Fraction(3937, 100000)),
        ("0.1", Fraction(1, 10)),
        ("1E-05", Fraction(1, 100000)),
        ("-2.5e+1", Fraction(-25)),
    ],
)
def test_numbers_are_the_decimal_text(text: str, exact: Fraction) -> None:
    """A binary float would make 0.1 something else."""
    loaded = parse_map(one(f'SG_ S : 0|8@1+ ({text},{text}) [0|0] "" TCM'))
    signal = loaded.messages[0].signals[0]
    assert (signal.scale, signal.offset) == (exact, exact)
    assert (signal.minimum, signal.maximum) == (None, None)


def test_long_decimals_survive_where_floats_would_not() -> None:
    text = "0.1234567890123456789012345"
    loaded = parse_map(one(f'SG_ S : 0|8@1+ ({text},0) [0|{text}] "" TCM'))
    signal = loaded.messages[0].signals[0]
    assert signal.scale == Fraction(text)
    assert signal.maximum == Fraction(text)
    assert f"({text},0) [0|{text}]" in format_map(loaded)


@given(
    st.fractions(max_denominator=10**6).map(
        lambda f: Fraction(f.numerator, 2 ** (f.denominator % 20) * 5 ** (f.denominator % 7))
    )
)
def test_decimal_text_is_exact(value: Fraction) -> None:
    assert Fraction(exact_decimal(value)) == value


CRC_TEXT = (
    "{'kind':'crc','width':8,'polynomial':29,'init':255,'reflect':false,'xor_out':255,'coverage':[0,1],"
    "'field':{'start':56,'length':8,'byte_order':'little_endian'}}"
)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("'reflect':false", "'reflect':'no'"), "reflect is 'no': write true or false"),
        (("[0,1]", "[]"), "coverage lists no payload byte"),
        (("'polynomial':29", "'polynomial':0"), "a CRC of polynomial 0 is the same for every payload"),
        (("'polynomial':29", "'polynomial':285"), "have 8 bits at most"),
        (("'width':8", "'width':'8'"), "width is '8', which is not a whole number"),
        (("'kind':'crc'", "'kind':'crx'"), "kind 'crx' is unknown"),
    ],
)
def test_a_checksum_that_can_not_be_meant(change: tuple[str, str], words: str) -> None:
    """A method that would be computed wrong, or never change, is refused where it is read."""
    attributes = f'BA_DEF_ SG_ "SwapChecksum" STRING ;\nBA_ "SwapChecksum" SG_ 100 S "{CRC_TEXT}";\n'
    good = one('SG_ S : 56|8@1+ (1,0) [0|0] "" TCM') + attributes
    assert parse_map(good).messages[0].signals[0].checksum is not None
    with pytest.raises(InputError, match=words):
        parse_map(good.replace(*change))


def test_a_third_has_no_decimal_form() -> None:
    with pytest.raises(InputError, match="1/3 has no exact decimal form"):
        exact_decimal(Fraction(1, 3))


def rich_map() -> SignalMap:
    """A map that uses everything a map can hold."""
    crc = Checksum(Layout(56, 8), Crc(8, 0x2F, 0xFF, False, 0xFF, tuple(range(7)), b"\x5a"), verified_bits=0xFFFF)
    listed = Checksum(Layout(0, 8), Crc(8, 0x1D, 0, False, 0, (1, 2)), Layout(8, 4), tuple(range(16)))
    terms = (Term(Layout(16, 11)), Term(Layout(39, 13, "big_endian"), -3))
    folded = Checksum(
        split_layout(Layout(8, 2), Layout(0, 1)), FieldSum(3, terms, 5, 8, 3, 1, 7, -1, -1), Layout(12, 4), (1, 2)
    )
    affine = Checksum(Layout(8, 8), Affine(8, (1, 2, 4, 8, 1 << 23, 0, 7, 9), 3))
    signals = (
        MapSignal(
            "Speed",
            Layout(7, 16, "big_endian"),
            Fraction("0.25"),
            Fraction(-40),
            Fraction(0),
            Fraction(8000),
            "rpm",
            role="Vehicle.Powertrain.CombustionEngine.Speed",
            not_available=(65535,),
            error_codes=tuple(range(65024, 65280)),
            comment="says 'speed';\nsecond line",
            evidence={"confidence": 0.5, "words": 'it\'s "quoted" \\ and \\" back', "list": [1, None, True]},
            receivers=("TCM",),
        ),
        MapSignal("Page", Layout(16, 4), is_multiplexer=True),
        MapSignal(
            "A", Layout(24, 8, signed=True), mux_signal="Page", mux_values=(0,), choices={-1: "None", 3: "Three"}
        ),
        MapSignal("B", Layout(24, 16), mux_signal="Page", mux_values=(1, 2, 3, 9), unit="°C", reference="500 Nm"),
        MapSignal("Count", Layout(48, 4), counter=Counter(1, 14, 2)),
        MapSignal("Ever", Layout(52, 4, signed=True), constant=-3),
        MapSignal("Check", Layout(56, 8), checksum=crc),
    )
    return SignalMap(
        (
            MapMessage(
                "M",
                0x100,
                False,
                8,
                signals,
                period_ms=Fraction("2.5"),
                senders=("ECM", "TCM"),
                comment="mess",
                base=BasePayload(b"\x0f" * 8, b"\x3c" * 8, 9000),
            ),
            MapMessage(
                "LongNameOfAMessageThatIsLongerThanDbcAllows",
                0x18FEF100,
                True,
                64,
                (
                    MapSignal("F", Layout(480, 32), is_float=True),
                    MapSignal("D", Layout(416, 64), is_float=True, unit="%"),
                    MapSignal("Tag", Layout(400, 16), authenticated=True),
                    MapSignal("LongNameOfASignalThatIsLongerThanDbcAllows", Layout(392, 8)),
                ),
                is_fd=True,
                evidence={"frames": 7},
            ),
            MapMessage("L", 0x200, False, 4, (MapSignal("C", Layout(0, 8), checksum=listed),)),
            MapMessage(
                "T", 0x202, False, 8, (MapSignal("C", Layout(8, 2), checksum=folded), MapSignal("H", Layout(0, 1)))
            ),
            MapMessage(
                "X",
                0x201,
                False,
                3,
                (
                    MapSignal("S1", Layout(0, 8), checksum=Checksum(Layout(0, 8), Sum(8, (1, 2), 4, -1, 9))),
                    MapSignal(
                        "S2",
                        Layout(8, 8),
                        checksum=affine,
                    ),
                ),
            ),
        ),
        (MapNode("ECM", "engine", "the old one"), MapNode("TCM", "transmission"), MapNode("ABS", "braking")),
        "bus comment",
    )


def test_everything_survives_a_round_trip() -> None:
    written = format_map(rich_map())
    assert parse_map(written) == rich_map()
    assert format_map(parse_map(written)) == written


def test_same_map_same_bytes(tmp_path: Path) -> None:
    save_map(rich_map(), tmp_path / "a.dbc")
    save_map(load_map(tmp_path / "a.dbc"), tmp_path / "b.dbc")
    assert (tmp_path / "a.dbc").read_bytes() == (tmp_path / "b.dbc").read_bytes()


@given(
    st.dictionaries(
        st.text(max_size=8),
        st.one_of(st.text(), st.integers(), st.booleans(), st.lists(st.text(max_size=4))),
        max_size=5,
    )
)
def test_any_evidence_fits_between_double_quotes(evidence: dict[str, object]) -> None:
    text = attribute_json(evidence)
    assert '"' not in text
    assert text.isprintable()
    assert json.loads(text.replace("'", '"')) == evidence


@settings(max_examples=60, deadline=None)
@given(comment=st.text(st.characters(codec="cp1252", exclude_characters="\r"), max_size=60))
def test_hostile_comments_and_units_stay_text(comment: str) -> None:
    """Nothing that is written into a comment, unit or choice can become a statement of the file."""
    signal_map = SignalMap(
        (
            MapMessage(
                "M", 1, False, 8, (MapSignal("S", Layout(0, 8), unit=comment, comment=comment, choices={1: comment}),)
            ),
        )
    )
    again = parse_map(encode_map(signal_map).decode("cp1252"))
    assert len(again.messages) == 1
    assert [s.name for s in again.messages[0].signals] == ["S"]


FOREIGN = """
CM_ "bus";
BA_DEF_ BO_ "GenMsgSendType" ENUM "Cyclic","OnChange";
BA_DEF_ SG_ "Colour" STRING ;
BA_DEF_DEF_ "GenMsgSendType" "Cyclic";
BA_DEF_DEF_ "Colour" "";
BA_ "GenMsgSendType" BO_ 100 1;
BA_ "Colour" SG_ 100 S "red; not blue";
VAL_TABLE_ OnOff 0 "off" 1 "on" ;
SIG_GROUP_ 100 Group 1 : S;
"""


def test_what_others_wrote_is_kept() -> None:
    loaded = parse_map(one('SG_ S : 0|8@1+ (1,0) [0|0] "" TCM') + FOREIGN)
    assert len(loaded.foreign) == 8
    again = parse_map(format_map(loaded))
    assert again.foreign == loaded.foreign
    gone = SignalMap((), loaded.nodes, foreign=loaded.foreign)
    assert "Colour" in format_map(gone)
    assert 'BA_ "Colour"' not in format_map(gone)  # its signal is gone
    database: Any = cantools.database.load_string(format_map(loaded), "dbc")
    assert database.messages[0].send_type == "OnChange"


@pytest.mark.parametrize(("name", "signal_map"), [(HOST_RUNNING, host_map()), ("donor_own_vehicle", donor_map())])
def test_cantools_and_canmatrix_read_the_same_values(name: str, signal_map: SignalMap) -> None:
    """Two independent readers of the written map give our values for frames of the demo capture."""
    capture = read_capture(CAPTURES / f"{name}.log.gz")
    content = encode_map(signal_map)
    database: Any = cantools.database.load_string(content.decode("cp1252"), "dbc")
    matrix: Any = loads_flat(content, import_type="dbc")
    ours = decode_columns(capture, signal_map)
    for message in signal_map.messages:
        rows = np.flatnonzero(capture.identifier == message.identifier)
        frame = matrix.frame_by_id(ArbitrationId(message.identifier, message.extended))
        counts: dict[str, int] = {}
        for k, row in enumerate(rows):
            data = capture.payload[row, : message.length].tobytes()
            theirs = database.decode_message(message.identifier, data, decode_choices=False)
            second = {n: float(v.phys_value) for n, v in frame.decode(data).items()} if k % 97 == 0 else None
            for signal, value in theirs.items():
                mine = ours[message.name, signal].values[counts.get(signal, 0)]
                counts[signal] = counts.get(signal, 0) + 1
                assert mine == float(value)
                if second is not None:
                    assert second[signal] == pytest.approx(mine, abs=1e-9)
            if k > 400:
                break


BAD = {
    "cut short in a signal": (
        (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM') + "\nBO_ 9 N: 8 ECM\n SG_ B : 0|8@1+"),
        "cut short",
    ),
    "cut short in a message": ((one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM') + "\nBO_ 9 N: 8"), "cut short"),
    "no message left": (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM', "BO_ 100 M: 4000 ECM"), "4000 bytes"),
    "endless multiplexer": (
        one('SG_ P M : 0|8@1+ (1,0) [0|0] "" TCM\n SG_ A m0 : 8|8@1+ (1,0) [0|0] "" TCM')
        + "SG_MUL_VAL_ 100 A P 0-4294967295;\n",
        "multiplexer values",
    ),
    "text": ("Dear mechanic,\nhere is the map.\n", "not a DBC"),
    "binary": ("\x00\x01\x02BO_ \x00", "not a DBC"),
    "empty": ("", "not a DBC"),
    "bad method": (
        one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM')
        + 'BA_DEF_ SG_ "SwapChecksum" STRING ;\nBA_DEF_DEF_ "SwapChecksum" "";\n'
        + "BA_ \"SwapChecksum\" SG_ 100 A \"{'kind':'crc'}\";\n",
        "checksum method",
    ),
    "method is no object": (
        one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM')
        + 'BA_DEF_ SG_ "SwapCounter" STRING ;\nBA_DEF_DEF_ "SwapCounter" "";\nBA_ "SwapCounter" SG_ 100 A "[[[[";\n',
        "SwapCounter",
    ),
    "bad module kind": (
        one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM')
        + 'BA_DEF_ BU_ "SwapModuleKind" STRING ;\nBA_DEF_DEF_ "SwapModuleKind" "";\n'
        + 'BA_ "SwapModuleKind" BU_ ECM "x";\n',
        "kind 'x'",
    ),
    "code outside": (
        one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM')
        + 'BA_DEF_ SG_ "SwapNotAvailable" STRING ;\nBA_DEF_DEF_ "SwapNotAvailable" "";\n'
        + 'BA_ "SwapNotAvailable" SG_ 100 A "256";\n',
        "SwapNotAvailable",
    ),
}


@pytest.mark.parametrize("what", BAD)
def test_absurd_maps_are_one_clear_error(what: str, tmp_path: Path) -> None:
    text, words = BAD[what]
    (tmp_path / "bad.dbc").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_map(tmp_path / "bad.dbc")
    message = str(caught.value)
    assert "bad.dbc" in message
    assert words in message
    assert "\n" not in message
    assert len(message) < 600


GOOD = 'SG_ G : 0|8@1+ (1,0) [0|0] "" TCM'
NOTED = {
    "two signals on one bit": (' SG_ B : 4|8@1+ (1,0) [0|0] "" TCM', "B shares bits with G"),
    "signal outside": (' SG_ B : 60|8@1+ (1,0) [0|0] "" TCM', "B needs more than its 8 bytes"),
    "signal beyond": (' SG_ B : 80|8@1+ (1,0) [0|0] "" TCM', "B starts at bit 80 of a message of 8 bytes"),
    "too long a signal": (' SG_ B : 8|300@1+ (1,0) [0|0] "" TCM', "B has 300 bits"),
    "no bits": (' SG_ B : 8|0@1+ (1,0) [0|0] "" TCM', "B has 0 bits"),
    "scale 0": (' SG_ B : 8|8@1+ (0,0) [0|0] "" TCM', "B has scale 0"),
    "absurd number": (' SG_ B : 8|8@1+ (1e999999999,0) [0|0] "" TCM', "beyond anything"),
    "scale beyond a double": (' SG_ B : 8|8@1+ (1e390,0) [0|0] "" TCM', "beyond anything"),
    "no multiplexer": (' SG_ B m1 : 8|8@1+ (1,0) [0|0] "" TCM', "a multiplexer that its message does not have"),
    "half a line": (' SG_ B : 8|8 (1,0) [0|0] "" TCM', "line 8: message M, signal B can't be read"),
    "unclosed unit": (' SG_ B : 8|8@1+ (1,0) [0|0] "rpm TCM\nBO_ 9 N: 8 ECM', "B can't be read"),
    "16-bit float": (
        ' SG_ B : 8|16@1+ (1,0) [0|0] "" TCM\nSIG_VALTYPE_ 100 B : 1;', "a float of 16 bits, and only 32 and 64",
    ),
    "too long a frame": ("BO_ 99 N: 4000 ECM\n " + GOOD, "N has 4000 bytes, and a frame has 64 at most"),
    "same identifier twice": ("BO_ 100 N: 8 ECM\n " + GOOD, "N has the identifier 064 of M"),
    "no such identifier": ("BO_ 1073741825 N: 8 ECM\n " + GOOD, "0x40000001, which no frame can have"),
    "an unreadable message": ("BO_ x N: 8 ECM\n " + GOOD, "can't be read: left out with its signals"),
    "a lone comment": ('CM_ SG_ 100 Ghost "boo";', "a comment is of M.Ghost, which the map does not have"),
    "a comment on nothing": ('CM_ SG_ 7 G "boo";', "of message 7, which the map does not have"),
    "lone names": ('VAL_ 100 Ghost 1 "boo" ;', "names of values is of M.Ghost"),
    "a lone kind": ("SIG_VALTYPE_ 100 Ghost : 1;", "of M.Ghost"),
    "a lone attribute": ('BA_ "A" SG_ 100 Ghost 1;', "of M.Ghost"),
    "names of no module": ('CM_ BU_ Ghost "boo";', "of module Ghost, which is not in the list"),
    "another statement": ("SGTYPE_ x y z;", "SGTYPE_ is a statement that is not used here"),
    "a quote forgotten": ('CM_ BO_ 100 "boo;\nVAL_ 100 G 1 "x" ;', "is a quote missing behind it?"),
    "text behind a statement": ('CM_ "boo"; hello\nBO_ 101 N: 8 ECM', "'hello' belongs to no statement"),
}  # fmt: skip
"""What contradicts itself costs itself: the map is read, the rest of it whole, and a note says so."""


@pytest.mark.parametrize("what", NOTED)
def test_what_contradicts_itself_costs_itself_alone(what: str) -> None:
    more, words = NOTED[what]
    loaded = parse_map(one(GOOD) + more + "\n")
    good = loaded.message("M")
    assert good is not None
    assert [s.name for s in good.signals] == ["G"]
    assert words in " / ".join(loaded.notes)
    assert parse_map(format_map(loaded)) == loaded


HARMLESS = {
    "no digit before the point": (' SG_ B : 8|8@1+ (.25,-.5) [-.5|1.5] "" TCM', "M", "B", ".25 read as 0.25"),
    "no semicolon": ('CM_ BO_ 100 "boo"\nBO_ 101 N: 8 ECM\n ' + GOOD, "N", "G", "no semicolon after it"),
    "bit 31 missing": (
        'BO_ 419361025 N: 8 ECM\n ' + GOOD + '\nVAL_ 419361025 G 1 "x" ;', "N", "G",
        "read as the 29-bit identifier 18FEF101x",
    ),
    "a name with a digit first": (
        'BO_ 101 2N: 8 ECM\n SG_ 0B : 0|8@1+ (1,0) [0|0] "" TCM\nVAL_ 101 0B 1 "x" ;', "s_2N", "s_0B", "read as s_0B",
    ),
    "same name twice": ("BO_ 101 M: 8 ECM\n " + GOOD, "M_2", "G", "the name M is taken already"),
    "same signal twice": (' SG_ G : 8|8@1+ (1,0) [0|0] "" TCM', "M", "G_2", "the name G is taken already"),
    "a comment on a number": (' SG_ B : 8|8@1+ (1,0) [0|0] "" TCM\nCM_ 100 "boo";', "M", "B", "taken as the message's"),
    "a comment that lacks its signal": (
        ' SG_ B : 8|8@1+ (1,0) [0|0] "" TCM\nCM_ SG_ 100 "boo";', "M", "B", "taken as the message's",
    ),
    "half a range": (' SG_ B : 8|8@1+ (1,0) [0|] "" TCM', "M", "B", "half a range"),
    "an undefined attribute": (
        ' SG_ B : 8|8@1+ (1,0) [0|0] "" TCM\nBA_ "Ghost" BO_ 100 1;', "M", "B", '"Ghost" is not defined',
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", HARMLESS)
def test_what_is_harmless_is_read_with_a_note(what: str) -> None:
    more, message_name, signal_name, words = HARMLESS[what]
    loaded = parse_map(one(GOOD) + more + "\n")
    message = loaded.message(message_name)
    assert message is not None
    assert message.signal(signal_name) is not None
    assert words in " / ".join(loaded.notes)
    if "VAL_" in more:
        assert dict(message.signal(signal_name).choices) == {1: "x"}  # type: ignore[union-attr]
    assert parse_map(format_map(loaded)) == loaded


def test_all_notes_come_at_once() -> None:
    text = one(GOOD) + "".join(more + "\n" for what, (more, _) in NOTED.items() if more.startswith(" SG_"))
    assert len(parse_map(text).notes) >= 11


def test_a_group_that_covers_its_parts_goes_before_them() -> None:
    lines = "".join(f' SG_ P{k} : {8 * k}|8@1+ (1,0) [0|0] "" TCM\n' for k in range(4))
    loaded = parse_map(one('SG_ All : 0|32@1+ (1,0) [0|0] "" TCM') + lines)
    assert [s.name for s in loaded.messages[0].signals] == ["P0", "P1", "P2", "P3"]
    assert loaded.notes == ("message M, signal All shares bits with P0, P1, P2, P3: left out",)


def test_pages_of_a_multiplexer_share_bits() -> None:
    """Also within a multiplexer within a multiplexer; only signals of one frame contradict each other."""
    lines = (
        ' SG_ Sub m1M : 8|4@1+ (1,0) [0|0] "" TCM\n SG_ A m2 : 8|8@1+ (1,0) [0|0] "" TCM\n'
        ' SG_ B m3 : 16|8@1+ (1,0) [0|0] "" TCM\n SG_ C m4 : 16|8@1+ (1,0) [0|0] "" TCM\n'
        ' SG_ D m4 : 20|8@1+ (1,0) [0|0] "" TCM\n'
        "SG_MUL_VAL_ 100 Sub Page 1-1;\nSG_MUL_VAL_ 100 A Page 2-2;\nSG_MUL_VAL_ 100 B Sub 3-3;\n"
        "SG_MUL_VAL_ 100 C Sub 4-4;\nSG_MUL_VAL_ 100 D Sub 4-4;\n"
    )
    loaded = parse_map(one('SG_ Page M : 0|8@1+ (1,0) [0|0] "" TCM') + lines)
    assert [s.name for s in loaded.messages[0].signals] == ["Page", "Sub", "A", "B", "C"]
    assert loaded.notes == ("message M, signal D shares bits with C: left out",)


@pytest.mark.parametrize("placeholder", ["Vector__XXX", "XXX", "UNKNOWN", "None", "N_A", "dummy"])
def test_a_placeholder_is_no_sender(placeholder: str) -> None:
    """It says that nobody knew the sender; taken for a module, it would be declared absent."""
    text = one(GOOD, f"BO_ 100 M: 8 {placeholder}").replace("TCM", f"TCM {placeholder}", 1)
    loaded = parse_map(text)
    assert loaded.messages[0].senders == ()
    assert [n.name for n in loaded.nodes] == ["ECM", "TCM"]
    assert parse_map(one(GOOD, "BO_ 100 M: 8 XXY")).messages[0].senders == ("XXY",)


def test_imports_are_read_with_it(tmp_path: Path) -> None:
    """Open collections keep what several maps share in files of their own, named in a comment."""
    (tmp_path / "m.dbc").write_text('CM_ "IMPORT _part.dbc";\nCM_ "IMPORT _gone.dbc";\nBO_ 5 N: 8 ECM\n')
    (tmp_path / "_part.dbc").write_text('CM_ "IMPORT m.dbc";\n' + one(GOOD))
    loaded = load_map(tmp_path / "m.dbc")
    assert [m.name for m in loaded.messages] == ["M", "N"]
    assert "_part.dbc is imported" in loaded.notes
    assert "imports _gone.dbc, which is not beside it" in " / ".join(loaded.notes)


@pytest.mark.timeout(20)
def test_a_pipe_or_device_is_no_map(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.dbc")
    for path in (tmp_path / "pipe.dbc", Path("/dev/zero"), tmp_path):
        with pytest.raises(InputError, match="is a folder, pipe or device"):
            load_map(path)


def test_a_nul_in_a_name_is_no_file() -> None:
    with pytest.raises(InputError, match="can't be the name of a file"):
        load_map("a\0b.dbc")


def test_missing_map_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.dbc can't be read"):
        load_map(tmp_path / "none.dbc")


def test_huge_file_is_refused_unread(tmp_path: Path) -> None:
    with (tmp_path / "huge.dbc").open("wb") as file:
        file.truncate(65 << 20)
    with pytest.raises(InputError, match="a signal map has at most"):
        load_map(tmp_path / "huge.dbc")


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_damaged_maps_never_crash(data: st.DataObject) -> None:
    """Bytes cut out, doubled or swapped: either a map or one InputError."""
    text = format_map(rich_map())
    for _ in range(data.draw(st.integers(1, 4))):
        a = data.draw(st.integers(0, len(text)))
        b = min(len(text), a + data.draw(st.integers(0, 40)))
        middle = data.draw(st.sampled_from(["", text[a:b] * 2, '"', ";", "BO_ ", "\0", "9" * 30, "SG_ "]))
        text = text[:a] + middle + text[b:]
    try:
        loaded = parse_map(text)
    except InputError:
        return
    assert isinstance(loaded, SignalMap)


@pytest.mark.parametrize("name", ["with space", "1st", "ümlaut", "", 'quo"te', "a;b", "x" * 200])
def test_hostile_names_are_not_written(name: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="name"):
        save_map(SignalMap((MapMessage(name, 1, False, 8),)), tmp_path / "out.dbc")
    assert list(tmp_path.iterdir()) == []


def test_nothing_half_written_where_the_folder_is_not(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="folder"):
        save_map(rich_map(), tmp_path / "no" / "out.dbc")


def test_signals_in_comments_are_not_signals() -> None:
    text = one('SG_ A : 0|8@1+ (0.5,0) [0|0] "" TCM') + 'CM_ BO_ 100 "BO_ 5 X: 8 E\n SG_ B : 0|8@1+ (9,0) [0|0]";\n'
    loaded = parse_map(text)
    assert [(s.name, s.scale) for s in loaded.messages[0].signals] == [("A", Fraction(1, 2))]


def test_encodings(tmp_path: Path) -> None:
    """Windows-1252 as DBC files usually are, UTF-8 where a name needs it."""
    for unit, encoding in (("°C", "cp1252"), ("Ω", "utf-8")):
        signal_map = SignalMap((MapMessage("M", 1, False, 8, (MapSignal("S", Layout(0, 8), unit=unit),)),))
        save_map(signal_map, tmp_path / "m.dbc")
        assert unit.encode(encoding) in (tmp_path / "m.dbc").read_bytes()
        assert load_map(tmp_path / "m.dbc").messages[0].signals[0].unit == unit


def test_a_file_cut_anywhere_is_refused_or_holds_whole_statements() -> None:
    """Every cut of a small map: never a signal or message half read or left out in silence."""
    whole = (
        one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM,ECM') + '\nBO_ 9 N: 8 ECM\n SG_ B m0 : 0|8@1- (1,0) [0|0] "rpm" TCM\n'
    )
    whole = whole.replace(" B m0 :", " B :") + 'CM_ SG_ 9 B "hello";\n'
    read = 0
    for end in range(len(whole)):
        text = whole[:end]
        try:
            found = parse_map(text)
        except InputError:
            continue
        read += 1
        names = [m.name for m in found.messages] + [s.name for m in found.messages for s in m.signals]
        assert sorted(names) == sorted(re.findall(r"^ ?(?:BO_ \d+|SG_) (\w+)", text, re.MULTILINE))
    assert read > 20


def test_no_limit_written_as_the_largest_double_is_read() -> None:
    text = one('SG_ A : 0|8@1+ (1,0) [-1.7976931348623157E+308|1.7976931348623157E+308] "" TCM')
    assert float(parse_map(text).messages[0].signals[0].maximum or 0) == sys.float_info.max


@pytest.mark.parametrize("comment", ["plain", "23 °C, in Windows-1252", "Ω, which only UTF-8 has"])
def test_a_file_that_was_written_here_is_known_by_its_text(comment: str, tmp_path: Path) -> None:
    signal_map = SignalMap((MapMessage("M", 1, False, 8, comment=comment),))
    save_map(signal_map, tmp_path / "m.dbc")
    assert written_digest(tmp_path / "m.dbc") == map_digest(signal_map) == map_digest(load_map(tmp_path / "m.dbc"))
    (tmp_path / "m.dbc").write_text("")
    assert written_digest(tmp_path / "m.dbc") != map_digest(signal_map)
    assert written_digest(tmp_path / "none.dbc") == written_digest(tmp_path) == ""


def test_a_map_is_read_once_until_its_text_changes(tmp_path: Path) -> None:
    path = tmp_path / "m.dbc"
    save_map(SignalMap((MapMessage("M", 1, False, 8, comment="before"),)), path)
    before = load_map(path)
    assert load_map(path) is before
    path.write_text(path.read_text().replace("before", "after"))
    assert [m.comment for m in load_map(path).messages] == ["after"]
    assert [m.comment for m in before.messages] == ["before"]
