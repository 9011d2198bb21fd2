"""Naming buses: on the command line, in a config file, and what is refused."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.bus.adapters.spec import BusSpec, check_distinct, load_bus_config, parse_bus
from swapbridge.core.errors import InputError

NAME = st.text("abcXYZ019-_", min_size=1, max_size=8)
OPTION = st.one_of(st.integers(-10, 10**7), st.booleans(), st.sampled_from(["silent", "usb0", "0.5x"]))


def test_parts_of_a_bus() -> None:
    spec = parse_bus("donor=slcan:/dev/ttyACM0,bitrate=500000,listen_only=yes,timeout=0.5,note=x")
    assert (spec.name, spec.interface, spec.channel) == ("donor", "slcan", "/dev/ttyACM0")
    assert spec.options == {"bitrate": 500000, "listen_only": True, "timeout": 0.5, "note": "x"}
    assert spec.bitrate == 500000


def test_channel_may_hold_colons() -> None:
    assert parse_bus("a=udp_multicast:ff15::1").channel == "ff15::1"


@given(NAME, st.dictionaries(st.sampled_from(["bitrate", "fd", "x"]), OPTION))
def test_what_is_printed_is_read_back(name: str, options: dict[str, str | int | float | bool]) -> None:
    spec = BusSpec(name, "virtual", "ch", options)
    assert parse_bus(str(spec)) == spec


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("socketcan:can0", "has no name"),
        ("a=socketcan", "has no channel"),
        ("a=socketcan:", "has no channel"),
        ("a=:can0", "lacks an interface"),
        ("my bus=socketcan:can0", "letters"),
        ("a=socketcan:can0,bitrate", "option=value"),
        ("a=socketcan:can0,=5", "option=value"),
        ("=socketcan:can0", "letters"),
    ],
)
def test_a_bad_bus_is_refused(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        parse_bus(text)


def test_config_file(tmp_path: Path) -> None:
    path = tmp_path / "buses.toml"
    path.write_text('[buses.donor]\ninterface = "socketcan"\nchannel = "can0"\nbitrate = 500000\n'
                    '[buses.host]\ninterface = "pcan"\nchannel = 1\n')  # fmt: skip
    donor, host = load_bus_config(path)
    assert donor == parse_bus("donor=socketcan:can0,bitrate=500000")
    assert host.channel == "1"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "defines no bus"),
        ("buses = 5", "defines no bus"),
        ("[buses", "TOML"),
        ("[buses]\na = 1", "must be a table"),
        ('[buses.a]\ninterface = "x"', "needs interface"),
        ('[buses.a]\ninterface = "x"\nchannel = "y"\nz = [1]', "buses.a.z"),
    ],
)
def test_a_bad_config_is_refused(text: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "buses.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        load_bus_config(path)


def test_a_config_may_begin_with_a_byte_order_mark(tmp_path: Path) -> None:
    """As editors on Windows write it."""
    path = tmp_path / "buses.toml"
    path.write_text('[buses.a]\ninterface = "virtual"\nchannel = "y"\n', encoding="utf-8-sig")
    assert [spec.place for spec in load_bus_config(path)] == ["virtual:y"]


def test_a_missing_or_binary_config_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        load_bus_config(tmp_path / "none.toml")
    junk = tmp_path / "junk.toml"
    junk.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="can't be read"):
        load_bus_config(junk)


def test_no_two_buses_share_name_or_wires() -> None:
    with pytest.raises(InputError, match="same name"):
        check_distinct([parse_bus("a=virtual:1"), parse_bus("a=virtual:2")])
    with pytest.raises(InputError, match="same channel"):
        check_distinct([parse_bus("a=virtual:1"), parse_bus("b=virtual:1")])
    with pytest.raises(InputError, match="no bus"):
        check_distinct([])


def test_a_serial_port_of_windows_is_one_by_any_of_its_names(monkeypatch: pytest.MonkeyPatch) -> None:
    r"""As pyserial takes them: ``COM3``, and ``\\.\COM10`` from ten on; python-can's serial line has a rate behind."""
    monkeypatch.setattr(sys, "platform", "win32")
    names = ["slcan:COM3", "slcan:com3@115200", r"slcan:\\.\COM3", r"serial:\\.\com3@9600"]
    assert {parse_bus(f"a={name}").wires for name in names} == {"port com3"}
    assert parse_bus("a=slcan:COM13").wires == "port com13"
    for other in ("virtual:com", "pcan:PCAN_USBBUS1", "virtual:xcom3"):
        assert parse_bus(f"a={other}").wires == other.lower()
    with pytest.raises(InputError, match="same channel"):
        check_distinct([parse_bus("a=slcan:COM3@115200"), parse_bus("b=slcan:com3")])
