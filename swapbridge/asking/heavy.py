"""Asking room: SAE J1939: DM1 by listening; DM2 and identification by request, from a service tool's address.

The address is claimed as J1939-81 has it, with a name of the lowest priority, so that every other tool wins. Only the
groups of `allowed.GROUPS` are requested; DM3 and DM11, which clear codes, are not among them.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from functools import partial

from swapbridge.asking import decode_answers
from swapbridge.asking.allowed import GROUPS, TOOL_ADDRESSES
from swapbridge.asking.module_answers import Code, Module
from swapbridge.asking.session import LISTEN_NS, MS, AskingSession, AskingStep, S, Script
from swapbridge.core import j1939

CLAIM_NS = 250 * MS
"""Wait after a claim (J1939-81)."""
REPLY_NS = 1_250 * MS
"""Wait for an answer to a request (J1939-21, T3)."""
LONGEST_LISTEN_NS = 15 * S
MOST_MODULES = 32
NOT_ACKNOWLEDGED = 0xE800
SIGNS = frozenset({j1939.DM1, j1939.ADDRESS_CLAIMED, 0xF003, 0xF004})
"""Groups by which a J1939 bus is recognised: DM1, address claims, electronic engine controllers 1 and 2."""
_TOOL_FUNCTION = 129


def tool_name(number: int) -> bytes:
    """A service tool's name (J1939-81): free to take another address, so its number is high and others win."""
    return j1939.J1939Name(number & 0x1FFFFF, manufacturer=0x7FF, function=_TOOL_FUNCTION, free=True).data


def is_heavy(session: AskingSession) -> bool:
    """Whether J1939 was heard."""
    return any(group.number in SIGNS for group in session.groups)


@dataclass(slots=True)
class Heavy:
    """Asks the modules of a J1939 bus.

    Parameters
    ----------
    names : dict of str to str
        Names by address, as the person gave them.
    identity : int
        Identity number within our own name.
    """

    names: dict[str, str] = field(default_factory=dict)
    identity: int = field(default_factory=lambda: random.getrandbits(21))
    answered: dict[tuple[int, int], bytes] = field(default_factory=dict)
    requested: list[tuple[int, int]] = field(default_factory=list)
    refused: set[tuple[int, int]] = field(default_factory=set)

    def listen(self, session: AskingSession) -> Script:
        """Hear who is there; a long DM1 under way is heard out."""
        yield AskingStep(wait_ns=LISTEN_NS)
        waited = LISTEN_NS
        while session.assembler.open_transfers and waited < LONGEST_LISTEN_NS:
            yield AskingStep(wait_ns=S // 2)
            waited += S // 2

    def script(self, session: AskingSession) -> Script:
        """Claim an address and request the listed groups of everybody who was heard."""
        modules = sorted({g.source for g in session.groups} - {*TOOL_ADDRESSES, j1939.NO_ADDRESS, j1939.EVERYBODY})
        yield from self._claim(session)
        address = session.permit.address
        if address is None:
            session.note(
                "both addresses of a service tool are in use on this bus: nothing was asked, only DM1 was heard"
            )
            return
        for to in modules[:MOST_MODULES]:
            for number in GROUPS:
                if number != j1939.ADDRESS_CLAIMED:
                    yield from self._request(session, address, to, number)
                    if self._lost(session, address):
                        session.end(f"another tool took our address ({address}): asking ended")
                        return

    def modules(self, session: AskingSession) -> tuple[Module, ...]:
        """What was heard and answered, as values."""
        last: dict[int, j1939.Group] = {}
        for group in session.groups:
            if group.number == j1939.DM1:
                last[group.source] = group
        asked = {to for to, _ in self.requested}
        out = []
        for source in sorted({*last, *asked}):
            out.append(self._module(source, last.get(source)))
        return tuple(out)

    def _module(self, source: int, dm1: j1939.Group | None) -> Module:
        codes: list[Code] = []
        remarks, answered_with = [], []
        lamps: tuple[str, ...] = ()
        for service, data in (("DM1", dm1.data if dm1 else None), ("DM2", self.answered.get((source, j1939.DM2)))):
            if data is None:
                continue
            faults = j1939.read_faults(data)
            if faults is None:
                remarks.append(
                    f"sends a {service} of {len(data)} bytes, which is not the length of any number of codes"
                )
                continue
            answered_with.append(service)
            codes += decode_answers.spn_codes(service, faults)
            if service == "DM1":
                lamps = faults.lamps
        found = {}
        for (to, number), data in self.answered.items():
            if to == source and number != j1939.DM2:
                answered_with.append(GROUPS[number])
                found[GROUPS[number]] = decode_answers.readable(data)
        refused = [GROUPS[number] for to, number in self.refused if to == source]
        if refused:
            remarks.append(f"does not answer: {', '.join(sorted(refused))}")
        return Module(
            name=self.names.get(str(source), j1939.ADDRESS_NAMES.get(source, f"address {source}")),
            request=str(source),
            answer=str(source),
            protocol="J1939",
            identification=found,
            codes=tuple(codes),
            asked=tuple(answered_with),
            lamps=lamps,
            remarks=tuple(remarks),
        )

    def _claim(self, session: AskingSession) -> Script:
        name = tool_name(self.identity)
        for address in TOOL_ADDRESSES:
            if any(word & 0xFF == address and j1939.group_of(word) is not None for word in session.heard):
                continue
            session.permit.address = session.assembler.address = address
            session.groups = [g for g in session.groups if g.number != j1939.ADDRESS_CLAIMED]
            claim = ((j1939.word_of_group(j1939.ADDRESS_CLAIMED, address), name),)
            yield AskingStep(frames=claim, wait_ns=CLAIM_NS, until=partial(self._lost, session, address))
            if not self._lost(session, address):
                return
        session.permit.address = session.assembler.address = None

    def _lost(self, session: AskingSession, address: int) -> bool:
        """Whether another node claims our address; our name has the lowest priority, so it wins."""
        return any(g.number == j1939.ADDRESS_CLAIMED and g.source == address for g in session.groups)

    def _request(self, session: AskingSession, address: int, to: int, number: int) -> Script:
        self.requested.append((to, number))
        word = j1939.word_of_group(j1939.REQUEST, address, to)

        def answer() -> j1939.Group | None:
            for group in session.groups:
                if group.source == to and (group.number == number or _refusal(group, number)):
                    return group
            return None

        session.groups = [g for g in session.groups if g.number in (j1939.DM1, j1939.ADDRESS_CLAIMED)]
        frames = ((word, number.to_bytes(3, "little")),)
        yield AskingStep(frames=frames, wait_ns=REPLY_NS, until=lambda: answer() is not None)
        waited = REPLY_NS
        while answer() is None and session.assembler.receives_from(to) and waited < LONGEST_LISTEN_NS:
            yield AskingStep(wait_ns=S // 2, until=lambda: answer() is not None)
            waited += S // 2
        found = answer()
        if found is None or _refusal(found, number):
            self.refused.add((to, number))
        else:
            self.answered[to, number] = found.data


def _refusal(group: j1939.Group, number: int) -> bool:
    return group.number == NOT_ACKNOWLEDGED and len(group.data) == 8 and group.data[5:8] == number.to_bytes(3, "little")
