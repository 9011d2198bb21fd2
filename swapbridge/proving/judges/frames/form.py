"""Proving room: the form of a message: period, gaps, lengths, counter, checksum, constant bits, ranges.

A module judges form before content, so the old engine's frames in the host capture are the pattern that the
translator's frames must match. The same measures are taken of both, and every difference names both values.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Checksum, Counter
from swapbridge.proving.bench.frame_rows import Frames, Ints, unpack_column
from swapbridge.proving.case import Case
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapMessage

PERIOD_TOLERANCE = 0.02
GAP_MARGIN_MS, GAP_MARGIN = 1.0, 0.2
"""So much longer, or so much of its period, a gap may be: a frame waits where others come due with it, and readers wait
for several periods (common practice, no source)."""
SLOWER = 1.5
"""Frames sent on arrival of another's come at its pace; this much slower, their readers time out."""
STEADY, UNEVEN = 0.2, 0.4
"""Of a period: how far the usual gaps of a sender with a clock of its own lie apart, and those of one without."""
PAUSE_PERIODS = 20
"""A gap longer than so many periods (and 1 s) is a pause of its sender, not a late frame."""
PAUSE_NS = 1_000_000_000
MISSED_MS = 1_000.0
"""A module that waits so much longer than it used to has set its fault code (common practice, no source)."""
TOGETHER_NS = 10_000_000
"""First frames closer than this count as together: no module can know which of them came first."""
WRONG_NOTED, WRONG_FAILS = 0.02, 0.2
"""Shares of the old sender's frames that a map's counter or checksum may miss: more is doubted, much more is wrong."""
CHECKED_FRAMES = 4000
"""So many checksums of a message are computed at most, evenly spread."""


@dataclass(frozen=True, slots=True)
class SignalForm:
    """Raw values of one signal: smallest, largest; largest step between frames and the least one."""

    low: int
    high: int
    step: int
    least: int


@dataclass(frozen=True, slots=True)
class MessageForm:
    """What the frames of one identifier look like.

    Attributes
    ----------
    count, pauses : int
        Frames, and pauses between stretches of them.
    lengths : tuple of int
        Payload lengths seen.
    period_ms, early_ms, late_ms, worst_ms : float
        Median, 5th and 95th percentile, and longest time between frames within stretches; 0 for a single frame.
    mean_ms : float
        Mean of the times between frames that lie within half a median of it.
    first_ns : tuple of int
        When each stretch begins.
    counter_bad : int or None
        Steps that the counter's rule does not allow; None without a counter.
    checksum_bad, checksum_seen : int
        Wrong checksums among those computed.
    always_one, always_zero : bytes
        Bits that never move, as masks.
    signals : mapping
        Ranges by signal name.
    """

    count: int
    pauses: int
    lengths: tuple[int, ...]
    period_ms: float
    mean_ms: float
    early_ms: float
    late_ms: float
    worst_ms: float
    first_ns: tuple[int, ...]
    counter_bad: int | None
    checksum_bad: int
    checksum_seen: int
    always_one: bytes
    always_zero: bytes
    signals: Mapping[str, SignalForm] = field(default_factory=dict)


