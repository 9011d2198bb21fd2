"""Drafting room: explains one field of an absent message: tries every kind of explanation and takes the cheapest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.drafting.building import runs_apart
from swapbridge.drafting.channel_words import match_words, word_channels
from swapbridge.drafting.drafted import Explained, How
from swapbridge.drafting.explain.flags import GOOD, LEAST_OCCASIONS, Condition, Watched, explain_flag, joined_atoms
from swapbridge.drafting.explain.kit import SIGNAL_NAME, Kit, named_within, open_field
from swapbridge.drafting.explain.measured import (
    EXACT,
    explain_number,
    may_be_request,
    recorded_ranges,
    separates_running,
)
from swapbridge.drafting.lines import Atom
from swapbridge.drafting.linking import (
    first_value,
    in_bits,
    is_measured,
    other_bus,
    slack_of,
    timed_atoms,
    warns,
)
from swapbridge.drafting.never import NeverDrafted, differs_from_channel, guard_of
from swapbridge.drafting.recorded_vehicle import VehicleField, VehicleMessage
from swapbridge.drafting.swap_sources import (
    several_words,
)

WORDS_TOLD = 0.97
MOST_WRONG, MOST_WRONG_EXACT = 0.15, 0.3
"""How many wrong changes a change a condition may say; more where its share is nearly exact."""
ALIKE_EDGES, ALIKE_SHARE = 2, 0.01
"""Two warnings are told apart by a lamp that goes better with one of them: by more changes than one occasion has, or
by so much more of the time."""
MOST_FLAGS = 4
LEAST_FRAMES = 3
"""A value that fewer frames have is none that could be learned."""
PARTLY_EXPLAINED = 0.5
"""How sure at most where a field has values that its source has no word for, or unexplained bits beside it."""
SOME_CODES = 0.94
"""How sure at most where codes may come that no recording held: a gear that was never used."""
MOST_VALUES, LEAST_SPAN = 12, 15
"""A field of no more values, all within fewer steps, may be a code as well as a measured value."""
MOST_CODE_BITS = 4
LEAST_CODES = 3
BETTER = 0.015
"""How much surer each flag has to be than the choice that they would make together."""
TIMED_TEXT = "time_since(state == 'asleep' or state == 'wake') < {t} s"


def explain_field(kit: Kit, message: VehicleMessage, one: VehicleField, allowed: frozenset[int]) -> list[Explained]:
    """The explanations of a field: one, or one for each part where it turns out to be several."""
    guard = guard_of(kit.swap, kit.bus, message, one)
    if guard is not None and guard.safe is not None and not _is_something_else(kit, message, one, guard):
        only = _explain_guarded(kit, message, one, guard)
        return (_flag_apart(kit, message, one, only, guard) if only.how == "open" else []) or [only]
    by_words = _by_words(kit, message, one)
    if by_words is not None and by_words.confidence <= PARTLY_EXPLAINED:  # some of its values have no word
        whole = explain_choice(kit, message, one)
        by_words = by_words if whole.how == "open" else whole
    made = [by_words] if by_words is not None else _explained(kit, message, one, allowed)
    if len(made) == 1 and made[0].how == "open" and one.layout.length > 1 and one.moving > 1:
        return _without_switches(kit, message, one) or made
    return made


def _without_switches(kit: Kit, message: VehicleMessage, one: VehicleField) -> list[Explained]:
    """An open field cut into bits where one of them alone is a switch of the driver or a request; else nothing.

    Where several bits go with one channel, the field is a value that does (a brake pressure), and stays whole.
    """
    parts = in_bits(message, one)
    guards = [guard_of(kit.swap, kit.bus, message, part) if _jumps(message, one, part) else None for part in parts]
    channels = [g.channel for g in guards if g is not None and g.safe is not None]
    if not channels or len(set(channels)) < len(channels):
        return []
    return [
        open_field(kit, message, part, "cut from a field with a switch in it", "a longer recording")
        if guard is None or guard.safe is None else _explain_guarded(kit, message, part, guard)
        for part, guard in zip(parts, guards, strict=True)
    ]  # fmt: skip


def _part(kit: Kit, message: VehicleMessage, part: VehicleField) -> Explained:
    """One bit of a field that was cut: a person's note counts as for a field that guess found."""
    note_words(kit, message, part)
    return _by_words(kit, message, part) or explain_choice(kit, message, part)


