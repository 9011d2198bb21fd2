"""Guessing room: `history_costs` in C where this computer has a compiler, in numpy where it has none.

`codelength.c` is built on first use and kept (`core.toolchain`). Whatever goes wrong with that, numpy does the work:
its answers are the same, only later.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.core.toolchain import c_library
from swapbridge.guessing.coding import codelength
from swapbridge.guessing.coding.bit_columns import Pairs
from swapbridge.guessing.coding.history_costs import LONGEST, Costs, history_costs

MANY_WEIGHTS = 2
"""What the C function returns where steps stand for more numbers of steps than it tells apart."""


def definitions() -> tuple[str, ...]:
    """The numbers of `codelength` as flags of the compiler."""
    numbers = {
        "LONGEST": f"{LONGEST}U",
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


@lru_cache(maxsize=1)
def kernel() -> Callable[..., int] | None:
    """The C function, or None where it can't be had."""
    found = c_library("swapbridge.guessing.coding", "codelength.c", definitions())
    if found is None:
        return None
    function = found.history_costs
    pointer, size = ctypes.c_void_p, ctypes.c_size_t
    function.restype = ctypes.c_int
    function.argtypes = [
        pointer, size, pointer, size, pointer, ctypes.c_int, ctypes.c_double, *([pointer] * 4)
    ]  # fmt: skip
    return function  # type: ignore[no-any-return]


def native_history_costs(
    pairs: Pairs,
    wanted: npt.NDArray[np.bool_],
    *,
    thorough: bool,
    parts: npt.NDArray[np.bool_] | None,
    heavy: float,
) -> Costs:
    """`history_costs`, by whichever way this computer has.

    Parameters
    ----------
    pairs : Pairs
        Steps to count over.
    wanted : (2, 8 B, LONGEST) bool
        Candidates.
    thorough : bool
        Whether all models compete, or the quick ones only.
    parts : (U, 2 B) bool, optional
        Whether each nibble of the payload moves in each step.
    heavy : float
        What one sampled step stands for.

    Returns
    -------
    (2, 8 B, LONGEST) float64
        Bits for all steps, infinite where nothing is wanted.
    """
    function = kernel() if len(pairs.new) and wanted.any() else None
    if function is None:
        return history_costs(pairs, wanted, thorough=thorough, parts=parts, heavy=heavy)
    columns = np.ascontiguousarray(np.concatenate([pairs.before, pairs.old, pairs.new]).T)
    weight, wanted = np.ascontiguousarray(pairs.weight, np.float64), np.ascontiguousarray(wanted)
    parts = None if parts is None else np.ascontiguousarray(parts)
    out = np.full(wanted.shape, np.inf)
    failed = function(
        columns.ctypes.data,
        len(columns),
        weight.ctypes.data,
        len(weight),
        wanted.ctypes.data,
        thorough,
        heavy,
        codelength.SHAPES.ctypes.data,
        codelength.GIVEN.ctypes.data,
        None if parts is None else parts.ctypes.data,
        out.ctypes.data,
    )
    if failed == MANY_WEIGHTS:
        return history_costs(pairs, wanted, thorough=thorough, parts=parts, heavy=heavy)
    if failed:
        raise MemoryError
    return codelength.in_steps(out)
