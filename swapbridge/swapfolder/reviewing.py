"""Swap folder room: a learned rule as a person reviews it, and the review written beside the rule."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import StimulusTrack
from swapbridge.compiler.compile import CompileResult
from swapbridge.compiler.expressions.values import show
from swapbridge.compiler.review import ReviewMark
from swapbridge.core.errors import InputError, MissingToolError
from swapbridge.core.files import written_whole
from swapbridge.core.identifier_words import identifier_word
from swapbridge.core.roles import BY_NAME
from swapbridge.emit.native import NativeTranslator, SentColumns
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.language.dependencies import signals_behind
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Field, Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.beside import AlignedInTime, aligned_in_time
from swapbridge.signalmap.decode import raw_columns
from swapbridge.signalmap.signal_map import MapSignal, SignalMap


@dataclass(frozen=True, slots=True)
class ReviewedValues:
    """Raw values of one signal in so many frames: the lowest, the highest, and the one that came most often."""

    frames: int
    low: int
    high: int
    most: int


def review_lines(
    mark: ReviewMark,
    bridge: BridgeFile,
    result: CompileResult,
    maps: Mapping[str, SignalMap],
    captures: Mapping[str, Capture],
    stimuli: Mapping[str, StimulusTrack] | None = None,
) -> list[str]:
    """What there is to look at: the rule, where it was learned, and what the old sender said beside what it makes.

    Ranges first, then both at the same moments of one drive (`proving.beside`), where that can be had.

    Parameters
    ----------
    mark : ReviewMark
        The rule.
    bridge : BridgeFile
    result : CompileResult
        The bridge file, compiled.
    maps : mapping of str to SignalMap
        By bus name.
    captures : mapping of str to Capture
        Recordings by bus name, as far as they are there.
    stimuli : mapping of str to StimulusTrack, optional
        What was done to the vehicles meanwhile.

    Returns
    -------
    list of str
        Lines for a screen.

    Raises
    ------
    InputError
        The compiled plan does not send what the mark names.
    """
    bus, name = mark.message.message.text.split(".")
    message = maps[bus].message(name)
    draft = next((d for d in result.drafts if d.name == f"{bus}.{name}"), None)
    if message is None or draft is None:
        raise InputError(f"{mark.name} is not sent by the compiled plan: compile the bridge file")
    wanted = [mark.signal] if mark.signal is not None else list(mark.message.signals)
    recorded = _recorded(maps[bus], name, captures.get(bus))
    made = _made(result.plan, f"{bus}.{name}", captures)
    in_time: Mapping[str, AlignedInTime] = {}
    if bus in captures:
        make = _quick_translator(result.plan) or partial(Translator, result.plan)
        in_time = aligned_in_time(result.plan, bridge, maps, captures, stimuli or {}, bus, make)
    out = [mark.name + ("" if mark.signal is not None else f", {len(wanted)} signals")]
    if mark.signal is None and mark.message.rest:
        out.append(f"  everything else   {mark.message.rest}")
    for rule in wanted:
        signal = message.signal(rule.name)
        field = next((m.field for m in draft.made if m.field.name == rule.name), None)
        if signal is None or field is None:
            continue
        out += ["", f"  {rule.name}" + (f" ({BY_NAME[field.role].alias})" if field.role in BY_NAME else "")]
        out.append(f"    rule            {rule.value.text}")
        sources = ", ".join(n.dotted for n in signals_behind(bridge, rule.value))
        out.append(f"    made from       {sources or 'nothing: it is a constant'}")
        if rule.limits:
            out.append(f"    limits          {rule.limits[0].text} to {rule.limits[1].text}")
        out.append(f"    notes           {field.note or 'none'}")
        out.append(f"    recorded        {_words(recorded.get(rule.name), signal, field)}")
        out.append(f"    made            {_words(made.get(rule.name), signal, field)}")
        beside = in_time.get(f"{bus}.{name}.{rule.name}")
        out.append(f"    in time         {_in_time(beside, field)}")
        out += _torque(recorded.get(rule.name), made.get(rule.name), beside, signal, field)
    return out


def _in_time(beside: AlignedInTime | None, field: Field) -> str:
    if beside is None:
        return "not known: the recording does not show what its sources would have said; compare the ranges"
    unit = f" {field.unit}" if field.unit else ""
    when = "at once"
    if abs(beside.lag_s) >= 0.05:
        when = f"{abs(beside.lag_s):.2f} s {'later' if beside.lag_s > 0 else 'sooner'}"
    how = (
        "values from the stimulus" if beside.by_stimulus else "values from the map itself, so only the rule is compared"
    )
    words = f"as recorded in {100 * beside.share:.0f} % of {beside.moments:,} moments, {when} ({how})"
    if beside.farthest:
        words += f"; largest difference {beside.farthest:+.4g}{unit}, {beside.farthest_at_s:.1f} s after it began"
    return words


def _words(values: ReviewedValues | None, signal: MapSignal, field: Field) -> str:
    if values is None:
        return "no recording here shows it"
    low, high, most = (_in_words(raw, signal) for raw in (values.low, values.high, values.most))
    unit = f" {field.unit}" if field.unit else ""
    if values.low == values.high:
        return f"always {low}{unit} in {values.frames:,} frames"
    return f"{low} to {high}{unit} in {values.frames:,} frames, most often {most}"


def _in_words(raw: int, signal: MapSignal) -> str:
    name = signal.choices.get(raw)
    return f"'{name}'" if name else show(signal.physical(raw))


def _torque(
    recorded: ReviewedValues | None,
    made: ReviewedValues | None,
    beside: AlignedInTime | None,
    signal: MapSignal,
    field: Field,
) -> list[str]:
    """How much too little torque would be reported at most, as far as the recordings show."""
    role = BY_NAME.get(field.role)
    if role is None or role.hazard != "actual torque":
        return []
    unit = f" {field.unit}" if field.unit else ""
    if beside is not None:
        return [f"    too little      at most {beside.too_little:.4g}{unit} below what was recorded at that moment"]
    if recorded is None or made is None:
        return ["    too little      not known: a recording of both sides would show it"]
    tops = [max(signal.physical(v.low), signal.physical(v.high)) for v in (recorded, made)]
    missing = max(Fraction(0), tops[0] - tops[1])
    return [f"    too little      at its highest {show(missing)}{unit} below what was recorded in another drive"]


def _recorded(signal_map: SignalMap, message: str, capture: Capture | None) -> dict[str, ReviewedValues]:
    """What the old sender said, without reserved codes."""
    found = signal_map.message(message)
    if capture is None or found is None:
        return {}
    wanted = {(message, s.name) for s in found.signals}
    out = {}
    for (_, name), column in raw_columns(capture, signal_map, signals=wanted).items():
        values = _measured(found.signal(name), Counter(column.values.tolist()))
        if values is not None:
            out[name] = values
    return out


def _measured(signal: MapSignal | None, counts: Counter[int]) -> ReviewedValues | None:
    codes = set() if signal is None else {*signal.not_available, *signal.error_codes}
    kept = {raw: n for raw, n in counts.items() if raw not in codes} or counts
    if not kept:
        return None
    return ReviewedValues(sum(counts.values()), min(kept), max(kept), max(kept, key=lambda raw: (kept[raw], -raw)))


def _made(plan: Plan, name: str, captures: Mapping[str, Capture]) -> dict[str, ReviewedValues]:
    """What the plan makes of the recordings, played side by side from their beginnings; {} without a C compiler."""
    send = next((s for s in plan.sends if s.name == name), None)
    sent = play(plan, captures) if send is not None else None
    if send is None or sent is None:
        return {}
    mine = np.flatnonzero((sent.bus == send.bus) & (sent.word == send.word))
    counts: dict[str, Counter[int]] = {}
    for turn, row in enumerate(mine.tolist()):
        data = bytes(sent.payload[row, : sent.length[row]])
        for field in send.variants[send.turns[turn % len(send.turns)]].fields:
            counts.setdefault(field.name, Counter())[field.layout.unpack(data)] += 1
    return {key: values for key, found in counts.items() if (values := _measured(None, found)) is not None}


def play(plan: Plan, captures: Mapping[str, Capture]) -> SentColumns | None:
    """What a plan sends when recordings of its buses are played side by side; None without them or a C compiler."""
    numbers = {bus.name: n for n, bus in enumerate(plan.buses)}
    played = [_columns(plan, numbers[bus], capture) for bus, capture in captures.items() if bus in numbers]
    if not played:
        return None
    native = _quick_translator(plan)
    if native is None:
        return None
    time_us = np.concatenate([columns[0] for columns in played])
    order = np.argsort(time_us, kind="stable")
    width = max(columns[4].shape[1] for columns in played)
    payload = np.concatenate([np.pad(c[4], ((0, 0), (0, width - c[4].shape[1]))) for c in played])
    bus, word, length = (np.concatenate([columns[k] for columns in played])[order] for k in (1, 2, 3))
    return native().run_batch(time_us[order], bus, word, length, payload[order])


def _quick_translator(plan: Plan) -> Callable[[], NativeTranslator] | None:
    """Makes the plan's translator in C, built for a few passes over recordings; None without a C compiler."""
    make = partial(NativeTranslator, plan, optimised=False)
    try:
        make()
    except MissingToolError:
        return None
    return make


