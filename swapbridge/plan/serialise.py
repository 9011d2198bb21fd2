"""Plan room: a plan read from its JSON text; what is read is checked before anyone runs it."""

from __future__ import annotations

import dataclasses
import json
import types
import typing
from functools import lru_cache
from typing import Any, TypeVar

from swapbridge.core.errors import InputError, SwapbridgeError
from swapbridge.core.integrity import Checksum, checksum_from_dict
from swapbridge.plan.check import check_plan
from swapbridge.plan.plan import PLAN_FORMAT, PLAN_VERSION, Op, Plan

T = TypeVar("T")
MAX_PLAN_CHARACTERS = 64_000_000


def plan_from_json(text: str) -> Plan:
    """Read and check a plan.

    Parameters
    ----------
    text : str
        JSON, as `Plan.to_json` writes it.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        Not a plan, another version, or a plan that breaks a rule of the plan's contract (an edited file).
    """
    if len(text) > MAX_PLAN_CHARACTERS:
        raise InputError("the plan is larger than 64 MB: compile it again from its bridge file")
    try:
        data = json.loads(text, parse_float=_no_float, parse_constant=_no_float)
    except (ValueError, RecursionError) as error:
        raise InputError(f"the plan is not readable JSON ({error}): compile it again from its bridge file") from None
    if not isinstance(data, dict) or data.get("format") != PLAN_FORMAT:
        raise InputError(f"this is not a plan (no format {PLAN_FORMAT!r}): make one with `swapbridge compile`")
    if data.get("version") != PLAN_VERSION:
        raise InputError(
            f"the plan has version {data.get('version')!r}, this program reads {PLAN_VERSION}: compile it again with "
            "`swapbridge compile bridge.toml --out plan.json`, then prove it"
        )
    body = {k: v for k, v in data.items() if k not in ("format", "version")}
    try:
        plan: Plan = _unpack(Plan, body, "plan")
    except SwapbridgeError as error:
        raise InputError(f"the plan is damaged: {error}; compile it again from its bridge file") from None
    check_plan(plan)
    return plan


def _no_float(text: str) -> int:
    raise ValueError(f"{text} is not an integer, and a plan holds only integers")


@lru_cache(maxsize=64)
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _unpack(kind: Any, data: Any, where: str) -> Any:
    """Build `kind` from JSON, strictly: every field present, nothing more, every type right."""
    origin = typing.get_origin(kind)
    if origin in (types.UnionType, typing.Union):
        options = typing.get_args(kind)
        if data is None and type(None) in options:
            return None
        return _unpack(next(o for o in options if o is not type(None)), data, where)
    if origin is tuple:
        return _unpack_tuple(typing.get_args(kind), data, where)
    if kind is Op:
        return _unpack_op(data, where)
    if kind is Checksum:
        if not isinstance(data, dict):
            raise InputError(f"{where} is not a checksum method")
        return checksum_from_dict(data)
    if kind is bytes:
        if not isinstance(data, str):
            raise InputError(f"{where} is not hexadecimal text")
        try:
            return bytes.fromhex(data)
        except ValueError:
            raise InputError(f"{where} is not hexadecimal text") from None
    if dataclasses.is_dataclass(kind):
        return _unpack_record(kind, data, where)
    if origin is typing.Literal:
        if data not in typing.get_args(kind):
            raise InputError(f"{where} is {data!r}, not one of {typing.get_args(kind)}")
        return data
    if type(data) is not kind:
        raise InputError(f"{where} is {type(data).__name__}, not {kind.__name__}")
    return data


def _unpack_record(kind: Any, data: Any, where: str) -> Any:
    if not isinstance(data, dict):
        raise InputError(f"{where} is not an object")
    names = [f.name for f in dataclasses.fields(kind)]
    if set(data) != set(names):
        odd = sorted(set(data) ^ set(names))
        raise InputError(f"{where} has wrong or missing entries: {', '.join(map(str, odd[:5]))}")
    hints = _hints(kind)
    return kind(**{name: _unpack(hints[name], data[name], f"{where}.{name}") for name in names})


def _unpack_tuple(args: tuple[Any, ...], data: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(data, list):
        raise InputError(f"{where} is not a list")
    if len(args) == 2 and args[1] is Ellipsis:
        return tuple(_unpack(args[0], item, f"{where}[{i}]") for i, item in enumerate(data))
    if len(args) != len(data):
        raise InputError(f"{where} has {len(data)} entries, not {len(args)}")
    return tuple(_unpack(a, item, f"{where}[{i}]") for i, (a, item) in enumerate(zip(args, data, strict=True)))


def _unpack_op(data: Any, where: str) -> Op:
    if not isinstance(data, list) or len(data) != 7 or not isinstance(data[0], str):
        raise InputError(f"{where} is not an operation")
    if any(type(v) is not int for v in data[1:]):
        raise InputError(f"{where} holds something that is not an integer")
    return Op(data[0], *data[1:])
