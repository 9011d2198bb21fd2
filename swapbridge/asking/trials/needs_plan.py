"""Asking room: which trials find what a module needs, in which order: a pure plan over answers.

The first trial checks that the module is satisfied when everything is sent, the second that it complains when nothing
is. If it does not complain, it is not monitoring, and the messages that enable its monitoring are found first and kept
in. Then come messages, then the bits of each needed message. From time to time everything is sent again, to notice a
module that complains whatever it receives. The same answers always lead to the same trials, so only the list of answers
has to be stored.
"""

from __future__ import annotations

import math
import random
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from swapbridge.asking.trials.grouping import Finder, Grouping, OneByOne, most_for
from swapbridge.asking.trials.permit import Sendable
from swapbridge.asking.trials.things import MessageBits, Thing, TrialPart
from swapbridge.core.errors import InputError

NeedsVerdict = Literal["needed", "enables monitoring", "not needed", "undecided"]
TrialMethod = Literal["auto", "grouping", "one by one"]
TrialAnswer = tuple[str, ...] | None
"""What the module complained of: codes, or `LAMP` where a person was asked; None where it did not answer."""
LAMP = "the lamp"
WRONG = 0.05
"""Share of answers that are wrong."""
DOUBT = 0.01
"""Accepted probability of a wrong result in each stage."""
MOST_MESSAGES, MOST_BITS, MOST_ENABLING = 4, 5, 3
"""So many are needed at most, to begin with; answers that say more are believed."""
GROUP_FROM = 5
"""From so many things on grouping is cheaper than one by one (measured)."""
CONTROLS = 3
"""Trials with everything sent, at first."""
CONTROL_EVERY = 12
"""After so many trials everything is sent again."""
MOST_TOGETHER = 3
"""So many complaints with a bit that can't be held alone, and it stays in doubt."""
UNANSWERED = 3
"""So many trials in a row without an answer end it."""
MOST_TRIALS = 6
"""Trials a thing, after which a stage ends, and what it can't separate stays in doubt."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial.

    Attributes
    ----------
    left_out : frozenset of int
        Words that are not sent.
    parts : tuple of TrialPart
        Stretches, one after the other.
    words : str
        What is left out, for a person and the log.
    """

    left_out: frozenset[int]
    parts: tuple[TrialPart, ...]
    words: str


@dataclass(frozen=True, slots=True)
class TrialFinding:
    """One thing and what was found of it.

    Attributes
    ----------
    thing : Thing
    verdict : {"needed", "enables monitoring", "not needed", "undecided"}
        "undecided" counts as needed: the recording always moves it together with something else.
    complained, silent : int
        Trials in which it was left out (with others, too) and the module complained, and did not.
    codes : tuple of str
        What it complained of when this was left out alone.
    """

    thing: Thing
    verdict: NeedsVerdict
    complained: int
    silent: int
    codes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NeedsFound:
    """What a plan came to.

    Attributes
    ----------
    messages, bits : tuple of Found
    trials : int
    controls, wrong_controls : int
        Trials with everything sent, and those of them with a complaint.
    ignored : tuple of str
        Codes that were there with everything sent, and count for nothing.
    remarks : tuple of str
    """

    messages: tuple[TrialFinding, ...]
    bits: tuple[TrialFinding, ...]
    trials: int
    controls: int
    wrong_controls: int
    ignored: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


_TrialScript = Generator[Trial, TrialAnswer, NeedsFound]


@dataclass(slots=True)
class _TrialStage:
    """Things among which the needed ones are looked for."""

    things: tuple[Thing, ...]
    left_out: frozenset[int] = frozenset()
    bits: MessageBits | None = None
    inverted: bool = False
    least: int = 0
    most: int = MOST_BITS
    confirm: bool = True
    given: tuple[tuple[tuple[int, ...], bool], ...] = ()


