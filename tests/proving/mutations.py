"""Prove room's tests: defects put into a plan, and whether they change what it does."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.integrity import Affine, Checksum, Crc
from swapbridge.core.layout import Layout
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.plan.intervals import op_interval
from swapbridge.plan.plan import Block, Field, Op, Plan, Send
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import Bench, set_up, simulate
from swapbridge.proving.faults.campaign import QUICK, SINGLE_S, CampaignInputs, FaultTask, run_fault
from swapbridge.proving.faults.faults import FAULTS
from swapbridge.proving.prove import prove
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.verdict import FaultRun
from swapbridge.signalmap.signal_map import SignalMap

Behaviour = list[tuple[int, int, int, bytes]]


def send_changed(plan: Plan, name: str, change: Callable[[Send], Send]) -> Plan:
    """The plan with one sent message changed."""
    return replace(plan, sends=tuple(change(s) if s.name == name else s for s in plan.sends))


def field_changed(plan: Plan, send_name: str, field_name: str, change: Callable[[Field], Field]) -> Plan:
    """The plan with one sent field changed."""

    def one(send: Send) -> Send:
        return replace(
            send,
            variants=tuple(
                replace(v, fields=tuple(change(f) if f.name == field_name else f for f in v.fields))
                for v in send.variants
            ),
        )

    return send_changed(plan, send_name, one)


def wrong_seed(checksum: Checksum) -> Checksum:
    """The checksum with another start value or constant."""
    method = checksum.method
    if isinstance(method, Crc):
        return replace(checksum, method=replace(method, init=method.init ^ 1))
    if isinstance(method, Affine):
        return replace(checksum, method=replace(method, constant=method.constant ^ 1))
    return replace(checksum, method=replace(method, constant=method.constant + 1))


def with_wrong_seed(send: Send) -> Send:
    """The message with a wrong checksum."""
    assert send.checksum is not None
    return replace(send, checksum=wrong_seed(send.checksum))


def with_counter(send: Send, *, high: int | None = None, step: int | None = None) -> Send:
    """The message with another counter."""
    counter = send.counter
    assert counter is not None
    counter = replace(counter, high=counter.high if high is None else high, step=counter.step if step is None else step)
    return replace(send, counter=counter)


def scaled(plan: Plan, send_name: str, field_name: str, percent: int) -> Plan:
    """The field's value wrong by so many percent: behind the register that it was made in."""

    def one(send: Send) -> Send:
        variants = []
        for variant in send.variants:
            ops, fields = list(variant.block), []
            for field in variant.fields:
                if field.name == field_name:
                    made = ops[field.register]
                    ops.append(Op("const", 100 + percent, 100 + percent, value=100 + percent))
                    ops.append(Op("mul", -(1 << 40), 1 << 40, field.register, len(ops) - 1))
                    ops.append(Op("const", 100, 100, value=100))
                    ops.append(Op("div", -(1 << 40), 1 << 40, len(ops) - 2, len(ops) - 1))
                    ops.append(Op("const", made.low, made.low, value=made.low))
                    ops.append(Op("max", made.low, 1 << 40, len(ops) - 2, len(ops) - 1))
                    ops.append(Op("const", made.high, made.high, value=made.high))
                    ops.append(Op("min", made.low, made.high, len(ops) - 2, len(ops) - 1))
                    field = replace(field, register=len(ops) - 1)
                fields.append(field)
            variants.append(replace(variant, block=tuple(ops), fields=tuple(fields)))
        return replace(send, variants=tuple(variants))

    return settled(send_changed(plan, send_name, one))


def without_fallback(plan: Plan, send_name: str) -> Plan:
    """Every choice between a value and its safe answer takes the value."""

    def one(send: Send) -> Send:
        return replace(
            send,
            variants=tuple(
                replace(v, block=tuple(replace(o, c=o.b) if o.kind == "select" else o for o in v.block))
                for v in send.variants
            ),
        )

    return settled(send_changed(plan, send_name, one))


_OTHER = {
    "add": "sub", "sub": "add", "min": "max", "max": "min", "lt": "le", "le": "lt", "eq": "ne", "ne": "eq",
    "and": "or", "or": "and", "neg": "abs", "abs": "neg",
}  # fmt: skip


def random_mutation(plan: Plan, rng: random.Random) -> tuple[str, Plan]:
    """One thing changed somewhere; what it was in words."""
    ways: Sequence[Callable[[Plan, random.Random], tuple[str, Plan] | None]] = (
        _operation, _operation, _operation, _extract, _feed, _receive, _task, _sent_field, _timing, _counter, _sum,
        _base, _table, _bus,
    )  # fmt: skip
    while True:
        found = rng.choice(ways)(plan, rng)
        if found is None or found[1] == plan:
            continue
        try:
            return found[0], settled(found[1])
        except ValueError:
            continue  # such as a division by what may now be 0


def _replaced(items: tuple[Any, ...], at: int, item: Any) -> tuple[Any, ...]:
    return (*items[:at], item, *items[at + 1 :])


