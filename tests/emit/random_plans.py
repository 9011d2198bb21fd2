"""Random plans that keep every rule of the plan's contract, and random calls to try them with."""

from __future__ import annotations

import random
import struct
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

from swapbridge.core.identifier_words import EXTENDED_BIT, split_word
from swapbridge.core.integrity import Affine, Checksum, Crc, FieldSum, Method, Sum, Term
from swapbridge.core.layout import Layout, split_layout
from swapbridge.core.obd import diagnostic_use
from swapbridge.plan.check import check_plan
from swapbridge.plan.intervals import Interval, fits_int64, op_interval, table_inner
from swapbridge.plan.joined_answer import Joined
from swapbridge.plan.plan import (
    EXACT_MASK,
    OP_ARITY,
    Bus,
    CounterCheck,
    CounterOut,
    DelayLine,
    Extract,
    Feed,
    Field,
    Lookup,
    Op,
    Pass,
    Plan,
    Receive,
    Request,
    Send,
    Slot,
    Table,
    Task,
    Variant,
)
from tests.emit.group_plans import Peer, claim_call, naming_call, with_groups, with_long_messages, word_for

FD_LENGTHS = (12, 16, 20, 24, 32, 48, 64)
PURE = [k for k in OP_ARITY if k not in ("store", "delay", "load", "const", "table", "lookup", "fresh", "age", "awake")]


class Call(NamedTuple):
    """One call of a translator: a frame when `word` is not None, else a poll."""

    time_us: int
    bus: int = 0
    word: int | None = None
    data: bytes = b""


