"""Core room: the C compiler of this machine, and shared objects built once and kept.

A built object is named after a hash of everything that went into it (text, flags, compiler's own version) and a hash
of its own bytes, so that a torn one is known and built again. It lives in the user's cache folder, readable and
writable by that user only, and is put there by a rename, so that two processes building at once do each other no harm.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from swapbridge.core.errors import InputError, MissingToolError, SwapbridgeError

STRICT_FLAGS = (
    "-std=c99",
    "-Wall",
    "-Wextra",
    "-Werror",
    "-pedantic",
    "-Wconversion",
    "-Wshadow",
)
"""The flags that every emitted file builds under without a word."""

KERNEL_FLAGS = ("-std=c99", "-O2", "-ftree-vectorize", "-ffp-contract=off")
"""The flags of a C file that does a room's own work: its numbers are those of the Python beside it."""

BUILD_TIMEOUT_S = 300
KEPT_OBJECTS = 100
"""Built objects that stay in the cache: those used last."""


@lru_cache(maxsize=8)
def _compiler_on(path: str, preferred: str) -> str:
    for name in (preferred, "gcc", "clang", "cc"):
        found = shutil.which(name, path=path) if name else None
        if found and not _only_offers_to_install(found):
            return found
    raise MissingToolError(
        "no C compiler (gcc, clang or cc) is on the PATH: install one (on Debian: apt install gcc), "
        "or use the Python engine, which gives the same results"
    )


def _only_offers_to_install(compiler: str) -> bool:
    """Whether this is what a Mac without developer tools has in their place: it opens a window that offers them."""
    if sys.platform == "darwin" and Path(compiler).parent == Path("/usr/bin"):
        try:
            done = subprocess.run(["xcode-select", "-p"], capture_output=True, timeout=60, check=False)
        except (OSError, subprocess.TimeoutExpired):
            return True
        return done.returncode != 0
    return False


def find_compiler() -> str:
    """Path of the C compiler: the environment's `CC` where that names a program, else gcc, clang or cc.

    Raises
    ------
    MissingToolError
        None is on the PATH.
    """
    return _compiler_on(os.environ.get("PATH", os.defpath), os.environ.get("CC", ""))


def build(
    sources: Mapping[str, str],
    output: str,
    folder: Path,
    flags: Sequence[str],
    compiler: str | None = None,
    libraries: Sequence[str] = (),
) -> Path:
    """Write `sources` into `folder` and build its .c files into `folder / output`.

    Parameters
    ----------
    sources : mapping
        File name to text.
    output : str
        File name of what is built.
    folder : Path
        An existing folder.
    flags : sequence of str
        Flags for the compiler.
    compiler : str, optional
        Default what `find_compiler` finds.
    libraries : sequence of str
        What comes after the sources, such as ``-lm``.

    Raises
    ------
    MissingToolError
        There is no compiler, or it does not do as C99 asks: its own words are quoted.
    """
    for name, text in sources.items():
        (folder / name).write_text(text, encoding="utf-8")
    command = [
        compiler or find_compiler(),
        *flags,
        "-o",
        output,
        *(name for name in sources if name.endswith(".c")),
        *libraries,
    ]
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, timeout=BUILD_TIMEOUT_S, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise MissingToolError(
            f"the C compiler {command[0]} could not be run ({error}): install it again, or set CC to another compiler"
        ) from error
    if done.returncode:
        raise MissingToolError(
            f"{' '.join(command)} failed: it needs a C99 compiler for this machine\n"
            f"{(done.stdout + done.stderr).decode(errors='replace')[-2000:]}"
        )
    return folder / output


def shared_object(
    sources: Mapping[str, str], flags: Sequence[str] = ("-std=c99", "-O2"), libraries: Sequence[str] = ()
) -> Path:
    """Path of a shared object built from these sources, from the cache where it was built before.

    Raises
    ------
    MissingToolError
        There is no compiler that can build it.
    InputError
        There is no folder to keep it in.
    """
    compiler = find_compiler()
    wanted = (*flags, "-shared", "-fPIC")
    digest = hashlib.sha256(_version(compiler).encode())
    for part in (*wanted, *libraries, *(piece for item in sources.items() for piece in item)):
        digest.update(b"\0" + part.encode())
    cache, name = cache_folder(), digest.hexdigest()[:40]
    try:
        for kept in sorted(cache.glob(f"{name}-*.so")):
            if kept.name == _whole_name(name, kept):
                os.utime(kept)
                return kept
            kept.unlink(missing_ok=True)  # torn
    except OSError:  # held or removed by another process: built again
        pass
    try:
        with tempfile.TemporaryDirectory(dir=cache, ignore_cleanup_errors=True) as folder:
            built = build(sources, "built.so", Path(folder), wanted, compiler, libraries)
            kept = cache / _whole_name(name, built)
            try:
                os.replace(built, kept)
            except OSError:  # another process was quicker and has it loaded, which some systems do not let go of
                if not kept.is_file() or kept.name != _whole_name(name, kept):
                    raise
        for old in sorted(cache.glob("*.so"), key=_last_used)[:-KEPT_OBJECTS]:
            with suppress(OSError):
                old.unlink()
    except OSError as error:
        raise InputError(
            f"{cache} can't be written ({error}): point XDG_CACHE_HOME at a writable folder with free space"
        ) from error
    return kept


def c_library(package: str, name: str, definitions: tuple[str, ...] = ()) -> Any | None:
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
        return ctypes.CDLL(str(shared_object({name: text}, (*KERNEL_FLAGS, *definitions), ("-lm",))))
    except (SwapbridgeError, OSError):
        return None


def _whole_name(name: str, path: Path) -> str:
    return f"{name}-{hashlib.sha256(path.read_bytes()).hexdigest()[:24]}.so"


def _last_used(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:  # another process was quicker to remove it
        return 0.0


@lru_cache(maxsize=8)
def _version(compiler: str) -> str:
    try:
        done = subprocess.run([compiler, "--version"], capture_output=True, timeout=60, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise MissingToolError(
            f"the C compiler {compiler} could not be run ({error}): repair its installation or set CC"
        ) from error
    return f"{compiler}\n{done.stdout.decode(errors='replace')}"


def cache_folder() -> Path:
    """The user's own folder for built objects, made where it is missing.

    `XDG_CACHE_HOME` is heeded, as the XDG base directory specification asks.

    Raises
    ------
    InputError
        It can't be made or written, or belongs to another user (whose code would then be run).
    """
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    folder = Path(base) / "swapbridge" / "native"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        owner = folder.stat().st_uid
        own = getattr(os, "getuid", lambda: owner)()  # not everywhere are there user numbers
    except OSError as error:
        raise InputError(f"{folder} can't be created ({error}): point XDG_CACHE_HOME at a writable folder") from error
    if owner != own or not os.access(folder, os.W_OK):
        raise InputError(f"{folder} is not writable by this user: point XDG_CACHE_HOME at a folder that you own")
    return folder
