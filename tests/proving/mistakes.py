"""Prove room's tests: the demo's swap as a `World`, and the ways in which a mistake is made in one.

A mistake is in a map, the bridge file, a recording, the needs list, or the plan after it was compiled; the `catalogue`
has them by class.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import StimulusTrack
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.needs import Need, load_needs
from swapbridge.demo.folder import DEMO_SEED, DONOR_RUNNING, HOST_RUNNING, HOST_UNPLUGGED, demo_recordings
from swapbridge.demo.vehicle_maps import demo_file, donor_map, host_map
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan, Send
from swapbridge.proving.case import Case
from swapbridge.proving.judges.behaviour.coverage import judge_needs
from swapbridge.proving.judges.behaviour.own_words import judge_own_words
from swapbridge.proving.judges.frames.sent_content import judge_content
from swapbridge.proving.judges.frames.sent_form import judge_form
from swapbridge.proving.judges.order import JUDGES
from swapbridge.proving.judges.runs.faults_met import judge_quiet_buses
from swapbridge.proving.judges.runs.states import judge_states
from swapbridge.proving.prove import prove, take_up
from swapbridge.proving.verdict import Check, Verdict
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.demo_folder import demo_capture


@dataclass(frozen=True)
class World:
    """All that a proof is made from."""

    bridge: str
    maps: dict[str, SignalMap]
    captures: dict[str, Capture]
    stimuli: dict[str, StimulusTrack]
    needs: str
    unplugged: dict[str, Capture]
    edit: Callable[[Plan], Plan] = field(default=lambda plan: plan)


def sound_world(seed: int = DEMO_SEED) -> World:
    """The demo's swap as it was written by hand."""
    recordings = (
        {name: (made.capture, made.stimulus) for name, made in demo_recordings(seed)}
        if seed != DEMO_SEED
        else {name: demo_capture(name) for name in (HOST_RUNNING, DONOR_RUNNING, HOST_UNPLUGGED)}
    )
    (host, of_host), (donor, of_donor) = recordings[HOST_RUNNING], recordings[DONOR_RUNNING]
    return World(
        bridge=demo_file("bridge.toml").decode(),
        maps={"host": host_map(), "donor": donor_map()},
        captures={"host": host, "donor": donor},
        stimuli={"host": of_host, "donor": of_donor},
        needs=demo_file("needs.toml").decode(),
        unplugged={"host": recordings[HOST_UNPLUGGED][0]},
    )


def verdict_of(world: World, folder: Path) -> Verdict | str:
    """Compile and prove without faults; the compiler's words where it refuses."""
    try:
        bridge, made, listed = compiled(world, folder)
        return prove(
            made, world.captures, bridge, world.maps, needs=listed, unplugged=world.unplugged, stimuli=world.stimuli,
            thoroughness="none",
        )  # fmt: skip
    except SwapbridgeError as error:
        return f"refused: {error}"


@dataclass(frozen=True)
class Judged:
    """A world of which nothing was refused, its case, and what the judges before those of the needs said of it."""

    world: World
    case: Case
    checks: tuple[Check, ...]

    def stands_for(self, other: World) -> bool:
        """Whether another world differs in nothing that these judges look at: only in needs and unplugged vehicle."""
        mine = self.world
        pairs = [(getattr(mine, of), getattr(other, of)) for of in ("maps", "captures", "stimuli")]
        alike = all(a.keys() == b.keys() and all(a[bus] is b[bus] for bus in a) for a, b in pairs)
        return alike and other.bridge == mine.bridge and other.edit is mine.edit

    def lend(self, other: World, case: Case) -> None:
        """Give another world's case what was worked out of the same recordings by the same messages of the maps."""
        mine = self.case
        for number, bus in enumerate(case.names):
            if mine.names != case.names or other.captures.get(bus) is not self.world.captures[bus]:
                continue
            alike = {m.word for m in mine.maps[bus].messages if case.maps[bus].by_word(m.word) == m}
            for key, value in mine.known.items():
                of_all = key[0] in ("old", "rate", "lost")  # these say in their key what else they are made of
                if key[1] == number and (of_all or (key[0] in ("track", "form") and key[2] in alike)):
                    case.known[key] = value


def judged(world: World, folder: Path) -> Judged:
    """A sound world, judged once for all mistakes that are made in it."""
    case = case_of(world, folder)
    for _, _, judge in JUDGES[:_NEEDS]:
        case.checks += judge(case)
    assert not _refusals(case)
    return Judged(world, case, tuple(case.checks))