def _mutated_op(op: Op, rng: random.Random) -> Op | None:
    if op.kind == "const":
        by = rng.choice((-1, 1, 2, -2, 10))
        return replace(op, value=op.value + by, low=op.low + by, high=op.high + by)
    if op.kind == "select":
        return replace(op, b=op.c, c=op.b)
    if op.kind in _OTHER:
        return replace(op, kind=_OTHER[op.kind])
    return None


def _operation(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    places = [("task", n, 0) for n in range(len(plan.tasks))]
    places += [("send", n, v) for n, s in enumerate(plan.sends) for v in range(len(s.variants))]
    kind, n, v = rng.choice(places)
    block = plan.tasks[n].block if kind == "task" else plan.sends[n].variants[v].block
    if not block:
        return None
    at = rng.randrange(len(block))
    op = _mutated_op(block[at], rng)
    if op is None:
        return None
    new = _replaced(block, at, op)
    words = f"{kind} {n} operation {at}: {block[at].kind} {block[at].value} becomes {op.kind} {op.value}"
    if kind == "task":
        return words, replace(plan, tasks=_replaced(plan.tasks, n, replace(plan.tasks[n], block=new)))
    send = plan.sends[n]
    variant = replace(send.variants[v], block=new)
    return words, replace(
        plan, sends=_replaced(plan.sends, n, replace(send, variants=_replaced(send.variants, v, variant)))
    )


def _shifted(layout: Layout, rng: random.Random) -> Layout | None:
    start = layout.start + rng.choice((-1, 1))
    if start < 0:
        return None
    return replace(layout, start=start)


def _extract(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.feeds))
    feed = plan.feeds[n]
    if not feed.extracts:
        return None
    at = rng.randrange(len(feed.extracts))
    extract = feed.extracts[at]
    if rng.random() < 0.5:
        layout = _shifted(extract.layout, rng)
        if layout is None:
            return None
        extract, words = replace(extract, layout=layout), "a source bit shifted"
    elif extract.invalid:
        extract, words = replace(extract, invalid=()), "reserved codes not known"
    else:
        extract, words = replace(extract, invalid=((1, 1),)) if extract.valid_slot >= 0 else extract, "a code reserved"
    feed = replace(feed, extracts=_replaced(feed.extracts, at, extract))
    return f"{extract.name}: {words}", replace(plan, feeds=_replaced(plan.feeds, n, feed))


def _feed(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.feeds))
    feed = plan.feeds[n]
    new = rng.choice(
        (
            replace(feed, max_age_us=feed.max_age_us * 5 // 4),
            replace(feed, max_age_us=feed.max_age_us * 4 // 5),
            replace(feed, good_again=feed.good_again + 1),
            replace(feed, good_first=feed.good_first + 1),
            replace(feed, triggers=()),
        )
    )
    return f"feed {feed.name}: {feed.max_age_us} {feed.good_again}", replace(plan, feeds=_replaced(plan.feeds, n, new))


def _receive(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.receives))
    receive = plan.receives[n]
    options = [replace(receive, word=receive.word ^ 1)]
    if receive.checksum is not None:
        options += [replace(receive, checksum=None), replace(receive, checksum=wrong_seed(receive.checksum))]
    if receive.counter is not None:
        options += [
            replace(receive, counter=None),
            replace(receive, counter=replace(receive.counter, lost_ok=receive.counter.lost_ok + 1)),
        ]
    return f"receive {receive.name}", replace(plan, receives=_replaced(plan.receives, n, rng.choice(options)))


def _task(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.tasks))
    task = plan.tasks[n]
    return "task period", replace(
        plan, tasks=_replaced(plan.tasks, n, replace(task, period_us=task.period_us * 5 // 4))
    )


def _sent_field(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.sends))
    send = plan.sends[n]
    v = rng.randrange(len(send.variants))
    variant = send.variants[v]
    if not variant.fields:
        return None
    at = rng.randrange(len(variant.fields))
    field = variant.fields[at]
    layout = _shifted(field.layout, rng)
    if layout is None or not layout.fits(send.length):
        return None
    new = replace(variant, fields=_replaced(variant.fields, at, replace(field, layout=layout)))
    return f"{send.name}.{field.name} shifted", replace(
        plan, sends=_replaced(plan.sends, n, replace(send, variants=_replaced(send.variants, v, new)))
    )


def _timing(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.sends))
    send = plan.sends[n]
    new = rng.choice(
        (
            replace(send, period_us=send.period_us * 6 // 5),
            replace(send, period_us=send.period_us * 4 // 5),
            replace(send, delay_us=send.delay_us + 30_000),
            replace(send, gap_us=send.gap_us * 2),
            replace(send, states=send.states & ~(1 << rng.randrange(1, 6))),
            replace(send, word=send.word ^ 1),
        )
    )
    return f"{send.name} timing", replace(plan, sends=_replaced(plan.sends, n, new))


def _counter(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.sends))
    send = plan.sends[n]
    if send.counter is None:
        return None
    counter = send.counter
    new = rng.choice((replace(counter, step=counter.step + 1), replace(counter, high=counter.high - 1), None))
    return f"{send.name} counter", replace(plan, sends=_replaced(plan.sends, n, replace(send, counter=new)))


def _sum(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.sends))
    send = plan.sends[n]
    if send.checksum is None:
        return None
    return f"{send.name} checksum", replace(
        plan, sends=_replaced(plan.sends, n, replace(send, checksum=wrong_seed(send.checksum)))
    )


