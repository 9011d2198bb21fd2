"""A drafted bridge judged on a drive that no recording shows, beside what the absent modules would have said in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.compiler.compile import compile_bridge
from swapbridge.drafting.draft import draft
from swapbridge.drafting.draft_text import bridge_text, draft_map, needs_text
from swapbridge.drafting.drafted import Drafted, Explained
from swapbridge.drafting.recordings import open_swap
from swapbridge.drafting.swap_sources import Swap
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.reading import load_bridge
from swapbridge.plan.plan import Plan
from swapbridge.signalmap.dbc_write import save_map
from tests.drafting.drives import Floats
from tests.drafting.worlds import Field, Truth, World

MADE = 0.95
ASIDE = frozenset({"unlinked", "request", "free"})


@dataclass(frozen=True, slots=True)
class FieldVerdict:
    """How one field of the truth was reproduced, and what the draft claimed of it."""

    bus: str
    identifier: int
    name: str
    cls: str
    share: float
    claimed: float
    how: str
    words: str

    @property
    def made(self) -> bool:
        return self.share >= MADE


@dataclass(slots=True)
class Verdict:
    """All of it: fields, and what was sent that must not be or not as often as it should."""

    fields: list[FieldVerdict] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    torque_low: float = 0.0
    request_false: float = 0.0
    alarms_missed: float = 0.0

    @property
    def moving(self) -> list[FieldVerdict]:
        return [f for f in self.fields if f.cls not in ASIDE]


def drafted(world: World) -> tuple[Swap, Drafted]:
    """The draft of a world's recordings."""
    tracks = {k: t.on_clock_of(world.captures[k]) for k, t in world.tracks.items()}
    swap, _ = open_swap(world.captures, tracks)
    return swap, draft(swap)


def compiled(swap: Swap, made: Drafted, folder: Path) -> Plan:
    """The plan of a draft written into a folder."""
    (folder / "signal_maps").mkdir(exist_ok=True)
    for bus in ("host", "donor"):
        save_map(draft_map(swap, bus, made), folder / "signal_maps" / f"{bus}.dbc")
    (folder / "bridge.toml").write_text(bridge_text(swap, made, "world"))
    (folder / "needs.toml").write_text(needs_text(swap, made))
    return compile_bridge(load_bridge(folder / "bridge.toml")).plan


def judge(world: World, made: Drafted, plan: Plan) -> Verdict:
    """Feed the plan with the unseen drive and compare."""
    out = Verdict()
    sent = _translated(plan, world.unseen)
    for bus, truths in world.truth.items():
        words = {t.message.identifier for t in truths if not t.message.decoy}
        foreign = {word for name, word in sent if name == bus} - words
        out.faults += [f"{bus} {word:03X} must not be sent" for word in sorted(foreign)]
        for truth in truths:
            if truth.message.decoy:
                continue
            times, payload = sent.get((bus, truth.message.identifier), (np.zeros(0), np.zeros((0, 8), np.uint8)))
            out.faults += _form(bus, truth, times)
            claims = _claims(made, bus, truth.message.identifier)
            for one in truth.message.fields:
                if one.cls != "free":
                    moved = _moved(world.captures[bus], truth.message.identifier, one)
                    found = _judged(bus, truth, one, times, payload, claims, moved)
                    if found is not None:
                        out.fields.append(found)
            if bus == "host":
                out.torque_low = max(out.torque_low, _low(truth, times, payload))
            else:
                out.request_false = max(out.request_false, _asked(truth, times, payload))
    alarmed = _translated(plan, world.alarm) if world.alarm else {}
    for truth in world.alarm_truth:
        times, payload = alarmed.get(("host", truth.message.identifier), (np.zeros(0), np.zeros((0, 8), np.uint8)))
        out.alarms_missed = max(out.alarms_missed, dark(truth, times, payload))
    return out


def repeated(world: World) -> float:
    """Share of the moving fields that each message's most common recorded payload reproduces."""
    made = [f.made for f in judge_repeated(world)]
    return float(np.mean(made)) if made else 0.0


