"""Plan room: writes the Python of a plan's sends: what evaluating each does, and when it wants next."""

from __future__ import annotations

import re

from swapbridge.core.layout import Layout, pieces
from swapbridge.plan.plan import CounterOut, Plan, Send, Variant
from swapbridge.plan.python.blocks import PythonBlockWriter, ResultTables
from swapbridge.plan.python.codegen import Packer, piece_text
from swapbridge.plan.python.joined import NEVER


def is_timed(send: Send) -> bool:
    """Whether a send has times of its own."""
    return send.period_us > 0 or send.count > 0


class SendWriter:
    """Writes the sends of one plan; the names are those of `swapbridge.plan.python.specialise`.

    Parameters
    ----------
    plan : Plan
    results : ResultTables
        Tables of what blocks give.
    known : list of dict
        Of each send its bytes that are always the same.
    checks : dict
        Text of the checksum of each send that has one.

    Attributes
    ----------
    only_timed : list of bool
        Which sends have neither triggers, requests nor checks.
    """

    def __init__(self, plan: Plan, results: ResultTables, known: list[dict[int, int]], checks: dict[int, str]) -> None:
        self._plan, self._results, self._known, self._checks = plan, results, known, checks
        triggered = {t for feed in plan.feeds for t in feed.triggers}
        self.only_timed = [
            n not in triggered and send.request is None and not send.on_request and not send.check_us
            for n, send in enumerate(plan.sends)
        ]

    def ended(self, n: int) -> str:
        """Send n is no longer active."""
        ending = f"; z{n} = {NEVER}" if self._plan.sends[n].linger_us else ""
        return f"a{n} = 0; w{n} = {NEVER}{ending}"

    def next_want(self, n: int) -> str:
        """When send n, just made active or evaluated, wants next."""
        send = self._plan.sends[n]
        times = [f"d{n}"] if is_timed(send) else []
        if send.check_us:
            times.append(f"max(k{n}, o{n})" if send.gap_us or send.delay_us else f"k{n}")
        return f"min({', '.join(times)})" if len(times) > 1 else (times or [str(NEVER)])[0]

    def body(self, n: int, send: Send) -> list[str]:
        """e{n}_(now): evaluate; gives a frame or None. Sets w{n} before it ends."""
        mixed = is_timed(send) and not self.only_timed[n]
        out = [f"        cyc = d{n} <= now"] if mixed else []
        if send.check_us:
            out.append(f"        if k{n} <= now: k{n} = now + {send.check_us}")
        payload = {i: str(value) for i, value in self._known[n].items()}
        payload |= {i: f"b{i}" for i in self._changing(n)}
        if len(send.variants) > 1:
            for index, variant in enumerate(send.variants):
                at = [turn for turn, number in enumerate(send.turns) if number == index]
                test = f"i{n} == {at[0]}" if len(at) == 1 else f"i{n} in ({', '.join(map(str, at))})"
                out.append(f"        {'if' if index == 0 else 'elif'} {test}:")
                worked_out, packer = self._form(n, variant, "            ")
                worked_out += [f"            b{i} = {packer.byte(i)}" for i in self._changing(n)]
                out += worked_out or ["            pass"]
        else:
            worked_out, packer = self._form(n, send.variants[0], "        ")
            out += worked_out
            read_again = self._read_again(n)
            out += [f"        b{i} = {packer.byte(i)}" for i in self._changing(n) if i in read_again]
            payload |= {i: packer.byte(i) for i in self._changing(n) if i not in read_again}
        if send.check_us:
            same = f"h{n} == x and not cyc" if mixed else f"h{n} == x"
            out += [
                f"        x = ({' '.join(f'b{i},' for i in self._changing(n))})",
                f"        if {same}:",
                *(f"            {line}" for line in self._wants_next(n)),
                "            return None",
                f"        h{n} = x",
            ]
        out += self._advance(n, send)
        out += self._finish(n, send)
        if len(send.variants) > 1:
            out.append(f"        i{n} = i{n} + 1 if i{n} < {len(send.turns) - 1} else 0")
        data = ", ".join(payload[i] for i in range(send.length))
        return [*out, f"        return new_frame(SentFrame, ({send.bus}, {send.word}, pack{send.length}({data})))"]

    def _read_again(self, n: int) -> set[int]:
        """Bytes of send n that are read or written after they were worked out, so that they have to be variables."""
        send = self._plan.sends[n]
        if send.check_us:
            return set(self._changing(n))
        written = [part.layout for part in (*send.counters, send.checksum) if part is not None]
        read = {int(number) for number in re.findall(r"\bdata\[(\d+)\]", self._checks.get(n, ""))}
        return read | {position >> 3 for layout in written for position in layout.positions}

    def _form(self, n: int, variant: Variant, pad: str) -> tuple[list[str], Packer]:
        return self.packed(n, variant, pad, [*self._suppressed(n, self._plan.sends[n]), "return None"])

    def packed(self, n: int, variant: Variant, pad: str, held_back: list[str]) -> tuple[list[str], Packer]:
        """What works out a form of send n, with what is done where its condition does not hold; and its payload."""
        send = self._plan.sends[n]
        keep = {f.register for f in variant.fields} | ({variant.send_if} if variant.send_if >= 0 else set())
        writer = PythonBlockWriter(self._plan, variant.block, keep, pad, self._results)
        out = writer.write()
        if variant.send_if >= 0:
            out += [f"{pad}if not {writer.register(variant.send_if)}:", *(f"{pad}    {line}" for line in held_back)]
        packer = Packer(variant.base)
        for part in (*send.counters, send.checksum):
            if part is not None and not send.check_us:
                packer.clear(part.layout)
        for field in variant.fields:
            packer.clear(field.layout)
            packer.add(field.layout, writer.register(field.register))
        for name, counter in self._counters(n):
            if not send.check_us:
                packer.add(counter.layout, name)
        return out, packer

    def _changing(self, n: int) -> list[int]:
        """Bytes of send n that are variables b0, b1, ...; the others are always the same."""
        return [i for i in range(self._plan.sends[n].length) if i not in self._known[n]]

    def _suppressed(self, n: int, send: Send) -> list[str]:
        """Timers of a send whose condition does not hold."""
        if self.only_timed[n]:
            return [*self._moved(n, send), *self._wants_next(n), *self._counted_down(n, send)]
        wants = self._wants_next(n)
        if not is_timed(send):
            return wants
        moved = [*self._moved(n, send), *wants, *self._counted_down(n, send)]
        return ["if cyc:", *(f"    {line}" for line in moved), "else:", *(f"    {line}" for line in wants)]

    def _wants_next(self, n: int) -> list[str]:
        """When send n, just evaluated, wants next."""
        times = [] if self.only_timed[n] else [f"w{n} = {self.next_want(n)}"]
        return times if times == [f"w{n} = {NEVER}"] else [*times, f"if w{n} < ahead: ahead = w{n}"]

    def _counted_down(self, n: int, send: Send) -> list[str]:
        """One less of a send that is sent so often a wake."""
        return [f"m{n} -= 1", f"if not m{n}: {self.ended(n)}; scan(now)"] if send.count else []

    def _moved(self, n: int, send: Send) -> list[str]:
        """The next time on the send's own grid, or a period from now if that has passed too."""
        due = f"w{n}" if self.only_timed[n] else f"d{n}"
        return [f"{due} += {send.period_us}", f"if {due} <= now: {due} = now + {send.period_us}"]

    def _advance(self, n: int, send: Send) -> list[str]:
        """Timers of a send that gives a frame."""
        pad = "        "
        last = [pad + line for line in self._counted_down(n, send)]
        if self.only_timed[n]:
            return [*(pad + line for line in [*self._moved(n, send), *self._wants_next(n)]), *last]
        out = []
        if is_timed(send):
            out += [f"{pad}if cyc:", *(f"{pad}    {line}" for line in self._moved(n, send))]
        if send.period_us:
            out += [f"{pad}else:", f"{pad}    d{n} = now + {send.period_us}"]
        if send.gap_us:
            out.append(f"{pad}o{n} = now + {send.gap_us}")
        return [*out, *(pad + line for line in self._wants_next(n)), *last]

    def _finish(self, n: int, send: Send) -> list[str]:
        """Counter (packed here where the comparison had to come first) and checksum."""
        out = []
        for name, counter in self._counters(n):
            if send.check_us:
                out += self._written(send, counter.layout, name)
            cycle = counter.high - counter.low + 1
            if counter.step == 1:
                out.append(f"        {name} = {name} + 1 if {name} < {counter.high} else {counter.low}")
            else:
                out.append(f"        {name} = {counter.low} + ({name} - {counter.low} + {counter.step}) % {cycle}")
        if send.checksum is not None:
            known = self._known[n]
            value = re.sub(r"\bdata\[(\d+)\]", lambda m: str(known.get(int(m[1]), f"b{m[1]}")), self._checks[n])
            out += [f"        x = {value}", *self._written(send, send.checksum.layout, "x")]
        return out

    def _counters(self, n: int) -> list[tuple[str, CounterOut]]:
        """Name and counter of each counter of send n."""
        names = [f"n{n}", *(f"y{n}_{k}" for k in range(len(self._plan.sends[n].more_counters)))]
        return list(zip(names, self._plan.sends[n].counters, strict=False))

    @staticmethod
    def _written(send: Send, layout: Layout, text: str) -> list[str]:
        """Put a value into its bits. They are 0 so far, except where the base was compared with the last payload."""
        out = []
        for piece in pieces(layout):
            kept = f" & {0xFF ^ piece.mask << piece.low}" if send.check_us else ""
            out.append(f"        b{piece.byte} = b{piece.byte}{kept} | {piece_text(layout, piece, text)}")
        return out
