"""The needs list: read, refused with its place, and written back."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.core.needs import Need, load_needs, needs_to_toml
from swapbridge.core.roles import ROLES

printable = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=12)
needs = st.builds(
    Need,
    module=printable,
    bus=st.sampled_from(["host", "donor"]),
    word=st.one_of(st.integers(0, 0x7FF), st.integers(0, 0x1FFFFFFF).map(lambda i: i | EXTENDED_BIT)),
    period_ms=st.one_of(st.none(), st.integers(1, 10_000).map(Fraction)),
    length=st.one_of(st.none(), st.integers(0, 64)),
    how=st.sampled_from(["can", "wired", "licensed programming"]),
    role=st.sampled_from(["", *(r.name for r in ROLES)]),
    signal=st.one_of(st.just(""), printable),
    note=st.one_of(st.just(""), printable),
)


@given(st.lists(needs, max_size=5))
def test_round_trip(tmp_path_factory: pytest.TempPathFactory, listed: list[Need]) -> None:
    path = tmp_path_factory.getbasetemp() / "needs.toml"
    text = needs_to_toml(tuple(listed), "What each module waits for.")
    path.write_text(text, encoding="utf-8")
    back = load_needs(path)
    assert [(n.module, n.bus, n.word, n.period_ms, n.length, n.how, n.role, n.signal, n.note) for n in back] == [
        (n.module, n.bus, n.word, n.period_ms, n.length, n.how, n.role, n.signal, n.note) for n in listed
    ]
    assert [n.line for n in back] == [n for n, line in enumerate(text.split("\n"), 1) if line == "[[need]]"]


def test_a_line_ends_where_toml_ends_it(tmp_path: Path) -> None:
    """A line separator of Unicode inside a note is no new line, as no editor counts it."""
    wanted = (Need("a", "host", 0x100, note="one\u2028two"), Need("b", "host", 0x101))
    (tmp_path / "needs.toml").write_text(needs_to_toml(wanted, ""), encoding="utf-8")
    lines = (tmp_path / "needs.toml").read_text(encoding="utf-8").split("\n")
    assert [lines[n.line - 1] for n in load_needs(tmp_path / "needs.toml")] == ["[[need]]"] * 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[need]]\nbus='host'", "need 1 does not name the module"),
        ("[[need]]\nmodule='x'\nhow='magic'", "how is 'magic'"),
        ("[[need]]\nmodule='x'\nbus='host'", "an id, a role or a signal"),
        ("[[need]]\nmodule='x'\nbus='host'\nid='zz'", "not hexadecimal"),
        ("[[need]]\nmodule='x'\nbus='host'\nid=416", "id is text"),
        ("[[need]]\nmodule='x'\nbus='host'\nrole='loudness'", "role 'loudness'"),
        ("[[need]]\nmodule='x'\nbus='host'\nid='1A0'\nlength=65", "length is 65"),
        ("[[need]]\nmodule='x'\nbus='host'\nid='1A0'\nperiod_ms=0", "period_ms is 0"),
        ("[[need]]\nmodule='x'\nhow='wired'", "describe what is needed"),
        ("[[need]]\nmodule='x'\ncolour='red'", "unknown entries colour"),
        ("wish = 1", "tables only, not wish"),
        ("= 1", "not valid TOML"),
    ],
)
def test_refusals_say_where(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "needs.toml").write_text(text)
    with pytest.raises(InputError, match=words):
        load_needs(tmp_path / "needs.toml")