def judge_repeated(world: World) -> list[FieldVerdict]:
    """The moving fields, judged on each message's most common recorded payload."""
    out: list[FieldVerdict] = []
    for bus, truths in world.truth.items():
        capture = world.captures[bus]
        for truth in truths:
            rows = capture.payload[capture.identifier == truth.message.identifier]
            if truth.message.decoy or not len(rows):
                continue
            kinds, counts = np.unique(rows, axis=0, return_counts=True)
            payload = np.tile(kinds[counts.argmax()], (len(truth.time_s), 1))
            found = [
                _judged(bus, truth, f, truth.time_s, payload, [], _moved(capture, truth.message.identifier, f))
                for f in truth.message.fields
            ]
            out += [f for f in found if f is not None and f.cls not in ASIDE]
    return out


def _translated(
    plan: Plan, unseen: Mapping[str, Capture]
) -> dict[tuple[str, int], tuple[Floats, npt.NDArray[np.uint8]]]:
    number = {bus.name: k for k, bus in enumerate(plan.buses)}
    at = np.concatenate([c.time_ns // 1000 for c in unseen.values()])
    on = np.concatenate([np.full(len(c), number[bus], np.uint8) for bus, c in unseen.items()])
    word = np.concatenate([c.identifier for c in unseen.values()])
    length = np.concatenate([c.length for c in unseen.values()])
    payload = np.concatenate([c.payload for c in unseen.values()])
    order = np.argsort(at, kind="stable")
    begin = int(at.min())
    sent = NativeTranslator(plan).run_batch(
        at[order] - begin, on[order], word[order], length[order], np.ascontiguousarray(payload[order])
    )
    time_s = (sent.time_us + begin) / 1e6
    return {
        (bus, int(w)): (time_s[mine], sent.payload[mine][:, :8])
        for bus, k in number.items()
        for w in np.unique(sent.word[sent.bus == k])
        for mine in [(sent.bus == k) & (sent.word == w)]
    }


def _form(bus: str, truth: Truth, times: Floats) -> list[str]:
    mine = f"{bus} {truth.message.identifier:03X}"
    if not len(times):
        return [f"{mine} is not sent"]
    if not truth.message.once and abs(len(times) / len(truth.time_s) - 1) > 0.05:
        return [f"{mine} is sent {len(times)} times, not {len(truth.time_s)}"]
    return []


def _claims(made: Drafted, bus: str, identifier: int) -> list[Explained]:
    return [
        f for m in made.messages if (m.bus, m.message.key.identifier) == (bus, identifier) and not m.refused
        for f in m.fields
    ]  # fmt: skip


def _value(payload: npt.NDArray[np.uint8], one: Field) -> Floats:
    value = _raw(payload, one.positions)
    return np.where(value >= 1 << (one.length - 1), value - (1 << one.length), value) if one.signed else value


def _raw(payload: npt.NDArray[np.uint8], positions: tuple[int, ...]) -> Floats:
    bits = np.unpackbits(payload, axis=1, bitorder="little").astype(np.int64)
    value = np.zeros(len(payload), np.int64)
    for weight, position in enumerate(positions):
        value += bits[:, position] << weight
    return value.astype(np.float64)


def _rows(payload: npt.NDArray[np.uint8], truth: Truth, one: Field) -> npt.NDArray[np.bool_]:
    if one.page is None or not len(payload):
        return np.ones(len(payload), bool)
    rows: npt.NDArray[np.bool_] = _raw(payload, truth.message.mux) == one.page
    return rows


def _moved(capture: Capture, identifier: int, one: Field) -> bool:
    """Whether a field moved in the recording at all: what never moved is sent as recorded, and nobody can know."""
    value = _value(capture.payload[capture.identifier == identifier], one)
    return len(value) > 0 and bool(np.ptp(value) > 0)


def _judged(
    bus: str,
    truth: Truth,
    one: Field,
    times: Floats,
    payload: npt.NDArray[np.uint8],
    claims: list[Explained],
    recorded: bool,
) -> FieldVerdict | None:
    mine = _rows(truth.payload, truth, one)
    value = _value(truth.payload[mine], one)
    if not len(value) or value.min() == value.max() or not recorded:
        return None
    theirs = _rows(payload, truth, one)
    period = truth.message.period_s * (1 if one.page is None else 4)
    share = reproduced(
        truth.time_s[mine], value, times[theirs], _value(payload[theirs], one), one.kind, one.length, period
    )
    claim = next((c for c in claims if set(c.layout.positions) & set(one.positions)), None)
    return FieldVerdict(
        bus, truth.message.identifier, one.name, one.cls, share,
        0.0 if claim is None or claim.how == "open" else claim.confidence,
        "none" if claim is None else claim.how, "" if claim is None else claim.words,
    )  # fmt: skip


def reproduced(
    true_s: Floats, value: Floats, sent_s: Floats, said: Floats, kind: str, length: int, period_s: float
) -> float:
    """Share of the truth's frames at which what was said last, at one delay, is right; of flags, the mean of values."""
    if not len(sent_s):
        return 0.0
    if kind == "wrap":
        value, said = (np.unwrap(x, period=1 << length) for x in (value, said))
    near = 0.0 if kind == "step" else max(1.5, (0.03 if kind == "wrap" else 0.02) * float(np.ptp(value)))
    levels = [v for v in np.unique(value) if (value == v).sum() >= 3] if kind == "step" else []
    if kind == "step" and (np.diff(said) != 0).sum() > 1.5 * (np.diff(value) != 0).sum() + 2:
        return 0.0
    best = 0.0
    for lag in np.arange(0.0, 0.065 if period_s <= 0.02 else 0.155, 0.01):
        row = np.searchsorted(sent_s, true_s + lag, "right") - 1
        held = (row >= 0) & (true_s + lag - sent_s[np.maximum(row, 0)] <= 3 * period_s)
        now = said[np.maximum(row, 0)]
        if kind == "wrap":
            now = now - now[len(now) // 2] + value[len(value) // 2]
        right = held & (np.abs(now - value) <= near)
        best = max(best, float(np.mean([right[value == v].mean() for v in levels]) if levels else right.mean()))
    return best


def _low(truth: Truth, times: Floats, payload: npt.NDArray[np.uint8]) -> float:
    """Share of frames in which a torque is said more than 3 % of its span too low."""
    out = 0.0
    for one in truth.message.fields:
        if one.name in ("torque", "demand") and len(times):
            value, said = _value(truth.payload, one), _value(payload, one)
            row = np.maximum(np.searchsorted(times, truth.time_s + 0.02, "right") - 1, 0)
            out = max(out, float((said[row] < value - 0.03 * np.ptp(value) - 1.5).mean()))
    return out


def _asked(truth: Truth, times: Floats, payload: npt.NDArray[np.uint8]) -> float:
    """Share of the frames without a request, and none within 0.3 s, in which one is said."""
    out = 0.0
    for one in truth.message.fields:
        if one.cls == "request" and len(times):
            value, said = _value(truth.payload, one), _value(payload, one)
            row = np.maximum(np.searchsorted(times, truth.time_s + 0.02, "right") - 1, 0)
            kinds, counts = np.unique(value, return_counts=True)
            none = value == kinds[counts.argmax()]
            wrong = said[row] != value if one.kind == "step" else said[row] < value - 0.05 * np.ptp(value)
            far = np.convolve(~none, np.ones(2 * round(0.3 / truth.message.period_s) + 1), "same") == 0
            out = max(out, float(wrong[none & far].mean()) if (none & far).any() else 0.0)
    return out


def dark(truth: Truth, times: Floats, payload: npt.NDArray[np.uint8]) -> float:
    """Share of the time in which a lamp that is due is dark, or a temperature or needle that is high reads low.

    At the one delay, up to 0.3 s, that excuses most: who lights late may also stay lit for as much longer, no more.
    """
    out = 0.0
    for one in truth.message.fields:
        if one.name not in ("oil_lamp", "charge_lamp", "coolant", "dial"):
            continue
        if not len(times):
            return 1.0
        value, said = _value(truth.payload, one), _value(payload, one)
        due = value == one.lit
        if one.kind != "step":
            due = value > np.quantile(value, 0.5) + 0.5 * (value.max() - np.quantile(value, 0.5))
        missed = []
        for lag in np.arange(0.0, 0.305, 0.02):
            now = said[np.maximum(np.searchsorted(times, truth.time_s + lag, "right") - 1, 0)]
            wrong = now != value if one.kind == "step" else now < value - 0.05 * np.ptp(value)
            missed.append(float(wrong[due].mean()) if due.any() else 0.0)
        out = max(out, min(missed))
    return out
