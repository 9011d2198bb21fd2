"""Drafting room: `draft`, the driver: turns two vehicles' recordings into messages, rules and what is open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace

from swapbridge.core.identifier_words import identifier_word
from swapbridge.core.progress import Progress
from swapbridge.drafting.caution import cautious, is_torque, with_not_available
from swapbridge.drafting.compilable import compilable
from swapbridge.drafting.delays import delayed
from swapbridge.drafting.draft_text import NAMED_BY_DRAFT
from swapbridge.drafting.drafted import Drafted, DraftedMessage, Explained
from swapbridge.drafting.drawn import drawn
from swapbridge.drafting.explain.field import codes_apart, explain_field, note_words
from swapbridge.drafting.explain.kit import Kit, kit_for
from swapbridge.drafting.field_neighbours import capped_by_neighbours
from swapbridge.drafting.never import refused, unanswered
from swapbridge.drafting.recorded_vehicle import VehicleMessage
from swapbridge.drafting.shared_warnings import one_lamp_each
from swapbridge.drafting.swap_sources import Swap
from swapbridge.drafting.when_sent import life_of, shared_times
from swapbridge.signalmap.signal_map import MapMessage, SignalMap

WELL_KNOWN = 0.95
"""A counter or a checksum that is surer needs no words beside each field."""


def draft(
    swap: Swap,
    *,
    maps: Mapping[str, SignalMap] | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> Drafted:
    """Explain every field of every message that somebody will miss.

    Parameters
    ----------
    swap : Swap
        Both vehicles, and who of them will be there (`swap_sources.gather`).
    maps : dict, optional
        What a person has said of a bus by now: its codes for 'not available' are used where a field is open.
    progress : callable, optional
        Told the share done and a few words.
    executor : Executor, optional
        Where messages are explained, one task each.

    Returns
    -------
    Drafted
        Every field with its explanation, or open with the reason.
    """
    out: list[DraftedMessage] = []
    run = map if executor is None else executor.map
    kits = list(run(kit_for, (swap, swap), (swap.host.bus, swap.donor.bus)))
    tasks = [
        (kit, m, _known(maps or {}, kit.bus, m)) for kit in kits
        for k, m in sorted(swap.vehicle(kit.bus).messages.items()) if k not in swap.alive(kit.bus)
    ]  # fmt: skip
    for done, made in enumerate(run(_message, *zip(*tasks, strict=True)), 1):
        out.append(made)
        if progress is not None:
            progress(0.3 + 0.7 * done / len(tasks), f"message {done} of {len(tasks)}")
    for kit in kits:
        out = one_lamp_each(kit, out)
    named = {bus: _modules_named(swap, bus, one) for bus, one in (maps or {}).items()}
    return compilable(swap, Drafted(tuple(out), shared_times(swap), named=named), maps)


def _modules_named(swap: Swap, bus: str, there: SignalMap) -> tuple[str, ...]:
    """The senders that a person named of messages that will be missed, none of which sends anything that stays."""
    gone: set[str] = set()
    stays: set[str] = set()
    for key, message in swap.vehicle(bus).messages.items():
        known = _known({bus: there}, bus, message)
        (stays if key in swap.alive(bus) else gone).update(() if known is None else known.senders)
    return tuple(sorted(gone - stays - NAMED_BY_DRAFT))


def _known(maps: Mapping[str, SignalMap], bus: str, message: VehicleMessage) -> MapMessage | None:
    """A message in the map that a person has of its bus."""
    if bus not in maps:
        return None
    return maps[bus].by_word(identifier_word(message.key.identifier, message.key.extended))


def _message(kit: Kit, message: VehicleMessage, known: MapMessage | None) -> DraftedMessage:
    life = life_of(kit.swap, kit.bus, message)
    parts = parts_of(message)
    why = refused(message) or next(filter(None, (unanswered(kit.swap, kit.bus, part) for _, part in parts)), "")
    fields: list[Explained] = []
    for page, part in () if why else parts:
        fields += [replace(f, page=page) for f in _explained(kit, part, page, known)]
    fields = _named(fields)
    return DraftedMessage(kit.bus, message, life, tuple(fields), why, _unreviewed(kit, fields))


def parts_of(message: VehicleMessage) -> list[tuple[int | None, VehicleMessage]]:
    """The fields of every frame of a message, and those of each of its pages."""
    pages = () if message.pages is None else sorted(message.pages.fields)
    return [(None, message), *((page, message.of_page(page)) for page in pages)]


def _explained(kit: Kit, message: VehicleMessage, page: int | None, known: MapMessage | None) -> list[Explained]:
    """The fields of a message, or of one of its pages."""
    allowed = allowed_bits(message)
    fields: list[Explained] = []
    codes = codes_apart(kit, message)
    for one in message.fields:
        if page is not None:
            note_words(kit, message, one)
        fields += codes[one.name] if one.name in codes else explain_field(kit, message, one, allowed)
    fields = with_not_available(_named(cautious(kit, message, fields, allowed)), known)
    fields = [_no_surer_than_check(message, f) for f in capped_by_neighbours(message, fields)]
    fields = [delayed(kit, message, f) for f in fields]
    return [replace(f, drawn=drawn(kit, message, f)) for f in fields]


def _no_surer_than_check(message: VehicleMessage, one: Explained) -> Explained:
    """A field that is no surer than the counter and the checksum of its message, without which receivers discard it."""
    parts = {} if message.counter is None else {"counter": message.counter[2]}
    parts |= {} if message.checksum is None else {"checksum": message.checksum[1]}
    name = min(parts, key=lambda p: parts[p], default="")
    if not name or one.how == "open" or one.confidence <= parts[name]:
        return one
    why = f"; no more certain than {name} of the same message" if parts[name] < WELL_KNOWN else ""
    return replace(one, confidence=parts[name], words=f"{one.words}{why}")


def _unreviewed(kit: Kit, fields: Sequence[Explained]) -> str:
    """Why somebody has to look at a whole message before it goes out, or ""."""
    if kit.bus == kit.swap.donor.bus:
        return "nobody named the module that stayed behind"
    if any(is_torque(f) or f.role == "throttle_position" for f in fields):
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