def note_words(kit: Kit, message: VehicleMessage, part: VehicleField) -> None:
    """Keep a person's notes on a field that did not exist when words were looked for."""
    for name, channel in word_channels(kit.swap.vehicle(kit.bus)).items():
        found = match_words(message, part, name, channel)
        if found is not None:
            kit.swap.word_matches[kit.bus, message.key.identifier, message.key.extended, part.name, name] = found


def _jumps(message: VehicleMessage, one: VehicleField, part: VehicleField) -> bool:
    """Whether a value jumps by the weight of a bit where that changes; in a value that counts on, the bit carries."""
    weight = 1 << one.layout.positions.index(part.layout.start)
    flips = np.flatnonzero(np.diff(message.raw(part.layout)))
    change = np.abs(np.diff(message.raw(one.layout))[flips])
    return bool(len(flips)) and float((change >= weight / 2).mean()) > 0.5


def _explained(kit: Kit, message: VehicleMessage, one: VehicleField, allowed: frozenset[int]) -> list[Explained]:
    """The explanations of a field that no words describe."""
    if one.kind == "number":
        raw = message.raw(one.layout)
        number = explain_number(kit, message, one, allowed)
        if len(np.unique(raw)) > MOST_VALUES or (number.how != "open" and np.ptp(raw) >= LEAST_SPAN):
            return [number]
        choice = explain_choice(kit, message, one)  # a rule that is nearly right hits most values of a code
        if number.how == "open" or (choice.how != "open" and not choice.seen):  # codes and words, nothing learned
            return [choice]
        return [replace(number, confidence=min(number.confidence, SOME_CODES))]
    whole = explain_choice(kit, message, one)
    if one.layout.length > 1 and whole.how == "open":
        number = explain_number(kit, message, one, allowed) if one.moving >= 3 else whole
        if number.how != "open" and number.share >= EXACT:  # a choice has no values near the right one
            return [number]
    return _at_still_bits(kit, message, one, whole) or _in_bits(kit, message, one, whole) or [whole]


def _at_still_bits(kit: Kit, message: VehicleMessage, one: VehicleField, whole: Explained) -> list[Explained]:
    """A choice cut at every bit of it that stood still, where each part is explained better than the whole; else
    nothing."""
    parts = runs_apart(one, message.moved, 1)
    if len(parts) < 2:
        return []
    made = [_part(kit, message, part) for part in parts]
    all_explained = all(m.how != "open" for m in made)
    return made if all_explained and min(m.confidence for m in made) > whole.confidence + BETTER else []


def _in_bits(kit: Kit, message: VehicleMessage, one: VehicleField, whole: Explained) -> list[Explained]:
    """A choice as flags of one bit each, where those are explained better than its values are; else nothing.

    Two flags beside each other that mostly moved together look like one choice. Where every bit is lit as a lamp is, it
    is several lamps unless the donor's own code explains all of it: an engine's state.
    """
    parts = in_bits(message, one)
    if len(parts) < 2 or (len(parts) > MOST_FLAGS and whole.how != "open"):
        return []
    made = [_part(kit, message, part) for part in parts]
    if all(warns(kit.swap, message, part) is not None for part in parts):
        lit = all(m.how != "open" for m in made) and min(m.confidence for m in made) >= whole.confidence
        return made if lit or whole.how == "open" or not named_within(whole.value, kit.codes) else []
    if whole.how == "open":
        explained = [m for m in made if m.how != "open"]
        if len(explained) * 2 <= len(made):
            return []  # the bits belong together
        if len(explained) < len(made):  # and may do so here
            made = [replace(m, confidence=min(m.confidence, PARTLY_EXPLAINED)) for m in made]
        return made
    better = all(m.how != "open" for m in made) and min(m.confidence for m in made) > whole.confidence + BETTER
    return made if better else []


def _is_something_else(kit: Kit, message: VehicleMessage, one: VehicleField, guard: NeverDrafted) -> bool:
    """Whether a field only goes with what the driver does, as 'at idle' goes with the brake.

    Both must hold: a field of this bus carries the channel better and this one differs from it, and a measured
    quantity explains this one nearly without error.
    """
    if one.kind != "flag" or not differs_from_channel(kit.swap, kit.bus, message, one, guard.channel):
        return False
    return is_measured(message, one, kit.lines)


