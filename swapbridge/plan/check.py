"""Plan room: the plan's contract, checked: nothing that breaks it is ever run, emitted or turned into code."""

from __future__ import annotations

from itertools import pairwise

from swapbridge.core import j1939
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import EXTENDED_BIT, identifier_word, split_word
from swapbridge.core.integrity import Affine, Checksum, Crc, FieldSum, Sum, turns_of
from swapbridge.core.layout import MAX_PAYLOAD_BYTES, Layout, pieces
from swapbridge.core.obd import (
    ANSWER_ENGINE,
    ANSWER_ENGINE_29,
    REQUEST_ALL,
    REQUEST_ALL_29,
    REQUEST_ENGINE,
    REQUEST_ENGINE_29,
    SERVICE,
    diagnostic_use,
)
from swapbridge.plan.intervals import Interval, fits_int64, op_interval, table_inner
from swapbridge.plan.joined_answer import Joined
from swapbridge.plan.plan import (
    EFFECTS,
    EXACT_MASK,
    MAX_COUNT,
    MAX_LINE,
    MAX_PASS_QUEUE,
    MAX_TIME_US,
    MAX_TURNS,
    OP_ARITY,
    STATES,
    Block,
    Feed,
    Op,
    Pass,
    Plan,
    Receive,
    Send,
    Variant,
)

FD_LENGTHS = frozenset({*range(9), 12, 16, 20, 24, 32, 48, 64})
MAX_OPS = 20_000


