"""Proving room: the coverage board: what each module waits for, what supplies it, how exactly, proved or not.

Needs come from the needs list, from a capture with the engine computer unplugged (what vanished must be supplied), and
from what modules of a kind usually wait for (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.needs import LICENSED, NOBODY_WAITS, Need
from swapbridge.core.roles import BY_NAME
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.plan.j1939_node import OWN_MASK, own_words
from swapbridge.plan.plan import Send
from swapbridge.plan.proof import Status
from swapbridge.proving.bench.bench import Bench, one_bus
from swapbridge.proving.bench.traffic import words_of
from swapbridge.proving.case import Case, SentSignal
from swapbridge.proving.verdict import Check, Coverage, check_of
from swapbridge.signalmap.signal_map import SignalMap

USUAL: dict[str, tuple[str, ...]] = {
    "cluster": (
        "engine_speed", "coolant_temperature", "oil_pressure", "charge_lamp", "malfunction_lamp", "fuel_used",
        "engine_running",
    ),
    "transmission": (
        "engine_speed", "actual_torque", "requested_torque", "friction_torque", "pedal_position", "kick_down",
        "coolant_temperature", "brake_switch",
    ),
    "braking": ("actual_torque", "requested_torque", "pedal_position", "engine_speed", "engine_running"),
    "climate": ("engine_speed", "coolant_temperature", "compressor_permission"),
    "steering": ("engine_running",),
    "body": ("engine_running", "alternator_load"),
    "engine": (
        "vehicle_speed", "brake_switch", "park_neutral", "compressor_request", "torque_reduction_request", "fuel_level",
        "ambient_temperature",
    ),
}  # fmt: skip
"""Roles that a module of a kind usually waits for (common practice, no source)."""
ALIKE: dict[str, tuple[str, ...]] = {
    "oil_pressure": ("oil_pressure_lamp",),
    "park_neutral": ("current_gear",),
    "vehicle_speed": ("wheel_speed",),
    "charge_lamp": ("alternator_load",),
}
"""Roles that serve for another."""
SUPPLIED = ("proved", "constant", "as recorded")
"""States of a need that is met; what stands still and moved before has failed under life already."""
PERIOD_APART, SLOWER = 0.1, 0.01
"""What comes more seldom than a module waits for is no matter of taste: only rounding, such as 16.7 ms, is allowed."""
FEW_FRAMES = 3
ANSWER_FRAMES, WAKE_NS, WAKES_APART = 20, 1_500_000_000, 2
"""An answer to a challenge is said a few times after a wake only, and differs in each of two wakes at least."""


def judge_needs(case: Case) -> list[Check]:
    """The coverage board; a need is proved where none of its message's checks failed."""
    case.tables.coverage, checks = board(
        case.bench, case.bridge, case.maps, case.needs, case.unplugged, case.checks, case.made
    )
    return checks


def board(
    bench: Bench,
    bridge: BridgeFile,
    maps: Mapping[str, SignalMap],
    needs: Sequence[Need],
    unplugged: Mapping[str, Capture],
    checks: Sequence[Check],
    made: Sequence[SentSignal] = (),
) -> tuple[list[Coverage], list[Check]]:
    """The coverage board and what fails on it.

    Parameters
    ----------
    bench, bridge, maps
        What is proved.
    needs : sequence of Need
        The needs list, may be empty.
    unplugged : mapping of str to Capture
        By bus, a recording with the old engine computer (or what stays behind) unplugged.
    checks : sequence of Check
        What was said so far; a message is proved when none of its checks failed.
    made : sequence of Made
        Sent signals and what they are made from: a need is proved only with a live source of its role.
    """
    builder = _Board(bench, bridge, maps, checks, made)
    for need in needs:
        builder.need(need)
    for bus, capture in unplugged.items():
        builder.vanished(bus, capture)
    for bus in builder.names:
        builder.left_behind(bus, unplugged.get(bus))
    builder.usual()
    return builder.rows, builder.checks


