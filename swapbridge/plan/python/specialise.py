"""Plan room: writes the Python of one checked plan: its receives, tasks, sends and the three calls.

Only integers of a plan that `check_plan` accepted go into the source. What is written differently from the plan's
contract is only faster. The clock is made one that never wraps, so that times are compared plainly. Each send keeps
the one time `w` at which it wants next (`NEVER` while it waits for a trigger or is not active). `ready` has a bit for
each send whose time has come, `ahead` is the earliest time of the others and of the tasks' timers, and `until` says
both in one: before it, `poll` has nothing to do.
"""

from __future__ import annotations

from collections.abc import Mapping
from struct import Struct
from types import CodeType
from typing import Any

from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.core.integrity import Checksum, FieldSum
from swapbridge.core.j1939 import REQUEST
from swapbridge.plan.j1939_node import REQUEST_MASK, group_number, long_receives, long_sends, request_words
from swapbridge.plan.plan import ANY_CLAIM, ANY_CLAIM_MASK, CLAIM_MASK, EXACT_MASK, Plan
from swapbridge.plan.python.blocks import H, PythonBlockWriter, ResultTables
from swapbridge.plan.python.codegen import PLAIN_BYTE, M, checksum_tables, checksum_text, known_bytes
from swapbridge.plan.python.joined import NEVER
from swapbridge.plan.python.receiving import (
    asked_for,
    claimed,
    counter_masks,
    find_group,
    one_sender,
    receive_body,
    renewed,
)
from swapbridge.plan.python.sending import SendWriter, is_timed

_CLOCK = [
    f"        if now < seen: epoch += {M + 1}",
    "        seen = now",
    "        if epoch: now += epoch",
]
"""The 32-bit clock made one that never wraps: time never goes back."""


_UNTIL = "until = 0 if ready or queue else ahead"
"""0, or long ago, while a send is ready or a passed frame waits."""


