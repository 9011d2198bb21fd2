"""Compiler room: bridge file and maps to a checked plan; the one public way in is `compile_bridge`."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from swapbridge.compiler.build import BlockBuilder, OverflowRefused, PlanMemory
from swapbridge.compiler.checks.needs_and_load import check_load, check_needs
from swapbridge.compiler.checks.packets import check_long_messages
from swapbridge.compiler.checks.safety import check_drafts, check_safety
from swapbridge.compiler.explain import explain_plan
from swapbridge.compiler.expressions.functions import FUNCTIONS
from swapbridge.compiler.expressions.lower import Lowering
from swapbridge.compiler.expressions.sources import Sources
from swapbridge.compiler.load_maps import load_maps
from swapbridge.compiler.messages.messages import SendDraft, lower_message
from swapbridge.compiler.messages.passing import build_answers, build_passes, join_answers
from swapbridge.compiler.messages.state_machine import write_states
from swapbridge.compiler.refusals import LoweringError
from swapbridge.compiler.review import marks, review_notes, unreviewed
from swapbridge.core.can_bits import arbitration_key
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import split_word
from swapbridge.core.j1939 import last_name
from swapbridge.core.units import SPELLINGS, find_unit
from swapbridge.core.vocabulary import is_nobody
from swapbridge.language.addresses import addressed, own_names
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.language.constants import parse_written
from swapbridge.language.expressions import KEYWORDS, names_in
from swapbridge.language.reading import load_bridge
from swapbridge.plan.check import check_plan
from swapbridge.plan.j1939_node import CLAIM_WAIT_US, WAITING_ADDRESSES
from swapbridge.plan.plan import STATES, AddressClaim, Bus, Plan, Task
from swapbridge.signalmap.dbc_write import map_digest
from swapbridge.signalmap.signal_map import SignalMap


@dataclass(frozen=True, slots=True)
class CompileResult:
    """A checked plan, what deserves attention, and the plan in words a mechanic can check."""

    plan: Plan
    warnings: tuple[str, ...]
    explain: str
    drafts: tuple[SendDraft, ...] = ()


def _claims(bridge: BridgeFile, maps: Mapping[str, SignalMap], drafts: Sequence[SendDraft]) -> tuple[AddressClaim, ...]:
    """J1939 addresses that groups are sent as, and the names that say so."""
    by_address: dict[tuple[int, int], list[int]] = {}
    for number, draft in enumerate(drafts):
        if draft.message.is_group:
            by_address.setdefault((draft.send.bus, draft.send.word & 0xFF), []).append(number)
    stated, out = own_names(bridge, maps), list[AddressClaim]()
    for (bus, address), sends in sorted(by_address.items()):
        own = stated.pop((bridge.buses[bus].name, address), None)
        name = last_name(address) if own is None else own
        wait_us = CLAIM_WAIT_US if address in WAITING_ADDRESSES else 0
        out.append(AddressClaim(bus, address, tuple(sends), name.value, own is not None, wait_us))
    for bus_name, address in stated:
        rule = next(b for b in bridge.buses if b.name == bus_name)
        raise bridge.refuse(
            rule.names[0][0].place,
            f"address {address} on {bus_name} has a NAME, and no J1939 group is sent as it",
            "leave the NAME out, or send a group with that `from`",
        )
    return tuple(out)


def compile_bridge(bridge: BridgeFile | str | Path, maps: Mapping[str, SignalMap] | None = None) -> CompileResult:
    """Compile a bridge file into a plan.

    Parameters
    ----------
    bridge : BridgeFile or path
        What `load_bridge` or `parse_bridge` gave, or the file to load.
    maps : mapping of str to SignalMap, optional
        Signal map of each bus by its name; by default the files that the bridge file names.

    Returns
    -------
    CompileResult
        The plan, warnings, and the plan in words.

    Raises
    ------
    InputError
        The bridge file or a map can't be read.
    RefusedError
        What it asks for would be wrong or unsafe: file, line, column, reason, remedy.
    """
    file = bridge if isinstance(bridge, BridgeFile) else load_bridge(bridge)
    return _Compiler(file, load_maps(file) if maps is None else dict(maps)).run()


class _Compiler:
    def __init__(self, bridge: BridgeFile, maps: dict[str, SignalMap]) -> None:
        self.bridge, self.given = bridge, maps
        self.maps = maps = addressed(bridge, maps)
        self.memory = PlanMemory()
        self.memory.slot("state", 0, 0, len(STATES) - 1)
        self.sources = Sources(bridge, maps, self.memory)
        self.lowering = Lowering(
            bridge, self.sources, self.memory, {name: function.lower for name, function in FUNCTIONS.items()}
        )
        self.notes: list[str] = []

    def run(self) -> CompileResult:
        try:
            return self._run()
        except OverflowRefused as error:  # outside any expression: a slot of a held value, say
            raise self.bridge.refuse(
                self.bridge.buses[0].place, f"a value could exceed 64 bits ({error})", "state coarser resolutions"
            ) from None
        except RecursionError:
            raise self.bridge.refuse(
                self.bridge.buses[0].place, "an expression, or named values one within another, nest too deep",
                "write long sums in brackets of a few terms each, and shorter chains of [values]",
            ) from None  # fmt: skip

    def _run(self) -> CompileResult:
        bridge = self.bridge
        self._check_names()
        refusals, drafts = self.lowering.refusals, list[SendDraft]()
        with refusals.gathering():
            write_states(self.lowering)
        for rule in bridge.messages:
            with refusals.gathering():
                drafts.append(lower_message(self.lowering, self.maps, rule))
        with refusals.gathering():
            drafts += build_answers(self.lowering)
        drafts.sort(key=lambda d: (arbitration_key(*split_word(d.send.word)), d.send.bus, d.send.name))
        for number, draft in enumerate(drafts):
            for feed in draft.arrivals:
                self.sources.feeds[feed].triggers.append(number)
        sends = tuple(draft.send for draft in drafts)
        if refusals.found:  # what else is wrong with the messages that could be read, and no more
            check_drafts(bridge, self.maps, drafts, refusals)
            refusals.raise_all()
        passes = build_passes(bridge, self.maps, sends, self.notes)
        learned = marks(bridge, self.maps)
        feeds, receives = self.sources.build()
        plan = Plan(
            name=bridge.name,
            buses=tuple(self._buses()),
            slots=tuple(self.memory.slots),
            tables=tuple(self.memory.tables),
            lookups=tuple(self.memory.lookups),
            feeds=feeds,
            receives=receives,
            tasks=self._tasks(self.lowering.tasks.blocks),
            sends=sends,
            passes=passes,
            pass_queue=bridge.pass_queue,
            joined=join_answers(bridge, sends),
            inputs=self._inputs(),
            unreviewed=unreviewed(learned),
            lines=tuple(self.memory.lines),
            claims=_claims(bridge, self.maps, drafts),
        )
        found = check_drafts(bridge, self.maps, drafts, refusals)
        refusals.raise_all()
        check_long_messages(bridge, drafts)
        found += check_safety(bridge, self.maps, self.sources, drafts, plan)
        found += check_needs(bridge, self.maps, drafts, plan) + check_load(bridge, self.maps, plan)
        drafted = list(dict.fromkeys(chain.from_iterable(draft.warnings for draft in drafts)))
        warnings = tuple(self.notes + drafted + found + review_notes(learned))
        plan = dataclasses.replace(plan, notes=warnings)
        check_plan(plan)
        return CompileResult(plan, warnings, explain_plan(plan, bridge, drafts), tuple(drafts))

    def _check_names(self) -> None:
        bridge = self.bridge
        known = {bus.name for bus in bridge.buses}
        for name in bridge.states.wake_by or ():
            if name not in known:
                raise bridge.refuse(
                    bridge.states.place,
                    f"wake_by names bus {name!r}, which the bridge file does not have",
                    "name one of the bridge's buses",
                )
        for rule in bridge.buses:
            nobody = next(filter(is_nobody, rule.absent), None)
            if nobody is not None:
                raise bridge.refuse(
                    rule.place,
                    f"{nobody!r} stands for an unknown sender, not for a module that could be absent",
                    "take it out of absent; write sender_gone = true in the rule of each message whose sender is gone",
                )
        for options in bridge.sources:
            bus, _, message = options.message.text.partition(".")
            place = options.message.place
            try:
                found = self.sources.find_message(bus, message)
                for name, own in options.signals.items():
                    place = own.place
                    self.sources.find_signal(bus, found.name, name)
            except LoweringError as error:
                raise bridge.refuse(place, error.reason, error.remedy) from None
        for spelling in bridge.units:
            try:
                find_unit(spelling, bridge.units)
            except InputError:
                raise bridge.refuse(
                    bridge.buses[0].place,
                    f"[units] says that {spelling!r} is {bridge.units[spelling]!r}, which is not a known unit",
                    f"known are {', '.join(sorted({u.name for u in SPELLINGS.values()} - {''}))}",
                ) from None
        for source in chain(bridge.constants.values(), bridge.values.values()):
            parse_written(bridge, source)  # what nothing uses is read too
        self._check_circles()
        for table in (bridge.constants, bridge.values, bridge.curves):
            for name in table:
                if name in KEYWORDS or name in FUNCTIONS:
                    raise bridge.refuse(
                        table[name].place, f"{name!r} is a reserved word, so it can't be a name", "rename it"
                    )
                if name in known or name in ("state", "invalid"):
                    raise bridge.refuse(
                        bridge.buses[0].place, f"{name!r} is defined twice or already has a meaning", "rename it"
                    )

    def _check_circles(self) -> None:
        """Refuse named values that are made from themselves, used or not."""
        bridge, done = self.bridge, set[str]()

        def follow(name: str, path: tuple[str, ...]) -> None:
            if name in path:
                raise bridge.refuse(
                    bridge.values[name].place, f"{name!r} is defined by itself", "remove the circular reference"
                )
            if name in done:
                return
            for part in names_in(parse_written(bridge, bridge.values[name])):
                if part.dotted in bridge.values:
                    follow(part.dotted, (*path, name))
            done.add(name)

        for name in bridge.values:
            follow(name, ())

    def _buses(self) -> list[Bus]:
        rules = self.bridge.states
        return [
            Bus(
                b.name, b.bit_rate, b.fd, b.data_rate, b.placement,
                rules.wake_by is None or b.name in rules.wake_by, b.silent_us or rules.silent_us,
            )
            for b in self.bridge.buses
        ]  # fmt: skip

    def _tasks(self, blocks: list[BlockBuilder]) -> tuple[Task, ...]:
        step, count = self.bridge.step_us, len(blocks)
        return tuple(
            Task(f"step {n}" if n else "states and step 0", step, n * step // count, b.block()[0])
            for n, b in enumerate(blocks)
        )

    def _inputs(self) -> tuple[tuple[str, str], ...]:
        digests = [("bridge", self.bridge.digest)]
        for name in sorted(self.given):
            digests.append((f"map {name}", map_digest(self.given[name])))
        return tuple(digests)
