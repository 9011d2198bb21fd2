"""The expression language's lexer and parser: what they read, what they refuse, and that nothing else comes out."""

from __future__ import annotations

import ast
import re
from fractions import Fraction as F
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import swapbridge
from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.expressions.functions import FUNCTIONS
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.units import SPELLINGS
from swapbridge.language.expressions import Binary, Call, ExpressionError, Name, Number, parse, write
from swapbridge.language.reading import parse_bridge
from tests.compiler.kit import DONOR, HEAD, HOST, RICH

UNITS = frozenset(SPELLINGS) - {"", "-", "1"}


def read(text: str) -> str:
    return write(parse(text, UNITS))


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("1+2*3", "(1 + (2 * 3))"),
        ("(1+2)*3", "((1 + 2) * 3)"),
        ("1-2-3", "((1 - 2) - 3)"),
        ("a or b and not c", "(a or (b and not c))"),
        ("a / b else 0 + 1", "((a / b else 0) + 1)"),
        ("-3 rpm", "-3 rpm"),
        ("- d.M.X", "-d.M.X"),
        ("40 km/h < d.M.V", "(40 km/h < d.M.V)"),
        ("40 km / 2", "(40 km / 2)"),
        ("450[lbf ft]", "450 lbf ft"),
        ("5 %", "5 %"),
        ("0x1F", "31"),
        ("1.50e-2", "0.015"),
        ("table(x, -40 degC: 0, 90 degC: 1.5)", "table(x, -40 degC: 0, 90 degC: 1.5)"),
        ("lookup(x, 'P': 'Park', else 'N')", "lookup(x, 'P': 'Park', else 'N')"),
        ("accumulate(x, wrap = 5 L)", "accumulate(x, wrap=5 L)"),
        ("3 min(1, 2)", None),
        ("1 2", None),
        ("a < b < c", None),
        ("f(a", None),
        ("f(", None),
        ("f(a,", None),
        ("'open", None),
        ("a..b", None),
        ("1 furlong", None),
        ("2 +", None),
        ("a = 1", None),
        ("and", None),
        ("f(x, x=1, x=2)", None),
        ("a @ b", None),
        ("", None),
        ("(" * 60 + "1" + ")" * 60, None),
        ("not " * 60 + "a", None),
        ("1 " + "+ 1" * 2000, None),
    ],
)
def test_reads_as_written_down_or_refuses(text: str, wanted: str | None) -> None:
    if wanted is None:
        with pytest.raises(ExpressionError) as caught:
            read(text)
        assert 1 <= caught.value.column <= len(text) + 1
    else:
        assert read(text) == wanted


def test_numbers_are_exact() -> None:
    node = parse("0.03937", UNITS)
    assert isinstance(node, Number)
    assert node.value == F(3937, 100000)


names = st.sampled_from(["a", "speed", "d.M.X"])
trees = st.recursive(
    st.one_of(
        names.map(lambda n: Name(tuple(n.split(".")))),
        st.tuples(st.integers(0, 10**6), st.sampled_from(["", "rpm", "km/h", "%"])).map(
            lambda t: Number(F(t[0], 100), t[1])
        ),
    ),
    lambda inner: st.one_of(
        st.tuples(st.sampled_from("+-*/"), inner, inner).map(lambda t: Binary(*t)),
        st.tuples(st.sampled_from(["min", "choose"]), st.lists(inner, min_size=1, max_size=3)).map(
            lambda t: Call(t[0], tuple(t[1]))
        ),
    ),
    max_leaves=12,
)


@given(trees)
def test_what_is_written_reads_back_as_the_same_tree(tree: object) -> None:
    assert parse(write(tree), UNITS) == tree  # type: ignore[arg-type]