@dataclass(slots=True)
class NeedsPlan:
    """Plans trials and takes their answers.

    Parameters
    ----------
    messages : tuple of Sendable
        What may be left out.
    with_bits : bool
        Whether the bits of needed messages are looked for, too.
    method : {"auto", "grouping", "one by one"}
    seed : int

    Attributes
    ----------
    answers : list
    result : NeedsFound or None
        Once there is nothing left to ask.
    """

    messages: tuple[Sendable, ...]
    with_bits: bool = True
    method: TrialMethod = "auto"
    seed: int = 0
    answers: list[TrialAnswer] = field(default_factory=list)
    result: NeedsFound | None = None
    _script: _TrialScript = field(init=False)
    _trial: Trial | None = None
    _ignored: tuple[str, ...] = ()
    _since_control: int = 0
    _controls: list[bool] = field(default_factory=list)
    _unanswered: int = 0
    _remarks: list[str] = field(default_factory=list)
    _codes: dict[Thing, list[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.messages:
            raise InputError("there is no message to leave out: name the absent module or its messages")
        given, self.answers = self.answers, []
        self._script = self._run()
        self._trial = next(self._script)
        for answer in given:
            if self._trial is None:
                raise InputError("the file has more answers than this trial has questions: name the file of this trial")
            self.take(answer)

    def next_trial(self) -> Trial | None:
        """The trial to make now; None when nothing is left to ask."""
        return self._trial

    def take(self, answer: TrialAnswer) -> None:
        """Take a trial's answer.

        Raises
        ------
        InputError
            The module can't be judged: why.
        """
        self.answers.append(answer)
        try:
            self._trial = self._script.send(answer)
        except StopIteration as end:
            self._trial, self.result = None, end.value

    def _run(self) -> _TrialScript:
        everything = frozenset(one.word for one in self.messages)
        yield from self._begin()
        things = tuple(Thing(one.word, label=one.message.label) for one in self.messages)
        enabling: tuple[int, ...] = ()
        witness = everything
        if not (yield from self._sure(Trial(everything, (TrialPart(),), "everything"))):
            if len(things) == 1:
                return self._end((), (), "it never complained: nothing that it says depends on this message")
            found = yield from self._witness(everything)
            if found is None:
                return self._end((), (), "it never complained, whatever was left out: ask it another way")
            witness = found
            kept = tuple(thing for thing in things if thing.word not in witness)
            stage = _TrialStage(kept, witness, None, True, 1, MOST_ENABLING, False)
            verdicts = yield from self._find(stage)
            enabling = tuple(one.thing.word for one in verdicts if one.verdict == "needed")
            lets = tuple(_lets_watch(one) for one in verdicts if one.verdict == "needed")
        else:
            lets = ()
        yield from self._still_content()
        rest = tuple(thing for thing in things if thing.word not in enabling)
        group = tuple(n for n, thing in enumerate(rest) if thing.word in witness)
        stage = _TrialStage(rest, frozenset(), None, False, 1, MOST_MESSAGES, True, ((group, True),))
        messages = lets + (yield from self._find(stage))
        bits: tuple[TrialFinding, ...] = ()
        for one in self.messages if self.with_bits else ():
            needed = next((f.verdict for f in messages if f.thing.word == one.word), "not needed")
            if needed == "not needed":
                continue
            split = MessageBits(one)
            watch = needed == "enables monitoring"
            if split.things:
                left_out = witness if watch else frozenset[int]()
                verdicts = yield from self._find(_TrialStage(split.things, left_out, split, watch))
                bits += tuple(_lets_watch(f) if watch and f.verdict == "needed" else f for f in verdicts)
        yield from self._still_content()
        return self._end(messages, bits)

    def _begin(self) -> Generator[Trial, TrialAnswer, None]:
        """What it complains of with everything sent counts for nothing later on."""
        seen: list[str] = []
        for _ in range(CONTROLS):
            answer = yield Trial(frozenset(), (TrialPart(),), "nothing")
            if answer is None:
                raise InputError("the module does not answer with everything sent: check key, wiring and addresses")
            seen += answer
        self._ignored = tuple(sorted({code for code in seen if seen.count(code) * 2 > CONTROLS}))
        if LAMP in self._ignored:
            raise InputError(
                "the module complains even with everything sent, so leaving things out proves nothing: find the cause "
                "first"
            )
        if self._ignored:
            self._remarks.append(
                f"with everything sent it complains of {', '.join(self._ignored)}: these are not counted (if they "
                "were stored before, the module does not fall asleep between trials)"
            )
        self._controls += [False] * CONTROLS

    def _ask(
        self, trial: Trial, things: Iterable[Thing] = (), *, awake: bool = False
    ) -> Generator[Trial, TrialAnswer, bool | None]:
        """Whether it complained, None where it should be awake and did not answer; sometimes a control first."""
        self._since_control += 1
        if self._since_control > CONTROL_EVERY:
            yield from self._still_content()
        answer = yield trial
        if answer is None:
            self._unanswered += awake
            if self._unanswered >= UNANSWERED:
                raise InputError("the module does not answer any more: check key, supply and wiring, and resume later")
            return None if awake else False  # a sleeping module monitors nothing
        self._unanswered = 0
        codes = [code for code in answer if code not in self._ignored]
        for thing in things:
            self._codes.setdefault(thing, []).extend(codes)
        return bool(codes)

    def _still_content(self) -> Generator[Trial, TrialAnswer, None]:
        """A control; a module that complains of everything by now has not begun a new cycle."""
        self._since_control = 0
        again = yield from self._control()
        if again and (yield from self._control()) and (yield from self._control()):
            raise InputError(
                "the module now complains with everything sent, which it did not at first: check that it falls asleep "
                "between trials (--asleep) and that its supply is steady; trust nothing that was found since the first "
                "complaint"
            )

    def _control(self) -> Generator[Trial, TrialAnswer, bool]:
        answer = yield Trial(frozenset(), (TrialPart(),), "nothing")
        complained = any(code not in self._ignored for code in answer or ())
        self._controls.append(complained)
        return complained

    def _sure(self, trial: Trial) -> Generator[Trial, TrialAnswer, bool]:
        """The same trial until its answer is sure."""
        odds, step = 0.0, math.log((1 - WRONG) / WRONG)
        while abs(odds) < math.log(1 / DOUBT):
            complained = yield from self._ask(trial)
            odds += step if complained else -step
        return odds > 0

    def _witness(self, everything: frozenset[int]) -> Generator[Trial, TrialAnswer, frozenset[int] | None]:
        """Messages without which it surely complains, though all that lets it watch is sent."""
        draw, every = random.Random(self.seed), sorted(everything)
        shares = [0.5] * 8 + [0.25] * 8
        tries = [frozenset(word for word in every if draw.random() < share) for share in shares]
        for left_out in (*tries, *(frozenset((word,)) for word in every)):
            if not left_out or left_out == everything:
                continue
            trial = Trial(left_out, (TrialPart(),), self._words(left_out))
            if (yield from self._ask(trial)) and (yield from self._sure(trial)):
                return left_out
        return None

    def _find(self, stage: _TrialStage) -> Generator[Trial, TrialAnswer, tuple[TrialFinding, ...]]:
        things, count = stage.things, len(stage.things)
        finder = self._finder(stage)
        counts, alone = [[0, 0] for _ in things], set()
        apart = set(range(count)) if stage.bits is None else set()
        for _ in range(MOST_TRIALS * count + 20):
            group = finder.next_group()
            if group is None:
                break
            parts, held = ((TrialPart(),), group) if stage.bits is None else _parts(stage.bits, group)
            left_out = stage.left_out | (frozenset() if stage.bits else {things[n].word for n in group})
            words = ", ".join(things[n].label for n in group)
            if stage.left_out:
                words += f"; without {self._words(stage.left_out)}"
            single = [things[group[0]]] if len(group) == 1 and not stage.inverted else []
            complained = yield from self._ask(Trial(left_out, parts, words), single, awake=not stage.inverted)
            if complained is None:
                continue
            hit = complained is not stage.inverted
            if isinstance(finder, Grouping):
                finder.take(held if hit else group, hit)
                if hit and len(group) == 1 and set(held) != set(group) and counts[group[0]][0] >= MOST_TOGETHER:
                    finder.give_up(group[0])
            else:
                finder.take(group, hit)  # whatever was held with it: in doubt needed
            for n in group:
                counts[n][0 if hit else 1] += 1
            if len(group) == 1 and not hit:
                alone.add(group[0])
            if set(held) == set(group):
                apart.update(group)
            if isinstance(finder, Grouping) and finder.contradicted:
                finder = OneByOne(count, WRONG, DOUBT, finder.answers)
        needed, _ = finder.result()
        out = []
        for n, thing in enumerate(things):
            verdict: NeedsVerdict = "undecided"
            if n in needed and n in apart:
                verdict = "needed"
            elif n not in needed and (n in alone or not stage.confirm):
                verdict = "not needed"
            codes = self._codes.get(thing, []) if verdict == "needed" else []
            out.append(TrialFinding(thing, verdict, counts[n][0], counts[n][1], tuple(dict.fromkeys(codes))))
        return tuple(out)

    def _finder(self, stage: _TrialStage) -> Finder:
        count, most = len(stage.things), most_for(len(stage.things), stage.most)
        singly = self.method == "one by one" or (self.method == "auto" and count < GROUP_FROM)
        if singly or count > 64 or most < min(count, 2):
            return OneByOne(count, WRONG, DOUBT)
        finder = Grouping(
            count, most, min(stage.least, most), WRONG, DOUBT, self.seed, list(stage.given), confirm=stage.confirm
        )
        if stage.bits is not None:
            bits = stage.bits
            finder.held = bits.held
        return finder

    def _words(self, words: Iterable[int]) -> str:
        return ", ".join(one.message.label for one in self.messages if one.word in set(words))

    def _end(self, messages: tuple[TrialFinding, ...], bits: tuple[TrialFinding, ...], remark: str = "") -> NeedsFound:
        remarks = (*self._remarks, remark) if remark else tuple(self._remarks)
        controls, wrong = len(self._controls), sum(self._controls)
        return NeedsFound(messages, bits, len(self.answers), controls, wrong, self._ignored, remarks)


def expected_trials(count: int, bits: Sequence[int], method: TrialMethod = "auto") -> tuple[int, int]:
    """About how many trials a plan takes, from few needed messages to several.

    Parameters
    ----------
    count : int
        Messages that may be left out.
    bits : sequence of int
        Things to hold still in each of them.
    method : {"auto", "grouping", "one by one"}

    Notes
    -----
    Measured on simulated modules (`python -m tests.benchmarks.needs_trials`): grouping takes about 1.3 trials a thing
    and 8 for each stage, one by one about 3.2 a thing.
    """

    def stage(things: int) -> float:
        return 3.2 * things if things < GROUP_FROM or method == "one by one" else 8 + 1.3 * things

    first, typical = CONTROLS + 3 + stage(count), sorted(bits)[len(bits) // 2] if bits else 0
    low, high = first + stage(typical), first + 6 + 3 * stage(typical)
    return tuple(round(n * (1 + 1 / CONTROL_EVERY)) for n in (low, high))  # type: ignore[return-value]


def _parts(bits: MessageBits, group: tuple[int, ...]) -> tuple[tuple[TrialPart, ...], tuple[int, ...]]:
    return bits.parts(group), bits.held(group)


def _lets_watch(one: TrialFinding) -> TrialFinding:
    return TrialFinding(one.thing, "enables monitoring", one.complained, one.silent)
