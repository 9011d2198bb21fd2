"""The code lengths in C beside those in numpy, and what happens where C can't be had."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.guessing.coding import codelength, codelength_kernel
from swapbridge.guessing.guess import guess
from tests.guessing.planted import plant

KINDS = ("noise", "walk", "states", "grid", "heartbeat", "slope", "ramp", "still", "high bits")


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cache of this file's own."""
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(autouse=True)
def look_again(cache: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """What a test finds out about this computer's compiler is not kept for the next one."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    codelength_kernel.kernel.cache_clear()
    yield
    codelength_kernel.kernel.cache_clear()


def history(kind: str, count: int, rng: np.random.Generator) -> npt.NDArray[np.uint64]:
    """Values of one sort."""
    steps = np.arange(count)
    if kind == "noise":
        return rng.integers(0, 2**64, count, dtype=np.uint64)
    if kind == "high bits":
        return rng.integers(0, 4, count, dtype=np.uint64) << np.uint64(62)
    values = {
        "walk": 30_000 + np.cumsum(rng.integers(-9, 10, count)),
        "states": np.cumsum(rng.random(count) < 0.05) % 3,
        "grid": 2**40 + np.round(np.cumsum(rng.normal(0, 1, count)) * 3.2),
        "heartbeat": np.where(steps % 2, 0x55, 0xAA),
        "slope": 17 * steps,
        "ramp": 200 + np.cumsum(rng.integers(15, 17, count)),
        "still": np.full(count, 5),
    }
    return values[kind].astype(np.uint64)


@settings(max_examples=60)
@given(
    st.sampled_from(KINDS),
    st.integers(1, 300),
    st.sets(st.integers(1, 64), min_size=1, max_size=12),
    st.booleans(),
    st.sampled_from(["alike", "some stand for more", "thinned"]),
    st.integers(0, 2**32 - 1),
)
def test_c_and_numpy_say_the_same(
    kind: str, count: int, some: set[int], thorough: bool, weights: str, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    value = history(kind, count + 2, rng)
    lengths = np.array(sorted(some), np.int64)
    weight = np.ones(count)
    if weights != "alike":
        weight[rng.random(count) < 0.5] = 7.0 if weights == "thinned" else 1.25
    moved = (rng.random((count, 16)) < 0.05) | (rng.random((count, 1)) < 0.03)
    company = (moved, rng.random((len(lengths), 16)) < 0.8) if thorough and seed % 3 else None
    args = value[:-2], value[1:-1], value[2:], weight, lengths
    assert codelength_kernel.kernel() is not None
    got = codelength_kernel.native_candidate_bits(*args, thorough=thorough, company=company)
    wanted = codelength.candidate_bits(*args, thorough=thorough, company=company)
    # sums are added up in another order, so a number may round to the next step
    assert np.abs(got - wanted).max() <= codelength.FINEST_BITS


def test_nothing_to_weigh() -> None:
    nothing, some = np.zeros(0, np.uint64), np.array([1, 8])
    assert codelength_kernel.native_candidate_bits(nothing, nothing, nothing, np.zeros(0), some).tolist() == [
        0.0,
        codelength.MODELS_BITS,
    ]
    one = np.ones(1, np.uint64)
    assert codelength_kernel.native_candidate_bits(one, one, one, np.ones(1), some[:0]).tolist() == []


def test_every_number_of_the_c_text_comes_from_python() -> None:
    text = (Path(codelength.__file__).parent / "codelength.c").read_text(encoding="utf-8")
    given_names = {flag[2:].split("=")[0] for flag in codelength_kernel.definitions()}
    own = set(re.findall(r"#define (\w+)", text))
    names = set(re.findall(r"\b[A-Z][A-Z_]{3,}\b", re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)))
    assert names - own - {"NULL", "HUGE_VAL"} == given_names
    assert codelength.SHAPES.shape == (128, 2, 128)  # CLASSES and SCALES
    assert codelength.SHAPES.flags.c_contiguous
    assert codelength.GIVEN.flags.c_contiguous


def findings(messages: int = 3) -> str:
    return repr(guess(plant(3, messages=messages, frames=160).capture).messages)


def test_without_a_compiler_the_findings_are_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert codelength_kernel.kernel() is not None
    in_c = findings()
    codelength_kernel.kernel.cache_clear()
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv("CC", raising=False)
    assert codelength_kernel.kernel() is None
    assert findings() == in_c


def test_a_cache_that_cannot_be_written_is_no_matter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    assert codelength_kernel.kernel() is None
    assert findings(messages=1)
    assert capfd.readouterr() == ("", "")


def test_a_compiler_that_fails_is_no_matter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    broken = tmp_path / "cc"
    broken.write_text("#!/bin/sh\necho cannot >&2\nexit 1\n")
    broken.chmod(0o755)
    monkeypatch.setenv("CC", str(broken))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert codelength_kernel.kernel() is None
    assert capfd.readouterr() == ("", "")