def _explain_guarded(kit: Kit, message: VehicleMessage, one: VehicleField, guard: NeverDrafted) -> Explained:
    """A field that may only follow a real one: a copy of that one, else its safe answer, open."""
    ends, first = one.layout.raw_range, str(guard.safe)
    limits = (str(ends[0]), str(ends[1])) if guard.fixed and one.layout.length > 1 else None
    if not guard.fixed:
        allowed = kit.tellers.get(guard.channel, frozenset())
        real = replace(kit, lines=(), atoms=tuple(a for a in kit.atoms if named_within(a.text, allowed)))
        made = _by_words(kit, message, one, guard.safe) or explain_choice(real, message, one)
        if made.how in ("copy", "echo") and _carries_channel(kit, made.value, guard):
            return replace(made, fallback=first, role=guard.role)
        echoed = _echo_of_code(kit, message, one)
        if echoed is not None:
            return replace(echoed, fallback=first, role=guard.role)
    return Explained(
        one.layout, one.name, "open", 0.0, first, first, guard.role,
        words=f"{guard.words} and nothing else is sent" if guard.fixed else f"{guard.words} until a module sends it",
        closes="" if guard.fixed else f"a module that stays and sends {guard.channel}", unreviewed=True, limits=limits,
        kept=guard.role != "brake_switch",
    )  # fmt: skip


def _flag_apart(
    kit: Kit, message: VehicleMessage, one: VehicleField, whole: Explained, guard: NeverDrafted
) -> list[Explained]:
    """A code that no module tells as a whole: the flag at one of its ends, if a module tells that, and the rest; or [].

    A gear with 'park or neutral' beside it goes with the lever, and no other module has both in one field.
    """
    if guard.fixed or one.kind != "choice" or one.moving < LEAST_CODES:
        return []
    positions = one.layout.positions
    for at, rest in ((positions[-1], positions[:-1]), (positions[0], positions[1:])):
        flag, left = (layout_from_positions(p) for p in ((at,), rest))
        part = replace(one, name=f"f_{at}_1", layout=flag, kind="flag", moving=1, channel="", channel_confidence=0.0)
        mine = guard_of(kit.swap, kit.bus, message, part) if at in message.moved else None
        if mine is None or mine.safe is None or mine.channel != guard.channel:
            continue
        made = _explain_guarded(kit, message, part, mine)
        if made.how == "open" or made.share < EXACT:
            continue
        safe = str(sum((int(whole.value) >> positions.index(p) & 1) << k for k, p in enumerate(rest)))
        others = replace(whole, layout=left, name=f"f_{left.start}_{left.length}", value=safe, fallback=safe)
        return [made, others]
    return []


def _echo_of_code(kit: Kit, message: VehicleMessage, one: VehicleField) -> Explained | None:
    """A code that is, value by value, a copy of one message of a module that stays: no guess at what the driver does.

    The code may have been cut apart there, so that two fields together carry a value.
    """
    by_message: dict[str, list[Atom]] = {}
    for atom in kit.atoms:
        if atom.how == "echo" and atom.text is not None:
            by_message.setdefault(atom.text.rpartition(".")[0], []).append(atom)
    if len(np.unique(message.raw(one.layout))) < LEAST_CODES:
        return None
    for atoms in by_message.values():
        made = explain_choice(replace(kit, lines=(), atoms=tuple(atoms)), message, one)
        if made.how == "echo" and made.share >= EXACT:
            return made
    return None


def codes_apart(kit: Kit, message: VehicleMessage) -> dict[str, list[Explained]]:
    """Flags side by side that are one code, which the other vehicle's own code explains as a whole: by the name of each
    flag.

    A state of the engine whose bits mostly changed alone looks like several flags, and some of those like lamps.
    """
    flags = {f.layout.start: f for f in message.fields if f.kind == "flag" and f.layout.length == 1}
    atoms = tuple(a for a in kit.atoms if named_within(a.text, kit.codes))
    out: dict[str, list[Explained]] = {}
    for start in sorted(flags) if atoms else ():
        for layout in _runs_from(start, frozenset(p for p, f in flags.items() if f.name not in out)):
            positions = layout.positions
            name = f"f_{layout.start}_{layout.length}"
            whole = replace(flags[start], name=name, layout=layout, kind="choice", moving=layout.length)
            made = _of_code(kit, message, whole, atoms)
            if made is not None:
                out |= {flags[p].name: [] for p in positions} | {flags[start].name: [made]}
                break
    return out


