"""Swap folder room: a plan proved from its files. The command, the browser page and the tour all come through here."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Literal

from swapbridge.bus.rehearsal.virtual_check import virtual_check
from swapbridge.bus.running.proof_file import sources_for
from swapbridge.capture.capture import Capture
from swapbridge.capture.naming import recordings_by_kind, stimulus_of
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import StimulusTrack, read_stimulus
from swapbridge.compiler.load_maps import load_maps
from swapbridge.core.engine_health import HealthSheet, load_health
from swapbridge.core.errors import InputError
from swapbridge.core.needs import load_needs
from swapbridge.core.progress import Progress
from swapbridge.demo.closed_loop import DemoSwap
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.language.reading import load_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.plan.serialise import plan_from_json
from swapbridge.proving.judges.runs.real_time import judge_real_time, lively_part
from swapbridge.proving.prove import prove
from swapbridge.proving.verdict import Check, Verdict
from swapbridge.swapfolder.paths import CAPTURES, PLAN

Make = Callable[[], Translator | NativeTranslator]
Read = Callable[[Mapping[str, Path]], dict[str, Capture]]
"""Reads captures by name: the command with a progress bar, the page from those it keeps."""


@dataclass(frozen=True, slots=True)
class ProofFiles:
    """The files that a proof is about.

    Attributes
    ----------
    plan, bridge : Path
    needs : Path or None
    captures : dict of str to Path
        By bus name.
    unplugged : Path or None
        The host, its old engine computer unplugged.
    health : Path or None
        The engine health sheet.
    """

    plan: Path
    bridge: Path
    needs: Path | None = None
    captures: Mapping[str, Path] = field(default_factory=dict)
    unplugged: Path | None = None
    health: Path | None = None


@dataclass(frozen=True, slots=True)
class ProofOptions:
    """How a plan is proved; `swapbridge prove --help` explains each."""

    thoroughness: str = "quick"
    seed: int = 0
    only: Sequence[str] = ()
    engine: Literal["python", "c"] = "python"
    workers: int | None = None
    real_time_s: float = 2.0
    demo_model: bool = False


def captures_of(folder: Path, buses: Sequence[str]) -> tuple[dict[str, Path], Path | None]:
    """Recordings of a swap folder that a proof of a plan with these buses takes: by bus name, and the unplugged one."""
    found = recordings_by_kind(folder / CAPTURES)
    named = {name: found[name].path for name in buses if name in found}
    unplugged = found.get("host unplugged") if "host" in buses else None
    return named, unplugged.path if unplugged is not None else None


def load_plan(path: Path) -> Plan:
    """The plan in a file.

    Raises
    ------
    InputError
        It can't be read, or is no plan.
    """
    return plan_from_json(_bytes(path).decode("utf-8", "replace"))


def read_captures(named: Mapping[str, Path]) -> dict[str, Capture]:
    """Captures by name."""
    return {name: read_capture(path) for name, path in named.items()}


def prove_files(
    files: ProofFiles,
    options: ProofOptions,
    *,
    read: Read = read_captures,
    progress: Progress | None = None,
) -> Verdict:
    """Judge a plan by its files.

    Parameters
    ----------
    files, options
        What is judged by what, and how.
    read : callable, optional
        How captures are read.
    progress : callable, optional
        Told the share done and a few words.

    Returns
    -------
    Verdict
        With seed and the digest of every file it came from.

    Raises
    ------
    InputError
        A file can't be read, or no capture fits the plan's buses.
    """
    plan = load_plan(files.plan)
    bridge = load_bridge(files.bridge)
    captures = read(files.captures)
    unplugged = read({"host": files.unplugged}) if files.unplugged is not None else {}
    make: Make = partial(NativeTranslator if options.engine == "c" else Translator, plan)
    return prove(
        plan,
        captures,
        bridge,
        load_maps(bridge),
        needs=load_needs(files.needs) if files.needs is not None else (),
        unplugged=unplugged,
        stimuli=stimuli_of(files.captures),
        health=_health(files.health),
        thoroughness=options.thoroughness,
        seed=options.seed,
        only=options.only,
        make=make,
        workers=options.workers or os.cpu_count() or 1,
        inputs=[
            (f"{what}: {path.name}", hashlib.sha256(_bytes(path)).hexdigest()) for what, path in _named(files, bridge)
        ],
        sources=sources_for(files.plan, files.bridge, bridge.map_files()),
        plant=DemoSwap() if options.demo_model else None,
        more_checks=partial(in_real_time, plan, captures, options.real_time_s, make),
        progress=progress,
    )


def stimuli_of(captures: Mapping[str, Path]) -> dict[str, StimulusTrack]:
    """Stimulus files beside the recordings, by bus."""
    found = {bus: stimulus_of(path) for bus, path in captures.items()}
    return {bus: read_stimulus(path) for bus, path in found.items() if path is not None}


def _health(path: Path | None) -> Sequence[HealthSheet]:
    return load_health(path) if path is not None else ()


def in_real_time(plan: Plan, captures: dict[str, Capture], seconds: float, make: Make) -> list[Check]:
    """The same translator with threads and a monotonic clock on python-can's virtual bus; no check for no seconds."""
    if seconds <= 0:
        return []
    done = virtual_check(plan, lively_part(plan, captures, seconds), seconds, translator=make())
    return judge_real_time(plan, done.frames, seconds, done.lost)


def _named(files: ProofFiles, bridge: BridgeFile) -> list[tuple[str, Path]]:
    out = [("plan", files.plan), ("bridge", files.bridge)]
    if files.needs is not None:
        out.append(("needs", files.needs))
    out += [(f"capture {name}", path) for name, path in files.captures.items()]
    if files.unplugged is not None:
        out.append(("capture host, unplugged", files.unplugged))
    for name, path in files.captures.items():
        if (stimulus := stimulus_of(path)) is not None:
            out.append((f"stimulus {name}", stimulus))
    if files.health is not None:
        out.append(("health", files.health))
    return out + [(f"map {name}", path) for name, path in bridge.map_files().items()]


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        hint = "make a plan with `swapbridge compile`" if path.name == PLAN else "check its name"
        raise InputError(f"{path} can't be read ({error.strerror}): {hint}") from None