@dataclass
class PlanMaker:
    """Makes one random plan from a seed."""

    rng: random.Random
    fd: bool

    def layout(
        self, taken: set[int], payload_bytes: int, longest: int = 63, signed: bool | None = None
    ) -> Layout | None:
        """A layout clear of the bits already taken, which it then takes; None when none was found."""
        for _ in range(30):
            length = self.rng.choice((1, 2, 3, 4, 7, 8, 8, 10, 12, 16, 16, 24, 31, 32, 33, 40, 48, 63, 64))
            layout = Layout(
                self.rng.randrange(8 * payload_bytes),
                min(length, longest),
                self.rng.choice(("little_endian", "big_endian")),
                self.rng.random() < 0.4 if signed is None else signed,
            )
            if layout.length == 64 and not layout.signed:
                continue
            if layout.fits(payload_bytes) and taken.isdisjoint(layout.positions):
                taken.update(layout.positions)
                return layout
        return None

    def checksum(self, taken: set[int], payload_bytes: int, counter: Layout | None) -> Checksum | None:
        rng = self.rng
        layout = self.layout(taken, payload_bytes, longest=rng.choice((4, 8, 8, 8, 16, 32, 64)), signed=False)
        if layout is None or layout.length < 3:
            return None
        if layout.length <= 32 and rng.random() < 0.3:
            upper = self.layout(taken, payload_bytes, longest=8, signed=False)
            layout = layout if upper is None else split_layout(layout, upper)
        width = rng.randint(3, layout.length)
        top = 1 << width
        coverage = tuple(rng.randrange(payload_bytes) for _ in range(rng.randint(1, payload_bytes)))
        method: Method
        match rng.randrange(4):
            case 0:
                method = Crc(
                    width,
                    rng.randrange(1, top),
                    rng.randrange(top),
                    rng.random() < 0.5,
                    rng.randrange(top),
                    coverage,
                    rng.randbytes(rng.randrange(3)),
                    rng.randbytes(rng.randrange(3)),
                )
            case 1:
                method = Sum(width, coverage, rng.choice((1, 4, 8)), rng.choice((1, -1, 3, -7)), rng.randint(-300, 300))
            case 2:
                width = min(width, 32)
                method = self.field_sum(width, payload_bytes)
                top = method.turns
            case _:
                xor = rng.random() < 0.3
                masks = tuple(
                    sum(1 << (8 * i + k) for i in range(payload_bytes))
                    if xor and k < 8
                    else rng.getrandbits(8 * payload_bytes)
                    for k in range(width)
                )
                method = Affine(width, masks, rng.randrange(top))
        if counter is not None and counter.length <= 8 and rng.random() < 0.4:
            constants = tuple(rng.randrange(top) for _ in range(rng.randint(1, 16)))
            return Checksum(layout, method, counter, constants)
        return Checksum(layout, method)

    def field_sum(self, width: int, payload_bytes: int) -> FieldSum:
        rng = self.rng
        fold = rng.choice((0, 0, 2, 3, 8, 16, 31))
        register = rng.choice((0, 0, 8, 11, 32))
        terms = []
        for _ in range(rng.randint(1, 9)):
            layout = self.layout(set(), payload_bytes, longest=rng.choice((1, 4, 8, 8, 13, 32)), signed=False)
            if layout is not None:
                terms.append(
                    Term(
                        layout,
                        rng.choice((1, 1, 2, 3, 17, 65535) if fold and not register else (1, -1, 3, -9, 256, -65535)),
                    )
                )
        terms = terms or [Term(Layout(0, 8))]
        modulus = rng.choice((None, None, (1 << width) - 1, rng.randint(2, 1 << width)))
        start = rng.choice((0, 0, 5, 0xFFFF_FFFF if fold and not register else -77))
        ends = rng.choice(((1, 0), (1, 0), (-1, -1), (-1, 0), (7, -12345)))
        folds = rng.choice((0, 1, 2)) if fold else 0
        xor_out = 0 if modulus is not None and modulus & (modulus - 1) else rng.choice((0, rng.randrange(1 << width)))
        xor_out %= modulus or 1 << width
        return FieldSum(width, tuple(terms), start, register, fold, folds, modulus, *ends, xor_out)

    def word(self) -> int:
        """An identifier word that is not for diagnostics."""
        while True:
            word = (
                self.rng.randrange(1 << 29) | EXTENDED_BIT if self.rng.random() < 0.3 else self.rng.randrange(1 << 11)
            )
            if not diagnostic_use(*split_word(word)):
                return word

    def number(self) -> int:
        return self.rng.choice((0, 1, 2, 3, 7, 10, 40, 100, 125, 255, 256, 1000, 4095, 1 << 20, (1 << 31) - 1)) * (
            self.rng.choice((1, 1, -1))
        ) + self.rng.randrange(-3, 4)

    def block(self, plan: Plan, slots: list[int], stores: bool, size: int) -> tuple[Op, ...]:
        """Random operations whose intervals hold; dead ones too, which C must leave out."""
        rng, ops = self.rng, [Op("const", 0, 0)]
        intervals: list[Interval] = [(0, 0)]
        own = [k for k in slots if stores]
        for _ in range(size):
            kind = rng.choice((*PURE, "add", "sub", "mul", "div", "const", "load", "load", "load", "table", "lookup"))
            if rng.random() < 0.12:
                kind = rng.choice(("fresh", "age", "awake"))
            value = 0
            if kind == "const":
                value = self.number()
            elif kind == "load":
                value = rng.randrange(len(plan.slots))
            elif kind in ("table", "lookup", "fresh", "age", "awake"):
                room = {
                    "table": plan.tables,
                    "lookup": plan.lookups,
                    "fresh": plan.feeds,
                    "age": plan.feeds,
                    "awake": plan.buses,
                }[kind]
                if not room:
                    continue
                value = rng.randrange(len(room))
            args = [rng.randrange(max(0, len(ops) - 12), len(ops)) for _ in range(OP_ARITY[kind])]
            if kind in ("div", "mod") and rng.random() < 0.7:
                constant = self.number() or 3
                ops.append(Op("const", constant, constant, value=constant))
                intervals.append((constant, constant))
                args[1] = len(ops) - 1
            op = self.operation(plan, kind, args, value, intervals)
            if op is not None:
                ops.append(op)
                intervals.append((op.low, op.high))
            if own and rng.random() < 0.2:
                self.store(plan, rng.choice(own), ops, intervals)
        for slot in own:
            self.store(plan, slot, ops, intervals)
        return tuple(ops)

    def operation(self, plan: Plan, kind: str, args: list[int], value: int, intervals: list[Interval]) -> Op | None:
        found = [intervals[a] for a in args]
        try:
            low, high = op_interval(kind, found, value, plan.slots, plan.tables, plan.lookups)
        except ValueError:
            return None
        if not fits_int64((low, high)):
            return None
        if kind == "div":
            reach = max(map(abs, found[0])) + max(map(abs, found[1]))
            if reach >= 1 << 63:
                return None
        if kind == "table":
            table = plan.tables[value]
            if not fits_int64((found[0][0] - table.x[-1], found[0][1] - table.x[0])):
                return None
        registers = [*args, -1, -1, -1]
        return Op(kind, low, high, registers[0], registers[1], registers[2], value)

    def store(self, plan: Plan, slot: int, ops: list[Op], intervals: list[Interval]) -> None:
        """Clamp some register into the slot's interval and store it."""
        low, high = plan.slots[slot].low, plan.slots[slot].high
        source = self.rng.randrange(max(0, len(ops) - 6), len(ops))
        source = self.clamp(source, low, high, ops, intervals)
        ops.append(Op("store", intervals[source][0], intervals[source][1], source, value=slot))
        intervals.append(intervals[source])

    def clamp(self, source: int, low: int, high: int, ops: list[Op], intervals: list[Interval]) -> int:
        for kind, limit in (("max", low), ("min", high)):
            a = intervals[source]
            if (kind == "max" and a[0] >= low) or (kind == "min" and a[1] <= high):
                continue
            ops.append(Op("const", limit, limit, value=limit))
            intervals.append((limit, limit))
            b = (max(a[0], limit), max(a[1], limit)) if kind == "max" else (min(a[0], limit), min(a[1], limit))
            ops.append(Op(kind, b[0], b[1], source, len(ops) - 1))
            intervals.append(b)
            source = len(ops) - 1
        return source

    def variant(self, plan: Plan, length: int, taken: set[int]) -> Variant:
        ops = list(self.block(plan, [], False, self.rng.randint(0, 25)))
        intervals = [(o.low, o.high) for o in ops]
        fields = []
        for k in range(self.rng.randint(0, 5)):
            layout = self.layout(taken, length) if length else None
            if layout is None:
                continue
            low, high = layout.raw_range
            if self.rng.random() < 0.5:  # copied straight from a source, so that no clamp hides its bits
                slot = self.rng.randrange(len(plan.slots))
                ops.append(Op("load", plan.slots[slot].low, plan.slots[slot].high, value=slot))
                intervals.append((ops[-1].low, ops[-1].high))
                source = len(ops) - 1
            else:
                source = self.rng.randrange(len(ops))
            register = self.clamp(source, low, high, ops, intervals)
            fields.append(Field(f"field {k}", layout, register, "rpm", "1/4"))
        send_if = self.rng.randrange(len(ops)) if self.rng.random() < 0.3 else -1
        return Variant(self.rng.randbytes(length), tuple(ops), tuple(fields), send_if)

    def make(self) -> Plan:
        rng = self.rng
        buses = tuple(
            Bus(f"bus {k}", 500_000, self.fd and (k == 0 or rng.random() < 0.5), 2_000_000,
                rng.choice(("inline", "added-node")), rng.random() < 0.6,
                rng.choice((1, 50_000, 2_000_000, (1 << 31) - 1)))
            for k in range(rng.randint(1, 3))
        )  # fmt: skip
        slots = [Slot("state", 0, 0, 5)]
        tables = tuple(self.table(k) for k in range(rng.randint(0, 3)))
        lookups = tuple(self.lookup(k) for k in range(rng.randint(0, 2)))
        feeds: list[Feed] = []
        receives: list[Receive] = []
        send_count = rng.randint(0, 6)
        heard: set[tuple[int, int]] = set()
        for k in range(rng.randint(0, 5)):
            bus, word = rng.randrange(len(buses)), self.word()
            if (bus, word) not in heard:
                heard.add((bus, word))
                receives.append(self.receive(k, bus, word, slots, feeds, send_count, buses[bus].fd))
        task_slots: list[list[int]] = []
        for k in range(rng.randint(1, 4)):
            own = [0] if rng.random() < 0.5 else []
            for _ in range(rng.randint(0, 3)):
                bound = abs(self.number()) + 1
                slots.append(Slot(f"memory {k}", rng.randint(-bound, bound), -bound, bound))
                own.append(len(slots) - 1)
            task_slots.append(own)
        plan = Plan("random", buses, tuple(slots), tables, lookups, tuple(feeds), tuple(receives), (), (), ())
        tasks = tuple(
            Task(f"task {k}", rng.choice((1000, 10_000, 33_333, 500_000)), rng.randrange(20_000),
                 self.block(plan, own, True, rng.randint(0, 25)))
            for k, own in enumerate(task_slots)
        )  # fmt: skip
        taken: set[tuple[int, int]] = set()
        sends = tuple(self.send(plan, k, taken) for k in range(send_count))
        passes = tuple(self.pass_rule(len(buses)) for _ in range(rng.randint(0, 8))) if len(buses) > 1 else ()
        plan = Plan("random", buses, tuple(slots), tables, lookups, tuple(feeds), tuple(receives), tasks, sends, passes,
                    rng.choice((1, 3, 32)), rng.choice((0, 0, 1, 4)))  # fmt: skip
        check_plan(plan)
        return plan

    def table(self, k: int) -> Table:
        while True:
            size = self.rng.randint(2, 9)
            reach = self.rng.choice((300, 70_000, 1 << 33))
            x = sorted({self.rng.randint(-reach, reach) for _ in range(size)})
            table = Table(f"table {k}", tuple(x), tuple(self.number() * self.rng.choice((1, 999)) for _ in x))
            if len(x) >= 2 and fits_int64(table_inner(table)):
                return table

    def lookup(self, k: int) -> Lookup:
        keys = sorted({self.rng.choice((self.rng.randrange(16), self.number())) for _ in range(self.rng.randint(1, 8))})
        return Lookup(f"lookup {k}", tuple(keys), tuple(self.number() for _ in keys), self.number())

    def receive(
        self, k: int, bus: int, word: int, slots: list[Slot], feeds: list[Feed], send_count: int, fd: bool
    ) -> Receive:
        rng = self.rng
        length = rng.choice(FD_LENGTHS) if fd and rng.random() < 0.3 else rng.randint(0, 8)
        taken: set[int] = set()
        counter_layout = self.layout(taken, length, longest=rng.choice((2, 4, 8, 32)), signed=False) if length else None
        counter = None
        if counter_layout is not None and counter_layout.length >= 2 and rng.random() < 0.6:
            top = counter_layout.raw_range[1]
            high = top if rng.random() < 0.7 else rng.randint(2, top)
            low = rng.choice((0, 0, 1))
            counter = CounterCheck(
                counter_layout, low, high, rng.choice((1, 1, min(2, high - low))), rng.choice((0, 2, 30))
            )
        mux = self.layout(taken, length, longest=rng.choice((2, 8))) if length and rng.random() < 0.4 else None
        checksum = self.checksum(taken, length, counter_layout) if length and rng.random() < 0.5 else None
        numbers = []
        for f in range(rng.randint(0, 3)):
            extracts = []
            for e in range(rng.randint(0, 4)):
                layout = self.layout(set(taken), length) if length else None
                if layout is None:
                    continue
                low, high = layout.raw_range
                slots.append(Slot(f"raw {k}.{e} */ ??/", rng.choice((0, high)), low, high))
                slot, valid = len(slots) - 1, -1
                invalid: tuple[tuple[int, int], ...] = ()
                if rng.random() < 0.6:
                    slots.append(Slot(f"valid {k}.{e}", 0, 0, 1))
                    valid = len(slots) - 1
                    middle = rng.randint(low, high)
                    invalid = rng.choice(((), ((high, high),), ((low, middle),), ((middle, high), (low, low))))
                extracts.append(Extract(f"signal {e}", layout, slot, valid, invalid))
            values = tuple({rng.randrange(5) for _ in range(rng.randint(1, 3))}) if mux and rng.random() < 0.6 else ()
            triggers = tuple({rng.randrange(send_count) for _ in range(rng.randint(0, 2))}) if send_count else ()
            feeds.append(
                Feed(f"feed {k}.{f}", rng.choice((1, 30_000, 200_000, (1 << 31) - 1)), rng.randint(1, 3),
                     rng.randint(1, 4), tuple(extracts), values, triggers)
            )  # fmt: skip
            numbers.append(len(feeds) - 1)
        return Receive(f"message {k}", bus, word, length, tuple(numbers), mux, checksum, counter, 10_000)

    def send(self, plan: Plan, k: int, sent: set[tuple[int, int]]) -> Send:
        rng = self.rng
        while True:
            bus, word = rng.randrange(len(plan.buses)), self.word()
            if (bus, word) not in sent:
                sent.add((bus, word))
                break
        is_fd = plan.buses[bus].fd and rng.random() < 0.6
        length = rng.choice(FD_LENGTHS) if is_fd and rng.random() < 0.7 else rng.randint(0, 8)
        taken: set[int] = set()
        counter = None
        layout = self.layout(taken, length, longest=rng.choice((2, 4, 8, 32)), signed=False) if length else None
        if layout is not None and layout.length >= 2 and rng.random() < 0.6:
            low = rng.choice((0, 0, 1))
            high = rng.choice((layout.raw_range[1], rng.randint(2, layout.raw_range[1])))
            counter = CounterOut(layout, low, high, rng.randint(1, high - low))
        checksum = self.checksum(taken, length, layout) if length and rng.random() < 0.5 else None
        variants = tuple(self.variant(plan, length, set(taken)) for _ in range(rng.choice((1, 1, 2, 3))))
        request = None
        if rng.random() < 0.2:
            words = tuple(dict.fromkeys((*(r.word for r in plan.receives), self.word())))
            request = Request(
                rng.randrange(len(plan.buses)), words, rng.randbytes(1) if rng.random() < 0.5 else b"\x02"
            )
        return Send(
            f"send {k}", bus, word, is_fd, rng.choice((0b111111, 0b111110, rng.randrange(64))), variants,
            rng.choice((0, 10_000, 10_000, 20_000, 50, 100_000)), rng.choice((0, 0, 5000, 300_000)),
            rng.choice((0, 0, 5_000, 25_000)), rng.choice((0, 0, 10_000)), int(rng.random() < 0.2), request, counter,
            checksum,
        )  # fmt: skip

    def pass_rule(self, buses: int) -> Pass:
        rng = self.rng
        bus = rng.randrange(buses)
        target = rng.choice([b for b in range(-1, buses) if b != bus])
        block = target < 0 or rng.random() < 0.3
        first = self.word() if rng.random() < 0.7 else 0
        last = rng.choice((first, 0xFFFF_FFFF, max(first, self.word())))
        return Pass(bus, first, last, target, block, self.word() if not block and rng.random() < 0.3 else -1)