def _runs_from(start: int, flags: frozenset[int]) -> list[Layout]:
    """Layouts of two and more flags side by side, the lowest bit first, in either byte order, the longest first."""
    out: list[Layout] = []
    for up in (True, False):
        run = [start]
        while len(run) < MOST_CODE_BITS:
            after = run[-1] + 1 if up or run[-1] % 8 != 7 else run[-1] - 15
            if after not in flags or start not in flags:
                break
            run.append(after)
            layout = layout_from_positions(tuple(run))
            if layout not in out:
                out.append(layout)
    return sorted(out, key=lambda layout: -layout.length)


def _of_code(kit: Kit, message: VehicleMessage, one: VehicleField, atoms: Sequence[Atom]) -> Explained | None:
    """A choice of three or more values, each explained by codes, the other vehicle's among them; else None."""
    if len(np.unique(message.raw(one.layout))) < LEAST_CODES or guard_of(kit.swap, kit.bus, message, one) is not None:
        return None
    made = explain_choice(replace(kit, lines=(), atoms=tuple(atoms)), message, one)
    theirs = any(name.startswith(f"{other_bus(kit.swap, kit.bus)}.") for name in SIGNAL_NAME.findall(made.value))
    return made if made.how != "open" and theirs and made.share >= GOOD else None


def _carries_channel(kit: Kit, text: str, guard: NeverDrafted) -> bool:
    """Whether every signal of an expression really carries what a guarded field is about."""
    return named_within(text, kit.tellers.get(guard.channel, frozenset()))


# --- choices and flags


def _by_words(kit: Kit, message: VehicleMessage, one: VehicleField, answer: int | None = None) -> Explained | None:
    """A choice that carries the words of a channel that another module will carry: value by value."""
    best: tuple[float, Explained] | None = None
    for word in kit.swap.words.values():
        key = (kit.bus, message.key.identifier, message.key.extended, one.name, word.channel)
        found = kit.swap.word_matches.get(key)
        if found is None or word.origin is None or word.match is None:
            continue
        if found.value_share < WORDS_TOLD or found.word_share < WORDS_TOLD:
            continue
        pairs = [(v, found.value_of[w]) for v, w in sorted(word.match.word_of.items()) if w in found.value_of]
        if len({u for _, u in pairs}) < 2:
            continue
        first = first_value(message, one) if answer is None else answer
        if one.layout.length == 1:
            text = " or ".join(f"{word.origin.text} == {v}" for v, u in pairs if u == 1)
        else:
            text = f"lookup({word.origin.text}, {', '.join(f'{v}: {u}' for v, u in pairs)}, else {first})"
        sure = min(found.value_share, found.word_share, word.match.word_share)
        codes, counts = np.unique(message.raw(one.layout), return_counts=True)
        if set(codes[counts >= LEAST_FRAMES].tolist()) - {u for _, u in pairs}:
            sure = min(sure, PARTLY_EXPLAINED)
        spare = _has_spare_bits(word.origin.field, len(word.match.word_of)) and _has_spare_bits(one, len(codes))
        counted = one.layout.length > 1 and all(_is_number(w) for w in found.value_of)
        once = np.count_nonzero(np.diff(message.raw(one.layout))) < 2  # what did not come back fits by chance
        if spare or counted or once:  # a gear that is counted has a next one
            sure = min(sure, SOME_CODES)
        made = Explained(
            one.layout, one.name, "echo" if kit.bus == word.origin.bus else "copy", min(0.985, sure), text, str(first),
            "status", hold_ms=500, share=sure,
            words=f"says {word.channel} ({', '.join(f'{u} {w}' for w, u in found.value_of.items())}), as "
            f"{word.origin.text} does",
        )  # fmt: skip
        if best is None or sure > best[0]:
            best = (sure, made)
    return None if best is None else best[1]


def _has_spare_codes(one: VehicleField, used: int) -> bool:
    """Whether a field could hold more codes than were used."""
    return one.layout.length > 1 and used < 1 << one.layout.length


