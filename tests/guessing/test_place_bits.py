"""Where makers put fields, learned from maps: the table that is shipped, and the command that makes it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from swapbridge.guessing.layout.place_bits import PLACE_BITS
from tests.benchmarks.learn_places import corpus, learn, module_text


def a_map(length: int, starts: tuple[int, ...]) -> str:
    """A DBC of five messages, each with a little-endian field of this length at each of these bits."""
    lines = ["BU_: ECU"]
    for n in range(5):
        lines.append(f"BO_ {256 + n} M{n}: 8 ECU")
        lines += [f' SG_ S{n}_{s} : {s}|{length}@1+ (1,0) [0|0] "" ECU' for s in starts]
    return "\n".join(lines) + "\n"


def learned(folder: Path, *leave_out: str) -> np.ndarray:
    return learn([p for found in corpus(folder, list(leave_out)) for p in found])


def test_shipped_table_is_the_form_that_the_cut_asks() -> None:
    table = np.array(PLACE_BITS)
    assert table.shape == (65, 8)
    assert table.min() > 0.0
    for length in (8, 16):  # whole bytes stand on byte borders
        assert table[length].argmin() == 0
    assert table[1].max() < table[3:].min() + 3.0  # flags are cheap anywhere


def test_what_the_maps_hold_is_cheap_and_what_they_do_not_is_dear(tmp_path: Path) -> None:
    (tmp_path / "twelve.dbc").write_text(a_map(12, (0, 12, 24, 36, 48)))
    (tmp_path / "byte.dbc").write_text(a_map(8, (0, 8, 16, 24, 32, 40, 48, 56)))
    both, bytes_only = learned(tmp_path), learned(tmp_path, "twelve")
    assert both[12, 4] < both[12, 3] - 3.0
    assert both[12, 4] < bytes_only[12, 4] - 3.0
    assert bytes_only[8, 0] < both[8, 0]


def test_a_map_that_cannot_be_read_teaches_nothing(tmp_path: Path) -> None:
    (tmp_path / "byte.dbc").write_text(a_map(8, (0, 8, 16, 24, 32, 40, 48, 56)))
    alone = learned(tmp_path)
    (tmp_path / "torn.dbc").write_text("BO_ 1 M: 8 ECU\n SG_ half")
    assert (learned(tmp_path) == alone).all()


def test_module_holds_the_table_to_a_tenth(tmp_path: Path) -> None:
    (tmp_path / "byte.dbc").write_text(a_map(8, (0, 8, 16, 24, 32, 40, 48, 56)))
    table = learned(tmp_path)
    names: dict[str, object] = {}
    exec(module_text(table, "invented maps"), names)
    np.testing.assert_allclose(np.array(names["PLACE_BITS"]), table, atol=0.051)
