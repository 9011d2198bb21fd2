"""Compiler room: every independent refusal of a bridge file in one run, the worst first."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

from swapbridge.core.errors import InputError
from swapbridge.language.bridge_file import DANGEROUS, MISSING, WRONG, BridgeRefused

SHOWN = 60
HEADINGS = {
    DANGEROUS: "Dangerous, or would break a module:",
    WRONG: "Can't be done as written:",
    MISSING: "Still missing:",
}


class LoweringError(InputError):
    """An expression that can't mean anything sensible; the caller adds its place. `remedy` says what to do."""

    def __init__(self, reason: str, remedy: str) -> None:
        super().__init__(f"{reason}; {remedy}")
        self.reason, self.remedy = reason, remedy


class Refusals:
    """Collects refusals, so that one does not hide the others."""

    def __init__(self) -> None:
        self.found: list[BridgeRefused | InputError] = []

    @contextmanager
    def gathering(self) -> Iterator[None]:
        """Keep a refusal of this part, and go on with the next."""
        try:
            yield
        except LoweringError:
            raise  # it has no place yet: the caller that knows the place makes it a refusal
        except (BridgeRefused, InputError) as error:
            if str(error) not in map(str, self.found):
                self.found.append(error)

    def raise_all(self) -> None:
        """Raise what was gathered: one as it is, several as one refusal that lists them.

        Raises
        ------
        BridgeRefused, InputError
            When anything was refused.
        """
        if not self.found:
            return
        if len(self.found) == 1:
            raise self.found[0]
        lines = [f"{len(self.found)} things are refused, the worst first"]
        ordered = sorted(self.found, key=lambda error: (_rank(error), _line(error)))
        last = -1
        for error in ordered[:SHOWN]:
            if _rank(error) != last:
                last = _rank(error)
                lines += ["", HEADINGS[last]]
            lines.append(f"  {error}")
        if len(ordered) > SHOWN:
            lines += ["", f"and {len(ordered) - SHOWN} more, shown once these are gone"]
        raise BridgeRefused("\n".join(lines))


def _rank(error: BridgeRefused | InputError) -> int:
    return error.rank if isinstance(error, BridgeRefused) else WRONG


def _line(error: BridgeRefused | InputError) -> int:
    found = re.search(r":(\d+):\d+: ", str(error))
    return int(found[1]) if found else 0
