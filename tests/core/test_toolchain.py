"""Finding a compiler, building once, keeping what was built."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from swapbridge.core import toolchain
from swapbridge.core.errors import InputError, MissingToolError
from swapbridge.core.toolchain import build, cache_folder, find_compiler, shared_object

SOURCE = {"one.c": "int one(void);\nint one(void) { return 1; }\n"}


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache"


def test_without_a_compiler_the_message_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv("CC", raising=False)
    with pytest.raises(MissingToolError, match=r"apt install gcc.*Python engine"):
        find_compiler()


def test_cc_names_the_compiler(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    own = tmp_path / "my-cc"
    own.symlink_to(find_compiler())
    monkeypatch.setenv("CC", str(own))
    assert find_compiler() == str(own)
    monkeypatch.setenv("CC", "no-such-compiler")
    assert Path(find_compiler()).name in ("gcc", "clang", "cc")


def test_what_was_built_is_kept_for_its_user_only(own_cache: Path) -> None:
    first = shared_object(SOURCE)
    number = first.stat().st_ino
    assert shared_object(SOURCE) == first
    assert first.stat().st_ino == number
    assert [p.name for p in cache_folder().iterdir()] == [first.name]
    assert own_cache in first.parents
    assert cache_folder().stat().st_mode & 0o077 == 0


def test_only_those_used_last_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(toolchain, "KEPT_OBJECTS", 2)
    sources = [{"one.c": SOURCE["one.c"].replace("1", str(n))} for n in range(3)]
    first, second = shared_object(sources[0]), shared_object(sources[1])
    os.utime(first, (1, 1))
    os.utime(second, (2, 2))
    assert shared_object(sources[0]) == first  # used again, so now the younger
    third = shared_object(sources[2])
    assert set(cache_folder().iterdir()) == {first, third}


def test_two_processes_may_build_at_once(own_cache: Path) -> None:
    text = (
        "import sys; from swapbridge.core.toolchain import shared_object; print(shared_object({'one.c': sys.argv[1]}))"
    )
    builders = [
        subprocess.Popen([sys.executable, "-c", text, SOURCE["one.c"]], stdout=subprocess.PIPE, text=True)
        for _ in range(3)
    ]
    answers = [builder.communicate(timeout=200)[0].strip() for builder in builders]
    assert [builder.returncode for builder in builders] == [0, 0, 0]
    for answer in answers:
        assert ctypes.CDLL(answer).one() == 1
    assert Path(answers[0]) in own_cache.rglob("*.so")


def test_what_is_torn_is_built_again() -> None:
    first = shared_object(SOURCE)
    whole = first.read_bytes()
    first.write_bytes(whole[: len(whole) // 2])
    again = shared_object(SOURCE)
    assert ctypes.CDLL(str(again)).one() == 1
    assert [p.name for p in cache_folder().iterdir()] == [again.name]


def test_an_object_that_another_process_holds_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows lets nobody replace or remove a library that is loaded."""
    replace = os.replace

    def held(source: Path, target: Path) -> None:
        replace(source, target)
        raise PermissionError(13, "being used by another process", str(target))

    monkeypatch.setattr(os, "replace", held)
    assert ctypes.CDLL(str(shared_object(SOURCE))).one() == 1

    def full(source: Path, target: Path) -> None:
        raise OSError(28, "no space left on device", str(target))

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(InputError, match=r"no space left.*XDG_CACHE_HOME"):
        shared_object({"one.c": SOURCE["one.c"].replace("1", "3")})


def test_what_a_mac_has_in_place_of_tools_is_no_compiler(monkeypatch: pytest.MonkeyPatch) -> None:
    toolchain._compiler_on.cache_clear()
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr(shutil, "which", lambda name, path: f"/usr/bin/{name}")
    try:
        with pytest.raises(MissingToolError, match="no C compiler"):  # there is no xcode-select here
            find_compiler()
        monkeypatch.setattr(shutil, "which", lambda name, path: f"/opt/tools/{name}")
        toolchain._compiler_on.cache_clear()
        assert find_compiler() == "/opt/tools/gcc"
    finally:
        toolchain._compiler_on.cache_clear()


def test_other_text_or_flags_build_anew() -> None:
    first = shared_object(SOURCE)
    assert shared_object({"one.c": SOURCE["one.c"].replace("1", "2")}) != first
    assert shared_object(SOURCE, ("-std=c99", "-O1")) != first


def test_a_failing_build_quotes_the_compiler_and_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(MissingToolError, match=r"(?s)failed.*error"):
        shared_object({"bad.c": "int f(void) { return }\n"})
    assert list(cache_folder().iterdir()) == []
    with pytest.raises(MissingToolError, match="could not be run"):
        build(SOURCE, "x", tmp_path, (), str(tmp_path / "absent"))


def test_a_cache_that_another_user_could_write_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    with pytest.raises(InputError, match="XDG_CACHE_HOME"):
        cache_folder()
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "theirs"))
    monkeypatch.setattr(os, "getuid", lambda: os.geteuid() + 1)
    with pytest.raises(InputError, match="not writable by this user"):
        cache_folder()


def test_a_compilers_words_in_another_code_page_are_quoted_all_the_same(tmp_path: Path) -> None:
    """They come in the code page of the console, which need not be the one that Python takes for text."""
    compiler = tmp_path / "cc"
    compiler.write_text(
        f"#!{sys.executable}\nimport sys\nsys.stdout.buffer.write(b'no \\x9d here')\nsys.exit(1)\n",
        encoding="utf-8",
    )
    compiler.chmod(0o700)
    with pytest.raises(MissingToolError, match=r"no . here"):
        build({"a.c": ""}, "a.so", tmp_path, (), str(compiler))
