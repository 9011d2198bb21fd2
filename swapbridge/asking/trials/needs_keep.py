"""Asking room: a needs trial on disk, so that it goes on another day, and what it found as entries of a needs list."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from swapbridge.asking.trials.needs_plan import LAMP, NeedsPlan, TrialAnswer, TrialFinding
from swapbridge.asking.trials.permit import Sendable
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.needs import Need, load_needs, needs_to_toml, with_codes

VERSION = 1
FOUND_BY = "trial"


def plan_facts(module: str, plan: NeedsPlan, asked: str) -> dict[str, Any]:
    """What must be the same for a trial to go on: the module, how it is asked, the messages and what is played."""
    played = hashlib.sha256()
    for one in plan.messages:
        played.update(f"{one.word:X} {one.period_ns} {len(one.payloads)} ".encode() + b"".join(one.payloads))
    return {
        "module": module,
        "asked": asked,
        "messages": [format_identifier(*split_word(one.word)) for one in plan.messages],
        "played": played.hexdigest(),
        "bits": plan.with_bits,
        "method": plan.method,
        "seed": plan.seed,
    }


def keep_trial(path: Path, facts: dict[str, Any], plan: NeedsPlan) -> None:
    """Write a trial as it stands, whole.

    Raises
    ------
    InputError
        It can't be written.
    """
    content: dict[str, Any] = {"version": VERSION, **facts, "answers": plan.answers}
    if plan.result is not None:
        found = (*plan.result.messages, *plan.result.bits)
        content["found"] = [
            {"what": f.thing.label, "verdict": f.verdict, "complained": f.complained, "silent": f.silent} for f in found
        ]
        content["controls"] = [plan.result.controls, plan.result.wrong_controls]
    path.parent.mkdir(parents=True, exist_ok=True)
    with written_whole(path) as temporary:
        temporary.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


def kept_answers(path: Path, facts: dict[str, Any]) -> list[TrialAnswer]:
    """The answers of an earlier day; none where there was none.

    Raises
    ------
    InputError
        The file can't be read, or is of another trial: in what they differ.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        raise InputError(f"{path} contains no trial ({error}): name another file, or move it away") from None
    if not isinstance(content, dict) or content.get("version") != VERSION or not isinstance(content["answers"], list):
        raise InputError(f"{path} contains no trial that this version can read: name another file, or move it away")
    other = [name for name, value in facts.items() if content.get(name) != value]
    if other:
        raise InputError(
            f"{path} belongs to another trial ({', '.join(other)} differ): name another file with --state, or move "
            "it away"
        )
    out: list[TrialAnswer] = []
    for one in content["answers"]:
        if one is not None and not (isinstance(one, list) and all(isinstance(code, str) for code in one)):
            raise InputError(f"{path}: an answer is a list of codes or null, not {one!r}")
        out.append(None if one is None else tuple(one))
    return out


def found_needs(module: str, bus: str, messages: Iterable[Sendable], plan: NeedsPlan) -> tuple[Need, ...]:
    """What was found to be needed, as entries of a needs list; what stayed unclear counts as needed.

    Raises
    ------
    InputError
        The trial is not done.
    """
    if plan.result is None:
        raise InputError("the trial is not finished: resume it")
    by_word = {one.word: one for one in messages}
    out = []
    for found in plan.result.messages:
        if found.verdict == "not needed":
            continue
        one = by_word[found.thing.word]
        bits = [f for f in plan.result.bits if f.thing.word == one.word and f.verdict != "not needed"]
        signals = [s for s in one.message.signals if any(set(s.layout.positions) & set(f.thing.bits) for f in bits)]
        named = {p for s in signals for p in s.layout.positions}
        rest = [f.thing.label for f in bits if not set(f.thing.bits) & named]
        note = _evidence(found)
        if rest:
            note += f"; it must move: {', '.join(rest)}"
        codes = tuple(code for code in found.codes if code != LAMP)
        period = Fraction(one.period_ns, 1_000_000)
        base = Need(module, bus, one.word, codes_found=FOUND_BY)
        out.append(replace(base, period_ms=period, length=one.message.length, note=note, codes=codes))
        for signal in signals:
            about = next(f for f in bits if set(signal.layout.positions) & set(f.thing.bits))
            codes = tuple(code for code in about.codes if code != LAMP)
            name, note = f"{one.message.name}.{signal.name}", _evidence(about)
            out.append(replace(base, role=signal.role, signal=name, note=note, codes=codes))
    return tuple(out)


def into_needs(path: Path, needs: Sequence[Need]) -> tuple[int, int]:
    """Add entries to a needs list; one that is there already gets the codes, and every other line stays.

    Returns
    -------
    tuple of int
        How many were added, and how many were there.

    Raises
    ------
    InputError
        The list can't be read or written.
    """
    old = load_needs(path) if path.exists() else ()
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    there = {(n.module, n.bus, n.word, n.signal): n for n in old}
    known, new = {}, []
    for need in needs:
        same = there.get((need.module, need.bus, need.word, need.signal))
        if same is None:
            new.append(need)
        elif need.codes:
            known[same.line] = (need.codes, need.codes_found)
    if known:
        text = with_codes(text, known)
    if new:
        text = (text.rstrip("\n") + "\n\n" if text.strip() else "") + needs_to_toml(tuple(new))
    with written_whole(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
        load_needs(temporary)
    return len(new), len(needs) - len(new)


def _evidence(found: TrialFinding) -> str:
    times = found.complained + found.silent
    held = "held still" if found.thing.bits else "left out"
    if found.verdict == "enables monitoring":
        return f"trial: without it the module monitors nothing ({held} in {times} trials)"
    if found.verdict == "undecided":
        return f"trial: never separated from what moves with it, so counted as needed ({times} trials)"
    return f"trial: complained in {found.complained} of {times} trials in which it was {held}"
