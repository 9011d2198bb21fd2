"""Drafting room: what is never drafted, whatever a recording shows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from swapbridge.compiler.messages.rest import OFF_ONLY
from swapbridge.core import j1939
from swapbridge.core.obd import diagnostic_use
from swapbridge.core.vocabulary import IN_GEAR_WORDS, OFF_WORDS, PARK_NEUTRAL_WORDS, plain, spoken_words
from swapbridge.drafting.channel_words import WordMatch, least_share, match_words, word_channels
from swapbridge.drafting.recorded_vehicle import Vehicle, VehicleField, VehicleMessage, VehicleSeries, spans
from swapbridge.drafting.swap_sources import LEAST_CHANNEL, Origin, Swap

LEAST_WAKES = 3
_MACHINERY = frozenset({j1939.TRANSPORT, j1939.TRANSPORT_DATA, j1939.ADDRESS_CLAIMED, j1939.DM1, j1939.DM2})
SAME_SHARE = 0.95
"""A field carries a channel if another field that carries it predicts its value in this share of the time."""
BETTER_TOLD = 0.05
"""A field that carries another channel so much better is not guarded for one that it only moves along with."""
NOTHING = 0.02
"""A request that comes this near to nothing, as a share of its range, was seen at rest."""
AUTHENTICATED_BITS = 24
"""A run of noise this long with no relation to anything is taken for an authentication code."""
RULES: tuple[tuple[frozenset[str], str, str], ...] = (
    (frozenset({"torque", "increase"}), "torque_increase_request", "off"),
    (frozenset({"idle", "raise"}), "idle_raise_request", "off"),
    (frozenset({"cruise"}), "cruise_switch", "off"),
    (frozenset({"brake"}), "brake_switch", "on"),
    (frozenset({"clutch"}), "status", "off"),
)
"""Words of a channel's name, what it is, its safe answer (common practice, no source).

