"""The plan's contract, written out slowly and literally: the oracle for the Python and C translators."""

from __future__ import annotations

from collections import deque

from swapbridge.plan.model import Block, Plan, Send, div_round, table_at
from tests.emit.slow_joined import SlowJoined

M = 0xFFFF_FFFF
H = 1 << 31
Sent = tuple[int, int, bytes]


class FeedState:
    def __init__(self) -> None:
        self.fresh = self.good = self.seen = self.last = 0


class SendState:
    def __init__(self, send: Send) -> None:
        self.active = self.pending = self.blocked = self.armed = self.has_last = self.index = 0
        self.due_at = self.check_at = self.open_at = 0
        self.last = b""
        self.counter = send.counter.low if send.counter else 0


class Interpreter:
    """Same interface as `Translator`."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.slots = [s.initial for s in plan.slots]
        self.slots[0] = plan.initial_state
        self.lines = [[0] * line.length for line in plan.lines]
        self.feeds = [FeedState() for _ in plan.feeds]
        self.sends = [SendState(s) for s in plan.sends]
        self.counters: list[int | None] = [None] * len(plan.receives)
        self.timers = [0] * len(plan.tasks)
        self.awake = [0] * len(plan.buses)
        self.heard = [0] * len(plan.buses)
        self.queue: deque[Sent] = deque()
        self.started = False
        self.applied = 0
        self.joined = SlowJoined(plan.joined, self.part) if plan.joined else None

    # --- helpers

    def elapsed(self, since: int) -> int:
        return (self.now - since) & M

    def due(self, timer: int) -> bool:
        return self.elapsed(timer) < H

    def start(self) -> None:
        if not self.started:
            self.started = True
            self.timers = [(self.now + t.offset_us) & M for t in self.plan.tasks]
            self.apply()

    def apply(self) -> None:
        new, old = self.slots[0], self.applied
        if old == 0 and new != 0:
            for state in self.sends:
                state.armed = 1
        for send, state in zip(self.plan.sends, self.sends, strict=True):
            if not send.states >> new & 1:
                state.active = state.pending = 0
            elif not state.active and (not send.once or state.armed):
                state.active, state.pending, state.has_last = 1, 0, 0
                state.due_at = state.check_at = (self.now + send.delay_us) & M
                state.blocked = int(send.delay_us > 0)
                state.open_at = (self.now + send.delay_us) & M
        self.applied = new

    def run(self, block: Block) -> list[int]:
        r: list[int] = []
        for op in block:
            r.append(self.operation(op.kind, [r[x] for x in op.args], op.value))
            assert op.low <= r[-1] <= op.high, op
        return r

    def operation(self, kind: str, args: list[int], value: int) -> int:
        a, b, c = (*args, 0, 0, 0)[:3]
        if kind == "const":
            return value
        if kind == "load":
            return self.slots[value]
        if kind == "store":
            self.slots[value] = a
            return a
        if kind == "delay":
            past = self.lines[value]
            self.lines[value] = [*past[1:], a]
            return past[0]
        if kind == "table":
            return table_at(self.plan.tables[value], a)
        if kind == "lookup":
            lookup = self.plan.lookups[value]
            return dict(zip(lookup.keys, lookup.values, strict=True)).get(a, lookup.default)
        if kind == "fresh":
            return self.feeds[value].fresh
        if kind == "age":
            return self.elapsed(self.feeds[value].last) if self.feeds[value].fresh else H - 1
        if kind == "awake":
            return self.awake[value]
        simple = {
            "add": a + b,
            "sub": a - b,
            "mul": a * b,
            "neg": -a,
            "abs": abs(a),
            "min": min(a, b),
            "max": max(a, b),
            "lt": int(a < b),
            "le": int(a <= b),
            "eq": int(a == b),
            "ne": int(a != b),
            "and": int(a != 0 and b != 0),
            "or": int(a != 0 or b != 0),
            "not": int(a == 0),
            "select": b if a != 0 else c,
        }
        if kind in simple:
            return simple[kind]
        return div_round(a, b) if kind == "div" else a % b

    # --- receiving

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        self.now = now
        self.start()
        self.heard[bus], self.awake[bus] = now, 1
        if self.plan.buses[bus].wakes and self.slots[0] == 0:
            self.slots[0] = 1
            self.apply()
        self.pass_on(bus, word, data)
        for send, state in zip(self.plan.sends, self.sends, strict=True):
            request = send.request
            if request and request.bus == bus and word in request.words and data.startswith(request.prefix):
                state.pending = state.active
        if self.joined:
            self.joined.hears(bus, word, data, now)
        for number, receive in enumerate(self.plan.receives):
            if (receive.bus, receive.word) == (bus, word):
                self.receive(number, data)

    def pass_on(self, bus: int, word: int, data: bytes) -> None:
        decided = set()
        for rule in self.plan.passes:
            if rule.bus != bus or not rule.first <= word <= rule.last:
                continue
            if rule.to_bus == -1:
                return
            if rule.to_bus in decided:
                continue
            decided.add(rule.to_bus)
            if not rule.block and len(self.queue) < self.plan.pass_queue:
                self.queue.append((rule.to_bus, rule.new_word if rule.new_word >= 0 else word, bytes(data)))

    def good(self, number: int, data: bytes) -> bool:
        receive = self.plan.receives[number]
        if len(data) < receive.minimum_length:
            return False
        if receive.checksum is not None and not receive.checksum.holds(data):
            return False
        check = receive.counter
        if check is None:
            return True
        value, previous = check.layout.unpack(data), self.counters[number]
        if not check.low <= value <= check.high:
            return False
        self.counters[number] = value
        if previous is None:
            return True
        cycle = check.high - check.low + 1
        return any((value - previous - k * check.step) % cycle == 0 for k in range(1, check.lost_ok + 2))

    def receive(self, number: int, data: bytes) -> None:
        receive = self.plan.receives[number]
        if not self.good(number, data):
            for n in receive.feeds:
                self.feeds[n].good = 0
            return
        mux = receive.mux.unpack(data) if receive.mux is not None else None
        for n in receive.feeds:
            feed, state = self.plan.feeds[n], self.feeds[n]
            if feed.mux_values and mux not in feed.mux_values:
                continue
            if (state.fresh or state.good > 0) and self.elapsed(state.last) > feed.max_age_us:
                state.fresh = state.good = 0
            state.last, state.good = self.now, min(state.good + 1, 255)
            for extract in feed.extracts:
                raw = extract.layout.unpack(data)
                self.slots[extract.slot] = raw
                if extract.valid_slot >= 0:
                    self.slots[extract.valid_slot] = int(not any(low <= raw <= high for low, high in extract.invalid))
            if not state.fresh and state.good >= (feed.good_again if state.seen else feed.good_first):
                state.fresh = state.seen = 1
            if state.fresh:
                for t in feed.triggers:
                    if self.sends[t].active:
                        self.sends[t].pending = 1

    # --- sending

    def poll(self, now: int) -> Sent | None:
        self.now = now
        self.start()
        for feed, state in zip(self.plan.feeds, self.feeds, strict=True):
            if (state.fresh or state.good > 0) and self.elapsed(state.last) > feed.max_age_us:
                state.fresh = state.good = 0
        for number, bus in enumerate(self.plan.buses):
            if self.awake[number] and self.elapsed(self.heard[number]) > bus.silent_us:
                self.awake[number] = 0
        for number, task in enumerate(self.plan.tasks):
            if self.due(self.timers[number]):
                self.timers[number] = (self.timers[number] + task.period_us) & M
                if 16 * task.period_us <= self.elapsed(self.timers[number]) < H:
                    self.timers[number] = (now + task.period_us) & M
                self.run(task.block)
                if self.slots[0] != self.applied:
                    self.apply()
                break
        if self.queue:
            return self.queue.popleft()
        for number, sending in enumerate(self.sends):
            if sending.active and self.wants(number):
                return self.evaluate(number)
        joined = self.plan.joined
        frame = self.joined.poll(now) if self.joined else None
        return (joined.bus, joined.word, frame) if joined and frame is not None else None

    def part(self, number: int, now: int) -> bytes | None:
        variant = self.plan.sends[number].variants[0]
        registers = self.run(variant.block)
        payload = bytearray(variant.base)
        for field in variant.fields:
            field.layout.pack(payload, registers[field.register])
        held_back = variant.send_if >= 0 and not registers[variant.send_if]
        return None if held_back or not self.sends[number].active else bytes(payload)

    def cyclic(self, number: int) -> bool:
        send, state = self.plan.sends[number], self.sends[number]
        return (send.period_us > 0 or send.once) and self.due(state.due_at)

    def wants(self, number: int) -> bool:
        send, state = self.plan.sends[number], self.sends[number]
        if state.blocked and self.due(state.open_at):
            state.blocked = 0
        checks = send.check_us > 0 and self.due(state.check_at)
        return self.cyclic(number) or bool((state.pending or checks) and not state.blocked)

    def move(self, number: int) -> None:
        send, state = self.plan.sends[number], self.sends[number]
        state.due_at = (state.due_at + send.period_us) & M
        if self.due(state.due_at):
            state.due_at = (self.now + send.period_us) & M

    def evaluate(self, number: int) -> Sent | None:
        send, state = self.plan.sends[number], self.sends[number]
        cyc = self.cyclic(number)
        if send.check_us > 0 and self.due(state.check_at):
            state.check_at = (self.now + send.check_us) & M
        variant = send.variants[state.index]
        registers = self.run(variant.block)
        payload = bytearray(variant.base)
        for field in variant.fields:
            field.layout.pack(payload, registers[field.register])
        forced = cyc or (state.pending and send.check_us == 0)
        state.pending = 0
        if variant.send_if >= 0 and registers[variant.send_if] == 0:
            if cyc:
                self.move(number)
                if send.once:
                    state.active = state.armed = 0
            return None
        if not forced and state.has_last and bytes(payload) == state.last:
            return None
        if send.check_us > 0:
            state.last, state.has_last = bytes(payload), 1
        if cyc:
            self.move(number)
        elif send.period_us > 0:
            state.due_at = (self.now + send.period_us) & M
        if send.gap_us > 0:
            state.blocked, state.open_at = 1, (self.now + send.gap_us) & M
        if send.once:
            state.active = state.armed = 0
        if send.counter is not None:
            counter = send.counter
            counter.layout.pack(payload, state.counter)
            cycle = counter.high - counter.low + 1
            state.counter = counter.low + (state.counter - counter.low + counter.step) % cycle
        if send.checksum is not None:
            send.checksum.insert(payload)
        state.index = (state.index + 1) % len(send.variants)
        return send.bus, send.word, bytes(payload)

    def next_poll(self, now: int) -> int:
        self.now = now
        self.start()
        if self.queue:
            return now
        waits = [self.wait(t) for t in self.timers]
        for send, state in zip(self.plan.sends, self.sends, strict=True):
            if not state.active:
                continue
            opening = self.wait(state.open_at) if state.blocked else 0
            if send.period_us > 0 or send.once:
                waits.append(self.wait(state.due_at))
            if send.check_us > 0:
                waits.append(max(self.wait(state.check_at), opening))
            if state.pending:
                waits.append(opening)
        wait = self.joined.wait(now) if self.joined else None
        return (now + min([*waits, *([] if wait is None else [wait])])) & M

    def wait(self, timer: int) -> int:
        return 0 if self.due(timer) else (timer - self.now) & M
