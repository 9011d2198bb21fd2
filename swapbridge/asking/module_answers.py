"""Asking room: what the modules said, as plain values that a file keeps."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole

VERSION = 1
CALLED = {"03": "stored", "07": "pending", "0A": "permanent", "DM1": "active", "DM2": "previously active"}
"""What a service's or group's codes are called; those of 19 02 have status bits instead."""


@dataclass(frozen=True, slots=True)
class Code:
    """One fault code of one module.

    Attributes
    ----------
    text : str
        As SAE J2012 writes it where the module said that it does, as SPN and FMI for J1939, else in hex.
    service : str
        What said so: "03", "07", "0A", "19 02", "DM1" or "DM2".
    status : tuple of str
        Status bits in words, or what the service calls its codes.
    about : str
        "lost communication", "invalid data" or "".
    missed : str
        The module that is not heard or not believed; "" where it isn't known.
    words : str
        The code's text, if there is one.
    source : str
        Where that text is from: "from memory of SAE J2012", a user's file, or "".
    extended : str
        Extended data in hex, as the module gave it.
    """

    text: str
    service: str
    status: tuple[str, ...] = ()
    about: str = ""
    missed: str = ""
    words: str = ""
    source: str = ""
    extended: str = ""


@dataclass(frozen=True, slots=True)
class Module:
    """One module: who it is and what it said.

    Attributes
    ----------
    name : str
    request, answer : str
        Identifiers as people write them; for J1939 its address in both.
    protocol : str
        "11 bits", "29 bits" or "J1939".
    identification : dict of str to str
    codes : tuple of Code
    asked : tuple of str
        Services and groups that were answered, so that silence is not taken for 'no codes'.
    watches : tuple of str
        Lost-communication and invalid-data codes that it is able to set: whom it waits for.
    lamps : tuple of str
    remarks : tuple of str
        What was odd, one sentence each.
    """

    name: str
    request: str
    answer: str
    protocol: str
    identification: dict[str, str] = field(default_factory=dict)
    codes: tuple[Code, ...] = ()
    asked: tuple[str, ...] = ()
    watches: tuple[str, ...] = ()
    lamps: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Answers:
    """What one bus's modules said at one time.

    Attributes
    ----------
    bus, time : str
        The bus's name, and when it was asked (ISO 8601).
    modules : tuple of Module
    ended_by : str
        "done", or why asking ended before.
    notes : tuple of str
        Sentences that belong to no module.
    """

    bus: str
    time: str
    modules: tuple[Module, ...]
    ended_by: str = "done"
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """For a file; `answers_from` reads it back."""
        return {"version": VERSION, **asdict(self)}


def write_answers(path: Path, answers: Answers) -> None:
    """Write a file of answers.

    Raises
    ------
    InputError
        It can't be written.
    """
    if not path.parent.exists() and path.parent.parent.is_dir():
        path.parent.mkdir()
    with written_whole(path) as temporary:
        temporary.write_text(json.dumps(answers.to_dict(), indent=1) + "\n", encoding="utf-8")


def read_answers(path: Path) -> Answers:
    """Read a file that `swapbridge dtc --out` wrote.

    Raises
    ------
    InputError
        It is missing, or something else.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(f"{path} does not exist: name a file that `swapbridge dtc --out` wrote") from None
    except (OSError, UnicodeDecodeError, ValueError) as error:
        raise InputError(f"{path} can't be read ({error}): name a file that `swapbridge dtc --out` wrote") from None
    try:
        return answers_from(data)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise InputError(
            f"{path} has no answers from modules (version {VERSION}): name a file that `swapbridge dtc --out` wrote"
        ) from None


def answers_from(data: dict[str, Any]) -> Answers:
    """Answers from what `Answers.to_dict` gave; KeyError, TypeError or ValueError for anything else."""
    if data["version"] != VERSION:
        raise ValueError("version")
    return Answers(
        bus=_text(data["bus"]),
        time=_text(data["time"]),
        modules=tuple(_module(one) for one in data["modules"]),
        ended_by=_text(data["ended_by"]),
        notes=_texts(data["notes"]),
    )


def _module(data: dict[str, Any]) -> Module:
    return Module(
        name=_text(data["name"]),
        request=_text(data["request"]),
        answer=_text(data["answer"]),
        protocol=_text(data["protocol"]),
        identification={_text(key): _text(value) for key, value in data["identification"].items()},
        codes=tuple(_code(one) for one in data["codes"]),
        asked=_texts(data["asked"]),
        watches=_texts(data["watches"]),
        lamps=_texts(data["lamps"]),
        remarks=_texts(data["remarks"]),
    )


def _code(data: dict[str, Any]) -> Code:
    rest = {key: _text(value) for key, value in data.items() if key != "status"}
    return Code(**rest, status=_texts(data["status"]))


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("text is expected")
    return value


def _texts(values: object) -> tuple[str, ...]:
    if not isinstance(values, list | tuple):
        raise TypeError("a list is expected")
    return tuple(_text(value) for value in values)
