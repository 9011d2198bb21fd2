"""A needs list keeps the line of each need, so that a refusal can point at it."""

from __future__ import annotations

from pathlib import Path

import pytest

from swapbridge.core.errors import InputError
from swapbridge.core.needs import load_needs, with_codes

ONE = 'module = "Cluster"\nhow = "can"\nbus = "host"\nid = "0C8"\n'


def written(folder: Path, text: str) -> Path:
    path = folder / "needs.toml"
    path.write_text(text)
    return path


def test_each_need_has_the_line_of_its_header(tmp_path: Path) -> None:
    path = written(tmp_path, f"# a comment\n[[need]]\n{ONE}\n [[ need ]]\n{ONE}")
    assert [need.line for need in load_needs(path)] == [2, 8]


def test_needs_written_as_one_list_have_no_line(tmp_path: Path) -> None:
    entry = '{ module = "Cluster", how = "can", bus = "host", id = "0C8" }'
    assert [need.line for need in load_needs(written(tmp_path, f"need = [{entry}, {entry}]\n"))] == [0, 0]


@pytest.mark.parametrize(("period", "fine"), [("1", True), ("1999999", True), ("0", False), ("2000000", False)])
def test_a_period_is_above_zero_and_below_two_thousand_seconds(tmp_path: Path, period: str, fine: bool) -> None:
    path = written(tmp_path, f"[[need]]\n{ONE}period_ms = {period}\n")
    if fine:
        assert load_needs(path)[0].period_ms == int(period)
        return
    with pytest.raises(InputError, match="period_ms is"):
        load_needs(path)


@pytest.mark.parametrize(("length", "fine"), [(0, True), (64, True), (-1, False), (65, False)])
def test_a_length_is_that_of_a_frame(tmp_path: Path, length: int, fine: bool) -> None:
    path = written(tmp_path, f"[[need]]\n{ONE}length = {length}\n")
    if fine:
        assert load_needs(path)[0].length == length
        return
    with pytest.raises(InputError, match="length is"):
        load_needs(path)


def test_a_remark_before_a_need_stays_with_that_need() -> None:
    text = f"[[need]]\n{ONE}\n# the second one\n[[need]]\n{ONE}"
    head, _, tail = with_codes(text, {1: (("U0100",), "dtc")}).partition("\n\n# the second one\n[[need]]\n")
    assert head.startswith(f"[[need]]\n{ONE}")
    assert "U0100" in head
    assert tail == ONE


@pytest.mark.parametrize(("more", "fine"), [("", False), ('id = "0C8"', True), ('note = "pedal"', True)])
def test_a_wired_need_says_what_is_needed(tmp_path: Path, more: str, fine: bool) -> None:
    path = written(tmp_path, f'[[need]]\nmodule = "Cluster"\nhow = "wired"\n{more}\n')
    if fine:
        assert load_needs(path)[0].how == "wired"
        return
    with pytest.raises(InputError, match="describe what is needed"):
        load_needs(path)