def random_plan(seed: int, fd: bool | None = None) -> Plan:
    """The random plan of that seed: every third has a joined answer, every other one lines, half lives, some groups."""
    rng = random.Random(seed)
    plan = PlanMaker(rng, rng.random() < 0.4 if fd is None else fd).make()
    if seed % 2:
        plan = with_lines(plan, random.Random(f"lines {seed}"))
    if seed % 5 in (1, 3):
        plan = with_groups(plan, random.Random(f"groups {seed}"))
        long = random.Random(f"long {seed}")
        plan = with_long_messages(plan, long, lambda of, size: PlanMaker(long, False).variant(of, size, set()))
    if seed % 4 >= 2:
        plan = with_lives(plan, random.Random(f"lives {seed}"))
    return with_joined(plan, random.Random(f"joined {seed}")) if seed % 3 == 0 else plan


def with_lives(plan: Plan, rng: random.Random) -> Plan:
    """The plan with sends that are sent so often a wake, go on for a while, and repeat their pages."""
    sends = []
    for send in plan.sends:
        size = len(send.variants)
        taken = {p for variant in send.variants for field in variant.fields for p in field.layout.positions}
        taken |= {p for part in (send.counter, send.checksum) if part is not None for p in part.layout.positions}
        maker, more = PlanMaker(rng, False), list[CounterOut]()
        while send.counter is not None and len(more) < 2 and rng.random() < 0.5:
            layout = maker.layout(taken, send.length, longest=6, signed=False)
            if layout is not None and layout.length >= 2:
                more.append(CounterOut(layout, 0, layout.raw_range[1], 1))
        order = [*range(size), *(rng.randrange(size) for _ in range(rng.choice((0, 0, 1, 4))))]
        rng.shuffle(order)
        sends.append(
            replace(
                send,
                count=rng.choice((0, 0, 1, 2, 5)) if send.period_us else send.count,
                linger_us=rng.choice((0, 0, 1, 30_000, 400_000)),
                with_bus=rng.random() < 0.3,
                order=tuple(order) if rng.random() < 0.7 else (),
                more_counters=tuple(more),
            )
        )
    out = replace(plan, sends=tuple(sends))
    check_plan(out)
    return out


