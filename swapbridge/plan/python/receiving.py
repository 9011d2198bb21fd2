"""Plan room: writes the Python of a plan's receives: what a frame that is listened to does."""

from __future__ import annotations

import re
from collections.abc import Sequence

from swapbridge.core import j1939
from swapbridge.plan.plan import CounterCheck, Feed, Plan, Receive
from swapbridge.plan.python.codegen import extract_text


def receive_body(plan: Plan, number: int, receive: Receive, check: str) -> list[str]:
    """Body of ``r{number}(data, now)``; `check` computes its checksum, where it has one."""
    feeds = [(n, plan.feeds[n]) for n in receive.feeds]
    clear = "; ".join([*(f"g{n} = 0" for n, _ in feeds), "bad += 1"])
    refuse = [f"            {clear}", "            return"]
    out: list[str] = []
    if receive.checksum is not None:
        out += [f"        if {extract_text(receive.checksum.layout)} != {check}:", *refuse]
    if receive.counter is not None:
        out += _counter_check(number, receive, clear)
    if receive.mux is not None:
        out.append(f"        mux = {extract_text(receive.mux)}")
    for n, feed in feeds:
        out += _feed(plan, n, feed)
    length = receive.minimum_length
    short = [f"        if len(data) < {length}:", *refuse] if length else []
    if "\n".join(out).count("data[") <= length:
        return short + out
    # bytes that are looked at more than once on average are cheaper as variables
    unpacked = [re.sub(r"\bdata\[(\d+)\]", r"b\1", line) for line in out]
    names = ", ".join(f"b{i}" for i in range(length))
    return [
        f"        if len(data) != {length}:",
        *(f"    {line}" for line in short),
        f"            data = data[:{length}]",
        f"        {names}, = data",
        *unpacked,
    ]


def one_sender(plan: Plan, number: int, receive: Receive) -> list[str]:
    """Body of ``o{number}_(sender, data, now)``: a receive whose sender is open keeps to a young or a named one."""
    if receive.sender_name is not None:
        return [f"        if sender == p{number}: r{number}(data, now)"]
    young = [f"(f{n} or g{n}) and now - l{n} <= {plan.feeds[n].max_age_us}" for n in receive.feeds]
    out = [f"        if sender != p{number}:"]
    if young:
        out.append(f"            if {' or '.join(young)}: return")
    out.append(f"            p{number} = sender")
    if receive.counter is not None:
        out.append(f"            c{number} = -1")
    return [*out, f"        r{number}(data, now)"]


def claimed(plan: Plan) -> list[str]:
    """Body of ``claimed(bus, sender, name)``: receives that are named follow whose NAME it is."""
    out = []
    for n, receive in enumerate(plan.receives):
        if receive.sender_name is None:
            continue
        pattern = receive.sender_name
        out += [
            f"        if bus == {receive.bus}:",
            f"            x = p{n}",
            f"            if x >= 0 and name == named{n}: x = sender if sender < {j1939.NO_ADDRESS} else -1",
            "            else:",
            "                if x == sender: x = -1",
            f"                if x < 0 and name & {pattern.mask} == {pattern.value} and sender < {j1939.NO_ADDRESS}:",
            f"                    x, named{n} = sender, name",
            f"            if x != p{n}: p{n} = x" + (f"; c{n} = -1" if receive.counter is not None else ""),
        ]
    return out


def find_group(groups: Sequence[tuple[int, Receive]]) -> list[str]:
    """Body of ``find_group(bus, word)``: the receive of a J1939 group that a word fits, kept: senders are few."""
    out = ["        if len(grouped[bus]) > 4096: grouped[bus].clear()", "        found = None"]
    for n, receive in groups:
        call = f"partial(o{n}_, word & 255)" if receive.any_sender else f"r{n}"
        out.append(f"        if bus == {receive.bus} and word & {receive.mask} == {receive.word & receive.mask}:")
        out.append(f"            found = {call}")
    return [*out, "        grouped[bus][word] = found", "        return found"]