def refused_by(world: World, folder: Path, known: Judged | None = None) -> str:
    """What the first judge that refuses says, or the compiler; "" where all judges pass, as they do in a proof.

    A proof asks all of them; who only wants to know whether there is a PASSED can stop at the first that says no, ask
    the quick ones first, and need not ask again what was asked of the same things (`known`).
    """
    try:
        case = case_of(world, folder)
    except SwapbridgeError as error:
        return f"refused: {error}"
    judges = sorted(JUDGES[:_NEEDS], key=lambda one: one[2] in _SLOW)
    if known is not None:
        known.lend(world, case)
        if known.stands_for(world):
            case.checks, judges = list(known.checks), []
    following = iter([*judges, *JUDGES[_NEEDS:]])
    while not (no := _refusals(case)):
        judge = next(following, None)
        if judge is None:
            return ""
        case.checks += judge[2](case)
    return "; ".join(f"{c.area}, {c.subject}, {c.name}: {c.measured}" for c in no[:3])


_NEEDS = next(n for n, (_, _, judge) in enumerate(JUDGES) if judge is judge_needs)
"""The first judge that looks at what others said, and at the needs."""
_SLOW = (judge_own_words, judge_content, judge_states, judge_form, judge_quiet_buses)
"""They run the plan again, or need the exact reference to have heard everything; in their order."""


def _refusals(case: Case) -> list[Check]:
    return [c for c in case.checks if c.status in ("fail", "unproved")]


def case_of(world: World, folder: Path) -> Case:
    """What the judges look at, before any of them has."""
    bridge, made, listed = _read(world, folder)
    case = take_up(
        world.edit(made), world.captures, bridge, world.maps, needs=listed, unplugged=world.unplugged,
        stimuli=world.stimuli,
    )  # fmt: skip
    case.known["compiled", -1] = made  # a judge would compile the same again
    return case


def compiled(world: World, folder: Path) -> tuple[BridgeFile, Plan, tuple[Need, ...]]:
    bridge, made, listed = _read(world, folder)
    return bridge, world.edit(made), listed


def _read(world: World, folder: Path) -> tuple[BridgeFile, Plan, tuple[Need, ...]]:
    needs_file = folder / "needs.toml"
    needs_file.write_text(world.needs)
    bridge = parse_bridge(world.bridge, str(folder / "bridge.toml"))
    return bridge, compile_bridge(bridge, world.maps).plan, load_needs(needs_file)


# --- how a world is changed

Change = Callable[[World], World]


def _with_map(world: World, bus: str, change: Callable[[MapMessage], MapMessage]) -> World:
    signal_map = world.maps[bus]
    changed = replace(signal_map, messages=tuple(change(m) for m in signal_map.messages))
    return replace(world, maps={**world.maps, bus: changed})


def message(bus: str, name: str, **changes: Any) -> Change:
    """A message of a map with some attributes changed."""
    return lambda world: _with_map(world, bus, lambda m: replace(m, **changes) if m.name == name else m)


def signal(place: str, **changes: Any) -> Change:
    """A signal with attributes changed; start, length, byte_order and signed are its layout's."""
    bus, name, signal_name = place.split(".")

    def of_signal(one: MapSignal) -> MapSignal:
        layout = {k: changes[k] for k in ("start", "length", "byte_order", "signed") if k in changes}
        rest: dict[str, Any] = {
            k: Fraction(v) if k in ("scale", "offset") else v for k, v in changes.items() if k not in layout
        }
        moved = replace(one.layout, **layout)
        if one.checksum is not None and "checksum" not in rest and layout:
            rest["checksum"] = replace(one.checksum, layout=moved)
        return replace(one, layout=moved, **rest)

    def of_message(one: MapMessage) -> MapMessage:
        if one.name != name:
            return one
        assert one.signal(signal_name) is not None, place
        return replace(one, signals=tuple(of_signal(s) if s.name == signal_name else s for s in one.signals))

    return lambda world: _with_map(world, bus, of_message)


def swapped(bus: str, name: str, a: str, b: str) -> Change:
    """Two signals of a message that take each other's bits."""

    def of_message(one: MapMessage) -> MapMessage:
        if one.name != name:
            return one
        first, second = one.signal(a), one.signal(b)
        assert first is not None
        assert second is not None
        places = {a: second.layout, b: first.layout}
        return replace(
            one, signals=tuple(replace(s, layout=places[s.name]) if s.name in places else s for s in one.signals)
        )

    return lambda world: _with_map(world, bus, of_message)


