"""Plan room: a plan's values as what JSON can hold: short lists for operations, hex for bytes, objects for the rest."""

from __future__ import annotations

import dataclasses
from typing import Any, Protocol, runtime_checkable

from swapbridge.core.integrity import Checksum


@runtime_checkable
class Short(Protocol):
    """A value with a shorter form than its fields by name."""

    def short(self) -> list[Any]:
        """That form."""


def pack(value: Any) -> Any:
    """A plan's value as JSON holds it; `swapbridge.plan.serialise` reads it back."""
    if isinstance(value, Short):
        return value.short()
    if isinstance(value, Checksum):
        return value.to_dict()
    if isinstance(value, bytes):
        return value.hex()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: pack(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, tuple):
        return [pack(v) for v in value]
    return value