@settings(max_examples=300)
@given(st.text(max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    column = 1
    try:
        parse(text, UNITS)
    except ExpressionError as error:
        column = error.column
    assert 1 <= column <= len(text) + 1


def outcome(text: str) -> str:
    """ "compiled", or the refusal; any other exception is a failure."""
    try:
        compile_bridge(parse_bridge(text), {"donor": DONOR, "host": HOST})
    except SwapbridgeError as error:
        return str(error)
    return "compiled"


def compiled_or_refused(bridge: str) -> bool:
    """Whether the bridge compiled, or every thing refused has its place in the file."""
    text = outcome(bridge)
    if not re.match(r"\d+ things are refused, the worst first\n", text):
        return text.startswith(("compiled", "bridge.toml"))
    listed = [line for line in text.splitlines() if line.startswith("  ")]
    return len(listed) >= 2 and all(line.startswith("  bridge.toml") for line in listed)


pieces = st.sampled_from(
    [
        "donor.PCM_FAST.RPM", "donor.PCM_SLOW.Coolant", "donor.PCM_FAST.Mode", "'Idle'", "3", "0.5 rpm", "90 degC",
        "(", ")", ",", "+", "*", "/", "else", "<", "==", "and", "not", "state", "invalid", ":", "=", "resolution",
        "2 s", *FUNCTIONS, "(", ")", ",",
    ]
)  # fmt: skip


@settings(max_examples=120, deadline=None)
@given(st.lists(pieces, max_size=12))
def test_any_expression_compiles_or_is_refused_with_a_place(parts: list[str]) -> None:
    text = " ".join(parts).replace('"', "")
    bridge = HEAD + (
        '[[messages]]\nsend = "host.EngineStatus"\nrest = "zero"\n[messages.signals]\n'
        f'Speed = {{ value = "{text}", fallback = "0 rpm" }}\n'
    )
    assert compiled_or_refused(bridge)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_damaged_bridge_file_compiles_or_is_refused(data: st.DataObject) -> None:
    lines = RICH.splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        how = data.draw(st.integers(0, 3))
        if how == 0:
            del lines[at]
        elif how == 1:
            lines[at] = lines[at][: data.draw(st.integers(0, len(lines[at])))]
        elif how == 2:
            lines.insert(at, lines[data.draw(st.integers(0, len(lines) - 1))])
        else:
            other = data.draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
    assert compiled_or_refused("\n".join(lines))


def test_nothing_in_the_room_touches_a_float() -> None:
    """No float literal, no true division that could make one, no float(): the room is exact integers and fractions."""
    folder = Path(swapbridge.__file__).parent
    divisions = 0
    rooms = ("plan", "language", "compiler")
    for file in sorted(file for room in rooms for file in (folder / room).rglob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant):
                assert not isinstance(node.value, float | complex), f"{file.name}:{node.lineno}"
            if isinstance(node, ast.Name):
                assert node.id != "float", f"{file.name}:{node.lineno}"
            if isinstance(node, ast.Import | ast.ImportFrom):
                imported = [a.name for a in node.names] + [getattr(node, "module", "") or ""]
                assert not {"numpy", "time", "random", "cantools"} & {i.split(".")[0] for i in imported}, file.name
            divisions += isinstance(node, ast.BinOp) and isinstance(node.op, ast.Div)
    assert divisions  # fractions divide exactly; a plan's integers are checked below
    for op in compile_bridge(parse_bridge(RICH), {"donor": DONOR, "host": HOST}).plan.tasks[0].block:
        assert all(type(v) is int for v in (op.low, op.high, op.a, op.b, op.c, op.value))


def test_brackets_beside_each_other_do_not_count_as_nesting() -> None:
    """The depth that is allowed is that of one nest, whatever was opened and closed before it."""

    def is_read(text: str) -> bool:
        try:
            read(text)
        except ExpressionError:
            return False
        return True

    for opening in ("(", "-", "not "):
        closing = ")" if opening == "(" else ""
        allowed = [n for n in range(1, 60) if is_read(opening * n + "1" + closing * n)]
        assert allowed == list(range(1, len(allowed) + 1))
        beside = "(1) + (-1) + " * 30 if opening != "not " else "(1) or not 1 or " * 30
        deepest = len(allowed)
        assert is_read(beside + opening * deepest + "1" + closing * deepest), opening
        assert not is_read(beside + opening * (deepest + 1) + "1" + closing * (deepest + 1)), opening
    assert is_read("(" * 39 + "1" + ")" * 39)
    assert not is_read("(" * 40 + "1" + ")" * 40)