class _Board:
    def __init__(
        self,
        bench: Bench,
        bridge: BridgeFile,
        maps: Mapping[str, SignalMap],
        checks: Sequence[Check],
        made: Sequence[SentSignal],
    ) -> None:
        self.bench, self.plan, self.bridge, self.maps = bench, bench.plan, bridge, maps
        areas = ("content", "form", "life", "own words", "maps")
        self.failed = [c.subject for c in checks if c.status == "fail" and c.area in areas]
        self.unproved = [c.subject for c in checks if c.status == "unproved" and c.area in areas]
        self.clipped = {c.subject for c in checks if c.name == "not clipped" and c.status == "fail"}
        self.made = made
        self.judged = {c.subject.rsplit(".", 1)[0] for c in checks if c.area == "content"}
        self.judged |= {c.subject for c in checks if c.area == "content"}
        self.rows: list[Coverage] = []
        self.checks: list[Check] = []
        self.names = [b.name for b in self.plan.buses]
        self._spoken_of: set[str] = set()
        self._vanished: set[tuple[str, int]] = set()
        self._supplied_roles: set[tuple[str, str]] = set()
        self._unneeded: set[tuple[str, int]] = set()
        self._licensed: set[tuple[str, int]] = set()

    def need(self, need: Need) -> None:
        """One entry of the needs list."""
        self._spoken_of.add(need.bus)
        if need.how == NOBODY_WAITS and need.word is not None:
            self._unneeded.add((need.bus, need.word))
        if need.how == LICENSED and need.word is not None:
            self._licensed.add((need.bus, need.word))
        if need.how != "can":
            note = "" if need.note == need.label else need.note
            self.rows.append(Coverage(need.module, need.bus, need.label, "", "", need.how, note))
            found = self._send_for(need)[0] if need.word is not None else None
            if found is not None:
                self._judge(
                    f"{need.module} on {need.bus}", need.label, False,
                    f"the needs list says {need.how}, and {found.name} is sent for it: not judged by what is needed",
                    f'write how = "can" with its period and length, or take {found.name} out of the bridge file',
                    otherwise="open",
                )  # fmt: skip
            return
        label, where = need.label, f"{need.module} on {need.bus}"
        found, signals = self._send_for(need)
        if found is not None:
            self._supplied_roles |= {(need.bus, f.role) for v in found.variants for f in v.fields if f.role}
            state = self._state(found, need, signals)
            made, quality = self._made_from(found, signals)
            self.rows.append(Coverage(need.module, need.bus, label, made, quality, state, need.note))
            odd = self._contradictions(need, found)
            fine = state in SUPPLIED and not odd
            self._judge(
                where,
                label,
                fine,
                "; ".join([state, *odd]),
                "correct the needs list, or the message" if odd else "see the other lines about this message",
                otherwise="fail" if odd else self._otherwise(found, state),
            )
            return
        sender = self._present(need)
        passed = need.word is not None and self._passed(need.bus, need.word)
        state = "present" if sender else "proved" if passed else "missing"
        made = f"sent by {sender}" if sender else "passed through" if passed else ""
        self.rows.append(Coverage(need.module, need.bus, label, made, "exact" if made else "", state, need.note))
        self._judge(where, label, state != "missing", state, "add a message for it to the bridge file")

    def _judge(self, where: str, label: str, ok: bool, state: str, remedy: str, otherwise: Status = "fail") -> None:
        self.checks.append(
            check_of("needs", where, label, ok, state, "supplied and proved", remedy, otherwise=otherwise)
        )

    def _contradictions(self, need: Need, send: Send) -> list[str]:
        """How a message differs from its entry in the needs list."""
        out = []
        fields = [f for v in send.variants for f in v.fields]
        if need.role and not any(f.role == need.role for f in fields):
            out.append(f"no signal of {send.name} has the role {need.role.rsplit('.', 1)[-1]}")
        size = len(send.variants[0].base)
        if need.length is not None and need.length != size:
            out.append(f"{size} bytes, needed {need.length}")
        sent_ms = send.period_us / 1000
        if need.period_ms and send.once:
            out.append(f"once after waking, needed every {float(need.period_ms):g} ms")
        off = sent_ms / float(need.period_ms) - 1 if need.period_ms and sent_ms and not send.gap_us else 0.0
        if need.period_ms and not -PERIOD_APART <= off <= SLOWER:
            out.append(f"every {sent_ms:g} ms, needed every {float(need.period_ms):g} ms")
        return out

    def _send_for(self, need: Need) -> tuple[Send | None, tuple[str, ...]]:
        """The message the plan sends for a need, and which of its signals when the need names some."""
        numbers = {b.name: n for n, b in enumerate(self.plan.buses)}
        bus = numbers.get(need.bus, -1)
        message, _, name = need.signal.rpartition(".")
        message = message.rsplit(".", 1)[-1]
        for send in self.plan.sends:
            if send.bus != bus or (need.word is not None and send.word != need.word):
                continue
            fields = [f for v in send.variants for f in v.fields]
            if need.signal:
                if any(f.name == name for f in fields) and message in ("", send.name.rsplit(".", 1)[-1]):
                    return send, (name,)
            elif need.word is not None:
                return send, ()
            elif need.role:
                with_role = tuple(f.name for f in fields if f.role == need.role)
                if with_role:
                    return send, with_role
        return None, ()

    def _present(self, need: Need) -> str:
        """A module that still sends it."""
        if need.bus not in self.maps:
            return ""
        for message in self.maps[need.bus].messages:
            name = need.signal.rsplit(".", 1)[-1]
            if need.word is not None and message.word != need.word:
                continue
            if need.word is None and not any(
                (need.signal and s.name == name) or (need.role and s.role == need.role) for s in message.signals
            ):
                continue
            return self._sender(need.bus, message.senders)
        return ""

    def _sender(self, bus: str, senders: Sequence[str]) -> str:
        rule = self.bridge.bus(bus)
        return next((s for s in senders if rule is None or s not in rule.absent), "")

    def _passed(self, bus: str, word: int) -> bool:
        number = [b.name for b in self.plan.buses].index(bus) if bus in [b.name for b in self.plan.buses] else -1
        return any(
            not p.block
            and p.to_bus == number
            and (p.new_word == word if p.new_word >= 0 else p.first <= word <= p.last)
            for p in self.plan.passes
        )

    def _state(self, send: Send, need: Need, signals: tuple[str, ...]) -> str:
        mine = [m for m in self.made if m.send.name == send.name]
        wanted = [m for m in mine if m.signal.name in signals] if signals else mine
        if need.role:
            wanted = [m for m in mine if m.role is not None and m.role.name == need.role] or wanted
        if any(m.label in self.clipped for m in wanted):
            return "clipped"
        if wanted and all(m.is_open for m in wanted):
            return "open"
        if _about(send, [*self.failed, *self.unproved]):
            return "not proved"
        if send.name not in self.judged:
            return "not proved"
        if not self.made or any(m.sources for m in wanted):
            return "proved"
        return "as recorded" if any(m.parent.rest == "as recorded" for m in mine) else "constant"

    def _otherwise(self, send: Send, state: str) -> Status:
        """Status of a need that is not met: no worse than the checks of its message."""
        if state == "not proved" and _about(send, self.unproved) and not _about(send, self.failed):
            return "unproved"
        return "open" if state == "open" else "fail"

    def _made_from(self, send: Send, signals: tuple[str, ...]) -> tuple[str, str]:
        fields = [f for v in send.variants for f in v.fields if not signals or f.name in signals]
        texts, quality = [], "exact"
        for field in fields:
            text = field.expression if len(field.expression) <= 60 else f"{field.expression[:57]}..."
            texts.append(text if signals else f"{field.name} = {text}")
            if "to the nearest step" in field.note and "exact" not in field.note:
                quality = "approximate"
        shown = "; ".join(texts[:3]) + (f"; and {len(texts) - 3} more" if len(texts) > 3 else "")
        return shown or "constant", quality if fields else ""

    def vanished(self, bus: str, capture: Capture) -> None:
        """Identifiers that were there with the old engine computer and are gone without it."""
        names = [b.name for b in self.plan.buses]
        number = names.index(bus)
        before = self.bench.captures[number]
        if before is None:
            return
        there, count = np.unique(words_of(before), return_counts=True)
        still = set(words_of(one_bus(capture, bus)).tolist())
        sent = {s.word for s in self.plan.sends if s.bus == number}
        for word in sorted(w for w, n in zip(there.tolist(), count.tolist(), strict=True) if n >= FEW_FRAMES):
            if word in still or word < 0:
                continue
            label = format_identifier(*split_word(word))
            self._vanished.add((bus, word))
            ok = word in sent or self._passed(bus, word) or (number, word & OWN_MASK) in own_words(self.plan)
            unneeded = (bus, word) in self._unneeded
            answers = not ok and _answers(before, word)
            licensed = (bus, word) in self._licensed and answers
            message = self.maps[bus].by_word(word) if bus in self.maps else None
            name = f"{label} {message.name}" if message is not None else label
            if not ok and not unneeded and not licensed:
                self.rows.append(
                    Coverage("(vanished when unplugged)", bus, name, "", "", "missing", "a module may wait for it")
                )
            remedy = (
                "drive without it and read every module's fault codes"
                if unneeded
                else "have it done before the first drive, and read every module's fault codes"
                if licensed
                else "it differs at every wake, as an answer to a challenge does: have somebody licensed see to it, "
                f'and state that in needs.toml: [[need]] module = "...", bus = "{bus}", id = "{label}", '
                f'how = "{LICENSED}"'
                if answers
                else "add it to the bridge file; or, if every module works without it, state that in needs.toml: "
                f'[[need]] module = "nobody", bus = "{bus}", id = "{label}", how = "{NOBODY_WAITS}"'
            )
            self.checks.append(
                check_of(
                    "needs",
                    bus,
                    f"{name} vanished with the old engine computer",
                    ok,
                    "supplied"
                    if ok
                    else "not supplied: needs.toml states that nobody waits for it"
                    if unneeded
                    else "not supplied: it differs at every wake, as an answer to a challenge does, so that nobody can "
                    "replay it; needs.toml leaves it to licensed programming"
                    if licensed
                    else "not supplied",
                    "every identifier that vanished is supplied",
                    remedy,
                    otherwise="open" if unneeded or licensed else "unproved",
                )
            )

    def left_behind(self, bus: str, unplugged: Capture | None) -> None:
        """What modules that the bridge file calls absent sent, by the map, and the plan does not supply.

        On the bus that holds the engine most of it concerns no other module, and a needs list that covers the bus
        says what does. Without one, everything may be needed.
        """
        number, rule, known = self.names.index(bus), self.bridge.bus(bus), self.maps.get(bus)
        before = self.bench.captures[number]
        if before is None or rule is None or known is None:
            return
        gone = [m for m in known.messages if m.senders and set(m.senders) <= set(rule.absent)]
        count = dict(zip(*(x.tolist() for x in np.unique(words_of(before), return_counts=True)), strict=True))
        gone = [m for m in gone if count.get(m.word, 0) >= FEW_FRAMES]
        sent = {s.word for s in self.plan.sends if s.bus == number}
        if unplugged is not None:
            still = set(words_of(one_bus(unplugged, bus)).tolist())
            there = [m.name for m in gone if m.word in still]
            self.checks.append(
                check_of(
                    "needs", bus, "unplugged recording", not there,
                    f"{len(there)} messages of absent modules are in it: {', '.join(there)}" if there else
                    "no absent module sends in it",
                    "a recording without the modules that the bridge file lists as absent",
                    f"record bus {bus} with them unplugged, or correct absent in the bridge file",
                    otherwise="unproved",
                )
            )  # fmt: skip
        missing = [
            m
            for m in gone
            if m.word not in sent
            and (bus, m.word) not in self._vanished
            and not self._passed(bus, m.word)
            and (number, m.word & OWN_MASK) not in own_words(self.plan)
        ]
        for message in missing:
            unneeded = (bus, message.word) in self._unneeded
            licensed = (bus, message.word) in self._licensed and _answers(before, message.word)
            explained = unneeded or licensed or (self.bridge.buses[number].holds_engine and bus in self._spoken_of)
            label = format_identifier(*split_word(message.word))
            self.checks.append(
                check_of(
                    "needs", bus, f"{label} {message.name} of {', '.join(message.senders)}, which is absent", False,
                    "not supplied" + ("" if explained else ", and no needs list says whether anybody waits for it"),
                    "what absent modules sent is supplied, or the needs list says who waits for what",
                    "add it to the bridge file; or, if every module works without it, state that in needs.toml: "
                    f'[[need]] module = "nobody", bus = "{bus}", id = "{label}", how = "{NOBODY_WAITS}"',
                    otherwise="open" if explained else "unproved",
                )
            )  # fmt: skip

    def usual(self) -> None:
        """What modules of the kinds on each bus usually wait for."""
        for number, bus in enumerate(self.plan.buses):
            signal_map, rule = self.maps.get(bus.name), self.bridge.bus(bus.name)
            if signal_map is None:
                continue
            made = {f.role for s in self.plan.sends if s.bus == number for v in s.variants for f in v.fields}
            there = {
                s.role
                for m in signal_map.messages
                if not m.senders or self._sender(bus.name, m.senders)
                for s in m.signals
            }
            for node in signal_map.nodes:
                if rule is not None and node.name in rule.absent:
                    continue
                for alias in USUAL.get(node.kind, ()):
                    roles = {BY_NAME[a].name for a in (alias, *ALIKE.get(alias, ())) if a in BY_NAME}
                    if roles & (made | there) or any((bus.name, r) in self._supplied_roles for r in roles):
                        continue
                    self.rows.append(
                        Coverage(
                            node.name,
                            bus.name,
                            alias.replace("_", " "),
                            "",
                            "",
                            "not mapped",
                            f"a {node.kind} usually waits for it",
                        )
                    )


def _answers(capture: Capture, word: int) -> bool:
    """Whether an identifier is said only after wakes, and never the same in two of them: nothing that can be sent."""
    rows = np.flatnonzero(words_of(capture) == word)
    first = np.flatnonzero(np.diff(capture.time_ns[rows], prepend=-WAKE_NS) >= WAKE_NS)
    often = np.diff(np.r_[first, len(rows)])
    said = {capture.payload[rows[k], : capture.length[rows[k]]].tobytes() for k in first.tolist()}
    return len(first) >= WAKES_APART and int(often.max()) <= ANSWER_FRAMES and len(said) == len(first)


def _about(send: Send, subjects: Sequence[str]) -> bool:
    """Whether a check names a message or one of its signals."""
    return any(s == send.name or s.startswith(f"{send.name}.") for s in subjects)