def with_lines(plan: Plan, rng: random.Random) -> Plan:
    """The plan with a slot of some tasks stored again as it was some runs ago."""
    maker, lines, tasks = PlanMaker(rng, False), list[DelayLine](), []
    for task in plan.tasks:
        ops = list(task.block)
        stored = sorted({op.value for op in ops if op.kind == "store"} - {0})
        if stored and rng.random() < 0.6:
            slot = rng.choice(stored)
            low, high = plan.slots[slot].low, plan.slots[slot].high
            lines.append(
                DelayLine(f"line {len(lines)}", rng.choice((1, 2, 7, 60)), rng.choice((1, 255, 65_536, 1 << 40)))
            )
            ops.append(Op("load", low, high, value=slot))
            intervals = [(op.low, op.high) for op in ops]
            source = maker.clamp(len(ops) - 1, 0, lines[-1].high, ops, intervals)
            ops.append(Op("delay", 0, lines[-1].high, source, value=len(lines) - 1))
            intervals.append((0, lines[-1].high))
            source = maker.clamp(len(ops) - 1, low, high, ops, intervals)
            ops.append(Op("store", intervals[source][0], intervals[source][1], source, value=slot))
        tasks.append(replace(task, block=tuple(ops)))
    out = replace(plan, tasks=tuple(tasks), lines=tuple(lines))
    check_plan(out)
    return out