class PlanWriter:
    """Writes the source of one plan.

    Names in the source, each with the number of what it belongs to: s slot; q line; f fresh, g good, l last, e seen of
    a feed; c previous counter value, p sender and `named` its NAME of a receive; t timer of a task; and of a send: w
    when it wants, d due_at, k check_at, o open_at (in the past when not blocked), a active, m left, z end, i index, h
    last payload, n counter, y further counters; shut of a claim. A send without triggers, request and checks wants when
    due, so it has no d.

    Parameters
    ----------
    plan : Plan
    functions : mapping
        What the source calls, by name.

    Attributes
    ----------
    constants : dict
        What it reads besides, by name.
    """

    def __init__(self, plan: Plan, functions: Mapping[str, Any]) -> None:
        self.plan = plan
        self._results = ResultTables(plan, functions)
        self.constants: dict[str, Any] = {}
        self._claim_of = {n: k for k, claim in enumerate(plan.claims) for n in claim.sends}
        self._living = sorted({send.bus for send in plan.sends if send.with_bus})
        self._named = [n for n, receive in enumerate(plan.receives) if receive.sender_name is not None]
        self._memory = self._initial_memory()
        self._known = [known_bytes(send) for send in plan.sends]
        self._groups = [(n, r) for n, r in enumerate(plan.receives) if r.mask != EXACT_MASK]
        for length in {send.length for send in plan.sends}:
            self.constants[f"pack{length}"] = Struct(f"{length}B").pack
        self._receive_checks: dict[int, str] = {}
        checks: dict[int, str] = {}
        for number, receive in enumerate(plan.receives):
            if receive.counter is not None:
                self.constants |= counter_masks(number, receive.counter)
            if receive.checksum is not None:
                text = self._checksum(receive.checksum, number, receive.minimum_length, {})
                self._receive_checks[number] = text
        for number, send in enumerate(plan.sends):
            if send.checksum is not None:
                text = self._checksum(send.checksum, len(plan.receives) + number, send.length, self._known[number])
                checks[number] = text
        self._sends = SendWriter(plan, self._results, self._known, checks)

    def _checksum(self, checksum: Checksum, number: int, length: int, known: dict[int, int]) -> str:
        constant, tables = checksum_tables(checksum, length)
        for byte, table in tables.items():
            if table != PLAIN_BYTE:
                self.constants[f"crc{number}_{byte}"] = table
        if isinstance(checksum.method, FieldSum):
            self.constants[f"finish{number}"] = checksum.method.finish
        if checksum.by_counter:
            self.constants[f"by{number}"] = checksum.by_counter
        return checksum_text(checksum, number, constant, tables, known)

    def source(self) -> str:
        """The whole source: one function `build` that gives on_frame, poll, next_poll and the reports."""
        plan = self.plan
        lines = ["def build():"]
        lines += [f"    {name} = {value}" for name, value in self._memory.items()]
        for number, feed in enumerate(plan.feeds):
            lines += self._function(f"renew{number}(now)", renewed(number, feed))
        for number, receive in enumerate(plan.receives):
            body = receive_body(plan, number, receive, self._receive_checks.get(number, ""))
            lines += self._function(f"r{number}(data, now)", body)
            if receive.any_sender:
                lines += self._function(f"o{number}_(sender, data, now)", one_sender(plan, number, receive))
        lines += self._function("scan(now)", self._scan())
        lines += self._function("apply(now)", self._apply())
        lines += self._function("start(now)", self._start())
        lines += self._function("sweep(now)", self._sweep())
        lines += self._function("wake(bus, now)", self._wake())
        for number, task in enumerate(plan.tasks):
            body = PythonBlockWriter(plan, task.block, set(), "        ", self._results).write()
            lines += self._function(f"task{number}(now)", body)
        for number, send in enumerate(plan.sends):
            lines += self._function(f"e{number}_(now)", self._sends.body(number, send))
        lines.append(f"    evaluate = {{{', '.join(f'{1 << n}: e{n}_' for n in range(len(plan.sends)))}}}")
        lines += self._joined()
        for number, claim in enumerate(plan.claims):
            ended = [f"        {self._sends.ended(n)}" for n in claim.sends]
            lines += self._function(f"lose{number}(now)", [f"        shut{number} = 2", *ended, "        scan(now)"])
        if self._named:
            lines += self._function("claimed(bus, sender, name)", claimed(plan))
        lines += self._handlers()
        if self._groups:
            lines += self._function("find_group(bus, word)", find_group(self._groups))
        if plan.passes:
            lines += self._function("find_ways(bus, word)", self._find_ways())
        lines += self._function("on_frame(bus, word, data, now)", self._on_frame())
        lines += self._function("look(now)", self._look())
        idle = "now < until and now < sweep_at" if self._living else "now < until"
        lines += self._function("poll(now)", [*_CLOCK, f"        return None if {idle} else look(now)"])
        lines += self._function("next_poll(now)", self._next_poll())
        lines += self._function("reports()", self._reports())
        lines += self._function("deliver(number, sender, data, now)", self._deliver())
        lines += self._function("going()", self._going())
        lines += self._function("wait(number, waits, now)", self._wait())
        lines += self._function("present()", [f"        return {{{', '.join(f'{n}: p{n}' for n in self._named)}}}"])
        asked = ", ".join(f"{n}: a{n}" for n, send in enumerate(plan.sends) if send.on_request)
        lines += self._function("answering()", [f"        return {{{asked}}}"])
        lines.append("    return on_frame, poll, next_poll, reports, deliver, going, present, wait, answering")
        self.constants |= self._results.tuples
        return "\n".join(lines) + "\n"

    def _function(self, head: str, body: list[str]) -> list[str]:
        """A function of `build`; what its body assigns of the memory is declared, and nothing else, for each name
        declared costs time at every call."""
        lines = [f"    def {head}:", *(body or ["        pass"])]
        module = compile("if 1:\n" + "\n".join(lines), "<plan>", "exec")
        assigned = next(c for c in module.co_consts if isinstance(c, CodeType)).co_varnames
        shared = [name for name in assigned if name in self._memory]
        if shared:
            lines.insert(1, f"        nonlocal {', '.join(shared)}")
        return lines

    # --- memory

    def _initial_memory(self) -> dict[str, str]:
        """Every name that outlives a call, and its first value."""
        plan = self.plan
        out = {f"s{n}": str(slot.initial) for n, slot in enumerate(plan.slots)}
        out["s0"] = str(plan.initial_state)
        out |= {f"q{n}": f"deque([0] * {line.length}, {line.length})" for n, line in enumerate(plan.lines)}
        out |= {f"{x}{n}": "0" for n in range(len(plan.feeds)) for x in "fgle"}
        out |= {f"c{n}": "-1" for n, receive in enumerate(plan.receives) if receive.counter is not None}
        out |= {f"p{n}": "-1" for n, receive in enumerate(plan.receives) if receive.any_sender}
        out |= {f"named{n}": "0" for n in self._named}
        out |= {f"t{n}": "0" for n in range(len(plan.tasks))}
        for n, send in enumerate(plan.sends):
            out |= {f"{x}{n}": "0" for x in "dkoami"}
            out |= {f"w{n}": str(NEVER), f"h{n}": "None", f"n{n}": str(send.counter.low if send.counter else 0)}
            out |= {f"y{n}_{k}": str(counter.low) for k, counter in enumerate(send.more_counters)}
            if send.linger_us:
                out[f"z{n}"] = str(NEVER)
        times = ("until", "ahead", "ready", "sweep_at", "seen", "epoch")
        out |= dict.fromkeys((*times, "started", "applied", "bad", "dropped"), "0")
        out |= dict.fromkeys(("awake", "heard"), str([0] * len(plan.buses)))
        out["quiet"] = str([1] * len(plan.buses))
        out |= {f"shut{k}": str(int(claim.wait_us > 0)) for k, claim in enumerate(plan.claims)}
        out["queue"] = "deque()"
        out["passing"] = f"[{', '.join('{}' for _ in plan.buses)}]"
        return out

    # --- latches and states

    def _sweep(self) -> list[str]:
        """Latches, done before any block runs: `sweep_at` is the earliest time at which one may fall.

        It is 0 at first, so the first `poll` starts the clock here.
        """
        plan = self.plan
        out = ["        if not started: start(now)", f"        best = {H - 1}"]
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
                f"            if x > {bus.silent_us}: awake[{n}] = 0; quiet[{n}] = 1"
                + ("; apply(now)" if n in self._living else ""),
                f"            elif {bus.silent_us} - x < best: best = {bus.silent_us} - x",
            ]
        return [*out, "        sweep_at = now + best + 1"]

    def _wake(self) -> list[str]:
        """A frame of a bus that is `quiet`: it may start the clock, wake the bus and wake the plan."""
        return [
            "        if not started: start(now)",
            "        slept = not awake[bus]",
            "        if slept:",
            "            awake[bus], sweep_at = 1, now",
            "        quiet[bus] = 0",
            f"        if s0 == 0 and {tuple(int(b.wakes) for b in self.plan.buses)!r}[bus]:",
            "            s0 = 1",
            "            apply(now)",
            *(line for number in self._living for line in self._bus_wakes(number)),
        ]

    def _bus_wakes(self, number: int) -> list[str]:
        """Sends that live while this bus is awake may begin."""
        sends = [n for n, send in enumerate(self.plan.sends) if send.with_bus and send.bus == number]
        counted = [f"            m{n} = {self.plan.sends[n].count}" for n in sends if self.plan.sends[n].count]
        return [f"        if slept and bus == {number}:", *counted, "            apply(now)"]

    def _apply(self) -> list[str]:
        out = []
        counted = [(n, send.count) for n, send in enumerate(self.plan.sends) if send.count]
        if counted:
            out += ["        if applied == 0 and s0 != 0:"]
            out += [f"            m{n} = {count}" for n, count in counted]
        for n, send in enumerate(self.plan.sends):
            later = f"now + {send.delay_us}" if send.delay_us else "now"
            names = [f"w{n}"] if self._sends.only_timed[n] else [f"d{n}", f"k{n}", f"o{n}"]
            if not is_timed(send) and self._sends.only_timed[n]:
                names = ["x"]
            goes_on = [f"            z{n} = {NEVER}"] if send.linger_us else []
            out += [
                f"        if {send.states} >> s0 & 1{self._and_open(n)}"
                + (f" and awake[{send.bus}]:" if send.with_bus else ":"),
                *goes_on,
                f"            if not a{n} and m{n}:" if send.count else f"            if not a{n}:",
                f"                a{n} = 1; h{n} = None",
                f"                {' = '.join(names)} = {later}",
            ]
            if not self._sends.only_timed[n]:
                out.append(f"                w{n} = {self._sends.next_want(n)}")
            if send.linger_us:
                out += [
                    f"        elif a{n} and s0:",
                    f"            if z{n} == {NEVER}: z{n} = now + {send.linger_us}",
                ]
            out += ["        else:", f"            {self._sends.ended(n)}"]
        out += ["        applied = s0", f"        if s0 == 0: quiet[:] = {[1] * len(self.plan.buses)}"]
        if self._named:
            out.append(f"        if s0 == 0: {' = '.join(f'p{n}' for n in self._named)} = -1")
        return [*out, "        scan(now)"]

    def _scan(self) -> list[str]:
        """Sets `ready`, `ahead` and `until` anew: where times were moved other than by what was due."""
        names = [f"t{n}" for n in range(1, len(self.plan.tasks))]
        names += [f"z{n}" for n, send in enumerate(self.plan.sends) if send.linger_us]
        names += ["joined.due"] if self.plan.joined is not None else []
        out = ["        best = t0", *(f"        if {x} < best: best = {x}" for x in names), "        x = 0"]
        for n in range(len(self.plan.sends)):
            out += [f"        if w{n} <= now: x |= {1 << n}", f"        elif w{n} < best: best = w{n}"]
        return [*out, "        ready = x; ahead = best", f"        {_UNTIL}"]

    # --- sending

    def _joined(self) -> list[str]:
        """The joined answer over the payloads of its parts' sends."""
        if self.plan.joined is None:
            return []
        out = []
        for number, n in self.plan.joined.parts:
            send = self.plan.sends[n]
            worked_out, packer = self._sends.packed(n, send.variants[0], "        ", ["return None"])
            payload = ", ".join(packer.byte(i) for i in range(send.length))
            body = [f"        if not a{n}: return None", *worked_out, f"        return pack8({payload})"]
            out += self._function(f"part{number}(now)", body)
        parts = ", ".join(f"part{number}" for number, _ in self.plan.joined.parts)
        return [*out, f"    joined = JoinedAnswer(plan_joined, [{parts}])"]

    # --- the three calls

    def _start(self) -> list[str]:
        out = ["        started, sweep_at = 1, now"]
        out += [f"        t{n} = now + {task.offset_us}" for n, task in enumerate(self.plan.tasks)]
        return [*out, "        apply(now)"]

    def _handlers(self) -> list[str]:
        """For every bus what finds the receive of an identifier word."""
        tables = []
        for bus in range(len(self.plan.buses)):
            own = [(n, r) for n, r in enumerate(self.plan.receives) if r.bus == bus and r.mask == EXACT_MASK]
            tables.append(f"{{{', '.join(f'{r.word}: r{n}' for n, r in own)}}}.get")
        grouped = [f"    grouped = [{', '.join('{}' for _ in tables)}]"] if self._groups else []
        return [f"    handlers = [{', '.join(tables)}]", *grouped]

    def _on_frame(self) -> list[str]:
        plan = self.plan
        out = [
            *_CLOCK,
            "        heard[bus] = now",
            "        if quiet[bus]: wake(bus, now)",
        ]
        if plan.passes:
            out += [
                "        ways = passing[bus].get(word)",
                "        if ways is None: ways = find_ways(bus, word)",
                "        for to_bus, new_word in ways:",
                f"            if len(queue) < {plan.pass_queue}:",
                "                queue.append((to_bus, new_word, bytes(data)))",
                "                until = 0",
                "            else: dropped += 1",
            ]
        for number, claim in enumerate(plan.claims):
            fits = f"word & {CLAIM_MASK} == {claim.word} and bus == {claim.bus} and len(data) == 8"
            fits += f" and from_bytes(data, 'little') <= {claim.name}" if claim.contends else ""
            out.append(f"        if {fits}: lose{number}(now)")
        if self._named:
            out += [
                f"        if word & {ANY_CLAIM_MASK} == {ANY_CLAIM} and len(data) == 8:",
                "            claimed(bus, word & 255, from_bytes(data, 'little'))",
            ]
        out += self._requests()
        if plan.joined is not None:
            words = {*plan.joined.words, plan.joined.flow_word}
            out += [
                f"        if bus == {plan.joined.bus} and word in {tuple(sorted(words))!r}:",
                "            joined.on_frame(word, data, now)",
                "            scan(now)",
            ]
        out.append("        handler = handlers[bus](word)")
        if self._groups:
            out += [
                "        if handler is None:",
                "            handler = grouped[bus].get(word, 0)",
                "            if handler == 0: handler = find_group(bus, word)",
            ]
        return [*out, "        if handler is not None: handler(data, now)"]

    @staticmethod
    def _find_ways() -> list[str]:
        return [
            "        if len(passing[bus]) > 4096: passing[bus].clear()",
            "        decided, ways = set(), []",
            "        for rule in plan_passes:",
            "            if rule.bus != bus or not rule.first <= word <= rule.last: continue",
            "            if rule.to_bus == -1: break",
            "            if rule.to_bus in decided: continue",
            "            decided.add(rule.to_bus)",
            "            if not rule.block: ways.append((rule.to_bus, word if rule.new_word < 0 else rule.new_word))",
            "        passing[bus][word] = ways",
            "        return ways",
        ]

    def _requests(self) -> list[str]:
        """Requests, behind one test of bus and identifier."""
        asked: dict[tuple[int, int], list[int]] = {}
        for n, send in enumerate(self.plan.sends):
            if send.request is not None:
                for word in dict.fromkeys(send.request.words):
                    asked.setdefault((send.request.bus, word), []).append(n)
        out: list[str] = []
        for number, ((bus, word), sends) in enumerate(asked.items()):
            out.append(f"        {'if' if number == 0 else 'elif'} word == {word} and bus == {bus}:")
            for n in sends:
                request = self.plan.sends[n].request
                assert request is not None
                out.append(f"            if data[:{len(request.prefix)}] == {request.prefix!r}:")
                out += asked_for(self.plan, n, "                ")
        return out + self._group_requests()

    def _group_requests(self) -> list[str]:
        """Requests for J1939 groups, behind one test of what most frames are not."""
        asked = [(n, send) for n, send in enumerate(self.plan.sends) if send.on_request]
        out = [f"        if word & {ANY_CLAIM_MASK} == {EXTENDED_BIT | REQUEST << 8}:"] if asked else []
        for n, send in asked:
            words = tuple(sorted({*request_words(send)}))
            group = group_number(send.word).to_bytes(3, "little")
            test = f"word & {REQUEST_MASK} in {words!r} and bus == {send.bus} and data[:3] == {group!r}"
            out.append(f"            if {test}:")
            out += asked_for(self.plan, n, "                ")
        return out

    def _look(self) -> list[str]:
        """`poll` when something is due."""
        out = ["        if sweep_at <= now: sweep(now)"]
        out += [
            f"        if z{n} <= now: {self._sends.ended(n)}"
            for n, send in enumerate(self.plan.sends)
            if send.linger_us
        ]
        for n, task in enumerate(self.plan.tasks):
            out += [
                f"        {'if' if n == 0 else 'elif'} t{n} <= now:",
                f"            t{n} += {task.period_us}",
                f"            if now - t{n} >= {16 * task.period_us}: t{n} = now + {task.period_us}",
                f"            task{n}(now)",
                "            if s0 != applied: apply(now)",
            ]
        out += [
            "        if ahead <= now: scan(now)",
            "        if queue: frame = new_frame(SentFrame, queue.popleft())",
            "        elif ready:",
            "            x = ready & -ready",
            "            ready ^= x",
            "            frame = evaluate[x](now)",
        ]
        joined = self.plan.joined
        if joined is not None:
            out += [
                "        elif joined.due <= now:",
                "            data = joined.poll(now)",
                f"            made = ({joined.bus}, {joined.word}, data)",
                "            frame = None if data is None else new_frame(SentFrame, made)",
                "            scan(now)",
            ]
        return [*out, "        else: frame = None", f"        {_UNTIL}", "        return frame"]

    @staticmethod
    def _next_poll() -> list[str]:
        return [
            *_CLOCK,
            "        if not started: start(now)",
            f"        return (until if until > now else now) & {M}",
        ]

    def _deliver(self) -> list[str]:
        """A long message of a J1939 sender is whole: what step 4 of on_frame does with it."""
        out = []
        for n, receive in long_receives(self.plan):
            call = f"o{n}_(sender, data, now)" if receive.any_sender else f"r{n}(data, now)"
            out.append(f"        if number == {n}: {call}")
        return [*_CLOCK, *out] if out else []

    def _and_open(self, n: int) -> str:
        """And that the address of send n, if it has one, is neither lost nor waited for."""
        return f" and not shut{self._claim_of[n]}" if n in self._claim_of else ""

    def _wait(self) -> list[str]:
        """A claim begins or ends to wait; 2 is that it is lost."""
        out = [*_CLOCK] if any(claim.wait_us for claim in self.plan.claims) else []
        for number, claim in enumerate(self.plan.claims):
            if claim.wait_us:
                out += [
                    f"        if number == {number} and shut{number} == 1 - waits:",
                    f"            shut{number} = waits",
                    "            if waits:",
                    *(f"                {self._sends.ended(n)}" for n in claim.sends),
                    "                scan(now)",
                    "            else: apply(now)",
                ]
        return out

    def _going(self) -> list[str]:
        """The applied state, and whether each long message would be sent in it."""
        each = [f"({s.states} >> applied & 1 or a{n}){self._and_open(n)}" for n, s in long_sends(self.plan)]
        return [f"        return applied, ({''.join(f'{one}, ' for one in each)})"]

    def _reports(self) -> list[str]:
        fresh = ", ".join(f"f{n}" for n in range(len(self.plan.feeds)))
        slots = ", ".join(f"s{n}" for n in range(len(self.plan.slots)))
        return [
            f"        return {{'state': s0, 'fresh': ({fresh}{',' if fresh else ''}), 'slots': ({slots},), "
            "'bad': bad, 'dropped': dropped}",
        ]
