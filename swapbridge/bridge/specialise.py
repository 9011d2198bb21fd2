"""Bridge room: writes the Python of one checked plan: its receives, tasks, sends and the three calls.

Only integers of a plan that `check_plan` accepted go into the source. What is written differently from the plan's
contract is only faster: nothing is looked at before it is due, and the clock is made one that never wraps.
"""

from __future__ import annotations

from typing import Any

from swapbridge.bridge.codegen import (
    BlockWriter,
    H,
    M,
    Packer,
    checksum_tables,
    checksum_text,
    extract_text,
    payload_order,
)
from swapbridge.bridge.plan import Feed, Plan, Receive, Send, Task, Variant
from swapbridge.core.integrity import Checksum
from swapbridge.core.layout import Layout

_CLOCK = [
    f"        if now < seen: epoch += {M + 1}",
    "        seen = now",
    "        now += epoch",
]
"""The 32-bit clock made one that never wraps, so that timers are compared plainly: time never goes back."""


def _layouts(send: Send) -> list[Layout]:
    """Layouts of everything that is written into a send's payload."""
    parts = [part.layout for part in (send.counter, send.checksum) if part is not None]
    return parts + [field.layout for variant in send.variants for field in variant.fields]


def _known_bytes(send: Send) -> dict[int, int]:
    """Payload bytes that are the same in every frame of a send."""
    written = {position >> 3 for layout in _layouts(send) for position in layout.positions}
    bases = [variant.base for variant in send.variants]
    return {i: bases[0][i] for i in range(send.length) if i not in written and len({b[i] for b in bases}) == 1}