def _has_spare_bits(one: VehicleField, used: int) -> bool:
    """Whether a field has more bits than its values need: three words leave one code of two bits over anyway."""
    return one.layout.length > 1 and used <= 1 << (one.layout.length - 1)


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def explain_choice(kit: Kit, message: VehicleMessage, one: VehicleField) -> Explained:
    """A flag by a condition; a choice by a condition for each of its values."""
    raw = message.raw(one.layout)
    values, counts = np.unique(raw, return_counts=True)
    real = values[counts >= LEAST_FRAMES]
    if len(real) < 2 or len(real) > MOST_VALUES:
        return open_field(
            kit, message, one, f"{len(values)} values, too few frames of each", "a recording in which it moves"
        )
    best: list[tuple[int, Condition, str]] = []
    common = int(values[counts.argmax()])
    first = first_value(message, one)
    todo = [int(v) for v in real if len(real) > 2 or v == real[-1]]
    lit = warns(kit.swap, message, one) if one.layout.length == 1 else None
    warning = lit is not None
    for value in todo:
        watched = Watched(message.time_s, raw == value, slack_of(message))
        key = (kit.bus, message.key.identifier, message.key.extended, one.name)
        known = kit.atoms if warning or one.layout.length > 1 else _without_warnings(kit)
        atoms = [*known, *timed_atoms(watched, message, TIMED_TEXT), *several_words(kit.swap, key, value)]
        found = _warned(kit, watched) if warning else []
        found += [c for c in explain_flag(watched, atoms, kit.lines) if c.atom.text is not None]
        if not found:
            return open_field(kit, message, one, "no condition predicts its values", "a recording in which it moves")
        if warning:
            found[0] = _by_either(kit, watched, found[0], lit == value)
        found = [replace(c, share=_brief_share(watched, c)) for c in found]
        second = next((c for c in found[1:] if c.atom.key != found[0].atom.key), None)
        best.append((value, found[0], "" if second is None else second.atom.words))
    share = min(c.share for _, c, _ in best)
    most_wrong = 3 + (MOST_WRONG if share < EXACT else MOST_WRONG_EXACT) * len(np.flatnonzero(np.diff(raw)))
    if share < GOOD - 0.05 or max(c.wrong_edges for _, c, _ in best) > most_wrong:
        return open_field(
            kit,
            message,
            one,
            _missed([c for _, c, _ in best]),
            "a recording in which it moves apart from everything else",
        )
    if warning:
        predictor = best[0][1].atom
        if not _warned_of(kit, best[0][1], lit == 1):
            return open_field(
                kit, message, one,
                f"only {predictor.words} predicts it: that holds for every healthy engine, so it would never warn",
                "the donor's own warning, or the quantity that it warns of",
            )  # fmt: skip
    learned = any(c.atom.learned for _, c, _ in best)
    if learned and kit.bus == kit.swap.donor.bus and may_be_request(raw.astype(np.float64)):
        guessed = best[0][1].atom.words
        return open_field(
            kit, message, one, f"it rests at one value, as a request does, and only thresholds predict it ({guessed})",
            "a recording with its requests",
        )  # fmt: skip
    sure = _flag_confidence(best, raw)
    if _has_spare_codes(one, len(values)):
        sure = min(sure, SOME_CODES)
    hows: set[How] = {c.atom.how for _, c, _ in best}
    how: How = next(iter(hows)) if len(hows) == 1 else "state" if len(todo) > 1 else "threshold"
    if len(real) == 2:
        value, condition, runner = best[0]
        low = int(real[0])
        if one.layout.length == 1:
            text = condition.atom.text or ""
        else:
            text = f"choose({condition.atom.text}, {value}, {low})"
    else:
        rare = sorted((b for b in best if b[0] != common), key=lambda b: int((raw == b[0]).sum()))
        text = str(common)
        for value, condition, _ in reversed(rare):
            text = f"choose({condition.atom.text}, {value}, {text})"
        runner = best[0][2]
    words = "; ".join(f"{v}: {c.atom.words}" for v, c, _ in best)
    return Explained(
        one.layout, one.name, how, sure, text, str(first), "status", words=words,
        runner_up=runner, hold_ms=500, share=share,
        seen=recorded_ranges(
            message,
            (
                line for _, c, _ in best for line in c.atom.learned
                if line.text in text and not separates_running(message, c.atom, line)
            ),
            hotter=True,
        ),
    )  # fmt: skip


