"""Asking room: what modules say before and after a module was unplugged, and which needs those codes belong to.

A code counts as gone only where the module was asked again and answered; silence is no good news.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from swapbridge.asking.module_answers import Answers, Code, Module
from swapbridge.core.errors import InputError
from swapbridge.core.needs import Need

ENGINE = "engine computer"


@dataclass(frozen=True, slots=True)
class ModuleChange:
    """One module, before and after.

    Attributes
    ----------
    before, after : Module or None
        None where it did not answer.
    appeared, gone, stayed : tuple of Code
    unknown : tuple of Code
        Codes from before whose service was not answered afterwards: nobody knows.
    """

    before: Module | None
    after: Module | None
    appeared: tuple[Code, ...] = ()
    gone: tuple[Code, ...] = ()
    stayed: tuple[Code, ...] = ()
    unknown: tuple[Code, ...] = ()

    @property
    def module(self) -> Module:
        """Whichever is known, the later one first."""
        found = self.after or self.before
        assert found is not None
        return found


@dataclass(frozen=True, slots=True)
class Changes:
    """What changed between two times of asking one bus."""

    before: Answers
    after: Answers
    modules: tuple[ModuleChange, ...] = field(default=())

    @property
    def silent(self) -> tuple[Module, ...]:
        """Modules that answered before and not afterwards: the unplugged one, and those that lost their way."""
        return tuple(one.before for one in self.modules if one.before is not None and one.after is None)


def compare_answers(before: Answers, after: Answers) -> Changes:
    """What appeared and what went from one time of asking to another.

    Raises
    ------
    InputError
        The two are of different buses.
    """
    if before.bus != after.bus:
        raise InputError(
            f"the first file is from bus {before.bus}, the second from {after.bus}: compare two files of one bus"
        )
    old, new = ({_key(one): one for one in answers.modules} for answers in (before, after))
    return Changes(before, after, tuple(_change(old.get(key), new.get(key)) for key in dict.fromkeys((*old, *new))))


def _key(module: Module) -> tuple[str, str]:
    return module.protocol, module.answer


def _change(before: Module | None, after: Module | None) -> ModuleChange:
    if before is None or after is None:
        if after is None:
            return ModuleChange(before, after, unknown=before.codes if before is not None else ())
        return ModuleChange(before, after, appeared=after.codes)
    old, new = ({(code.service, code.text): code for code in one.codes} for one in (before, after))
    missing = [code for key, code in old.items() if key not in new]
    return ModuleChange(
        before,
        after,
        appeared=tuple(code for key, code in new.items() if key not in old),
        gone=tuple(code for code in missing if code.service in after.asked),
        stayed=tuple(code for key, code in new.items() if key in old),
        unknown=tuple(code for code in missing if code.service not in after.asked),
    )


@dataclass(frozen=True, slots=True)
class NeedCodes:
    """Codes that a need's absence sets, with how that was found."""

    need: Need
    codes: tuple[str, ...]
    found: str


def codes_of_needs(changes: Changes, needs: tuple[Need, ...]) -> tuple[NeedCodes, ...]:
    """Which needs of a list get codes.

    A module whose codes say that it does not hear the absent module, or rejects its data, waits for what that module
    sent. Codes do not say which message they belong to, so every need of the waiting module on this bus gets them.

    Parameters
    ----------
    changes : Changes
        From whole to unplugged.
    needs : tuple of Need
    """
    absent = {one.name for one in changes.silent} or {ENGINE}
    out = []
    for need in needs:
        codes: list[str] = []
        where = ""
        for change in changes.modules:
            mine = change.after is not None and change.after.name.casefold() == need.module.casefold()
            if not mine or need.bus not in ("", changes.after.bus):
                continue
            found = [code for code in change.appeared if code.about and code.missed in absent]
            # the status of 19 02 says most; the other services name the same codes without their failure type
            best = [code for code in found if code.service == "19 02"] or found
            codes += [code.text for code in best if code.text not in codes]
            where = change.module.answer
        if codes:
            words = (
                f"set after {', '.join(sorted(absent))} was unplugged, as answered by {where} on "
                f"{changes.after.time[:10]}"
            )
            out.append(NeedCodes(need, tuple(codes), words))
    return tuple(out)


def complaining(changes: Changes) -> tuple[ModuleChange, ...]:
    """Modules that miss or doubt another one since."""
    return tuple(one for one in changes.modules if any(code.about for code in one.appeared))
