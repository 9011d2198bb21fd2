"""DBC in and out: exact decimals, everything kept, the same bytes every time, read by two independent libraries."""

from __future__ import annotations

import json
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
from swapbridge.core.integrity import Affine, Checksum, Counter, Crc, Sum
from swapbridge.core.layout import Layout
from swapbridge.demo.folder import HOST_RUNNING
from swapbridge.demo.maps import donor_map, host_map
from swapbridge.signalmap.dbc_read import load_map, parse_map
from swapbridge.signalmap.dbc_write import attribute_json, decimal_text, encode_map, format_map, save_map
from swapbridge.signalmap.decode import decode_columns
from swapbridge.signalmap.model import BasePayload, MapMessage, MapNode, MapSignal, SignalMap

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
    assert Fraction(decimal_text(value)) == value


def test_a_third_has_no_decimal_form() -> None:
    with pytest.raises(InputError, match="1/3 has no exact decimal form"):
        decimal_text(Fraction(1, 3))


def rich_map() -> SignalMap:
    """A map that uses everything a map can hold."""
    crc = Checksum(Layout(56, 8), Crc(8, 0x2F, 0xFF, False, 0xFF, tuple(range(7)), b"\x5a"), verified_bits=0xFFFF)
    listed = Checksum(Layout(0, 8), Crc(8, 0x1D, 0, False, 0, (1, 2)), Layout(8, 4), tuple(range(16)))
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
    "two signals on one bit": (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM\n SG_ B : 4|8@1+ (1,0) [0|0] "" TCM'), "overlap"),
    "signal outside": (one('SG_ A : 60|8@1+ (1,0) [0|0] "" TCM'), "does not fit"),
    "too long a frame": (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM', "BO_ 100 M: 4000 ECM"), "4000 bytes"),
    "too long a signal": (one('SG_ A : 0|300@1+ (1,0) [0|0] "" TCM'), "300 bits"),
    "no bits": (one('SG_ A : 0|0@1+ (1,0) [0|0] "" TCM'), "0 bits"),
    "scale 0": (one('SG_ A : 0|8@1+ (0,0) [0|0] "" TCM'), "scale 0"),
    "absurd number": (one('SG_ A : 0|8@1+ (1e999999999,0) [0|0] "" TCM'), "beyond anything"),
    "scale beyond a double": (one('SG_ A : 0|8@1+ (1e390,0) [0|0] "" TCM'), "beyond anything"),
    "cut short in a signal": (
        (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM') + "\nBO_ 9 N: 8 ECM\n SG_ B : 0|8@1+"),
        "cut short",
    ),
    "cut short in a message": ((one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM') + "\nBO_ 9 N: 8"), "cut short"),
    "same identifier twice": (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM\nBO_ 100 N: 8 ECM'), "identifier 064"),
    "same name twice": (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM\nBO_ 101 M: 8 ECM'), "name M"),
    "same signal twice": (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM\n SG_ A : 8|8@1+ (1,0) [0|0] "" TCM'), "A"),
    "identifier too large": (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM', "BO_ 4000 M: 8 ECM"), ""),
    "undefined attribute": (one('SG_ A : 0|8@1+ (1,0) [0|0] "" TCM') + 'BA_ "Ghost" BO_ 100 1;\n', "Ghost"),
    "unclosed string": (one('SG_ A : 0|8@1+ (1,0) [0|0] "rpm TCM'), "can't be used"),
    "endless multiplexer": (
        one('SG_ P M : 0|8@1+ (1,0) [0|0] "" TCM\n SG_ A m0 : 8|8@1+ (1,0) [0|0] "" TCM')
        + "SG_MUL_VAL_ 100 A P 0-4294967295;\n",
        "multiplexer values",
    ),
    "text": ("Dear mechanic,\nhere is the map.\n", "not a DBC"),
    "binary": ("\x00\x01\x02BO_ \x00", "not a DBC"),
    "empty": ("", "not a DBC"),
    "16-bit float": (one('SG_ A : 0|16@1+ (1,0) [0|0] "" TCM') + "SIG_VALTYPE_ 100 A : 1;\n", "float of 16 bits"),
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


def test_missing_map_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.dbc can't be read"):
        load_map(tmp_path / "none.dbc")


def test_huge_file_is_refused_unread(tmp_path: Path) -> None:
    with (tmp_path / "huge.dbc").open("wb") as file:
        file.truncate(65 << 20)
    with pytest.raises(InputError, match="a signal map has at most"):
        load_map(tmp_path / "huge.dbc")


@settings(max_examples=200, deadline=None)
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