A pressed brake ends cruise. A clutch that is said to be pressed lets the starter turn in gear. Park or neutral does so
too: a selector answers that a gear is in.
"""


def refused(message: VehicleMessage) -> str:
    """Why a whole message is not drafted, or ""."""
    use = diagnostic_use(message.key.identifier, message.key.extended)
    if use:
        return f"its identifier is for {use}"
    if message.group is not None and message.group.number in j1939.COMMANDS:
        return (
            f"it is {j1939.COMMANDS[message.group.number]}: such a message is written by hand, with limits and a role"
        )
    if message.group is not None and message.group.number in _MACHINERY:
        return f"it is J1939's own {message.group.words}: each node says that for itself"
    if is_start_up(message):
        return _start_up(message)
    if not message.counter and _noisy_run(message) >= AUTHENTICATED_BITS:
        return "it looks authenticated: a long run of its bits is noise, which nobody can make without the key"
    return ""


def is_start_up(message: VehicleMessage) -> bool:
    """Whether it comes a few times after each wake only."""
    moments = spans(message.time_s, 1.5)
    counts = [int(((message.time_s >= a) & (message.time_s <= b)).sum()) for a, b in moments]
    return bool(counts) and max(counts) <= 12 and all(b - a < 3 for a, b in moments)


def _start_up(message: VehicleMessage) -> str:
    moments = spans(message.time_s, 1.5)
    if len(message.moved - _counted(message)) > 0:
        return (
            "its start-up payload differs from wake to wake, as an immobiliser's answer does: it is never sent, and "
            "pairing is work for a licensed person"
        )
    if len(moments) < LEAST_WAKES:
        count = "one wake" if len(moments) == 1 else f"{len(moments)} wakes"
        return f"its start-up payload was recorded at {count} only, and {LEAST_WAKES} identical ones are needed"
    return ""


def _counted(message: VehicleMessage) -> frozenset[int]:
    out: set[int] = set()
    if message.counter is not None:
        out |= set(message.counter[0].positions)
    if message.checksum is not None:
        out |= set(message.checksum[0].layout.positions)
    return frozenset(out)


def _noisy_run(message: VehicleMessage) -> int:
    """Longest run of neighbouring bits that each flip in about half of the frames."""
    if len(message.time_s) < 200:
        return 0
    bits = np.unpackbits(message.payload, axis=1, bitorder="little")
    flips = (bits[1:] != bits[:-1]).mean(axis=0)
    skip = _counted(message)
    run = best = 0
    for position, rate in enumerate(flips.tolist()):
        run = run + 1 if 0.42 < rate < 0.58 and position not in skip else 0
        best = max(best, run)
    return best


# --- what the driver does and what asks the engine for more: only from the real thing, and only one safe answer


@dataclass(frozen=True, slots=True)
class NeverDrafted:
    """A field that is never a guess: what it is, by which channel, and its one safe answer.

    `fixed` fields are sent with that answer and nothing else. `safe` is None where no recording showed the answer.
    """

    role: str
    channel: str
    safe: int | None
    fixed: bool
    words: str
    answer: str = ""


def unanswered(swap: Swap, bus: str, message: VehicleMessage) -> str:
    """Why a message is not drafted whose field has a safe answer that was never recorded, or ""."""
    for one in message.fields:
        guard = guard_of(swap, bus, message, one)
        if guard is not None and guard.safe is None:
            return f"{one.name} follows {guard.channel}, and its safe answer was not recorded"
    return ""


def guard_of(swap: Swap, bus: str, message: VehicleMessage, one: VehicleField) -> NeverDrafted | None:
    """What a field must never be guessed as, or None: by the channels that a person or a scan tool recorded."""
    key = (bus, message.key.identifier, message.key.extended, one.name)
    known = [t for k, t in swap.word_matches.items() if k[:4] == key]
    if not known and one.kind != "number":  # a part of a field that was cut up later
        channels = word_channels(swap.vehicle(bus)).items()
        known = [
            t for name, c in channels
            if _rule_of(name, c[1]) is not None and (t := match_words(message, one, name, c)) is not None
        ]  # fmt: skip
    better = max((t.value_share for t in known if _is_plain(t)), default=0.0)
    for match in sorted(known, key=lambda t: -t.value_share):
        rule = _rule_of(match.channel, tuple(match.value_of))
        if better >= match.value_share + BETTER_TOLD:
            break  # a gear goes with the lever, and says the gear
        sure = match.value_share >= least_share(len(match.word_of)) or (
            match.channel == one.channel and one.channel_confidence >= LEAST_CHANNEL
        )
        if rule is None or not sure:
            continue
        words = _answers(rule[1], tuple(match.value_of))
        safe = [match.value_of[w] for w in words]
        apart = {v for w, v in match.value_of.items() if w not in words}
        if apart and not apart & set(safe):
            return _guard(rule, match.channel, safe[0] if safe else None, one)
    rule = _rule_of(one.channel, ())
    if one.kind == "number" and one.channel_confidence >= LEAST_CHANNEL and rule is not None and rule[1] == "off":
        values = message.raw(one.layout) * one.scale + one.offset
        near = int(np.abs(values).argmin())
        nothing = abs(values[near]) <= max(abs(one.scale), NOTHING * float(np.ptp(values)))
        return _guard(rule, one.channel, int(message.raw(one.layout)[near]) if nothing else None, one)
    return None


def never_off(vehicle: Vehicle) -> list[str]:
    """Channels that ask the engine for more and that a recording never shows 'off', by what was recorded of them.

    Such a request may be in any bit that never moved, so that nothing of this recording could be sent as recorded.
    """
    out = []
    for name, channel in (vehicle.track.channels if vehicle.track is not None else {}).items():
        rule = _rule_of(name, ())
        if rule is None or rule[0] not in OFF_ONLY or not len(channel.value):
            continue
        off = np.abs(channel.value) <= NOTHING * np.abs(channel.value).max()
        if channel.texts:
            off = np.isin(channel.value, [n for n, text in enumerate(channel.texts) if plain(text) in OFF_WORDS])
        elif channel.unit and rule[0] != "torque_increase_request":
            continue  # a set speed asks for nothing
        if not off.any():
            out.append(name)
    return out


def _is_plain(match: WordMatch) -> bool:
    """Whether a field and an unguarded channel predict each other."""
    return (
        min(match.value_share, match.word_share) >= SAME_SHARE
        and _rule_of(match.channel, tuple(match.value_of)) is None
    )


def differs_from_channel(swap: Swap, bus: str, message: VehicleMessage, one: VehicleField, channel: str) -> bool:
    """Whether another field of its bus carries a channel better, and this one carries something else."""
    word = swap.words.get(channel)
    matches = {k: t for k, t in swap.word_matches.items() if k[0] == bus and k[4] == channel}
    if word is None or not matches:
        return False
    best = max(matches, key=lambda k: matches[k].word_share)
    if best[1:4] == (message.key.identifier, message.key.extended, one.name):
        return False
    found = match_words(message, one, channel, (word.series, word.words))
    return found is None or found.value_share < SAME_SHARE


def _shows_answer_due(swap: Swap, message: VehicleMessage, one: VehicleField, guard: NeverDrafted) -> bool:
    """Whether a code shows at least when the safe answer is due, as a gear does for a lever."""
    word = swap.words[guard.channel]
    answers = [word.words.index(w) for w in _answers(guard.answer, word.words)]
    answered = np.isin(word.series.value, answers).astype(np.float64)
    found = match_words(message, one, guard.channel, (VehicleSeries(word.series.time_s, answered), ("other", "answer")))
    return found is not None and found.word_share >= SAME_SHARE


def tellers(
    swap: Swap, measured: Callable[[VehicleMessage, VehicleField], bool] = lambda message, one: False
) -> dict[str, frozenset[str]]:
    """Signals that will be there and say what the driver does, by the channel that a person told.

    A flag of the donor's engine computer is none if measured quantities predict it nearly without error (`measured`):
    in this recording the driver braked whenever the engine overran, which is no reason to report a brake.
    """
    out: dict[str, set[str]] = {}

    def is_engines_own(bus: str, message: VehicleMessage, one: VehicleField) -> bool:
        return bus == swap.donor.bus and one.kind == "flag" and measured(message, one)

    for channel, word in swap.words.items():
        origin = word.origin
        if origin is not None and not (
            _rule_of(channel, word.words) is not None and is_engines_own(origin.bus, origin.message, origin.field)
        ):
            out.setdefault(channel, set()).add(origin.text)
    for bus in (swap.host.bus, swap.donor.bus):
        for message in swap.vehicle(bus).messages.values():
            for one in message.fields:
                if not swap.is_source(bus, message, one):
                    continue
                guard = guard_of(swap, bus, message, one)
                if (
                    guard is not None
                    and (
                        not differs_from_channel(swap, bus, message, one, guard.channel)
                        or _shows_answer_due(swap, message, one, guard)
                    )
                    and not is_engines_own(bus, message, one)
                ):
                    out.setdefault(guard.channel, set()).add(Origin(bus, message, one).text)
    return {channel: frozenset(names) for channel, names in out.items()}


def _guard(rule: tuple[str, str], channel: str, safe: int | None, one: VehicleField) -> NeverDrafted:
    role, answer = rule
    # a role says which way round a flag is: where it is the other way round, it is a plain status
    natural = safe == int(answer == "on") and (one.layout.length == 1 or answer == "off")
    return NeverDrafted(
        role if natural else "status", channel, safe, role in OFF_ONLY, f"it carries {channel}: '{answer}'", answer
    )


def _rule_of(channel: str, words: tuple[str, ...]) -> tuple[str, str] | None:
    """(role, safe answer) of a channel that is never guessed, or None."""
    spoken = set(spoken_words(channel).split())
    for need, role, answer in RULES:
        if need <= spoken:
            return role, answer
    if {plain(w) for w in words} & PARK_NEUTRAL_WORDS or plain(channel) in ("park", "neutral", "parkneutral"):
        return "park_neutral", "in gear"
    return None


def _answers(answer: str, words: tuple[str, ...]) -> list[str]:
    """The words of a channel that are a safe answer, the best first."""
    if answer == "on":
        return [w for w in words if plain(w) not in OFF_WORDS]
    if answer == "off" or not {plain(w) for w in words} & PARK_NEUTRAL_WORDS:
        return [w for w in words if plain(w) in OFF_WORDS]
    geared = [w for w in words if plain(w) not in PARK_NEUTRAL_WORDS]
    return sorted(geared, key=lambda w: plain(w) not in IN_GEAR_WORDS)