def _columns(plan: Plan, bus: int, capture: Capture) -> tuple[Any, ...]:
    """Times in microseconds from the beginning, bus, words, lengths and payloads of the frames that the plan hears."""
    wanted = {r.word for r in plan.receives if r.bus == bus}
    parts = [(rows, identifier_word(key.identifier, key.extended)) for key, rows in capture.groups()]
    kept = [(rows, word) for rows, word in parts if word in wanted]
    rows = np.concatenate([rows for rows, _ in kept]) if kept else np.zeros(0, dtype=np.intp)
    word = np.concatenate([np.full(len(rows), word, np.uint32) for rows, word in kept]) if kept else rows
    order = np.argsort(rows, kind="stable")
    rows, word = rows[order], word[order]
    time_us = (capture.time_ns[rows] - capture.time_ns[:1]) // 1000
    return time_us, np.full(len(rows), bus, np.uint8), word, capture.length[rows], capture.payload[rows]


def write_reviews(path: Path, marks: Sequence[ReviewMark], on: str) -> None:
    """Write ``reviewed = { on, digest }`` beside rules, in place of ``unreviewed``; the rest of the file stays.

    Raises
    ------
    InputError
        A rule is not found in the file, or the file can't be written.
    """
    text = review_text(path.read_text(encoding="utf-8"), marks, on, str(path))
    parse_bridge(text, str(path))
    with written_whole(path) as temporary:
        temporary.write_text(text, encoding="utf-8")


