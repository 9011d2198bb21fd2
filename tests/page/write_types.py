"""Writes the TypeScript types of the page's answers: ``python -m tests.page.write_types``."""

from __future__ import annotations

import types
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints, is_typeddict

import swapbridge.page.answers as answers

TARGET = Path(answers.__file__).parent / "static" / "answers.d.ts"
PLAIN = {str: "string", int: "number", float: "number", bool: "boolean", type(None): "null", Any: "any"}


def written() -> str:
    """The declarations, in the order of `answers`."""
    named = [value for value in vars(answers).values() if is_typeddict(value)]
    lines = ["// Written by python -m tests.page.write_types from page/answers.py; never edited by hand.", ""]
    for one in named:
        lines.append(f"/** {one.__doc__} */")
        lines.append(f"export interface {one.__name__} {{")
        lines += [f"  {name}: {_type(hint)};" for name, hint in get_type_hints(one).items()]
        lines += ["}", ""]
    lines.append("export interface Answers {")
    lines += [f'  "{path}": {one.__name__};' for path, one in answers.ANSWERS.items()]
    lines += ["}", ""]
    return "\n".join(lines)


def _type(hint: Any) -> str:
    if hint in PLAIN:
        return PLAIN[hint]
    if is_typeddict(hint):
        return str(hint.__name__)
    origin, inside = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return " | ".join(map(_type, inside))
    if origin is Sequence:
        inner = _type(inside[0])
        return f"({inner})[]" if " " in inner else f"{inner}[]"
    if origin is Mapping:
        return f"Record<{_type(inside[0])}, {_type(inside[1])}>"
    if origin is Literal:
        return " | ".join(f'"{word}"' for word in inside)
    if origin is tuple:
        return f"[{', '.join(map(_type, inside))}]"
    raise TypeError(f"no TypeScript type for {hint!r}")


if __name__ == "__main__":
    TARGET.write_text(written(), encoding="utf-8")