def measure(
    frames: Frames,
    message: MapMessage | None,
    safe: Mapping[str, frozenset[int]] | None = None,
    *,
    lossy: bool = False,
    off_ns: Sequence[int] = (),
) -> MessageForm:
    """Take the form of one identifier's frames, by its map where there is one.

    `safe` holds raw values by signal that say nothing of its range: safe answers while a source is not there. Of a
    recording that may have lost frames (`lossy`) a counter may step as far as the time between two frames explains,
    and a gap in which it did is no gap of the sender's. A gap in which the vehicle was switched off (`off_ns`) is a
    pause, however short: the drives of two recordings are unrelated, and one may start as the other ends.
    """
    times = frames.time_ns
    gaps = np.diff(times)
    typical = float(np.median(gaps)) if len(gaps) else 0.0
    pause = gaps > max(PAUSE_PERIODS * typical, PAUSE_NS)
    offs = np.searchsorted(times, np.asarray(off_ns, np.int64)) - 1
    pause[offs[(offs >= 0) & (offs < len(gaps))]] = True
    inside = gaps[~pause] / 1e6
    period, early, late = np.percentile(inside, [50, 5, 95]) if len(inside) else (0.0, 0.0, 0.0)
    usual = inside[np.abs(inside - period) <= period / 2]
    starts = np.concatenate([[0], np.flatnonzero(pause) + 1]) if len(times) else np.array([], np.int64)
    bits_or = np.bitwise_or.reduce(frames.payload, axis=0) if len(times) else np.zeros(8, np.uint8)
    bits_and = np.bitwise_and.reduce(frames.payload, axis=0) if len(times) else np.zeros(8, np.uint8)
    counter_bad: int | None = None
    bad = seen = 0
    signals: dict[str, SignalForm] = {}
    lost = np.zeros(len(gaps), bool)
    if message is not None and len(times):
        whole = frames.length >= message.length
        payload = frames.payload[whole]
        unbroken = ~pause & whole[1:] & whole[:-1] if len(times) > 1 else np.zeros(0, bool)
        mux = message.multiplexer
        pages = unpack_column(mux.layout, payload) if mux is not None and len(payload) else None
        for signal in message.signals:
            if not len(payload) or not signal.layout.fits(payload.shape[1]):
                continue
            raw = unpack_column(signal.layout, payload)
            if signal.counter is not None:
                # a pause may leave the counter anywhere, as may a frame cut short
                both = np.flatnonzero(whole)
                linked = unbroken[both[:-1]] & (np.diff(both) == 1) if len(both) > 1 else np.zeros(0, bool)
                steps = counter_steps_bad(raw, signal.counter)
                if lossy and typical > 0:
                    between = np.diff(times[both])
                    explained = steps_lost(raw, signal.counter, between / typical)
                    lost[both[1:][explained] - 1] = True
                    steps &= ~explained
                counter_bad = (counter_bad or 0) + int((steps & linked).sum())
            if signal.checksum is not None:
                one_bad, one_seen = _checksums_bad(signal.checksum, payload)
                bad, seen = bad + one_bad, seen + one_seen
            if signal.counter is None and signal.checksum is None:
                if signal.mux_values and pages is not None:
                    raw = raw[np.isin(pages, signal.mux_values)]
                live = ~np.isin(raw, list((safe or {}).get(signal.name, ())))
                if live.any():
                    steps_taken = np.abs(np.diff(raw))[live[1:] & live[:-1]]
                    step = int(steps_taken.max()) if len(steps_taken) else 0
                    least = int(steps_taken[steps_taken > 0].min()) if step else 0
                    signals[signal.name] = SignalForm(int(raw[live].min()), int(raw[live].max()), step, least)
    return MessageForm(
        count=len(times),
        pauses=int(pause.sum()),
        lengths=tuple(int(v) for v in np.unique(frames.length)),
        period_ms=float(period),
        mean_ms=float(usual.mean()) if len(usual) else 0.0,
        early_ms=float(early),
        late_ms=float(late),
        worst_ms=float(gaps[~pause & ~lost].max(initial=0)) / 1e6,
        first_ns=tuple(int(t) for t in times[starts]),
        counter_bad=counter_bad,
        checksum_bad=bad,
        checksum_seen=seen,
        always_one=bits_and.tobytes(),
        always_zero=(~bits_or).astype(np.uint8).tobytes(),
        signals=signals,
    )


def old_form(case: Case, bus: int, message: MapMessage, frames: Frames) -> MessageForm:
    """The form of a message as recorded, which several judges compare with."""
    return case.once(("form", bus, message.word), lambda: measure(frames, message, lossy=True))


def counter_steps_bad(raw: Ints, counter: Counter) -> npt.NDArray[np.bool_]:
    """(N - 1,) whether each step is not the counter's own, or leaves its range."""
    span = counter.high - counter.low + 1
    outside = (raw < counter.low) | (raw > counter.high)
    wrong: npt.NDArray[np.bool_] = ((raw[1:] - raw[:-1] - counter.step) % span != 0) | outside[1:] | outside[:-1]
    return wrong


