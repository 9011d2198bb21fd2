"""Command line: a plan read from its file."""

from __future__ import annotations

from pathlib import Path

from swapbridge.bridge import Plan, plan_from_json
from swapbridge.core.errors import InputError


def read_plan(path: Path) -> Plan:
    """The plan in a file.

    Raises
    ------
    InputError
        It can't be read, or is no plan.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path} can't be read as a plan ({error}): make one with `swapbridge compile`") from None
    return plan_from_json(text)