def without(place: str) -> Change:
    """A signal taken out of its map."""
    bus, name, gone = place.split(".")
    return lambda world: _with_map(
        world, bus, lambda m: replace(m, signals=tuple(s for s in m.signals if m.name != name or s.name != gone))
    )


def method(place: str, **changes: Any) -> Change:
    """A checksum's method with parameters changed."""
    bus, name, signal_name = place.split(".")

    def change(world: World) -> World:
        found = world.maps[bus].message(name)
        one = found.signal(signal_name) if found is not None else None
        assert one is not None
        assert one.checksum is not None
        checksum = replace(one.checksum, method=replace(one.checksum.method, **changes))
        return signal(place, checksum=checksum)(world)

    return change


def text(old: str, new: str) -> Change:
    """The bridge file with a piece of text replaced."""

    def change(world: World) -> World:
        assert old in world.bridge, old
        return replace(world, bridge=world.bridge.replace(old, new))

    return change


def needs(old: str, new: str) -> Change:
    """The needs list with a piece of text replaced."""

    def change(world: World) -> World:
        assert old in world.needs, old
        return replace(world, needs=world.needs.replace(old, new))

    return change


def both(*changes: Change) -> Change:
    """One mistake in two places."""

    def change(world: World) -> World:
        for one in changes:
            world = one(world)
        return world

    return change


def capture(bus: str, of: Callable[[Capture], Capture | None]) -> Change:
    """A recording changed, or taken away."""

    def change(world: World) -> World:
        new = of(world.captures[bus])
        kept = {b: c for b, c in world.captures.items() if b != bus}
        return replace(world, captures=kept if new is None else {**kept, bus: new})

    return change


def plan(change: Callable[[Plan], Plan]) -> Change:
    """The plan edited after it was compiled."""
    return lambda world: replace(world, edit=change)


def rest(name: str) -> Change:
    """A whole message as rest = "zero"."""

    def change(world: World) -> World:
        head, _, tail = world.bridge.partition(f'send = "{name}"')
        block, mark, after = tail.partition("[messages.signals]")
        _, cut, others = after.partition("\n[[messages]]")
        return replace(world, bridge=f'{head}send = "{name}"{block}rest = "zero"\n{cut}{others}' if mark else head)

    return change


def flip_payload(ident: int, byte: int, bits: int) -> Callable[[Capture], Capture]:
    def change(one: Capture) -> Capture:
        payload = one.payload.copy()
        payload[one.identifier == ident, byte] ^= bits
        return replace(one, payload=payload)

    return change


def seconds(one: Capture, start: float, end: float) -> Capture:
    first = int(one.time_ns[0])
    return one.select((one.time_ns >= first + int(start * 1e9)) & (one.time_ns < first + int(end * 1e9)))


def half_counters(ident: int, byte: int) -> Callable[[Capture], Capture]:
    def change(one: Capture) -> Capture:
        payload = one.payload.copy()
        rows = np.flatnonzero(one.identifier == ident)[::2]
        payload[rows, byte] ^= 0x05
        return replace(one, payload=payload)

    return change


def lossy(share: float) -> Callable[[Capture], Capture]:
    return lambda one: one.select(np.random.default_rng(1).random(len(one)) > share)


def hole(start: float, end: float, of: int | None = None) -> Callable[[Capture], Capture]:
    """The recorder stopped meanwhile, or one identifier was silent."""

    def change(one: Capture) -> Capture:
        at = (one.time_ns - one.time_ns[0]) / 1e9
        gone = (at >= start) & (at <= end)
        return one.select(~gone if of is None else ~(gone & (one.identifier == of)))

    return change


def sends_edited(name: str, change: Callable[[Send], Send]) -> Change:
    """The plan edited in one message that it sends."""
    return plan(lambda p: replace(p, sends=tuple(change(s) if s.name == name else s for s in p.sends)))


def other_fallback(one: Plan) -> Plan:
    send = one.sends[0]
    variant = send.variants[0]
    fields = tuple(replace(f, layout=f.layout, fallback=0) if i == 1 else f for i, f in enumerate(variant.fields))
    changed = replace(send, variants=(replace(variant, fields=fields), *send.variants[1:]))
    return replace(one, sends=(changed, *one.sends[1:]))


def without_message(bridge: str, name: str) -> str:
    head, _, tail = bridge.partition(f'[[messages]]\nsend = "{name}"')
    return head + "[[messages]]" + tail.partition("\n[[messages]]")[2]