def check_plan(plan: Plan) -> None:
    """Check everything the plan's contract promises.

    Raises
    ------
    InputError
        The first promise that is broken, with its place in the plan.
    """
    _check_memory(plan)
    _check_buses(plan)
    for number, feed in enumerate(plan.feeds):
        _check_feed(plan, feed, f"feed {number} ({feed.name})")
    owners: list[int] = []
    exact = {(r.bus, r.word) for r in plan.receives if r.mask == EXACT_MASK}
    _need(len(exact) == sum(r.mask == EXACT_MASK for r in plan.receives), "receives", "list an identifier twice")
    groups = [r for r in plan.receives if r.mask != EXACT_MASK]
    for receive in plan.receives:
        where = f"receive {receive.name}"
        _check_receive(plan, receive, where)
        owners += receive.feeds
        twice = any(
            r.bus == receive.bus and not (r.word ^ receive.word) & r.mask & receive.mask
            for r in groups
            if r is not receive
        )
        _need(not twice, where, "hears an identifier that another one hears too")
    _need(sorted(owners) == list(range(len(plan.feeds))), "feeds", "must each belong to one receive")
    _check_written_once(plan)
    _need(bool(plan.tasks), "tasks", "are missing (the state machine is one)")
    for task in plan.tasks:
        where = f"task {task.name}"
        _need(0 < task.period_us <= MAX_TIME_US // 32, where, "has a period outside 1 to 67,108,863 microseconds")
        _need(0 <= task.offset_us <= MAX_TIME_US, where, "has a bad offset")
        _check_block(plan, task.block, where, stores=True)
    used = [op.value for task in plan.tasks for op in task.block if op.kind == "delay"]
    _need(sorted(used) == list(range(len(plan.lines))), "lines", "must each have one operation")
    sent: set[tuple[int, int]] = set()
    for send in plan.sends:
        where = f"send {send.name}"
        _check_send(plan, send, where)
        _need((send.bus, send.word) not in sent or send.request is not None, where, "is listed twice")
        sent.add((send.bus, send.word))
    _check_node(plan)
    for number, rule in enumerate(plan.passes):
        _check_pass(plan, rule, f"pass rule {number}")
    if plan.joined is not None:
        _check_joined(plan, plan.joined, "the joined answer")
    _check_diagnostics(plan)


def _check_node(plan: Plan) -> None:
    """What a plan says and hears as a J1939 node."""
    seen: set[tuple[int, int]] = set()
    for claim in plan.claims:
        where = f"the claim of address {claim.address}"
        possible = 0 <= claim.bus < len(plan.buses) and 0 <= claim.address < j1939.NO_ADDRESS
        _need(possible, where, "has a bad bus or address")
        _need((claim.bus, claim.address) not in seen, where, "is listed twice")
        _need(0 <= claim.name < 1 << 64, where, "has a bad name")
        _need(0 <= claim.wait_us <= MAX_TIME_US, where, "has a bad wait")
        seen.add((claim.bus, claim.address))
        _need(all(0 <= n < len(plan.sends) for n in claim.sends), where, "names a send that is not there")
        mine = [plan.sends[n] for n in claim.sends]
        fit = all(s.bus == claim.bus and s.word & EXTENDED_BIT and s.word & 0xFF == claim.address for s in mine)
        _need(fit, where, "names a send of another address")
    watched = {n for claim in plan.claims for n in claim.sends}
    for number, send in enumerate(plan.sends):
        where, group = f"send {send.name}", j1939.Identifier.of(send.word)
        _need(send.to == j1939.EVERYBODY or send.is_long, where, "goes to an address, but is not a long message")
        if group is not None and number in watched:
            own = group.number in (j1939.TRANSPORT, j1939.TRANSPORT_DATA, j1939.ADDRESS_CLAIMED)
            _need(not own, where, "is made of what only the J1939 layer says")
        _need(not send.on_request or number in watched, where, "is asked for, and has no J1939 address")
        if not send.is_long:
            continue
        _need(group is not None and number in watched, where, "is a long message of an address that is not claimed")
        assert group is not None
        right = group.to == send.to if j1939.is_pdu1(group.number) else 0 <= send.to <= j1939.EVERYBODY
        _need(right and send.to not in (j1939.NO_ADDRESS, group.source), where, "goes to an address that can't be")
        _need(send.request is None, where, "answers a scan tool in a long message")
    for receive in plan.receives:
        where = f"receive {receive.name}"
        _need(receive.mask != EXACT_MASK or not receive.long, where, "is long but not a J1939 group")
        if receive.sender_name is not None:
            _need(receive.any_sender, where, "names its sender, and is heard from one address only")
            value, mask = receive.sender_name.value, receive.sender_name.mask
            _need(0 < mask < 1 << 64 and not value & ~mask and value >= 0, where, "has a bad NAME")


def _need(holds: bool, where: str, problem: str) -> None:
    if not holds:
        raise InputError(f"the plan is not valid: {where} {problem}; compile it again from its bridge file")


def _check_memory(plan: Plan) -> None:
    _need(bool(plan.slots), "slots", "must begin with the state")
    _need((plan.slots[0].low, plan.slots[0].high) == (0, len(STATES) - 1), "slot 0", "must be the state, 0 to 5")
    _need(0 <= plan.initial_state < len(STATES), "the initial state", "is not a state")
    for number, slot in enumerate(plan.slots):
        _need(slot.low <= slot.initial <= slot.high, f"slot {number}", "begins outside its interval")
        _need(fits_int64((slot.low, slot.high)), f"slot {number}", "needs more than 64 bits")
    for table in plan.tables:
        where = f"table {table.name}"
        _need(len(table.x) == len(table.y) >= 2, where, "needs at least two points, as many y as x")
        _need(all(p < q for p, q in pairwise(table.x)), where, "needs rising x")
        _need(all(fits_int64((v, v)) for v in (*table.x, *table.y)), where, "needs more than 64 bits")
        _need(fits_int64((table.x[0] - table.x[-1], table.x[-1] - table.x[0])), where, "spans more than 64 bits")
        _need(fits_int64(table_inner(table)), where, "interpolates beyond 64 bits")
    for lookup in plan.lookups:
        where = f"lookup {lookup.name}"
        _need(len(lookup.keys) == len(lookup.values) >= 1, where, "needs as many values as keys")
        _need(all(p < q for p, q in pairwise(lookup.keys)), where, "needs rising keys")
        everything = (*lookup.keys, *lookup.values, lookup.default)
        _need(fits_int64((min(everything), max(everything))), where, "needs more than 64 bits")
    for line in plan.lines:
        _need(1 <= line.length <= MAX_LINE, f"line {line.name}", f"must remember 1 to {MAX_LINE} values")
        _need(line.high >= 1 and fits_int64((0, line.high)), f"line {line.name}", "has a bad interval")


def _check_buses(plan: Plan) -> None:
    _need(bool(plan.buses), "buses", "are missing")
    _need(len({b.name for b in plan.buses}) == len(plan.buses), "buses", "share a name")
    for bus in plan.buses:
        _need(0 < bus.silent_us <= MAX_TIME_US, f"bus {bus.name}", "has a bad silent time")
        _need(0 < bus.bit_rate <= 1_000_000, f"bus {bus.name}", "has a bad bit rate")
        _need(bus.placement in ("inline", "added-node"), f"bus {bus.name}", "has an unknown placement")
    _need(0 <= plan.pass_queue <= MAX_PASS_QUEUE, "the pass queue", f"must hold 0 to {MAX_PASS_QUEUE} frames")
    _need(not plan.passes or plan.pass_queue > 0, "the pass queue", "is empty although frames are passed")


def _check_feed(plan: Plan, feed: Feed, where: str) -> None:
    _need(0 < feed.max_age_us <= MAX_TIME_US, where, "has an age limit outside 1 to 2**31 - 1 microseconds")
    _need(1 <= feed.good_first <= 255 and 1 <= feed.good_again <= 255, where, "has a bad number of good frames")
    for extract in feed.extracts:
        _need(0 < extract.slot < len(plan.slots), where, f"writes slot {extract.slot}, which is not there")
        low, high = extract.layout.raw_range
        slot = plan.slots[extract.slot]
        _need(slot.low <= low and high <= slot.high, where, f"can leave the interval of slot {extract.slot}")
        if extract.valid_slot != -1:
            _need(0 < extract.valid_slot < len(plan.slots), where, "writes a validity slot that is not there")
            flag = plan.slots[extract.valid_slot]
            _need(flag.low <= 0 and flag.high >= 1, where, "has a validity slot that can't hold 0 and 1")
        _need(not extract.invalid or extract.valid_slot != -1, where, "has invalid values but no validity slot")
        _need(all(p <= q and fits_int64((p, q)) for p, q in extract.invalid), where, "has a bad invalid range")
    _need(all(0 <= t < len(plan.sends) for t in feed.triggers), where, "triggers a send that is not there")


def _check_receive(plan: Plan, receive: Receive, where: str) -> None:
    _check_word(plan, receive.bus, receive.word, where)
    _need(receive.mask == EXACT_MASK or _is_group_mask(receive), where, "has a mask that is no J1939 group's")
    _need(0 <= receive.minimum_length <= 64, where, "has a bad length")
    _need(0 <= receive.period_us <= MAX_TIME_US, where, "has a bad period")
    for number in receive.feeds:
        _need(0 <= number < len(plan.feeds), where, "has a feed that is not there")
        for extract in plan.feeds[number].extracts:
            _check_inside(extract.layout, receive.minimum_length, f"{where}, signal {extract.name}")
        if plan.feeds[number].mux_values:
            _need(receive.mux is not None, where, "has a multiplexed feed but no multiplexer")
    if receive.mux is not None:
        _check_inside(receive.mux, receive.minimum_length, where)
    if receive.counter is not None:
        counter = receive.counter
        _check_inside(counter.layout, receive.minimum_length, where)
        _check_counter(counter.layout, counter.low, counter.high, counter.step, where)
        _need(0 <= counter.lost_ok <= 255, where, "has a bad number of lost frames")
    if receive.checksum is not None:
        _check_checksum(receive.checksum, receive.minimum_length, where)


def _is_group_mask(receive: Receive) -> bool:
    """Whether a mask says a whole parameter group, with or without its sender, and its receiver where it has one."""
    found = j1939.Identifier.of(receive.word)
    if found is None:
        return False
    mask = j1939.group_mask(found.number)
    return receive.mask in (mask, mask | 0xFF, mask | 0xFF00, mask | 0xFFFF)


def _check_word(plan: Plan, bus: int, word: int, where: str) -> None:
    _need(0 <= bus < len(plan.buses), where, "is on a bus that is not there")
    identifier, extended = split_word(word)
    _need(0 <= word <= 0xFFFF_FFFF, where, "has a bad identifier")
    _need(identifier <= (0x1FFF_FFFF if extended else 0x7FF), where, "has a bad identifier")


def _check_inside(layout: Layout, length: int, where: str) -> None:
    _need(layout.fits(length), where, f"has bits outside its {length} bytes")


def _check_counter(layout: Layout, low: int, high: int, step: int, where: str) -> None:
    _need(not layout.signed and layout.length <= 32, where, "has a counter that is signed or longer than 32 bits")
    _need(0 <= low < high <= layout.raw_range[1], where, "has a counter that does not fit its bits")
    _need(0 < step <= high - low, where, "has a bad counter step")


def _check_checksum(checksum: Checksum, length: int, where: str) -> None:
    method = checksum.method
    _check_inside(checksum.layout, length, where)
    _need(not checksum.layout.signed, where, "has a signed checksum")
    _need(1 <= method.width <= 64 and method.width <= checksum.layout.length, where, "has a checksum that is too wide")
    top = 1 << method.width
    if isinstance(method, Crc):
        _need(method.width >= 3, where, "has a CRC of fewer than 3 bits")
        _need(all(0 <= v < top for v in (method.polynomial, method.init, method.xor_out)), where, "has a bad CRC")
        _need(len(method.before) <= 64 and len(method.after) <= 64, where, "feeds its CRC too many constant bytes")
    if isinstance(method, Crc | Sum):
        _need(all(0 <= i < length for i in method.coverage), where, "covers bytes it does not have")
        _need(len(method.coverage) <= 256, where, "covers too many bytes")
    if isinstance(method, Sum):
        _need(method.unit_bits in (1, 4, 8), where, "has a sum of odd units")
        _need(abs(method.factor) < 1 << 16 and abs(method.constant) < 1 << 32, where, "has a bad sum")
    if isinstance(method, FieldSum):
        _need(all(t.layout.fits(length) for t in method.terms), where, "adds up bits it does not have")
    if isinstance(method, Affine):
        _need(len(method.masks) == method.width, where, "has a mask missing")
        _need(all(0 <= m < 1 << (8 * length) for m in method.masks), where, "covers bits it does not have")
        _need(0 <= method.constant < top, where, "has a bad constant")
    if checksum.counter is not None:
        _check_inside(checksum.counter, length, where)
        _need(not checksum.counter.signed and checksum.counter.length <= 8, where, "has a bad counter for its checksum")
    _need(all(0 <= v < turns_of(method) for v in checksum.by_counter), where, "has bad constants by counter")
    _need(not checksum.by_counter or checksum.counter is not None, where, "has constants by counter but no counter")


def _check_written_once(plan: Plan) -> None:
    """Every slot has one writer: the state and task slots tasks, the others one extract."""
    written: set[int] = {0}
    for feed in plan.feeds:
        for extract in feed.extracts:
            for slot in {extract.slot, extract.valid_slot} - {-1}:
                _need(slot not in written, f"slot {slot}", "has two writers")
                written.add(slot)
    for task in plan.tasks:
        for op in task.block:
            if op.kind == "store" and op.value != 0:
                _need(op.value not in written, f"slot {op.value}", "is written by a task and a frame")


def _check_block(plan: Plan, block: Block, where: str, *, stores: bool) -> None:
    _need(len(block) <= MAX_OPS, where, "is too long")
    intervals: list[Interval] = []
    for number, op in enumerate(block):
        intervals.append(_check_op(plan, op, number, intervals, f"{where}, operation {number}", stores=stores))


def _check_op(plan: Plan, op: Op, number: int, before: list[Interval], where: str, *, stores: bool) -> Interval:
    _need(op.kind in OP_ARITY, where, f"is of unknown kind {op.kind!r}")
    _need(all(0 <= a < number for a in op.args), where, "reads a register that is not there yet")
    room = {
        "load": len(plan.slots),
        "store": len(plan.slots),
        "table": len(plan.tables),
        "lookup": len(plan.lookups),
        "delay": len(plan.lines),
        "fresh": len(plan.feeds),
        "age": len(plan.feeds),
        "awake": len(plan.buses),
    }
    if op.kind in room:
        _need(0 <= op.value < room[op.kind], where, "names something that is not there")
    try:
        args = [before[a] for a in op.args]
        found = op_interval(op.kind, args, op.value, plan.slots, plan.tables, plan.lookups, plan.lines)
    except ValueError as error:
        _need(False, where, f"can't be done: {error}")
        raise  # never reached
    _need(found == (op.low, op.high), where, f"claims the interval {op.low} to {op.high}, not {found[0]} to {found[1]}")
    _need(fits_int64(found), where, "needs more than 64 bits")
    if op.kind == "div":
        a, b = before[op.a], before[op.b]
        _need(fits_int64((min(a) - max(map(abs, b)), max(a) + max(map(abs, b)))), where, "rounds beyond 64 bits")
    if op.kind == "table":
        table = plan.tables[op.value]
        a = before[op.a]
        _need(fits_int64((a[0] - table.x[-1], a[1] - table.x[0])), where, "interpolates beyond 64 bits")
    _need(stores or op.kind not in EFFECTS, where, "stores outside a task")
    if op.kind == "delay":
        line = plan.lines[op.value]
        _need(
            before[op.a][0] >= 0 and before[op.a][1] <= line.high, where, f"can leave the interval of line {op.value}"
        )
    if op.kind == "store":
        slot = plan.slots[op.value]
        _need(slot.low <= found[0] and found[1] <= slot.high, where, f"can leave the interval of slot {op.value}")
    return found


def _check_send(plan: Plan, send: Send, where: str) -> None:
    _check_word(plan, send.bus, send.word, where)
    for name, time in (
        ("period", send.period_us), ("delay", send.delay_us), ("gap", send.gap_us), ("last time", send.linger_us),
    ):  # fmt: skip
        _need(0 <= time <= MAX_TIME_US, where, f"has a {name} outside 0 to 2**31 - 1 microseconds")
    _need(0 <= send.check_us <= MAX_TIME_US, where, "has a bad check time")
    _need(0 <= send.states < 1 << len(STATES), where, "names states that are not there")
    _need(0 < len(send.variants) <= MAX_TURNS, where, "has no form, or too many")
    _need(len(send.turns) <= MAX_TURNS and set(send.turns) == set(range(len(send.variants))), where, "has odd turns")
    _need(0 <= send.count <= MAX_COUNT, where, f"is sent more than {MAX_COUNT} times a wake, or less than never")
    _need(send.count <= 1 or send.period_us > 0, where, "is sent several times a wake at no spacing")
    lengths = {len(v.base) for v in send.variants}
    fits = lengths <= FD_LENGTHS if send.is_fd else max(lengths) <= MAX_PAYLOAD_BYTES
    _need(len(lengths) == 1 and fits, where, "has a length that no frame has")
    _need(not send.is_fd or plan.buses[send.bus].fd, where, "is an FD frame on a classic bus")
    for number, variant in enumerate(send.variants):
        _check_variant(plan, send, variant, f"{where}, form {number}")
    _need(send.counter is not None or not send.more_counters, where, "has a second counter and no first")
    for counter in send.counters:
        _check_inside(counter.layout, send.length, where)
        _check_counter(counter.layout, counter.low, counter.high, counter.step, where)
    if send.checksum is not None:
        _check_checksum(send.checksum, send.length, where)
    if send.request is not None:
        _need(bool(send.request.words) and 0 < len(send.request.prefix) <= 64, where, "has an empty request")
        for word in send.request.words:
            _check_word(plan, send.request.bus, word, where)


def _check_variant(plan: Plan, send: Send, variant: Variant, where: str) -> None:
    _check_block(plan, variant.block, where, stores=False)
    _need(-1 <= variant.send_if < len(variant.block), where, "has a condition that is not there")
    taken: set[int] = set()
    own = [part.layout for part in (*send.counters, send.checksum) if part is not None]
    for field in variant.fields:
        spot = f"{where}, signal {field.name}"
        _check_inside(field.layout, len(variant.base), spot)
        _need(0 <= field.register < len(variant.block), spot, "reads a register that is not there")
        op, (low, high) = variant.block[field.register], field.layout.raw_range
        _need(low <= op.low and op.high <= high, spot, "can leave its bits")
        _need(all(0 <= f < len(plan.feeds) for f in field.feeds), spot, "names a feed that is not there")
        own.append(field.layout)
    for layout in own:
        _need(taken.isdisjoint(layout.positions), where, "has signals that overlap")
        taken.update(layout.positions)


def _check_pass(plan: Plan, rule: Pass, where: str) -> None:
    _check_word(plan, rule.bus, rule.first, where)
    _need(rule.first <= rule.last <= 0xFFFF_FFFF, where, "has an empty range")
    _need(-1 <= rule.to_bus < len(plan.buses) and rule.to_bus != rule.bus, where, "leads to a bus that is not there")
    _need(rule.block or rule.to_bus >= 0, where, "leads nowhere")
    if rule.new_word != -1:
        _check_word(plan, rule.to_bus, rule.new_word, where)
        _need(not rule.block, where, "blocks and renames at once")


def _check_joined(plan: Plan, joined: Joined, where: str) -> None:
    for word in (joined.word, joined.flow_word, *joined.words):
        _check_word(plan, joined.bus, word, where)
    _need(bool(joined.words), where, "is asked for by no frame")
    _need(0 <= joined.service < 0x40, where, "has a bad service")
    _need(0 <= joined.gap_us <= MAX_TIME_US, where, "has a bad gap")
    numbers = [number for number, _ in joined.parts]
    _need(0 < len(numbers) <= 256 and min(numbers) >= 0 and max(numbers) <= 255, where, "has a bad number of parts")
    _need(all(p < q for p, q in pairwise(numbers)), where, "needs rising identifiers")
    for number, index in joined.parts:
        spot = f"{where}, identifier {number:02X}"
        _need(0 <= index < len(plan.sends), spot, "names a send that is not there")
        send = plan.sends[index]
        plain = len(send.variants) == 1 and send.counter is None and send.checksum is None and not send.is_fd
        _need(plain and send.length == 8, spot, "names a send that is no plain frame of 8 bytes")
        _need((send.bus, send.word) == (joined.bus, joined.word), spot, "names a send of another identifier")
        variant = send.variants[0]
        _need(3 <= variant.base[0] <= 7, spot, "has a payload without its length")
        fixed = all(piece.byte >= 2 for field in variant.fields for piece in pieces(field.layout))
        _need(fixed, spot, "has a signal in the head of its payload")


_TALKS = ((REQUEST_ALL, REQUEST_ENGINE, ANSWER_ENGINE), (REQUEST_ALL_29, REQUEST_ENGINE_29, ANSWER_ENGINE_29))
_REQUESTS = {identifier_word(*answer): {identifier_word(*w) for w in words} for *words, answer in _TALKS}
"""Under which words a scan tool asks for what is answered under a word (ISO 15765-4)."""


def _check_diagnostics(plan: Plan) -> None:
    """Under identifiers of diagnostics a plan only answers, as the engine computer, what a scan tool asked."""
    triggered = {t for feed in plan.feeds for t in feed.triggers}
    for number, send in enumerate(plan.sends):
        where = f"send {send.name}"
        asked = set(send.request.words) if send.request is not None else set()
        if not _use(send.word):
            _need(not any(map(_use, asked)), where, "answers a scan tool under another identifier than its own")
            continue
        _need(bool(asked), where, f"makes a frame that is for {_use(send.word)}")
        _need(send.word in _REQUESTS, where, "answers a scan tool as another module than the engine computer")
        _need(asked <= _REQUESTS[send.word], where, "answers requests that are not for the engine computer")
        own_time = send.period_us or send.check_us or send.count or number in triggered
        _need(not own_time, where, "answers a scan tool that did not ask")
    for number, rule in enumerate(plan.passes):
        renamed = rule.new_word != -1 and bool(_use(rule.new_word))
        from_scan_tool = rule.first == rule.last and bool(_use(rule.first))
        _need(not renamed or from_scan_tool, f"pass rule {number}", f"makes a frame that is for {_use(rule.new_word)}")
    joined = plan.joined
    if joined is not None and (_use(joined.word) or any(map(_use, (*joined.words, joined.flow_word)))):
        words = _REQUESTS.get(joined.word, set())
        right = {*joined.words, joined.flow_word} <= words and joined.service == SERVICE
        _need(right, "the joined answer", "is not the engine computer's to a scan tool's request for service 01")


def _use(word: int) -> str:
    return diagnostic_use(*split_word(word)) if word >= 0 else ""