def _base(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.sends))
    send = plan.sends[n]
    v = rng.randrange(len(send.variants))
    base = bytearray(send.variants[v].base)
    bit = rng.randrange(8 * len(base))
    base[bit >> 3] ^= 1 << (bit & 7)
    variant = replace(send.variants[v], base=bytes(base))
    return f"{send.name} constant bit {bit}", replace(
        plan, sends=_replaced(plan.sends, n, replace(send, variants=_replaced(send.variants, v, variant)))
    )


def _table(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    if not plan.tables:
        return None
    n = rng.randrange(len(plan.tables))
    table = plan.tables[n]
    at = rng.randrange(len(table.y))
    return "table point", replace(
        plan, tables=_replaced(plan.tables, n, replace(table, y=_replaced(table.y, at, table.y[at] + 64)))
    )


def _bus(plan: Plan, rng: random.Random) -> tuple[str, Plan] | None:
    n = rng.randrange(len(plan.buses))
    bus = plan.buses[n]
    new = rng.choice((replace(bus, silent_us=bus.silent_us * 2), replace(bus, wakes=not bus.wakes)))
    return f"bus {bus.name}", replace(plan, buses=_replaced(plan.buses, n, new))


def settled(plan: Plan) -> Plan:
    """The plan with the intervals of all its operations proven anew, as a compiler with the same defect would have."""

    def block(ops: Block) -> Block:
        out: list[Op] = []
        for op in ops:
            known = [(out[a].low, out[a].high) for a in op.args]
            low, high = op_interval(op.kind, known, op.value, plan.slots, plan.tables, plan.lookups)
            out.append(replace(op, low=low, high=high))
        return tuple(out)

    return replace(
        plan,
        tasks=tuple(replace(t, block=block(t.block)) for t in plan.tasks),
        sends=tuple(
            replace(s, variants=tuple(replace(v, block=block(v.block)) for v in s.variants)) for s in plan.sends
        ),
    )


def runs(plan: Plan) -> bool:
    """Whether a mutated plan can be run at all."""
    try:
        Translator(plan)
    except SwapbridgeError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a mutant: what caught it, and how it differs from the sound plan ("" where it does not)."""

    words: str
    caught_by: str
    differs: str


@dataclass(frozen=True, slots=True)
class Hunt:
    """A sound plan and how it behaves, against which mutants are judged."""

    plan: Plan
    bridge: BridgeFile
    maps: Mapping[str, SignalMap]
    captures: Mapping[str, Capture]
    bench: Bench
    sent: list[tuple[int, int, int, bytes]]
    faults: Mapping[str, FaultRun]

    def judge(self, words: str, mutant: Plan) -> Outcome:
        """Prove it as a builder would; a defect that no recording shows must show under a fault."""
        verdict = prove(mutant, self.captures, self.bridge, self.maps, thoroughness="none")
        for check in verdict.checks:
            if check.status == "fail":
                return Outcome(words, f"{check.area}: {check.subject}, {check.name}", "the proof failed")
        differs = [] if _sent(self.bench, mutant) == self.sent else ["in the recordings"]
        for name, sound in self.faults.items():
            run = _under_fault(replace(self.bench, plan=mutant), self, name)
            if run.status == "fail":
                return Outcome(words, f"fault: {name}: {run.problems[0]}", "the proof failed")
            if run != sound:
                differs.append(f"under '{name}' ({run.frames_sent} frames for {sound.frames_sent})")
        return Outcome(words, "", "; ".join(differs))


def begin_hunt(plan: Plan, bridge: BridgeFile, maps: Mapping[str, SignalMap], captures: Mapping[str, Capture]) -> Hunt:
    """Note how the sound plan behaves."""
    bench = set_up(plan, captures, Reference(bridge, maps).words_read())
    hunt = Hunt(plan, bridge, maps, captures, bench, _sent(bench, plan), {})
    return replace(hunt, faults={name: _under_fault(bench, hunt, name) for name in FAULTS})


def mutants(plan: Plan, seed: int) -> Iterator[tuple[str, Plan]]:
    """Plans that run, each with one random defect, without end."""
    rng = random.Random(seed)
    while True:
        words, mutant = random_mutation(plan, rng)
        if runs(mutant):
            yield words, mutant


def _sent(bench: Bench, plan: Plan) -> list[tuple[int, int, int, bytes]]:
    run = simulate(replace(bench, plan=plan), partial(Translator, plan), record=False)
    return [(s.asked_ns, s.bus, s.word, s.data) for s in run.device.sent]


def _under_fault(bench: Bench, hunt: Hunt, name: str) -> FaultRun:
    return run_fault(
        CampaignInputs(bench, hunt.bridge, hunt.maps, partial(Translator, bench.plan)),
        FaultTask((name,), SINGLE_S[QUICK], 1),
    )
