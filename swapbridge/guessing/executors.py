"""Guessing room: where the work of guessing is done: this process, the machine's cores, or a cluster that exists."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from importlib import import_module
from typing import Any

from swapbridge.core.errors import InputError, MissingToolError

PATIENCE_S = 5
"""Seconds that a scheduler may take to answer."""
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
_WORK = "swapbridge.guessing.layout.study"
WORTH_PROCESSES = 60_000
"""Frames below which starting processes costs more than they save."""


@contextmanager
def open_executor(
    *, jobs: int | None = None, scheduler: str | None = None, frames: int = 0
) -> Iterator[Executor | None]:
    """An executor for `guess`, or None where one process is best.

    Parameters
    ----------
    jobs : int, optional
        Processes; by default as many as cores when there are enough frames, else none.
    scheduler : str, optional
        Address of a Dask scheduler (``tcp://host:8786``); its workers need this package. Lost workers' tasks are done
        again by others.
    frames : int
        Frames to be studied.

    Raises
    ------
    InputError
        `jobs` under one, or no scheduler answers.
    MissingToolError
        A scheduler is named and the package `distributed` is not installed.
    """
    if jobs is not None and jobs < 1:
        raise InputError(f"--jobs needs at least 1 process, not {jobs}")
    if scheduler is not None:
        with _cluster(scheduler) as executor:
            yield executor
        return
    count = jobs if jobs is not None else (os.cpu_count() or 1) if frames >= WORTH_PROCESSES else 1
    if count == 1:
        yield None
        return
    with (
        _one_thread_each(),
        ProcessPoolExecutor(
            count, mp_context=multiprocessing.get_context("spawn"), initializer=import_module, initargs=(_WORK,)
        ) as pool,
    ):
        pool.submit(int)  # they begin now, and load what they need while the frames are put in groups
        yield pool


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Processes that begin now do linear algebra in one thread: two of them with two each get in each other's way."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update({name: "1" for name, value in before.items() if value is None})
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError:
        raise MissingToolError(
            "--scheduler needs the package distributed: pip install 'swapbridge[cluster]', or use --jobs"
        ) from None
    try:
        client: Any = Client(address, timeout=PATIENCE_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(
            f"no scheduler answers at {address} ({error}): start one (dask scheduler), or use --jobs"
        ) from error
    with client:
        executor: Executor = client.get_executor(pure=False)
        yield executor