def steps_lost(raw: Ints, counter: Counter, periods: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """(N - 1,) steps that lost frames explain: as many as the time between had room for, one more or less."""
    span = counter.high - counter.low + 1
    inside = (raw >= counter.low) & (raw <= counter.high)
    room = np.round(periods).astype(np.int64)
    found = np.zeros(len(room), bool)
    for more in (-1, 0, 1):
        sendings = room + more
        found |= (sendings > 1) & ((raw[1:] - raw[:-1] - sendings * counter.step) % span == 0)
    found &= (periods > 1.5) & inside[1:] & inside[:-1]
    return found


def _checksums_bad(checksum: Checksum, payload: npt.NDArray[np.uint8]) -> tuple[int, int]:
    rows = np.unique(np.linspace(0, len(payload) - 1, min(len(payload), CHECKED_FRAMES)).astype(np.intp))
    distinct, counts = np.unique(payload[rows], axis=0, return_counts=True)
    bad = sum(int(n) for row, n in zip(distinct, counts, strict=True) if not checksum.holds(row.tobytes()))
    return bad, len(rows)


def rules_of_the_map(label: str, pattern: MessageForm) -> list[Check]:
    """Counter and checksum rules of a map that many of the old sender's own frames contradict."""
    out = []
    for what, bad, seen in (
        ("counter", pattern.counter_bad, max(1, pattern.count - 1)),
        ("checksum", pattern.checksum_bad, pattern.checksum_seen),
    ):
        if bad is not None and seen and bad > WRONG_NOTED * seen:
            out.append(
                check_of(
                    "form",
                    label,
                    what,
                    False,
                    f"the map's rule misses {bad:,} of {seen:,} of the old sender's own",
                    "a rule that fits the old sender: receivers discard every frame that breaks it",
                    f"find the {what}'s rule again with `swapbridge guess`, put it into the map, and compile again",
                    otherwise="fail" if bad > WRONG_FAILS * seen else "unproved",
                )
            )
    return out


def compare_shapes(
    label: str,
    pattern: MessageForm,
    ours: MessageForm,
    message: MapMessage | None,
    *,
    periodic: bool,
    at_once: bool = False,
    rest_is_open: bool = False,
) -> list[Check]:
    """Length, period and constant bits of the translator's frames by the old engine's: one look at a few frames tells.

    Parameters
    ----------
    label : str
        Bus and message, for people.
    pattern, ours : MessageForm
        Of the old engine's frames and of the translator's.
    message : MapMessage or None
        Its map, which says which bits are signals.
    periodic : bool
        Sent at a fixed period; otherwise a period that is about the same only warns.
    at_once : bool
        Carries a request, which may be sent between its turns as well.
    rest_is_open : bool
        The bridge file says that nobody knows the bits outside all signals.
    """
    out = [
        check_of(
            "form",
            label,
            "length",
            set(ours.lengths) <= set(pattern.lengths),
            _bytes(ours.lengths),
            f"{_bytes(pattern.lengths)}, as the old engine sent",
            "correct the message's length in the host map",
        )
    ]
    if _spaced(pattern, ours):
        # frames that wait for others by turns come early or late: the middle gap moves, their mean stays the period
        off = min(
            abs(ours.period_ms / pattern.period_ms - 1),
            abs(ours.mean_ms / pattern.mean_ms - 1) if pattern.mean_ms > 0 else np.inf,
        )
        out.append(
            check_of(
                "form",
                label,
                "period",
                off <= PERIOD_TOLERANCE,
                f"{ours.period_ms:.2f} ms ({ours.early_ms:.2f} to {ours.late_ms:.2f}), "
                f"{ours.mean_ms:.2f} ms on average",
                f"{pattern.period_ms:.2f} ms ({pattern.early_ms:.2f} to {pattern.late_ms:.2f}), within 2 %",
                f"set period_ms = {_round_period(pattern.period_ms):g} for this message in the bridge file",
                warn=not periodic and ours.mean_ms <= SLOWER * max(pattern.period_ms, pattern.mean_ms),
            )
        )
        steady = pattern.late_ms - pattern.early_ms <= STEADY * pattern.period_ms
        if steady and not periodic and not at_once:
            out.append(
                check_of(
                    "form",
                    label,
                    "rhythm",
                    ours.late_ms - ours.early_ms <= UNEVEN * pattern.period_ms,
                    f"{ours.early_ms:.2f} to {ours.late_ms:.2f} ms apart",
                    f"about as even as the old sender's {pattern.early_ms:.2f} to {pattern.late_ms:.2f} ms",
                    "send it by its own clock only (without on_arrival), or with a gap_ms near its period",
                )
            )
    return out + _constant_bits(label, pattern, ours, message, rest_is_open)


def _spaced(pattern: MessageForm, ours: MessageForm) -> bool:
    """Whether both come often enough to have a period."""
    return pattern.period_ms > 0 and ours.period_ms > 0 and pattern.count > 3


def compare_forms(
    label: str, pattern: MessageForm, ours: MessageForm, message: MapMessage | None, *, periodic: bool
) -> list[Check]:
    """Worst gap, counter, checksum and ranges of the translator's frames by the old engine's.

    Parameters
    ----------
    label, pattern, ours, message
        As for `compare_shapes`; `ours` knows when the vehicle was switched off.
    periodic : bool
        Sent at a fixed period; otherwise a gap only warns.
    """
    out = []
    if _spaced(pattern, ours):
        margin_ms = max(GAP_MARGIN_MS, GAP_MARGIN * pattern.period_ms)
        out.append(
            check_of(
                "form",
                label,
                "worst gap",
                ours.worst_ms <= pattern.worst_ms + margin_ms,
                f"{ours.worst_ms:.2f} ms",
                f"at most {pattern.worst_ms:.2f} ms + {margin_ms:.2g} ms",
                "shorten the period, or reduce the bus load",
                warn=not periodic,
            )
        )
    for what, bad, seen, mine, ours_seen in (
        ("counter", pattern.counter_bad, max(1, pattern.count - 1), ours.counter_bad, max(0, ours.count - 1)),
        ("checksum", pattern.checksum_bad, pattern.checksum_seen, ours.checksum_bad, ours.checksum_seen),
    ):
        if bad is not None and seen:
            out.append(
                check_of(
                    "form",
                    label,
                    what,
                    not mine,
                    f"{mine or 0:,} wrong of {ours_seen:,}",
                    "none, by the rule of the map",
                    f"check the {what}'s rule in the map, and compile again",
                )
            )
    return out


def _constant_bits(
    label: str, pattern: MessageForm, ours: MessageForm, message: MapMessage | None, rest_is_open: bool
) -> list[Check]:
    """Bits outside all signals that never moved in the old engine's frames must stand the same in ours."""
    size = min(len(pattern.always_one), len(ours.always_one))
    used: set[int] = set()
    if message is not None:
        for signal in message.signals:
            used.update(signal.layout.positions)
        size = min(size, message.length)
    wrong: list[tuple[int, int]] = []
    looked = 0
    for position in range(8 * size):
        byte, bit = position >> 3, 1 << (position & 7)
        if position in used:
            continue
        for value, then, now in (
            (1, pattern.always_one, ours.always_one),
            (0, pattern.always_zero, ours.always_zero),
        ):
            if then[byte] & bit:
                looked += 1
                if not now[byte] & bit:
                    wrong.append((position, value))
    if not looked:
        return []
    return [
        check_of(
            "form",
            label,
            "constant bits",
            not wrong,
            f"{len(wrong)} of {looked} differ: {'; '.join(_were(wrong))}" if wrong else f"{looked} alike",
            "bits outside all signals, as the old engine sent them",
            'find out what they mean; "rest" is listed under open already'
            if rest_is_open
            else 'add a signal for those bits to the map and send its constant, or set rest = "as recorded"; where '
            'neither is allowed, open = ["rest"] leaves them not proved',
            otherwise="open" if rest_is_open else "fail",
        )
    ]


def _were(wrong: Sequence[tuple[int, int]]) -> Iterator[str]:
    """Bits by what they always were."""
    for value in (1, 0):
        positions = [p for p, v in wrong if v == value]
        if positions:
            yield f"{bit_places(positions)} {'were' if len(positions) > 1 else 'was'} always {value}"


def bit_places(positions: Sequence[int]) -> str:
    """Bits of a payload, byte by byte, none left out: "byte 0 bit 2, byte 3 bits 0, 1"."""
    out = []
    for byte in sorted({p >> 3 for p in positions}):
        bits = sorted(p & 7 for p in positions if p >> 3 == byte)
        out.append(f"byte {byte} {'bits' if len(bits) > 1 else 'bit'} {', '.join(map(str, bits))}")
    return ", ".join(out)


def habits(
    pattern: MessageForm, ours: MessageForm, message: MapMessage, left_out: Collection[str] = ()
) -> tuple[list[str], list[str]]:
    """What goes well beyond the old sender's values, and what moves faster, in words for people.

    What stands still is no habit, and a source of coarser steps moves no faster than those explain.

    Parameters
    ----------
    pattern, ours : MessageForm
        Of the old sender's frames and of the translator's.
    message : MapMessage
        Its map.
    left_out : collection of str
        Signals that nobody knows how to make.

    Returns
    -------
    tuple of two lists of str
        Further, and faster: message, signal, value in the map's unit, and what it was.
    """
    further, faster = [], []
    for signal in message.signals:
        then, now = pattern.signals.get(signal.name), ours.signals.get(signal.name)
        if then is None or now is None or signal.choices or signal.layout.length == 1 or signal.name in left_out:
            continue
        if now.low == now.high:
            continue
        label, scale, offset = f"{message.name}.{signal.name}", float(signal.scale), float(signal.offset)
        room = max(1, then.high - then.low) // 4
        if then.low - now.low > room or now.high - then.high > room:
            theirs, mine = (f"{f.low * scale + offset:g} to {f.high * scale + offset:g}" for f in (then, now))
            further.append(f"{label} {mine} {signal.unit}".rstrip() + f" (was {theirs})")
        if now.step > 2 * max(1, then.step, now.least):
            was = then.step * abs(scale)
            faster.append(f"{label} {now.step * abs(scale):g} {signal.unit}".rstrip() + f" (was {was:g})")
    return further, faster


def compare_start_up(
    label: str,
    pattern: Mapping[str, MessageForm],
    ours: Mapping[str, MessageForm],
    awake_ns: tuple[int, int],
    key_on_ns: Mapping[str, int] | None = None,
) -> list[Check]:
    """The order in which messages first appear after wake-up, where the pattern's order is clear.

    Two messages have a clear order when the first appearances lie further apart than both their periods and 20 ms.

    Parameters
    ----------
    awake_ns : (int, int)
        When the bus wakes in the pattern and in the translator's run.
    key_on_ns : mapping of str to int, optional
        For messages that keep the bus awake: when the key let the translator send them. With the key off it must not,
        or the battery is flat in the morning, so their time counts from there and not from wake-up.
    """
    names = [n for n in pattern if n in ours and pattern[n].count and ours[n].count]
    wrong = []
    for a in names:
        for b in names:
            apart = pattern[b].first_ns[0] - pattern[a].first_ns[0]
            margin = max(20.0, pattern[a].period_ms, pattern[b].period_ms) * 1e6
            if apart > margin and ours[a].first_ns[0] > ours[b].first_ns[0] + TOGETHER_NS:
                wrong.append(f"{b} before {a}")
    out = []
    if len(names) > 1:
        out.append(
            check_of(
                "form",
                label,
                "start-up order",
                not wrong,
                "; ".join(wrong) if wrong else f"{len(names)} messages in order",
                "as the old engine started",
                "set delay_ms in the bridge file for the message that comes too early",
            )
        )
    for name in names:
        then = (pattern[name].first_ns[0] - awake_ns[0]) / 1e6
        keyed = (key_on_ns or {}).get(name)
        now = (ours[name].first_ns[0] - (awake_ns[1] if keyed is None else keyed)) / 1e6
        late = then + max(50.0, 2 * pattern[name].period_ms)
        missed = then + max(MISSED_MS, 5 * pattern[name].period_ms)
        if now > late:
            out.append(
                check_of(
                    "form",
                    name,
                    "first after wake-up" if keyed is None else "first after key-on",
                    False,
                    f"{now:.0f} ms",
                    f"at most {late:.0f} ms: the old sender's {then:.0f} ms after wake-up and two periods",
                    "let the message be sent in an earlier state, or shorten delay_ms",
                    warn=now <= missed,
                )
            )
    return out


def _bytes(lengths: tuple[int, ...]) -> str:
    return f"{' or '.join(map(str, lengths))} bytes" if lengths else "no frame"


def _round_period(period_ms: float) -> float:
    """The round number next to a measured period, when it is within 1 %."""
    for step in (10.0, 5.0, 1.0, 0.5):
        rounded = round(period_ms / step) * step
        if rounded and abs(rounded - period_ms) <= 0.01 * period_ms:
            return rounded
    return round(period_ms, 2)