def review_text(old: str, marks: Sequence[ReviewMark], on: str, where: str) -> str:
    """A bridge file's text with a review beside each rule; `where` names the file in what is refused."""
    document = tomlkit.parse(old)
    messages = document.get("messages", [])
    renamed = []
    for mark in marks:
        bus_message = mark.message.message.text
        rule: Any = next((m for m in messages if m.get("send") == bus_message), None)
        if rule is not None and mark.signal is not None:
            rule = _signal_table(rule, mark)
        if rule is None:
            raise InputError(f"{mark.name} is not found in {where}: compile it again")
        review = tomlkit.inline_table()
        review.update({"on": on, "digest": mark.digest})
        if "unreviewed" in rule:
            rule["unreviewed"] = review  # keeps its place among the others
            renamed.append(review.as_string())
        else:
            rule["reviewed"] = review
    text = tomlkit.dumps(document)
    for spelling in renamed:
        text = text.replace(f"unreviewed = {spelling}", f"reviewed = {spelling}", 1)
    return text


def _signal_table(rule: Any, mark: ReviewMark) -> Any:
    assert mark.signal is not None
    tables = [rule.get("signals", {})]
    if mark.signal.page is not None:
        tables.insert(0, rule.get("pages", {}).get(str(mark.signal.page), {}).get("signals", {}))
    for signals in tables:
        found = signals.get(mark.signal.name)
        if isinstance(found, dict):
            return found
    return None
