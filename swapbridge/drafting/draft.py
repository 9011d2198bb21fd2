"""Drafting room: the driver: from two vehicles' recordings to everything that a draft says."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace

from swapbridge.drafting.explain.field import Kit, explain_field, kit_for
from swapbridge.drafting.life import life_of, shared_times
from swapbridge.drafting.model import Drafted, DraftedMessage, Explained
from swapbridge.drafting.never import refused
from swapbridge.drafting.sources import Swap
from swapbridge.drafting.vehicle import VehicleMessage

Progress = Callable[[float, str], None]


def draft(swap: Swap, *, progress: Progress | None = None, executor: Executor | None = None) -> Drafted:
    """Explain every field of every message that somebody will miss.

    Parameters
    ----------
    swap : Swap
        Both vehicles, and who of them will be there (`sources.gather`).
    progress : callable, optional
        Told the share done and a few words.
    executor : Executor, optional
        Where messages are explained, one task each.
    """
    out: list[DraftedMessage] = []
    run = map if executor is None else executor.map
    kits = list(run(kit_for, (swap, swap), (swap.host.bus, swap.donor.bus)))
    tasks = [
        (kit, m) for kit in kits
        for k, m in sorted(swap.vehicle(kit.bus).messages.items()) if k not in swap.alive(kit.bus)
    ]  # fmt: skip
    for done, made in enumerate(run(_message, *zip(*tasks, strict=True)), 1):
        out.append(made)
        if progress is not None:
            progress(0.3 + 0.7 * done / len(tasks), f"message {done} of {len(tasks)}")
    return Drafted(tuple(out), shared_times(swap))


def _message(kit: Kit, message: VehicleMessage) -> DraftedMessage:
    life = life_of(kit.swap.vehicle(kit.bus), message)
    why = refused(message)
    fields: list[Explained] = []
    if not why:
        allowed = allowed_bits(message)
        for one in message.fields:
            fields += explain_field(kit, message, one, allowed)
    return DraftedMessage(kit.bus, message, life, tuple(_named(fields)), why, _unreviewed(kit, fields))


def _unreviewed(kit: Kit, fields: Sequence[Explained]) -> str:
    """Why somebody has to look at a whole message before it goes out, or ""."""
    if kit.bus == kit.swap.donor.bus:
        return "nobody named the module that stayed behind"
    if any(f.role in ("actual_torque", "throttle_position") or f.unit == "Nm" for f in fields):
        return "it holds a torque or a throttle: fields that never moved may be limits of it"
    return ""


def allowed_bits(message: VehicleMessage) -> frozenset[int]:
    """The bits that may move: those that the checksum was verified on."""
    every = range(8 * message.length)
    if message.checksum is None or message.checksum[0].verified_bits is None:
        return frozenset(every)
    known = message.checksum[0].verified_bits
    return frozenset(p for p in every if known >> p & 1)


def _named(fields: list[Explained]) -> list[Explained]:
    """The fields with names of their own."""
    seen: set[str] = set()
    out = []
    for one in fields:
        name, n = one.name, 2
        while name in seen:
            name, n = f"{one.name}_{n}", n + 1
        seen.add(name)
        out.append(replace(one, name=name))
    return out
