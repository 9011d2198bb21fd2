"""Bridge files that no person would write, or only by a slip: one clear error each, soon, whatever they hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.errors import SwapbridgeError
from swapbridge.language.places import FilePlace, Places
from swapbridge.language.reading import load_bridge, parse_bridge

BASE = '[bridge]\nname = "x"\n[buses.host]\nplacement = "inline"\n'
K = BASE + "[constants]\nK = "
STATE = BASE + '[states]\nkey_on = "'

REFUSED = {
    "lists within lists": ("a = " + "[" * 5000 + "]" * 5000, "can't be read as TOML"),
    "tables within tables": (BASE + "a = " + "{a = " * 3000 + "1" + "}" * 3000, "can't be read as TOML"),
    "a long dotted key": (BASE + "a" + ".a" * 2000 + " = 1", "'a' is not known"),
    "a decimal number without end": (K + "9" * 5000, "can't be read as TOML"),
    "a long whole number": (K + "9" * 4000, r"bridge.toml:6:1: a number has more than 60 digits"),
    "a long hexadecimal number": (K + "0x" + "f" * 100_000, "a number has more than 60 digits"),
    "a vast float": (K + "1e999999999", "1e999999999 has more than 60 digits"),
    "a tiny float": (K + "1e-999999999", "has more than 60 digits"),
    "a long float": (K + "0." + "1" * 6000, r"1111\.\.\. has more than 60 digits"),
    "nan": (K + "nan", "nan can't be represented exactly"),
    "inf": (K + "-inf", "-inf can't be represented exactly"),
    "a date": (K + "2020-01-01", r"bridge.toml:6:1: this is not an expression"),
    "a time where a number belongs": ('[bridge]\nstep_ms = 07:32:00\n[buses.a]\nplacement = "inline"', "not a number"),
    "a name of no letters": (BASE.replace("host", '"\u2603"'), r"'\u2603' is not allowed as the name of a bus"),
    "an empty name": (BASE.replace("host", '""'), "'' is not allowed as the name of a bus"),
    "other digits": (STATE + '\uff11 > 0"', "is not allowed here"),
    "a list where tables belong": ("messages = [1, 2]\n" + BASE, "contains something that is not a table"),
    "a nul": (BASE + "\x00", "is not TOML"),
    "a table twice": ("[bridge]\n\n[bridge]\n" + BASE, r"^bridge.toml:3:8: this is not TOML: Cannot declare"),
    "too large a queue": (BASE.replace("name =", "pass_queue = 4097\nname ="), "pass_queue is out of range"),
    "a unit of no known one": (BASE + '[units]\n"Umdr" = "furlong"', r"'Umdr' is 'furlong', which is not a known unit"),
    "an unused value that can't be read": (BASE + '[values]\nv = "1 +"', r"bridge.toml:6:9: a value is expected here"),
    "values within values": (
        BASE + '[values]\na0 = "1"\n' + "".join(f'a{i} = "a{i - 1} + 1"\n' for i in range(1, 1000))
        + '[states]\nkey_on = "a999 > 1"',
        "nest too deep",
    ),
    "values that double": (
        BASE + '[values]\na0 = "1"\n' + "".join(f'a{i} = "a{i - 1} + a{i - 1}"\n' for i in range(1, 60))
        + '[states]\nkey_on = "a59 > 1"',
        "come to more than 100000 parts",
    ),
    "a product without end": (STATE + "*".join(["1e999"] * 500) + ' > 1"', "nest too deep"),
    "a sum without end": (STATE + "+".join(["1"] * 3000) + ' > 1"', "longer than 4000 characters"),
    "no identifier of service 01": (
        BASE + '[diagnostics]\nmode = "answer"\ntester = "host"\nanswers = { "-1" = "1" }',
        "'-1' is not a hexadecimal identifier",
    ),
    "an identifier answered twice": (
        BASE + '[diagnostics]\nmode = "answer"\ntester = "host"\nanswers = { "0C" = "1 rpm", "0x0c" = "1 rpm" }',
        "0C is answered twice",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_one_clear_error(name: str) -> None:
    text, pattern = REFUSED[name]
    with pytest.raises(SwapbridgeError, match=pattern) as caught:
        compile_bridge(parse_bridge(text), {})
    assert len(str(caught.value)) < 1000
    assert "\n" not in str(caught.value)


def test_a_mark_that_editors_put_before_utf8_is_read_over(tmp_path: Path) -> None:
    path = tmp_path / "bridge.toml"
    path.write_bytes(b"\xef\xbb\xbf" + BASE.replace("\n", "\r\n").encode())
    assert load_bridge(path).name == "x"


def test_places_are_those_of_the_longest_path_known() -> None:
    places = Places('[a]\nb.c = 1\n[[m]]\nx = 1\n[[m]]\nx = "t"\n')
    assert places.of_key(("a", "b", "c")) == FilePlace(2, 1) == places.of_key(("a", "b", "c", "d"))
    assert places.of_key(("a", "other")) == FilePlace(1, 1)
    assert places.of_key(("m", 1, "x")) == FilePlace(6, 1)
    assert places.of_text(("m", 1, "x"), "t") == FilePlace(6, 6)
    assert places.of_key(("nowhere",)) == FilePlace(1, 1)
    parts = Places('[x]\n[sources."a.B".signals.C]\nrange = [1, 2]\n')
    assert parts.of_key(("sources", "a.B", "signals", "D")) == FilePlace(2, 1), "named by its parts only"
    assert parts.of_key(("sources", "a.B")) == FilePlace(2, 1)
