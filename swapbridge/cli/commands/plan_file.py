"""Command line: a plan read from its file, and the engine that runs it."""

from __future__ import annotations

from pathlib import Path

import click

from swapbridge.core.errors import InputError
from swapbridge.plan.plan import Plan
from swapbridge.plan.program import TranslatorLike
from swapbridge.plan.python.translator import Translator
from swapbridge.plan.serialise import plan_from_json


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


engine_option = click.option(
    "--engine",
    type=click.Choice(["python", "c"]),
    default="python",
    show_default=True,
    help="Engine that runs the plan; c is the code for a board, built here, and sends the same frames.",
)


def translator_for(plan: Plan, engine: str) -> TranslatorLike:
    """A new translator of that engine.

    Raises
    ------
    MissingToolError
        The C engine is asked for and there is no C compiler.
    """
    if engine == "python":
        return Translator(plan)
    from swapbridge.emit.native import NativeTranslator  # needs a C compiler, which not everybody has

    return NativeTranslator(plan)