class PlanWriter:
    """Writes the source of one plan."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.constants: dict[str, Any] = {}
        self._orders = [payload_order(_layouts(send)) for send in plan.sends]
        self._receive_checks: dict[int, str] = {}
        self._send_checks: dict[int, str] = {}
        for number, receive in enumerate(plan.receives):
            if receive.checksum is not None:
                text = self._checksum(receive.checksum, number, receive.minimum_length, {})
                self._receive_checks[number] = text
        for number, send in enumerate(plan.sends):
            if send.checksum is not None:
                known = _known_bytes(send)
                self._send_checks[number] = self._checksum(
                    send.checksum, len(plan.receives) + number, send.length, known
                )

    def _checksum(self, checksum: Checksum, number: int, length: int, known: dict[int, int]) -> str:
        constant, tables = checksum_tables(checksum, length)
        for byte, table in tables.items():
            self.constants[f"crc{number}_{byte}"] = table
        if checksum.by_counter:
            self.constants[f"by{number}"] = checksum.by_counter
        return checksum_text(checksum, number, constant, tables, known)

    def arguments(self) -> list[str]:
        """Names that `build` takes."""
        fixed = ["SentFrame", "new_frame", "from_bytes", "deque", "div_round", "tables", "lookups", "plan_passes"]
        return [*fixed, *self.constants]

    def source(self) -> str:
        """The whole source: one function `build` that gives on_frame, poll, next_poll and the reports."""
        plan = self.plan
        lines = [f"def build({', '.join(self.arguments())}):"]
        lines += self._memory()
        for number, receive in enumerate(plan.receives):
            lines += self._receive(number, receive)
        lines += self._sweep()
        lines += self._apply()
        for number, task in enumerate(plan.tasks):
            lines += self._task(number, task)
        for number, send in enumerate(plan.sends):
            lines += self._send(number, send)
        lines += self._start()
        lines += self._on_frame()
        lines += self._poll()
        lines += self._next_poll()
        lines += self._reports()
        lines.append("    return on_frame, poll, next_poll, reports")
        return "\n".join(lines) + "\n"

    # --- memory

    def _memory(self) -> list[str]:
        plan = self.plan
        out = [f"    s{n} = {slot.initial}" for n, slot in enumerate(plan.slots)]
        out[0] = f"    s0 = {plan.initial_state}"
        out += [f"    f{n} = g{n} = l{n} = e{n} = 0" for n in range(len(plan.feeds))]
        for n, receive in enumerate(plan.receives):
            if receive.counter is not None:
                out.append(f"    c{n} = -1")
        out += [f"    t{n} = 0" for n in range(len(plan.tasks))]
        for n, send in enumerate(plan.sends):
            out.append(f"    a{n} = p{n} = d{n} = k{n} = b{n} = o{n} = m{n} = i{n} = 0")
            out.append(f"    h{n} = None")
            out.append(f"    n{n} = {send.counter.low if send.counter else 0}")
        buses = len(plan.buses)
        out.append(f"    awake = {[0] * buses}")
        out.append(f"    heard = {[0] * buses}")
        out.append("    started = applied = quiet = until = sweep_at = seen = epoch = bad = dropped = 0")
        out.append("    queue = deque()")
        out.append("    passing = {}")
        return out

    def _names(self, *prefixes: str) -> list[str]:
        counts = {"s": len(self.plan.slots), "t": len(self.plan.tasks)}
        out = []
        for prefix in prefixes:
            count = counts.get(prefix, len(self.plan.feeds) if prefix in "fgle" else len(self.plan.sends))
            out += [f"{prefix}{n}" for n in range(count)]
        return out

    # --- receiving

    def _receive(self, number: int, receive: Receive) -> list[str]:
        plan = self.plan
        feeds = [(n, plan.feeds[n]) for n in receive.feeds]
        used = ["bad", "sweep_at", "quiet"]
        for n, feed in feeds:
            used += [f"f{n}", f"g{n}", f"l{n}", f"e{n}"]
            used += [f"s{e.slot}" for e in feed.extracts]
            used += [f"s{e.valid_slot}" for e in feed.extracts if e.valid_slot >= 0]
            used += [f"p{t}" for t in feed.triggers]
        if receive.counter is not None:
            used.append(f"c{number}")
        clear = "; ".join([*(f"g{n} = 0" for n, _ in feeds), "bad += 1"])
        refuse = [f"            {clear}", "            return"]
        out = [f"    def r{number}(data, now):", f"        nonlocal {', '.join(dict.fromkeys(used))}"]
        if receive.minimum_length:
            out += [f"        if len(data) < {receive.minimum_length}:", *refuse]
        if receive.checksum is not None:
            out += [f"        if {extract_text(receive.checksum.layout)} != {self._receive_checks[number]}:", *refuse]
        if receive.counter is not None:
            out += self._counter_check(number, receive, clear)
        if receive.mux is not None:
            out.append(f"        mux = {extract_text(receive.mux)}")
        for n, feed in feeds:
            out += self._feed(n, feed)
        return out

    def _counter_check(self, number: int, receive: Receive, clear: str) -> list[str]:
        check = receive.counter
        assert check is not None
        cycle = check.high - check.low + 1
        good = {k * check.step % cycle for k in range(1, check.lost_ok + 2)}
        steps = f"(value - c{number}) % {cycle}"
        if good == set(range(1, len(good) + 1)):
            wrong = f"not 0 < {steps} <= {len(good)}"
        else:
            wrong = f"{steps} not in {{{', '.join(map(str, sorted(good)))}}}"
        out = [f"        value = {extract_text(check.layout)}"]
        low, high = check.layout.raw_range
        if (check.low, check.high) != (low, high):
            out += [
                f"        if not {check.low} <= value <= {check.high}:",
                f"            {clear}",
                "            return",
            ]
        out += [
            f"        if c{number} >= 0 and {wrong}:",
            f"            c{number} = value; {clear}",
            "            return",
            f"        c{number} = value",
        ]
        return out

    def _feed(self, n: int, feed: Feed) -> list[str]:
        pad, out = "        ", []
        if feed.mux_values:
            values = f"({', '.join(map(str, feed.mux_values))},)"
            out.append(
                f"        if mux == {feed.mux_values[0]}:"
                if len(feed.mux_values) == 1
                else f"        if mux in {values}:"
            )
            pad = "            "
        out += [
            f"{pad}if now - l{n} > {feed.max_age_us}:",
            f"{pad}    f{n} = g{n} = 0",
            f"{pad}l{n} = now",
        ]
        for extract in feed.extracts:
            out.append(f"{pad}s{extract.slot} = {extract_text(extract.layout)}")
            if extract.valid_slot >= 0:
                out.append(f"{pad}s{extract.valid_slot} = {self._validity(f's{extract.slot}', extract.invalid)}")
        out += [
            f"{pad}if not f{n}:",
            f"{pad}    if g{n} < 255: g{n} += 1",
            f"{pad}    if g{n} >= ({feed.good_again} if e{n} else {feed.good_first}):",
            f"{pad}        f{n} = e{n} = 1",
            f"{pad}    sweep_at = now",
        ]
        if feed.triggers:
            out.append(f"{pad}if f{n}:")
            out += [f"{pad}    p{t} = 1" for t in feed.triggers]
            out.append(f"{pad}    quiet = 0")
        return out

    @staticmethod
    def _validity(text: str, invalid: tuple[tuple[int, int], ...]) -> str:
        tests = [f"{text} == {low}" if low == high else f"{low} <= {text} <= {high}" for low, high in invalid]
        return f"0 if {' or '.join(tests)} else 1" if tests else "1"

    # --- latches and states

    def _sweep(self) -> list[str]:
        """Latches, done before any block runs: `sweep_at` is the earliest time at which one may fall."""
        plan = self.plan
        used = ["sweep_at", *self._names("f", "g")]
        out = ["    def sweep(now):", f"        nonlocal {', '.join(used)}", f"        best = {H - 1}"]
        for n, feed in enumerate(plan.feeds):
            out += [
                f"        if f{n} or g{n}:",
                f"            x = now - l{n}",
                f"            if x > {feed.max_age_us}: f{n} = g{n} = 0",
                f"            elif {feed.max_age_us} - x < best: best = {feed.max_age_us} - x",
            ]
        for n, bus in enumerate(plan.buses):
            out += [
                f"        if awake[{n}]:",
                f"            x = now - heard[{n}]",
                f"            if x > {bus.silent_us}: awake[{n}] = 0",
                f"            elif {bus.silent_us} - x < best: best = {bus.silent_us} - x",
            ]
        out.append("        sweep_at = now + best + 1")
        return out

    def _apply(self) -> list[str]:
        used = ["applied", "quiet", *self._names("a", "p", "d", "k", "b", "o", "m", "h")]
        out = ["    def apply(now):", f"        nonlocal {', '.join(used)}", "        quiet = 0"]
        if self.plan.sends:
            arm = " = ".join(f"m{n}" for n in range(len(self.plan.sends)))
            out += ["        if applied == 0 and s0 != 0:", f"            {arm} = 1"]
        for n, send in enumerate(self.plan.sends):
            allowed = f"{send.states} >> s0 & 1"
            wanted = f"not a{n} and m{n}" if send.once else f"not a{n}"
            later = f"now + {send.delay_us}" if send.delay_us else "now"
            out += [
                f"        if {allowed}:",
                f"            if {wanted}:",
                f"                a{n} = 1; p{n} = 0; h{n} = None",
                f"                d{n} = k{n} = o{n} = {later}",
                f"                b{n} = {int(send.delay_us > 0)}",
                "        else:",
                f"            a{n} = p{n} = 0",
            ]
        out.append("        applied = s0")
        return out

    def _task(self, number: int, task: Task) -> list[str]:
        writer = BlockWriter(self.plan, task.block, set(), "        ")
        body = writer.write()
        out = [f"    def task{number}(now):"]
        used = [f"s{n}" for n in sorted(writer.written_slots)]
        out += [f"        nonlocal {', '.join(used)}"] if used else []
        return out + body + ["        return"]

    # --- sending

    def _send(self, number: int, send: Send) -> list[str]:
        """e{n}(now): evaluate; gives a frame or None."""
        n = number
        used = [f"{x}{n}" for x in "apdkbomihn"]
        out = [f"    def e{n}_(now):", f"        nonlocal {', '.join(used)}"]
        timed = send.period_us > 0 or send.once
        if timed:
            out.append(f"        cyc = d{n} <= now")
        if send.check_us:
            out += [
                f"        if k{n} <= now: k{n} = now + {send.check_us}",
                f"        forced = {'cyc' if timed else 'False'}",
            ]
        out.append(f"        p{n} = 0")
        several = len(send.variants) > 1
        for index, variant in enumerate(send.variants):
            pad = "        "
            if several:
                out.append(f"        {'if' if index == 0 else 'elif'} i{n} == {index}:")
                pad = "            "
            out += self._variant(n, send, variant, pad, timed=timed)
        if send.check_us:
            out += [
                f"        if not forced and h{n} == x: return None",
                f"        h{n} = x",
            ]
        out += self._advance(n, send, timed=timed)
        out += self._finish(n, send)
        if several:
            out.append(f"        i{n} = i{n} + 1 if i{n} < {len(send.variants) - 1} else 0")
        out.append(f"        return new_frame(SentFrame, ({send.bus}, {send.word}, data))")
        return out

    def _variant(self, n: int, send: Send, variant: Variant, pad: str, *, timed: bool) -> list[str]:
        keep = {f.register for f in variant.fields} | ({variant.send_if} if variant.send_if >= 0 else set())
        writer = BlockWriter(self.plan, variant.block, keep, pad)
        out = writer.write()
        if variant.send_if >= 0:
            out.append(f"{pad}if not {writer.register(variant.send_if)}:")
            if timed:
                out.append(f"{pad}    if cyc:")
                out += [f"{pad}        {line}" for line in self._moved(n, send)]
                if send.once:
                    out.append(f"{pad}        a{n} = m{n} = 0")
            out.append(f"{pad}    return None")
        packer = Packer(variant.base, self._orders[n])
        for part in (send.counter, send.checksum):
            if part is not None:
                packer.clear(part.layout)
        for field in variant.fields:
            packer.clear(field.layout)
            op = variant.block[field.register]
            packer.add(field.layout, writer.register(field.register), op.low)
        if send.counter is not None and not send.check_us:
            packer.add(send.counter.layout, f"n{n}", 0)
        return [*out, f"{pad}x = {packer.text()}"]

    @staticmethod
    def _moved(n: int, send: Send) -> list[str]:
        return [
            f"d{n} += {send.period_us}",
            f"if d{n} <= now: d{n} = now + {send.period_us}",
        ]

    def _advance(self, n: int, send: Send, *, timed: bool) -> list[str]:
        out = []
        if timed:
            out.append("        if cyc:")
            out += [f"            {line}" for line in self._moved(n, send)]
            if send.period_us:
                out += ["        else:", f"            d{n} = now + {send.period_us}"]
        if send.gap_us:
            out.append(f"        b{n} = 1; o{n} = now + {send.gap_us}")
        if send.once:
            out.append(f"        a{n} = m{n} = 0")
        return out

    def _finish(self, n: int, send: Send) -> list[str]:
        """Counter (where the comparison had to come first), checksum, and the payload as bytes."""
        out = []
        to_bytes = f".to_bytes({send.length}, '{self._orders[n]}')"
        if send.counter is not None:
            counter = send.counter
            if send.check_us:
                out.append(f"        x |= {self._placed(n, send, counter.layout, f'n{n}')}")
            cycle = counter.high - counter.low + 1
            if counter.step == 1:
                out.append(f"        n{n} = n{n} + 1 if n{n} < {counter.high} else {counter.low}")
            else:
                out.append(f"        n{n} = {counter.low} + (n{n} - {counter.low} + {counter.step}) % {cycle}")
        if send.checksum is None:
            return [*out, f"        data = (x){to_bytes}"]
        placed = self._placed(n, send, send.checksum.layout, self._send_checks[n])
        return [*out, f"        data = x{to_bytes}", f"        data = (x | {placed}){to_bytes}"]

    def _placed(self, n: int, send: Send, layout: Layout, text: str) -> str:
        packer = Packer(bytes(send.length), self._orders[n])
        packer.add(layout, text, 0)
        return packer.text()

    # --- the three calls

    def _start(self) -> list[str]:
        names = ["started", "sweep_at", *self._names("t")]
        out = ["    def start(now):", f"        nonlocal {', '.join(names)}", "        started, sweep_at = 1, now"]
        out += [f"        t{n} = now + {task.offset_us}" for n, task in enumerate(self.plan.tasks)]
        out.append("        apply(now)")
        return out

    def _on_frame(self) -> list[str]:
        plan = self.plan
        entries = ", ".join(f"{(r.bus << 32) | r.word}: r{n}" for n, r in enumerate(plan.receives))
        out = [f"    handlers = {{{entries}}}", "    find = handlers.get"]
        wakes = tuple(int(b.wakes) for b in plan.buses)
        out += [
            "    def on_frame(bus, word, data, now):",
            "        nonlocal s0, seen, epoch, quiet, sweep_at, dropped"
            + "".join(f", p{n}" for n, s in enumerate(plan.sends) if s.request),
            *_CLOCK,
            "        if not started: start(now)",
            "        heard[bus] = now",
            "        if not awake[bus]:",
            "            awake[bus], sweep_at = 1, now",
            f"        if s0 == 0 and {wakes!r}[bus]:",
            "            s0 = 1",
            "            apply(now)",
            "        key = bus << 32 | word",
        ]
        if plan.passes:
            out += [
                "        ways = passing.get(key)",
                "        if ways is None: ways = find_ways(key, bus, word)",
                "        for to_bus, new_word in ways:",
                f"            if len(queue) < {plan.pass_queue}:",
                "                queue.append((to_bus, new_word, bytes(data)))",
                "                quiet = 0",
                "            else: dropped += 1",
            ]
            out = self._find_ways() + out
        out += self._requests()
        out += ["        handler = find(key)", "        if handler is not None: handler(data, now)"]
        return out

    @staticmethod
    def _find_ways() -> list[str]:
        return [
            "    def find_ways(key, bus, word):",
            "        if len(passing) > 4096: passing.clear()",
            "        decided, ways = set(), []",
            "        for rule in plan_passes:",
            "            if rule.bus != bus or not rule.first <= word <= rule.last: continue",
            "            if rule.to_bus == -1: break",
            "            if rule.to_bus in decided: continue",
            "            decided.add(rule.to_bus)",
            "            if not rule.block: ways.append((rule.to_bus, word if rule.new_word < 0 else rule.new_word))",
            "        passing[key] = ways",
            "        return ways",
        ]

    def _requests(self) -> list[str]:
        """Requests, behind one test of the identifier."""
        asked: dict[int, list[int]] = {}
        for n, send in enumerate(self.plan.sends):
            if send.request is not None:
                for word in dict.fromkeys(send.request.words):
                    asked.setdefault((send.request.bus << 32) | word, []).append(n)
        out: list[str] = []
        for number, (key, sends) in enumerate(asked.items()):
            out.append(f"        {'if' if number == 0 else 'elif'} key == {key}:")
            for n in sends:
                request = self.plan.sends[n].request
                assert request is not None
                out.append(f"            if data[:{len(request.prefix)}] == {request.prefix!r}:")
                out.append(f"                if a{n}: p{n} = 1")
            out.append("            quiet = 0")
        return out

    def _poll(self) -> list[str]:
        plan = self.plan
        out = [
            "    def poll(now):",
            f"        nonlocal {', '.join(['seen', 'epoch', 'quiet', 'until', *self._names('b', 't')])}",
            *_CLOCK,
            "        if quiet and now < until: return None",
            "        if not started: start(now)",
        ]
        for n, task in enumerate(plan.tasks):
            out += [
                f"        {'if' if n == 0 else 'elif'} t{n} <= now:",
                f"            t{n} += {task.period_us}",
                f"            if now - t{n} >= {16 * task.period_us}: t{n} = now + {task.period_us}",
                "            if sweep_at <= now: sweep(now)",
                f"            task{n}(now)",
                "            if s0 != applied: apply(now)",
            ]
        out += [
            "        if queue:",
            "            quiet = 0",
            "            return new_frame(SentFrame, queue.popleft())",
        ]
        out.append("        best = t0")
        for n in range(1, len(plan.tasks)):
            out.append(f"        if t{n} < best: best = t{n}")
        for n, send in enumerate(plan.sends):
            out += self._wants(n, send)
        out += ["        quiet, until = 1, best", "        return None"]
        return out

    @staticmethod
    def _wants(n: int, send: Send) -> list[str]:
        """Evaluate send n if it wants; otherwise note in `best` when it may."""
        run = ["quiet = 0", "if sweep_at <= now: sweep(now)", f"return e{n}_(now)"]
        out = [f"        if a{n}:"]
        if send.period_us > 0 or send.once:
            out += [
                f"            if d{n} <= now:",
                *(f"                {line}" for line in run),
                f"            if d{n} < best: best = d{n}",
            ]
        blocks = send.gap_us > 0 or send.delay_us > 0
        if blocks:
            out.append(f"            if b{n} and o{n} <= now: b{n} = 0")
        test = f"p{n} or k{n} <= now" if send.check_us else f"p{n}"
        if blocks:
            waiting = f"o{n} if p{n} or o{n} > k{n} else k{n}" if send.check_us else f"o{n}"
            out += [
                f"            if b{n}:",
                f"                if {'True' if send.check_us else f'p{n}'}:",
                f"                    x = {waiting}",
                "                    if x < best: best = x",
                f"            elif {test}:",
            ]
        else:
            out.append(f"            if {test}:")
        out += [f"                {line}" for line in run]
        if send.check_us:
            out += ["            else:", f"                if k{n} < best: best = k{n}"]
        return out

    def _next_poll(self) -> list[str]:
        plan = self.plan
        out = [
            "    def next_poll(now):",
            "        nonlocal seen, epoch",
            *_CLOCK,
            "        if not started: start(now)",
            f"        if quiet and now < until: return until & {M}",
            f"        if queue: return now & {M}",
            "        best = t0",
        ]
        for n in range(1, len(plan.tasks)):
            out.append(f"        if t{n} < best: best = t{n}")
        for n, send in enumerate(plan.sends):
            out.append(f"        if a{n}:")
            if send.period_us > 0 or send.once:
                out.append(f"            if d{n} < best: best = d{n}")
            opening = f"(o{n} if b{n} else 0)"
            if send.check_us:
                out += [
                    f"            x = {opening}",
                    f"            if not p{n} and k{n} > x: x = k{n}",
                    "            if x < best: best = x",
                ]
            else:
                out += [
                    f"            if p{n}:",
                    f"                x = {opening}",
                    "                if x < best: best = x",
                ]
        out.append(f"        return (best if best > now else now) & {M}")
        return out

    def _reports(self) -> list[str]:
        fresh = ", ".join(f"f{n}" for n in range(len(self.plan.feeds)))
        slots = ", ".join(f"s{n}" for n in range(len(self.plan.slots)))
        return [
            "    def reports():",
            f"        return {{'state': s0, 'fresh': ({fresh}{',' if fresh else ''}), 'slots': ({slots},), "
            "'bad': bad, 'dropped': dropped}",
        ]
