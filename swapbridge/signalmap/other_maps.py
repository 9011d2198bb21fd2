"""Signal map room: KCD, SYM and ARXML, read by cantools; numbers are found again in the file's own text.

cantools gives scale and offset as binary floats. Where the text writes a decimal of that very float, and one only, that
decimal is taken, exactly; a number that is nowhere in the text (a quotient of two of them) is noted.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterable
from fractions import Fraction
from typing import Any

# isort: off
import swapbridge.capture.python_can  # noqa: F401 - before cantools loads python-can
import cantools
# isort: on

from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout
from swapbridge.core.vocabulary import is_nobody
from swapbridge.signalmap.contradictions import one_line, tidy, without_contradictions
from swapbridge.signalmap.dbc_repair import NUMBER
from swapbridge.signalmap.signal_map import MapMessage, MapNode, MapSignal, SignalMap

_LITERAL = re.compile(rf"(?<![\w.]){NUMBER}(?![\w.])")
_LONGEST_LITERAL = 40
_SIDES = {"ECU", "Peripherals"}
"""What cantools calls the two sides of a SYM file, which names no module."""


def parse_other_map(text: str, suffix: str, source: str) -> SignalMap:
    """Read a KCD, SYM or ARXML from its text.

    Raises
    ------
    InputError
        cantools can't read it, or no message of it can be used.
    """
    logger = logging.getLogger("cantools")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        database: Any = cantools.database.load_string(text, suffix[1:], strict=False, sort_signals=None)
        found = list(database.messages)
    except Exception as error:  # noqa: BLE001  parsers of three formats raise of many kinds
        raise InputError(f"{source} can't be used as {suffix[1:].upper()}: {one_line(error)}") from None
    finally:
        logger.setLevel(level)
    reader = _MapReader(_literals(text), _SIDES if suffix == ".sym" else set())
    messages: list[MapMessage] = []
    for message in found:
        read = reader.message(message, {m.word for m in messages}, {m.name for m in messages})
        if read is not None:
            messages.append(read)
    if not messages:
        first = f": {reader.notes[0]}" if reader.notes else ""
        raise InputError(f"{source} holds no message that can be used{first}")
    nodes = [MapNode(tidy(n.name), comment=n.comment or "") for n in database.nodes if reader.names_module(n.name)]
    unique = {n.name: n for n in nodes}
    return SignalMap(tuple(messages), tuple(unique.values()), source=source, notes=tuple(reader.notes))


def _literals(text: str) -> dict[float, set[Fraction]]:
    """Every decimal number in a text, by the binary float that it becomes."""
    out: dict[float, set[Fraction]] = {}
    for literal in set(_LITERAL.findall(text)):
        if len(literal) <= _LONGEST_LITERAL and abs(float(literal)) < 1e100:
            out.setdefault(float(literal), set()).add(Fraction(literal))
    return out


class _MapReader:
    """Turns what cantools understood into messages, with notes of what was left out."""

    def __init__(self, literals: dict[float, set[Fraction]], no_modules: set[str]) -> None:
        self.literals = literals
        self.no_modules = no_modules
        self.notes: list[str] = []

    def message(self, message: Any, words: set[int], names: set[str]) -> MapMessage | None:
        """A message, or None with a note where it can't be one."""
        found: dict[str, MapSignal] = {}
        for signal in message.signals:
            read = self._signal(signal, message.name)
            if read is not None and read.name in found:
                self.notes.append(f"message {message.name} has two signals {read.name}: the second is left out")
            elif read is not None:
                found[read.name] = read
        signals = without_contradictions(message.name, message.length, list(found.values()), self.notes)
        name, number = tidy(message.name), 2
        while name in names:
            name, number = f"{tidy(message.name)}_{number}", number + 1
        if name != message.name:
            self.notes.append(f"message {message.name} is read as {name}")
        try:
            if message.length > 64:
                raise InputError(f"has {message.length} bytes, and a frame has 64 at most")
            out = MapMessage(
                name=name,
                identifier=message.frame_id,
                extended=message.is_extended_frame,
                length=message.length,
                signals=signals,
                is_fd=message.is_fd or message.length > 8,
                period_ms=self._number(message.cycle_time or 0, f"message {name}, period") or None,
                senders=self._modules(message.senders),
                comment=message.comment or "",
            )
        except InputError as error:
            self.notes.append(f"message {message.name}: {error}: left out")
            return None
        if out.word in words:
            self.notes.append(f"message {message.name} has the identifier of one before it: left out")
            return None
        return out

    def _signal(self, signal: Any, message: str) -> MapSignal | None:
        where = f"message {message}, signal {signal.name}"
        if signal.multiplexer_ids and signal.multiplexer_signal is None:
            self.notes.append(f"{where} depends on a multiplexer that its message does not have: left out")
            return None
        try:
            scale, offset = (self._number(getattr(signal.conversion, n), f"{where}, {n}") for n in ("scale", "offset"))
            low, high = (
                None if v is None else self._number(v, f"{where}, range") for v in (signal.minimum, signal.maximum)
            )
            return MapSignal(
                name=tidy(signal.name),
                layout=Layout(signal.start, signal.length, signal.byte_order, signal.is_signed),
                scale=scale,
                offset=offset,
                minimum=low if high is not None else None,
                maximum=high if low is not None else None,
                unit=signal.unit or "",
                choices={int(k): str(v) for k, v in (signal.choices or {}).items()},
                is_float=signal.conversion.is_float,
                is_multiplexer=signal.is_multiplexer,
                mux_signal=tidy(signal.multiplexer_signal) if signal.multiplexer_ids else None,
                mux_values=tuple(sorted(signal.multiplexer_ids)) if signal.multiplexer_ids else (),
                comment=signal.comment or "",
                receivers=self._modules(signal.receivers),
            )
        except InputError as error:
            self.notes.append(f"{where}: {error}: left out")
        except (AttributeError, NotImplementedError, TypeError, ValueError):
            self.notes.append(f"{where} has a scale that changes along its range, which a map can't hold: left out")
        return None

    def _modules(self, names: Iterable[str]) -> tuple[str, ...]:
        return tuple(tidy(n) for n in sorted(names) if self.names_module(n))

    def names_module(self, name: str) -> bool:
        """Whether that is a module's name, and no placeholder."""
        return name not in self.no_modules and not is_nobody(name)

    def _number(self, value: Any, where: str) -> Fraction:
        """A number as the text has it."""
        if isinstance(value, int) or float(value).is_integer():
            return Fraction(int(value))
        known = self.literals.get(float(value), set())
        if len(known) == 1:
            return next(iter(known))
        decimal = Fraction(repr(float(value)))
        if decimal != Fraction(float(value)):
            self.notes.append(f"{where} {value!r} is not in the file itself: it went through a binary float")
        return decimal
