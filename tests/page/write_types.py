"""Writes the TypeScript types of the page's answers and requests: ``python -m tests.page.write_types``."""

from __future__ import annotations

import tempfile
import types
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints, is_typeddict

import msgspec
from starlette.routing import Route

import swapbridge.page.answers as answers
import swapbridge.page.requests as requests
from swapbridge.page.app import make_app
from swapbridge.page.site import Posted

TARGET = Path(answers.__file__).parent / "static" / "answers.d.ts"
PLAIN = {str: "string", int: "number", float: "number", bool: "boolean", type(None): "null", Any: "any"}


def written() -> str:
    """The declarations, in the order of `answers`."""
    named = [value for value in vars(answers).values() if is_typeddict(value)]
    lines = [
        "// Written by python -m tests.page.write_types from answers.py and requests.py; never edited by hand.",
        "",
    ]
    for one in named:
        lines.append(f"/** {one.__doc__} */")
        lines.append(f"export interface {one.__name__} {{")
        lines += [f"  {name}: {_type(hint)};" for name, hint in get_type_hints(one).items()]
        lines += ["}", ""]
    lines.append("export interface Answers {")
    lines += [f'  "{path}": {one.__name__};' for path, one in answers.ANSWERS.items()]
    lines += [f'  "{path}": any;' for path in sorted(asked().keys() - answers.ANSWERS.keys())]
    lines += ["}", ""]
    for sent in (value for value in vars(requests).values() if isinstance(value, type)):
        if issubclass(sent, requests.PageRequest):
            lines.append(f"/** {sent.__doc__} */")
            if sent is requests.PageRequest:
                lines += ["export type PageRequest = Record<string, never>;", ""]
                continue
            lines.append(f"export interface {sent.__name__} {{")
            lines += [f"  {f.name}{'' if f.required else '?'}: {_type(f.type)};" for f in msgspec.structs.fields(sent)]
            lines += ["}", ""]
    lines.append("export interface Requests {")
    lines += [f'  "{path}": {kind.__name__};' for path, kind in sorted(asked().items())]
    lines += ["}", ""]
    return "\n".join(lines)


def api_routes() -> dict[str, Route]:
    """Every route of the page that scripts ask, by path."""
    with tempfile.TemporaryDirectory() as folder:
        app: Any = make_app(Path(folder), hosts=["127.0.0.1:8321"]).app
        found = [r for r in app.routes if isinstance(r, Route)]
    return {route.path: route for route in found if route.path.startswith("/api/")}


def asked() -> dict[str, type[requests.PageRequest]]:
    """What each path is sent."""
    return {path: route.kind for path, route in api_routes().items() if isinstance(route, Posted)}


def _type(hint: Any) -> str:
    if get_origin(hint) is Annotated:
        return _type(get_args(hint)[0])
    if hint in PLAIN:
        return PLAIN[hint]
    if is_typeddict(hint) or (isinstance(hint, type) and issubclass(hint, requests.PageRequest)):
        return str(hint.__name__)
    origin, inside = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return " | ".join(map(_type, inside))
    if origin in (Sequence, list):
        inner = _type(inside[0])
        return f"({inner})[]" if " " in inner else f"{inner}[]"
    if origin in (Mapping, dict):
        return f"Record<{_type(inside[0])}, {_type(inside[1])}>"
    if origin is Literal:
        return " | ".join(f'"{word}"' for word in inside)
    if origin is tuple:
        return f"[{', '.join(map(_type, inside))}]"
    raise TypeError(f"no TypeScript type for {hint!r}")


if __name__ == "__main__":
    TARGET.write_text(written(), encoding="utf-8")
