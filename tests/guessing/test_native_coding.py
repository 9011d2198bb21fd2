"""What candidates cost in C beside what they cost in numpy, and what happens where C can't be had."""

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
from swapbridge.guessing.coding.bit_columns import Pairs
from swapbridge.guessing.coding.history_costs import LONGEST, Costs, history_costs
from swapbridge.guessing.guess import guess
from tests.guessing.planted import plant

KINDS = ("noise", "walk", "states", "grid", "heartbeat", "slope", "ramp", "still", "high bits")


@pytest.fixture(autouse=True)
def look_again() -> Iterator[None]:
    """What a test finds out about this computer's compiler is not kept for the next one."""
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


def pairs_of(payload: npt.NDArray[np.uint8], weight: npt.NDArray[np.float64]) -> Pairs:
    return Pairs(payload[:-2], payload[1:-1], payload[2:], weight)


def both_ways(
    pairs: Pairs, wanted: npt.NDArray[np.bool_], thorough: bool, parts: npt.NDArray[np.bool_] | None
) -> tuple[Costs, Costs]:
    heavy = codelength.typical_weight(pairs.weight)
    got = codelength_kernel.native_history_costs(pairs, wanted, thorough=thorough, parts=parts, heavy=heavy)
    return got, history_costs(pairs, wanted, thorough=thorough, parts=parts, heavy=heavy)


@settings(max_examples=30)
@given(
    st.sampled_from(KINDS),
    st.integers(1, 300),
    st.integers(1, 20),
    st.sampled_from([0.03, 0.3, 1.0]),
    st.booleans(),
    st.sampled_from(["alike", "some stand for more", "thinned", "all sorts"]),
    st.integers(0, 2**32 - 1),
)
def test_c_and_numpy_say_the_same(
    kind: str, count: int, width: int, share: float, thorough: bool, weights: str, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    values = np.stack([history(kind if k == 0 else str(rng.choice(KINDS)), count + 2, rng) for k in range(3)], axis=1)
    payload = np.ascontiguousarray(values).view(np.uint8)[:, :width]
    payload = payload if seed & 1 else payload[:, ::-1]
    weight = np.ones(count)
    if weights == "all sorts":
        weight = rng.uniform(1.0, 2.0, count)
    elif weights != "alike":
        weight[rng.random(count) < 0.5] = 7.0 if weights == "thinned" else 1.25
    wanted = np.zeros((2, 8 * width, LONGEST), bool)
    some = rng.permutation(8 * width)[:4]
    wanted[:, some] = rng.random((2, len(some), LONGEST)) < share
    wanted &= np.arange(8 * width)[:, None] + np.arange(LONGEST) < 8 * width
    moved = (rng.random((count, 2 * width)) < 0.05) | (rng.random((count, 1)) < 0.03)
    parts = moved if thorough and seed % 3 else None
    assert codelength_kernel.kernel() is not None
    got, expected = both_ways(pairs_of(payload, weight), wanted, thorough, parts)
    assert ((got < np.inf) == wanted).all()
    # sums are added up in another order, so a number may round to the next step
    assert np.abs(got[wanted] - expected[wanted]).max(initial=0.0) <= codelength.FINEST_BITS


def test_nothing_to_weigh() -> None:
    wanted = np.zeros((2, 8, LONGEST), bool)
    wanted[0, 0, [0, 7]] = True
    for got in both_ways(pairs_of(np.zeros((2, 1), np.uint8), np.zeros(0)), wanted, True, None):
        assert got[wanted].tolist() == [0.0, codelength.MODELS_BITS]
    for got in both_ways(pairs_of(np.ones((3, 1), np.uint8), np.ones(1)), ~wanted & wanted, True, None):
        assert not (got < np.inf).any()


def test_every_number_of_the_c_text_comes_from_python() -> None:
    text = (Path(codelength.__file__).parent / "codelength.c").read_text(encoding="utf-8")
    given_names = {flag[2:].split("=")[0] for flag in codelength_kernel.definitions()}
    own = set(re.findall(r"#define (\w+)", text))
    names = set(re.findall(r"\b[A-Z][A-Z_]{3,}\b", re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)))
    assert names - own - {"NULL", "HUGE_VAL", "SIZE_MAX"} == given_names
    assert codelength.SHAPES.shape == (128, 2, 128)  # CLASSES and SCALES
    assert codelength.SHAPES.flags.c_contiguous
    assert codelength.GIVEN.flags.c_contiguous


def findings(messages: int = 2, frames: int = 160) -> str:
    return repr(guess(plant(3, messages=messages, frames=frames).capture).messages)


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
    assert findings(messages=1, frames=60)
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
