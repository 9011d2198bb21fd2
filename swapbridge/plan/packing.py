"""Plan room: a plan's values as what JSON can hold: short lists for operations, hex for bytes, objects for the rest."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache
from typing import Any

from swapbridge.core.integrity import Checksum


def pack(value: Any) -> Any:
    """A plan's value as JSON holds it; `swapbridge.plan.serialise` reads it back.

    A value whose type has a method `short` is held in that form.
    """
    kind: type = type(value)
    return _packer(kind)(value)


@cache
def _packer(kind: type) -> Callable[[Any], Any]:
    """How values of a type are packed: asked once for each type, since a plan has thousands of values of ten types."""
    if hasattr(kind, "short"):
        return lambda value: value.short()
    if issubclass(kind, Checksum):
        return lambda value: value.to_dict()
    if issubclass(kind, bytes):
        return bytes.hex
    if dataclasses.is_dataclass(kind):
        names = [f.name for f in dataclasses.fields(kind)]
        return lambda value: {name: pack(getattr(value, name)) for name in names}
    if issubclass(kind, tuple):
        return lambda value: [pack(v) for v in value]
    return lambda value: value
