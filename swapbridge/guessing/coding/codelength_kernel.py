"""Guessing room: `codelength.candidate_bits` in C where this computer has a compiler, in numpy where it has none.

`codelength.c` is built on first use and kept (`core.toolchain`). Whatever goes wrong with that, numpy does the work:
its answers are the same, only later.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.toolchain import shared_object
from swapbridge.guessing.coding import codelength
from swapbridge.guessing.coding.codelength import Floats, typical_weight

Words = npt.NDArray[np.uint64]
_FLAGS = ("-std=c99", "-O3", "-ffp-contract=off")


def definitions() -> tuple[str, ...]:
    """The numbers of `codelength` as flags of the compiler."""
    numbers = {
        "CONTEXTS": f"{codelength.CONTEXTS}U",
        "SHAPE_BITS": codelength.SHAPE_BITS,
        "MODELS_BITS": codelength.MODELS_BITS,
        "MOST_STATES": f"{codelength.MOST_STATES}U",
        "QUICK_STATES_BITS": f"{codelength.QUICK_STATES_BITS}U",
        "WIDEST_STATES": f"{codelength.WIDEST_STATES}U",
        "TURNS_BITS": f"{codelength.TURNS_BITS}U",
        "COARSE_BITS": ",".join(f"{bits}U" for bits in codelength.COARSE_BITS),
        "COARSEST_BITS": f"{codelength.COARSE_BITS[-1]}U",
        "FEWEST_OTHERS": f"{codelength.FEWEST_OTHERS}U",
        "OTHERS_MOVE": ",".join(map(repr, codelength.OTHERS_MOVE)),
        "RARE": codelength.RARE,
        "STEADY": codelength.STEADY,
        "HEAD_BITS": f"{codelength.HEAD_BITS}U",
        "LEARNED_BITS": codelength.LEARNED_BITS,
    }
    return tuple(f"-D{name}={value}" for name, value in numbers.items())


def library(package: str, name: str, definitions: tuple[str, ...] = ()) -> Any | None:
    """What this C file beside the code of a package becomes, or None where it can't be built or kept.

    Parameters
    ----------
    package, name : str
        The package, and its file.
    definitions : tuple of str
        Further flags for the compiler.

    Returns
    -------
    ctypes.CDLL or None
        The functions.
    """
    try:
        text = (files(package) / name).read_text(encoding="utf-8")
        return ctypes.CDLL(str(shared_object({name: text}, (*_FLAGS, *definitions), ("-lm",))))
    except (SwapbridgeError, OSError):
        return None


@lru_cache(maxsize=1)
def kernel() -> Callable[..., int] | None:
    """The C function, or None where it can't be had."""
    found = library("swapbridge.guessing.coding", "codelength.c", definitions())
    if found is None:
        return None
    function = found.candidate_bits
    pointer, size = ctypes.c_void_p, ctypes.c_size_t
    function.restype = ctypes.c_int
    function.argtypes = [
        *([pointer] * 4), size, pointer, size, ctypes.c_int, ctypes.c_double, *([pointer] * 4), size, pointer
    ]  # fmt: skip
    return function  # type: ignore[no-any-return]


def native_candidate_bits(
    before: Words,
    old: Words,
    new: Words,
    weight: Floats,
    lengths: npt.NDArray[np.int64],
    *,
    thorough: bool = True,
    company: tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]] | None = None,
    heavy: float | None = None,
) -> Floats:
    """`codelength.candidate_bits`, by whichever way this computer has.

    Parameters
    ----------
    before, old, new : (U,) uint64
        Three neighbouring values, wide enough for the longest candidate.
    weight : (U,) float64
        Steps that each sampled step stands for.
    lengths : (L,) int64
        Candidate lengths, 1 to 64, ascending.
    thorough : bool
        Whether all models compete, or only the quick ones.
    company : (U, R) bool and (L, R) bool, optional
        Whether other parts of the payload move in each step, and which of them each candidate may look at.
    heavy : float, optional
        What one sampled step stands for.

    Returns
    -------
    (L,) float64
        Bits for all steps.
    """
    function = kernel() if len(new) and len(lengths) else None
    if function is None:
        return codelength.candidate_bits(
            before, old, new, weight, lengths, thorough=thorough, company=company, heavy=heavy
        )
    columns = [np.ascontiguousarray(words, dtype=np.uint64) for words in (before, old, new)]
    weight, lengths = np.ascontiguousarray(weight, np.float64), np.ascontiguousarray(lengths, np.int64)
    parts, allowed = (None, None) if company is None or not thorough else map(np.ascontiguousarray, company)
    out = np.empty(len(lengths))
    if function(
        *(words.ctypes.data for words in columns),
        weight.ctypes.data,
        len(new),
        lengths.ctypes.data,
        len(lengths),
        thorough,
        typical_weight(weight) if heavy is None else heavy,
        codelength.SHAPES.ctypes.data,
        codelength.GIVEN.ctypes.data,
        None if parts is None else parts.ctypes.data,
        None if allowed is None else allowed.ctypes.data,
        0 if parts is None else parts.shape[1],
        out.ctypes.data,
    ):
        raise MemoryError
    return codelength.in_steps(out)
