"""The board of modules: what the files of answers say, before and after, and nothing that was not asked."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from swapbridge.asking.module_answers import Answers, Code, Module, write_answers

OpenPage = Callable[[Path], Any]
HOSTILE = "<script>alert(1)</script>"


def files(folder: Path) -> None:
    engine = Module("engine computer", "7E0", "7E8", "11 bits", {"VIN": HOSTILE}, (Code("P0128", "03"),), ("03",))
    lost = Code("U0100-87", "19 02", ("failed now",), "lost communication", "engine computer", "lost communication")
    before = Module("transmission", "7E1", "7E9", "11 bits", asked=("19 02",))
    after = Module("transmission", "7E1", "7E9", "11 bits", codes=(lost,), asked=("19 02",))
    silent = Module("module 7EE", "7E6", "7EE", "11 bits")
    write_answers(folder / "codes" / "host-1.json", Answers("host", "2026-01-01", (engine, before, silent)))
    write_answers(
        folder / "codes" / "host-2.json", Answers("host", "2026-01-02", (after, silent), "stopped by the user")
    )


def test_before_anything_was_asked_the_board_says_how(tmp_path: Path, open_page: OpenPage) -> None:
    text = open_page(tmp_path).http.get("/modules").text
    assert "swapbridge dtc host" in text
    assert 'aria-current="page"' in text


def test_the_board_shows_what_appeared_and_who_is_silent(tmp_path: Path, open_page: OpenPage) -> None:
    files(tmp_path)
    text = open_page(tmp_path).http.get("/modules", params={"before": "host-1.json", "after": "host-2.json"}).text
    assert "engine computer: reported missing or wrong by transmission" in text
    assert '<td>appeared</td><td class="mono">U0100-87</td>' in text
    assert "silent now" in text
    assert '<td>unknown now</td><td class="mono">P0128</td>' in text
    assert "Ended early: stopped by the user." in text
    assert "reports no codes" in text
    assert HOSTILE not in text
    assert "No codes." not in text


def test_one_file_alone_is_shown_as_it_is(tmp_path: Path, open_page: OpenPage) -> None:
    files(tmp_path)
    text = open_page(tmp_path).http.get("/modules", params={"after": "host-1.json"}).text
    assert "P0128" in text
    assert "appeared" not in text
    assert text.count("No codes.") == 1


def test_a_file_that_is_none_is_one_sentence(tmp_path: Path, open_page: OpenPage) -> None:
    files(tmp_path)
    (tmp_path / "codes" / "odd.json").write_text("{}")
    page = open_page(tmp_path)
    assert "has no answers from modules" in page.http.get("/modules", params={"after": "odd.json"}).text
    assert "holds no file" in page.http.get("/modules", params={"after": "../bridge.toml"}).text
