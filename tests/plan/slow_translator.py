"""The slow, obvious oracle: the plan's contract (docstring of `bridge.plan`) read aloud, one sentence after another."""

from __future__ import annotations

from functools import partial
from typing import Any

from swapbridge.plan.plan import Block, Plan, div_round, table_at
from swapbridge.proving.reference.j1939_node import Address, Asks, LongReceive, LongSend, NodeTwin
from tests.plan.slow_joined import SlowJoined

MASK = 0xFFFF_FFFF
HALF = 1 << 31


class SlowTranslator:
    """Interprets a plan; every name is the contract's."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.started, self.now = False, 0
        self.slots = [s.initial for s in plan.slots]
        self.slots[0] = plan.initial_state
        self.lines = [[0] * line.length for line in plan.lines]
        self.feeds = [{"fresh": 0, "good": 0, "seen": 0, "last": 0} for _ in plan.feeds]
        self.buses = [{"awake": 0, "last": 0} for _ in plan.buses]
        self.previous: dict[int, int] = {}
        self.senders: dict[int, int] = {}
        self.sender_names: dict[int, int] = {}
        self.timers: list[int] = []
        self.queue: list[tuple[int, int, bytes]] = []
        self.applied = 0
        self.bad, self.dropped = 0, 0
        self.joined = SlowJoined(plan.joined, self.part) if plan.joined else None
        self.sends: list[dict[str, Any]] = [
            {
                **dict.fromkeys(
                    ("active", "pending", "blocked", "left", "has_last", "ending", "end_at", "lost", "waits"), 0
                ),
                **dict.fromkeys(("due_at", "check_at", "open_at", "index"), 0),
                "last": b"",
                "counters": [counter.low for counter in s.counters],
            }
            for s in plan.sends
        ]
        self.node = slow_node(self, plan)

    def start(self, now: int) -> None:
        if not self.started:
            self.started = True
            self.timers = [(now + t.offset_us) & MASK for t in self.plan.tasks]
            self.apply(now)

    def apply(self, now: int) -> None:
        new, old = self.slots[0], self.applied
        self.applied = new
        if old == 0 and new != 0:
            for send, state in zip(self.plan.sends, self.sends, strict=True):
                state["left"] = send.count
        for send, state in zip(self.plan.sends, self.sends, strict=True):
            sleeps = send.with_bus and not self.buses[send.bus]["awake"]
            if state["lost"] or state["waits"] or sleeps or not (send.states >> new) & 1:
                if state["active"] and send.linger_us > 0 and new != 0:
                    if not state["ending"]:
                        state["ending"], state["end_at"] = 1, (now + send.linger_us) & MASK
                else:
                    self.ends(state)
                continue
            state["ending"] = 0
            if not state["active"] and (send.count == 0 or state["left"] > 0):
                state["active"] = 1
                state["due_at"] = state["check_at"] = (now + send.delay_us) & MASK
                state["pending"] = state["has_last"] = state["blocked"] = 0
                if send.delay_us > 0:
                    state["blocked"], state["open_at"] = 1, (now + send.delay_us) & MASK
        for number, receive in enumerate(self.plan.receives):
            if new == 0 and receive.sender_name:
                self.senders.pop(number, None)

    @staticmethod
    def ends(state: dict[str, Any]) -> None:
        state["active"] = state["pending"] = state["ending"] = 0

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        self.frame(bus, word, data, now)
        self.node.heard(bus, word, data, now)

    def frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        self.start(now)
        slept = not self.buses[bus]["awake"]
        self.buses[bus]["last"], self.buses[bus]["awake"] = now, 1
        if self.plan.buses[bus].wakes and self.slots[0] == 0:
            self.slots[0] = 1
            self.apply(now)
        living = [n for n, send in enumerate(self.plan.sends) if send.with_bus and send.bus == bus]
        if slept and living:
            for n in living:
                self.sends[n]["left"] = self.plan.sends[n].count
            self.apply(now)
        decided: set[int] = set()
        for rule in self.plan.passes:
            if rule.bus != bus or not rule.first <= word <= rule.last:
                continue
            targets = set(range(len(self.plan.buses))) if rule.to_bus == -1 else {rule.to_bus}
            if not rule.block and rule.to_bus not in decided:
                if len(self.queue) >= self.plan.pass_queue:
                    self.dropped += 1
                else:
                    self.queue.append((rule.to_bus, word if rule.new_word == -1 else rule.new_word, data))
            decided |= targets
        for claim in self.plan.claims:
            group = (word >> 8) & 0x3FF00
            hears = bus == claim.bus and word >> 31 and group == 0xEE00 and word & 255 == claim.address
            if hears and len(data) == 8 and not (claim.contends and int.from_bytes(data, "little") > claim.name):
                for n in claim.sends:
                    self.ends(self.sends[n])
                    self.sends[n]["lost"] = 1
        if word >> 31 and (word >> 16) & 0x3FF == 0xEE and len(data) == 8:
            for number, receive in enumerate(self.plan.receives):
                if receive.sender_name and receive.bus == bus:
                    self.claims(number, word & 255, int.from_bytes(data, "little"))
        for send, state in zip(self.plan.sends, self.sends, strict=True):
            request = send.request
            if request and request.bus == bus and word in request.words and data.startswith(request.prefix):
                state["pending"] = 1 if state["active"] else state["pending"]
            asks = send.on_request and send.bus == bus and word >> 31 and (word >> 16) & 0x3FF == 0xEA
            if asks and (word >> 8) & 255 in (255, send.word & 255):
                number = send.word >> 8 & 0x3FFFF
                group = number if number >> 8 & 255 >= 240 else number & 0x3FF00
                if data.startswith(group.to_bytes(3, "little")):
                    state["pending"] = 1 if state["active"] else state["pending"]
        if self.joined:
            self.joined.hears(bus, word, data, now)
        for number, receive in enumerate(self.plan.receives):
            if receive.bus == bus and (word & receive.mask) == (receive.word & receive.mask):
                if receive.mask & 0xFF == 0 and not self.takes(number, word & 0xFF, now):
                    return
                self.receive(number, data, now)

    def deliver(self, number: int, word: int, data: bytes, now: int) -> None:
        if self.plan.receives[number].mask & 0xFF or self.takes(number, word & 0xFF, now):
            self.receive(number, data, now)

    def claims(self, number: int, address: int, name: int) -> None:
        pattern, before = self.plan.receives[number].sender_name, self.senders.get(number)
        assert pattern is not None
        if before is not None and self.sender_names[number] == name:
            self.senders[number] = address
            if address in (254, 255):
                del self.senders[number]
        else:
            if before == address:
                del self.senders[number]
            wanted = (name & pattern.mask) == (pattern.value & pattern.mask)
            if number not in self.senders and address not in (254, 255) and wanted:
                self.senders[number], self.sender_names[number] = address, name
        if self.senders.get(number) != before:
            self.previous.pop(number, None)

    def takes(self, number: int, sender: int, now: int) -> bool:
        if self.senders.get(number) == sender:
            return True
        if self.plan.receives[number].sender_name:
            return False
        for n in self.plan.receives[number].feeds:
            state = self.feeds[n]
            age = (now - state["last"]) & MASK
            if (state["fresh"] or state["good"] > 0) and age <= self.plan.feeds[n].max_age_us:
                return False
        self.senders[number] = sender
        self.previous.pop(number, None)
        return True

    def receive(self, number: int, data: bytes, now: int) -> None:
        receive = self.plan.receives[number]
        bad = len(data) < receive.minimum_length
        bad = bad or (receive.checksum is not None and not receive.checksum.holds(data))
        if receive.counter and not bad:
            check = receive.counter
            value, turns = check.layout.unpack(data), check.high - check.low + 1
            if not check.low <= value <= check.high:
                bad = True
            else:
                if number in self.previous:
                    steps = (value - self.previous[number]) % turns
                    bad = steps not in {(k * check.step) % turns for k in range(1, 2 + check.lost_ok)}
                self.previous[number] = value
        if bad:
            for n in receive.feeds:
                self.feeds[n]["good"] = 0
            self.bad += 1
            return
        for n in receive.feeds:
            feed, state = self.plan.feeds[n], self.feeds[n]
            if feed.mux_values and receive.mux and receive.mux.unpack(data) not in feed.mux_values:
                continue
            self.latch(n, now)
            state["last"], state["good"] = now, min(state["good"] + 1, 255)
            for extract in feed.extracts:
                raw = extract.layout.unpack(data)
                self.slots[extract.slot] = raw
                if extract.valid_slot >= 0:
                    self.slots[extract.valid_slot] = int(not any(a <= raw <= b for a, b in extract.invalid))
            if not state["fresh"] and state["good"] >= (feed.good_again if state["seen"] else feed.good_first):
                state["fresh"] = state["seen"] = 1
            if state["fresh"]:
                for send in feed.triggers:
                    self.sends[send]["pending"] = 1 if self.sends[send]["active"] else self.sends[send]["pending"]

    def latch(self, n: int, now: int) -> None:
        state = self.feeds[n]
        if (state["fresh"] or state["good"] > 0) and (now - state["last"]) & MASK > self.plan.feeds[n].max_age_us:
            state["fresh"] = state["good"] = 0

    def poll(self, now: int) -> tuple[int, int, bytes] | None:
        self.start(now)
        self.now = now
        due = self.node.due(now)
        if due is not None:
            return due
        sent = self.plain_poll(now)
        return None if sent is not None and self.node.begin(*sent) else sent

    def plain_poll(self, now: int) -> tuple[int, int, bytes] | None:
        self.start(now)
        for n in range(len(self.feeds)):
            self.latch(n, now)
        for number, (bus, heard) in enumerate(zip(self.plan.buses, self.buses, strict=True)):
            if heard["awake"] and (now - heard["last"]) & MASK > bus.silent_us:
                heard["awake"] = 0
                if any(send.with_bus and send.bus == number for send in self.plan.sends):
                    self.apply(now)
        for state in self.sends:
            if state["ending"] and self.due(state["end_at"], now):
                self.ends(state)
        for k, task in enumerate(self.plan.tasks):
            if self.due(self.timers[k], now):
                self.run(task.block, now)
                self.timers[k] = (self.timers[k] + task.period_us) & MASK
                if 16 * task.period_us <= (now - self.timers[k]) & MASK < HALF:
                    self.timers[k] = (now + task.period_us) & MASK
                if self.slots[0] != self.applied:
                    self.apply(now)
                break
        if self.queue:
            return self.queue.pop(0)
        for n, (send, state) in enumerate(zip(self.plan.sends, self.sends, strict=True)):
            if not state["active"]:
                continue
            if state["blocked"] and self.due(state["open_at"], now):
                state["blocked"] = 0
            cyc = (send.period_us > 0 or send.count > 0) and self.due(state["due_at"], now)
            chk = send.check_us > 0 and self.due(state["check_at"], now)
            if cyc or ((state["pending"] or chk) and not state["blocked"]):
                return self.evaluate(n, cyc, chk, now)
        joined = self.plan.joined
        frame = self.joined.poll(now) if self.joined else None
        return (joined.bus, joined.word, frame) if joined and frame is not None else None

    def part(self, n: int, now: int) -> bytes | None:
        variant = self.plan.sends[n].variants[0]
        registers = self.run(variant.block, now)
        payload = bytearray(variant.base)
        for field in variant.fields:
            field.layout.pack(payload, registers[field.register])
        held_back = variant.send_if >= 0 and registers[variant.send_if] == 0
        return bytes(payload) if self.sends[n]["active"] and not held_back else None

    def evaluate(self, n: int, cyc: bool, chk: bool, now: int) -> tuple[int, int, bytes] | None:
        send, state = self.plan.sends[n], self.sends[n]
        if chk:
            state["check_at"] = (now + send.check_us) & MASK
        variant = send.variants[send.turns[state["index"]]]
        registers = self.run(variant.block, now)
        payload = bytearray(variant.base)
        for field in variant.fields:
            field.layout.pack(payload, registers[field.register])
        forced = cyc or (state["pending"] and send.check_us == 0)
        state["pending"] = 0
        if variant.send_if >= 0 and registers[variant.send_if] == 0:
            if cyc:
                self.move_on(n, now)
                self.count_down(n)
            return None
        if not forced and state["has_last"] and bytes(payload) == state["last"]:
            return None
        if send.check_us > 0:
            state["last"], state["has_last"] = bytes(payload), 1
        if cyc:
            self.move_on(n, now)
        elif send.period_us > 0:
            state["due_at"] = (now + send.period_us) & MASK
        if send.gap_us > 0:
            state["blocked"], state["open_at"] = 1, (now + send.gap_us) & MASK
        self.count_down(n)
        for k, counter in enumerate(send.counters):
            counter.layout.pack(payload, state["counters"][k])
            turns = counter.high - counter.low + 1
            state["counters"][k] = counter.low + (state["counters"][k] - counter.low + counter.step) % turns
        if send.checksum:
            send.checksum.insert(payload)
        state["index"] = (state["index"] + 1) % len(send.turns)
        return send.bus, send.word, bytes(payload)

    def count_down(self, n: int) -> None:
        state = self.sends[n]
        if self.plan.sends[n].count > 0:
            state["left"] -= 1
            if state["left"] == 0:
                self.ends(state)

    def move_on(self, n: int, now: int) -> None:
        state, period = self.sends[n], self.plan.sends[n].period_us
        state["due_at"] = (state["due_at"] + period) & MASK
        if self.due(state["due_at"], now):
            state["due_at"] = (now + period) & MASK

    @staticmethod
    def due(timer: int, now: int) -> bool:
        return (now - timer) & MASK < HALF

    def next_poll(self, now: int) -> int:
        self.start(now)
        if self.queue:
            return now
        times = list(self.timers)
        for send, state in zip(self.plan.sends, self.sends, strict=True):
            if not state["active"]:
                continue
            opens = state["open_at"] if state["blocked"] and not self.due(state["open_at"], now) else now
            if state["ending"]:
                times.append(state["end_at"])
            if send.period_us > 0 or send.count > 0:
                times.append(state["due_at"])
            if send.check_us > 0:
                ahead = [0 if self.due(t, now) else (t - now) & MASK for t in (state["check_at"], opens)]
                times.append((now + max(ahead)) & MASK)
            if state["pending"]:
                times.append(opens)
        for part in (self.joined, self.node):
            if part and (wait := part.wait_us(now)) is not None:
                times.append((now + wait) & MASK)
        if not times:
            return (now + 1_000_000) & MASK
        return (now + min(0 if self.due(t, now) else (t - now) & MASK for t in times)) & MASK

    def run(self, block: Block, now: int) -> list[int]:
        r: list[int] = []
        for op in block:
            a, b, c = (r[k] if 0 <= k < len(r) else 0 for k in (op.a, op.b, op.c))
            r.append(self.operation(op.kind, a, b, c, op.value, now))
            assert op.low <= r[-1] <= op.high, f"{op} gave {r[-1]}"
        return r

    def operation(self, kind: str, a: int, b: int, c: int, value: int, now: int) -> int:
        match kind:
            case "const":
                return value
            case "load":
                return self.slots[value]
            case "store":
                self.slots[value] = a
                return a
            case "delay":
                self.lines[value].append(a)
                return self.lines[value].pop(0)
            case "add":
                return a + b
            case "sub":
                return a - b
            case "mul":
                return a * b
            case "neg":
                return -a
            case "abs":
                return abs(a)
            case "div":
                return div_round(a, b)
            case "mod":
                return a % b
            case "min":
                return min(a, b)
            case "max":
                return max(a, b)
            case "lt":
                return int(a < b)
            case "le":
                return int(a <= b)
            case "eq":
                return int(a == b)
            case "ne":
                return int(a != b)
            case "and":
                return int(a != 0 and b != 0)
            case "or":
                return int(a != 0 or b != 0)
            case "not":
                return int(a == 0)
            case "select":
                return b if a else c
            case "table":
                return table_at(self.plan.tables[value], a)
            case "lookup":
                lookup = self.plan.lookups[value]
                return dict(zip(lookup.keys, lookup.values, strict=True)).get(a, lookup.default)
            case "fresh":
                return self.feeds[value]["fresh"]
            case "age":
                feed = self.feeds[value]
                return (now - feed["last"]) & MASK if feed["fresh"] else HALF - 1
            case "awake":
                return self.buses[value]["awake"]
        raise AssertionError(kind)


def slow_node(translator: SlowTranslator, plan: Plan) -> NodeTwin:
    """The J1939 layer: prove's twin, which shares nothing with the translators."""

    def hears(n: int) -> LongReceive:
        receive = plan.receives[n]
        number = receive.word >> 8 & 0x3FFFF
        group = number if number >> 8 & 255 >= 240 else number & 0x3FF00
        return LongReceive(
            receive.bus, group, receive.minimum_length,
            lambda word: (
                (word & receive.mask) == (receive.word & receive.mask)
                and (receive.sender_name is None or translator.senders.get(n) == word & 255)
            ),
            lambda word, data, now: translator.deliver(n, word, data, now),
        )  # fmt: skip

    def goes(n: int) -> bool:
        state = translator.sends[n]
        return (
            not state["lost"]
            and not state["waits"]
            and bool(state["active"] or plan.sends[n].states >> translator.applied & 1)
        )

    def misses(bus: int) -> bool:
        named = [n for n, r in enumerate(plan.receives) if r.bus == bus and r.sender_name]
        return any(n not in translator.senders for n in named)

    def makes(address: Address, group: int) -> bool:
        claim = next(c for c in plan.claims if (c.bus, c.address) == (address.bus, address.address))
        for n in claim.sends:
            number = plan.sends[n].word >> 8 & 0x3FFFF
            same = group == (number if number >> 8 & 255 >= 240 else number & 0x3FF00)
            if same and (not plan.sends[n].on_request or translator.sends[n]["active"]):
                return True
        return False

    def waiting(address: Address) -> None:
        claim = next(c for c in plan.claims if (c.bus, c.address) == (address.bus, address.address))
        for n in claim.sends:
            translator.sends[n]["waits"] = int(address.waits)
            if address.waits:
                translator.ends(translator.sends[n])
        if not address.waits:
            translator.apply(translator.now)

    says = [
        LongSend(s.bus, s.word, s.to, partial(goes, n))
        for n, s in enumerate(plan.sends)
        if s.length > 8 and not s.is_fd
    ]
    return NodeTwin(
        [Address(c.bus, c.address, c.name.to_bytes(8, "little"), c.contends, c.wait_us) for c in plan.claims],
        [hears(n) for n, receive in enumerate(plan.receives) if receive.long],
        says,
        lambda: translator.applied,
        [Asks(bus, partial(misses, bus)) for bus in sorted({r.bus for r in plan.receives if r.sender_name})],
        waiting,
        makes,
    )