def _missed(best: Sequence[Condition]) -> str:
    """Why the closest conditions are not good enough: the worst of them."""
    worst = min(best, key=lambda c: c.share)
    if worst.share >= GOOD - 0.05:
        worst = max(best, key=lambda c: c.wrong_edges)
        return f"the closest condition ({worst.atom.words}) has {worst.wrong_edges} changes at wrong times"
    if worst.share < 0.5:
        return "no condition explains it"
    return f"the closest condition ({worst.atom.words}) is right for {worst.share:.0%} of the time"


def _brief_share(watched: Watched, found: Condition) -> float:
    """The share that is right; of a value that never lasted, of the time without it, if most changes were predicted."""
    if (watched.far & watched.truth).any():
        return found.share
    return watched.left_alone(found.atom.at(watched.times)) if 2 * found.wrong_edges <= len(watched.edges) else 0.0


def _warned_of(kit: Kit, condition: Condition, lit: bool) -> bool:
    """Whether a condition hears the other vehicle's warnings and nothing else, and any of them lights the lamp.

    A warning that needs something beside it to fit is another warning, and stays dark when this one is due. `lit` says
    that the condition holds while the lamp is lit, otherwise while it is dark.
    """
    both = " and " if lit else " or "
    return named_within(condition.atom.text, kit.warnings) and both not in condition.atom.key


def _warned(kit: Kit, watched: Watched) -> list[Condition]:
    """The other vehicle's warning that a lamp goes with, where it has one: it comes before every other condition."""
    found = explain_flag(watched, _warning_atoms(kit), [], pairs=False)
    return [c for c in found[:1] if c.share >= GOOD and c.wrong_edges <= 1 + MOST_WRONG * len(watched.edges)]


def _without_warnings(kit: Kit) -> list[Atom]:
    """What a flag may follow that is not lit as a warning is: one may come at any time, and the flag would go with it.

    A flag that is the same function as the other vehicle's warning would be lit as that is.
    """
    return [a for a in kit.atoms if not set(SIGNAL_NAME.findall(a.text or "")) & kit.warnings]


def _warning_atoms(kit: Kit) -> list[Atom]:
    return [a for a in kit.atoms if any(name in (a.text or "") for name in kit.warnings)]


def _by_either(kit: Kit, watched: Watched, found: Condition, lit: bool) -> Condition:
    """The warning that a lamp was found to go with, together with every other one that it goes with about as well.

    The recording does not tell which of them it repeats, so either of them lights it. `lit` tells that the lamp is lit
    where the watched flag holds, otherwise it is dark there.
    """
    if not named_within(found.atom.text, kit.warnings):
        return found
    atom = found.atom
    for one in explain_flag(watched, _warning_atoms(kit), [], pairs=False):
        named = set(SIGNAL_NAME.findall(one.atom.text or ""))
        if (
            not named <= set(SIGNAL_NAME.findall(atom.text or ""))
            and one.wrong_edges <= found.wrong_edges + ALIKE_EDGES
            and one.share >= found.share - ALIKE_SHARE
        ):
            atom = joined_atoms(atom, one.atom, "or" if lit else "and")
    if atom is found.atom:
        return found
    predicted = atom.at(watched.times)
    price, share, _, wrong = watched.price_of(predicted, atom.bits)
    return Condition(atom, share, watched.halves(predicted), price, wrong, occasions=0)  # no sure claim


def _flag_confidence(
    best: Sequence[tuple[int, Condition, str]], raw: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> float:
    """How sure: by the share that is right on the worse half, wrong changes, and how often it changed."""
    changes = int((np.diff(raw) != 0).sum())
    share = min(c.share for _, c, _ in best)
    held = min(c.held_out if c.held_out > 0 else c.share for _, c, _ in best)
    wrong = max(c.wrong_edges for _, c, _ in best)
    sure = 0.985 - 2.0 * (1 - share) - 1.0 * (1 - held) - 0.06 * wrong
    if changes < 4:
        sure = min(sure, 0.9)
    if any(c.atom.how == "threshold" for _, c, _ in best):
        sure = min(sure, 0.96 if changes >= 6 else 0.8)
    # two conditions fit more by chance
    if any((c.atom.learned and len(c.atom.quantities) > 1) or c.occasions < LEAST_OCCASIONS for _, c, _ in best):
        sure = min(sure, SOME_CODES)
    return float(min(max(sure, 0.05), 0.985))