def with_joined(plan: Plan, rng: random.Random) -> Plan:
    """The plan with a few more sends, and a joined answer made of them."""
    maker, bus = PlanMaker(rng, False), rng.randrange(len(plan.buses))
    words, answer = (0x6DF, 0x6E0), 0x6E8  # those of diagnostics leave less to choose
    sends, parts = list(plan.sends), []
    for number in sorted(rng.sample(range(256), rng.randint(1, 5))):
        made = maker.variant(plan, 8, set(range(16)))
        base = bytes([rng.randint(3, 7), rng.randrange(256)]) + made.base[2:]
        request = Request(bus, words, bytes([2, 1, number]))
        parts.append((number, len(sends)))
        states = rng.choice((0b111111, 0b111110, rng.randrange(64)))
        variant = replace(made, base=base)
        sends.append(Send(f"answer {number}", bus, answer, False, states, (variant,), gap_us=5000, request=request))
    gap_us = rng.choice((0, 300, 5000))
    joined = Joined(bus, words, rng.choice(words), answer, rng.choice((1, 2)), gap_us, tuple(parts))
    out = replace(plan, sends=tuple(sends), joined=joined)
    check_plan(out)
    return out


def joined_frame(joined: Joined, rng: random.Random) -> bytes:
    """A request for several identifiers, or flow control; some damaged, some cut short."""
    if rng.random() < 0.5:
        coded = rng.choice((0, 0, 1, 10, 0x7F, 0x80, 0xF1, 0xF9, 0xFA))
        data = bytes([rng.choice((0x30, 0x30, 0x30, 0x31, 0x32)), rng.choice((0, 0, 1, 2)), coded])
    else:
        known = [number for number, _ in joined.parts]
        asked = [rng.choice((*known, *known, rng.randrange(256))) for _ in range(rng.randint(1, 6))]
        size = len(asked) + 1 if rng.random() < 0.95 else rng.randrange(16)
        data = bytes([size, joined.service if rng.random() < 0.95 else 9, *asked])
    return (data.ljust(8, b"\x55") if rng.random() < 0.9 else data)[: 8 if rng.random() < 0.97 else rng.randrange(4)]