def counter_masks(number: int, check: CounterCheck) -> dict[str, tuple[int, ...]]:
    """What a short counter may be next: for each value a mask of the next ones; behind them, for -1, all of them."""
    if check.high > _MOST_MASKED:
        return {}
    cycle = check.high - check.low + 1
    masks = []
    for value in range(check.high + 1):
        following = {check.low + (value - check.low + k * check.step) % cycle for k in range(1, check.lost_ok + 2)}
        masks.append(sum(1 << one for one in following))
    return {f"next{number}": (*masks, -1)}


_MOST_MASKED = 31


def _counter_check(number: int, receive: Receive, clear: str) -> list[str]:
    check = receive.counter
    assert check is not None
    cycle = check.high - check.low + 1
    good = {k * check.step % cycle for k in range(1, check.lost_ok + 2)}
    steps = f"(value - c{number}) % {cycle}"
    if check.high <= _MOST_MASKED:
        wrong = f"not next{number}[c{number}] >> value & 1"
    elif good == set(range(1, len(good) + 1)):
        wrong = f"c{number} >= 0 and not 0 < {steps} <= {len(good)}"
    else:
        wrong = f"c{number} >= 0 and {steps} not in {{{', '.join(map(str, sorted(good)))}}}"
    out = [f"        value = {extract_text(check.layout)}"]
    low, high = check.layout.raw_range
    if (check.low, check.high) != (low, high):
        out += [
            f"        if not {check.low} <= value <= {check.high}:",
            f"            {clear}",
            "            return",
        ]
    out += [
        f"        if {wrong}:",
        f"            c{number} = value; {clear}",
        "            return",
        f"        c{number} = value",
    ]
    return out


def _feed(plan: Plan, n: int, feed: Feed) -> list[str]:
    pad, out = "        ", []
    if feed.mux_values:
        values = f"({', '.join(map(str, feed.mux_values))},)"
        out.append(
            f"        if mux == {feed.mux_values[0]}:" if len(feed.mux_values) == 1 else f"        if mux in {values}:"
        )
        pad = "            "
    out += [
        f"{pad}if not f{n} or now - l{n} > {feed.max_age_us}: renew{n}(now)",
        f"{pad}l{n} = now",
    ]
    for extract in feed.extracts:
        out.append(f"{pad}s{extract.slot} = {extract_text(extract.layout)}")
        if extract.valid_slot >= 0:
            out.append(f"{pad}s{extract.valid_slot} = {_validity(f's{extract.slot}', extract.invalid)}")
    if feed.triggers:
        out.append(f"{pad}if f{n}:")
        for t in feed.triggers:
            out += asked_for(plan, t, f"{pad}    ")
    return out


def renewed(n: int, feed: Feed) -> list[str]:
    """Body of ``renew{n}(now)``: a good frame of a feed that is not fresh, or was too long away."""
    return [
        f"        if now - l{n} > {feed.max_age_us}: f{n} = g{n} = 0",
        f"        if g{n} < 255: g{n} += 1",
        f"        if g{n} >= ({feed.good_again} if e{n} else {feed.good_first}): f{n} = e{n} = 1",
        "        sweep_at = now",
    ]


def asked_for(plan: Plan, n: int, pad: str) -> list[str]:
    """Send n, if active, becomes pending: it wants as soon as it is not blocked."""
    send = plan.sends[n]
    out = [f"{pad}if a{n} and o{n} < w{n}:"]
    may_wait = send.gap_us or send.delay_us
    inner = f"{pad}    "
    if may_wait:
        out.append(f"{inner}if o{n} <= now:")
        inner += "    "
    if send.period_us or send.count or send.check_us:
        # `ahead` may have been this send's own time: then it is looked for anew
        out.append(f"{inner}if w{n} == ahead: ahead = 0")
    out.append(f"{inner}w{n} = o{n}; ready |= {1 << n}; until = 0")
    if may_wait:
        out += [
            f"{pad}    else:",
            f"{inner}w{n} = o{n}",
            f"{inner}if w{n} < ahead: ahead = w{n}",
            f"{inner}if w{n} < until: until = w{n}",
        ]
    return out


def _validity(text: str, invalid: tuple[tuple[int, int], ...]) -> str:
    tests = [f"{text} == {low}" if low == high else f"{low} <= {text} <= {high}" for low, high in invalid]
    return f"0 if {' or '.join(tests)} else 1" if tests else "1"
