"""Bus room: who may send what onto a bus with wires: asked before anything is opened, and while frames are played.

Plans ask `plan.proof.why_not`; plain frames of a capture ask the bus's map, and the bus itself: what was just heard
there has a sender already. Pure: takes frames and the time.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from swapbridge.core.errors import RefusedError
from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.obd import diagnostic_use
from swapbridge.core.roles import BY_NAME
from swapbridge.signalmap.signal_map import MapMessage, SignalMap

QUIET_US = 10_000_000
"""An identifier heard on a bus within so long is never played onto it."""
ECHO_US = 200_000
GUARDED_KINDS = {
    "braking": "a brake module",
    "diagnostics": "a diagnostics module",
    "restraint": "a restraint module",
    "steering": "a steering module",
}
GUARDED_HAZARDS = ("braking", "crash", "immobiliser", "restraint", "steering")


def why_guarded(word: int, signal_map: SignalMap | None) -> str:
    """Why a recorded frame of this identifier is never played onto a vehicle's bus; "" when it may be.

    Parameters
    ----------
    word : int
        Identifier word.
    signal_map : SignalMap or None
        The bus's map. Without one only a person's own choice of identifiers says whose they are.
    """
    if use := diagnostic_use(*split_word(word)):
        return f"it is for {use}"
    if signal_map is None:
        return ""
    message = signal_map.by_word(word)
    if message is None:
        return "it is not in the map, so the module that sends it is unknown"
    kinds = signal_map.sender_kinds(message)
    for kind in sorted(kinds & GUARDED_KINDS.keys()):
        return f"{GUARDED_KINDS[kind]} sends it"
    if not kinds or "unknown" in kinds:
        return "the map does not say what kind of module sends it"
    return _dangerous(message)


def _dangerous(message: MapMessage) -> str:
    for signal in message.signals:
        role = BY_NAME.get(signal.role)
        if role is not None and role.hazard in GUARDED_HAZARDS:
            return f"{signal.name} in it is of {role.hazard}"
        if signal.authenticated:
            return f"{signal.name} in it looks like a message authentication code"
    return ""


@dataclass(slots=True)
class Choice:
    """What of a capture may be played onto buses with wires.

    Attributes
    ----------
    words : mapping of int to frozenset of int
        Identifier words by bus number.
    left_out : tuple of str
        Sentences: which were left out, and why.
    """

    words: dict[int, frozenset[int]]
    left_out: tuple[str, ...]


def playable_words(
    present: Mapping[int, Collection[int]],
    names: Mapping[int, str],
    asked: Collection[int] | None,
    maps: Mapping[int, SignalMap],
) -> Choice:
    """Choose what of a capture may be played onto buses with wires.

    Parameters
    ----------
    present : mapping
        Identifier words in the capture, by bus number.
    names : mapping
        The buses' names, for what is said.
    asked : collection of int or None
        Identifier words that the person named; None plays what the maps allow.
    maps : mapping
        Maps by bus number, where there are any.

    Raises
    ------
    RefusedError
        Nothing says what may be played, or the person named an identifier that never is.
    """
    out: dict[int, frozenset[int]] = {}
    left_out = []
    for bus, words in present.items():
        signal_map = maps.get(bus)
        if asked is None and signal_map is None:
            raise RefusedError(
                f"bus {names[bus]} may have a vehicle on it, and every identifier of the capture would be played onto "
                "it, brakes and restraints included: name what to play with --id, or the bus's map with --map"
            )
        wanted = [word for word in words if asked is None or word in asked]
        why = {word: reason for word in wanted if (reason := why_guarded(word, signal_map))}
        if why and asked is not None:
            word, reason = next(iter(sorted(why.items())))
            raise RefusedError(f"{_label(word)} is not played onto bus {names[bus]}: {reason}. Leave it out of --id")
        left_out += [f"{_label(word)} is left out: {reason}" for word, reason in sorted(why.items())]
        out[bus] = frozenset(word for word in wanted if word not in why)
    return Choice(out, tuple(left_out))


@dataclass(slots=True)
class Ear:
    """What was heard on the buses that are played onto; an identifier heard lately has a sender, and is not ours."""

    _last_us: dict[tuple[int, int], int] = field(default_factory=dict)
    _ours: dict[tuple[int, int], tuple[bytes, int]] = field(default_factory=dict)
    _announced: set[tuple[int, int]] = field(default_factory=set)

    def heard(self, bus: int, word: int, data: bytes, now_us: int) -> None:
        """Take note of a frame on a bus; our own, given back by the adapter, do not count."""
        ours = self._ours.get((bus, word))
        if ours is None or ours[0] != data or now_us - ours[1] >= ECHO_US:
            self._last_us[bus, word] = now_us

    def may(self, bus: int, word: int, data: bytes, now_us: int) -> bool:
        """Whether a frame may be played now; if so it is taken for played."""
        last = self._last_us.get((bus, word))
        if last is not None and now_us - last < QUIET_US:
            return False
        self._ours[bus, word] = (data, now_us)
        return True

    def taken(self, words: Mapping[int, Iterable[int]], now_us: int) -> list[tuple[int, int]]:
        """Which of these (bus, word) were heard lately."""
        return [
            (bus, word)
            for bus, many in words.items()
            for word in sorted(many)
            if (last := self._last_us.get((bus, word))) is not None and now_us - last < QUIET_US
        ]

    def news(self, bus: int, word: int) -> str:
        """A sentence about an identifier that was held back, the first time only."""
        if (bus, word) in self._announced:
            return ""
        self._announced.add((bus, word))
        return f"{_label(word)} is being sent by another node on that bus: it is not played"


def _label(word: int) -> str:
    return format_identifier(*split_word(word))