def random_calls(plan: Plan, seed: int, count: int) -> list[Call]:
    """Frames that mostly fit the plan, polls early and late, bursts at one moment, long gaps, a clock that wraps."""
    rng = random.Random(seed)
    longest = [64 if any(b.fd for b in plan.buses) else 8] * len(plan.buses)
    known = [(r.bus, r.word, r.minimum_length, r) for r in plan.receives]
    counters = {k: rng.randrange(256) for k in range(len(known))}
    now = rng.choice((0, 1 << 31, (1 << 32) - 2_000_000, rng.getrandbits(32)))
    calls: list[Call] = []
    joined_rng = random.Random(f"joined {seed}")
    named = any(r.sender_name for r in plan.receives)
    speaks = named or plan.claims or any(r.long for r in plan.receives)
    peer = Peer(plan, random.Random(f"peer {seed}")) if speaks else None
    while len(calls) < count:
        if peer and peer.rng.random() < 0.3:
            calls.append(Call(now & 0xFFFF_FFFF, *peer.call()))
        if plan.joined and joined_rng.random() < 0.15:
            word = joined_rng.choice((*plan.joined.words, plan.joined.flow_word))
            calls.append(Call(now & 0xFFFF_FFFF, plan.joined.bus, word, joined_frame(plan.joined, joined_rng)))
        if named and peer and peer.rng.random() < 0.02:
            calls.append(Call(now & 0xFFFF_FFFF, *naming_call(plan, peer.rng)))
        if plan.claims and joined_rng.random() < 0.004:
            calls.append(Call(now & 0xFFFF_FFFF, *claim_call(plan, joined_rng)))
        roll = rng.random()
        if roll < 0.002:
            now += rng.choice((10_000_000, 100_000_000, 300_000_000))
        elif roll < 0.05:
            now += rng.randrange(400_000)
        elif roll < 0.7:
            now += rng.randrange(3000)
        now &= 0xFFFF_FFFF
        if rng.random() < 0.45:
            calls.append(Call(now))
            continue
        if known and rng.random() < 0.85:
            k = rng.randrange(len(known))
            bus, word, length, receive = known[k]
            word = word_for(receive, rng) if receive.mask != EXACT_MASK else word
            usual = min(length, longest[bus])
            data = bytearray(rng.randbytes(usual if rng.random() < 0.95 else rng.randrange(longest[bus] + 1)))
            if rng.random() < 0.5 and receive.mux and receive.mux.fits(len(data)):
                receive.mux.pack(data, rng.randint(0, min(3, receive.mux.raw_range[1])))
            if receive.counter and receive.counter.layout.fits(len(data)) and rng.random() < 0.97:
                c = receive.counter
                counters[k] += rng.choice((c.step, c.step, c.step, 2 * c.step, 0))
                c.layout.pack(data, c.low + counters[k] % (c.high - c.low + 1))
            if receive.checksum and len(data) >= length and rng.random() < 0.97:
                receive.checksum.insert(data)
        else:
            bus, word = (
                rng.randrange(len(plan.buses)),
                rng.choice((rng.randrange(1 << 11), rng.randrange(1 << 29) | 1 << 31)),
            )
            requests = [s.request for s in plan.sends if s.request]
            data = bytearray(rng.randbytes(rng.randrange(longest[bus] + 1)))
            if requests and rng.random() < 0.5:
                request = rng.choice(requests)
                bus, word, data = request.bus, rng.choice(request.words), bytearray(request.prefix + bytes(5))
        calls.append(Call(now, bus, word, bytes(data)))
    return calls


def pack_calls(calls: Iterable[Call]) -> bytes:
    """The calls as the harness reads them."""
    out = bytearray()
    for call in calls:
        kind = 1 if call.word is None else 0
        out += struct.pack("<IIBBBB", call.time_us, call.word or 0, call.bus, kind, len(call.data), 0) + call.data
    return bytes(out)


class Answer(NamedTuple):
    """What the harness says of one call."""

    next_poll_us: int
    sent: tuple[int, int, bytes] | None


def unpack_answers(raw: bytes) -> list[Answer]:
    """What the harness wrote."""
    out, place = [], 0
    while place < len(raw):
        time_us, word, bus, kind, length, result = struct.unpack_from("<IIBBBB", raw, place)
        data = raw[place + 12 : place + 12 + length]
        out.append(Answer(time_us, (bus, word, data) if kind == 1 and result == 0 else None))
        place += 12 + length
    return out
