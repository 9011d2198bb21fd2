"""Language room: reading a bridge file (TOML) into values; every odd key or value is an error with its place."""

from __future__ import annotations

import dataclasses
import hashlib
import re
import tomllib
from fractions import Fraction
from pathlib import Path as FilePath
from typing import Any

from swapbridge.core import j1939
from swapbridge.core.errors import InputError
from swapbridge.core.j1939 import J1939Name, NamePattern
from swapbridge.core.needs import load_needs
from swapbridge.language.bridge_file import (
    BridgeFile,
    BusRule,
    CurveRule,
    Diagnostics,
    MessageOptions,
    MessageRule,
    PageRule,
    PassRule,
    Reviewed,
    Seen,
    SignalOptions,
    SignalRule,
    StateRules,
    Written,
    shortened,
)
from swapbridge.language.places import Path, Places
from swapbridge.language.tables import MAX_DIGITS, TableReader, decimal
from swapbridge.plan.plan import MAX_COUNT, MAX_PASS_QUEUE, MAX_TURNS, STATES

MAX_FILE_BYTES = 4_000_000
SHORTEST_STEP_US, LONGEST_STEP_US = 1_000, 1_000_000
_PID = re.compile(r"(?:0[xX])?[0-9A-Fa-f]{1,2}")
_FLOAT = re.compile(r"[^eE]*(?:[eE]([+-]?[0-9_]+))?")


def load_bridge(path: str | FilePath) -> BridgeFile:
    """Read a bridge file and the needs list it names.

    Raises
    ------
    InputError
        The file is missing, not TOML, or says something a bridge file can't say: file, line, column, remedy.
    """
    file = FilePath(path)
    bridge = parse_bridge(_read(file), str(path))
    if not bridge.needs_file:
        return bridge
    needs = FilePath(bridge.needs_file)
    needs = needs if needs.is_absolute() else file.parent / needs
    return dataclasses.replace(bridge, needs=load_needs(needs))


def _read(file: FilePath) -> str:
    try:
        data = file.read_bytes()
    except OSError as error:
        raise InputError(f"{file} can't be read ({error.strerror}): check its name") from None
    if len(data) > MAX_FILE_BYTES:
        raise InputError(
            f"{file} is larger than {MAX_FILE_BYTES // 1_000_000} MB: that is not a bridge file or needs list"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{file} is not UTF-8 text (byte {error.start}): save it as UTF-8") from None


_TOML_PLACE = re.compile(r" \(at line (\d+), column (\d+)\)$")


def _number_text(text: str) -> Fraction:
    exponent = _FLOAT.fullmatch(text)
    power = (exponent and exponent.group(1)) or "0"
    if len(text) > MAX_DIGITS or abs(int(power)) > MAX_DIGITS:
        raise InputError(f"{shortened(text)} has more than {MAX_DIGITS} digits: write a number of a measured size")
    try:
        return Fraction(text)
    except ValueError:
        raise InputError(f"{text} can't be represented exactly: write a decimal number") from None


def _parse_toml(text: str, path: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text, parse_float=_number_text)
    except tomllib.TOMLDecodeError as error:
        words = str(error)
        place = _TOML_PLACE.search(words)
        where = path if place is None else f"{path}:{place[1]}:{place[2]}"
        reason = _TOML_PLACE.sub("", words)
        raise InputError(f"{where}: this is not TOML: {reason}; check for a missing quote or bracket") from None
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    except (RecursionError, ValueError) as error:
        raise InputError(
            f"{path} can't be read as TOML ({error}): check the line it names for a missing quote or bracket"
        ) from None


def parse_bridge(text: str, path: str = "bridge.toml") -> BridgeFile:
    """Read a bridge file's text (see `load_bridge`)."""
    data = _parse_toml(text, path)
    reader = _TomlReader(data, Places(text), path)
    reader.no_endless_number()
    return reader.bridge(hashlib.sha256(text.encode()).hexdigest())


class _TomlReader(TableReader):
    """A bridge file's tables as values."""

    def bridge(self, digest: str) -> BridgeFile:
        data = self.data
        self.only(
            (), data, "bridge", "buses", "units", "constants", "values", "tables", "sources", "messages", "pass",
            "block", "diagnostics", "states",
        )  # fmt: skip
        head = self.table((), data, "bridge")
        self.only(("bridge",), head, "name", "step_ms", "needs", "pass_queue", "description")
        units = {k: self.text(("units",), data["units"], k) for k in self.table((), data, "units")}
        buses = self.table((), data, "buses")
        if not buses:
            self.fail((), "no bus is named", "add [buses.NAME] with map, bit_rate and placement for each")
        passes = [self._pass(("pass", i), t, block=False) for i, t in enumerate(self.tables(("pass",), data, "pass"))]
        blocks = [self._pass(("block", i), t, block=True) for i, t in enumerate(self.tables(("block",), data, "block"))]
        return BridgeFile(
            path=self.path,
            name=self.text(("bridge",), head, "name", "bridge"),
            step_us=self._step_us(head),
            buses=tuple(self._bus(("buses", k), k, self.table(("buses",), buses, k)) for k in buses),
            units=units,
            constants=self._sources("constants"),
            values=self._sources("values"),
            curves={k: self._curve(("tables", k), k, t) for k, t in self._named("tables")},
            sources=tuple(self._message_options(("sources", k), k, t) for k, t in self._named("sources")),
            messages=tuple(
                self._message(("messages", i), t) for i, t in enumerate(self.tables(("messages",), data, "messages"))
            ),
            passes=(*blocks, *passes),
            diagnostics=self._diagnostics(),
            states=self._states(),
            needs_file=self.text(("bridge",), head, "needs", ""),
            pass_queue=self._pass_queue(head),
            digest=digest,
        )

    def _step_us(self, head: dict[str, Any]) -> int:
        step_us = self.time(("bridge",), head, "step_ms") or 10_000
        if not SHORTEST_STEP_US <= step_us <= LONGEST_STEP_US:
            self.fail(("bridge", "step_ms"), f"step_ms = {decimal(head['step_ms'])} is out of range", "write 1 to 1000")
        return step_us

    def _pass_queue(self, head: dict[str, Any]) -> int:
        size = self.integer(("bridge",), head, "pass_queue", 32)
        if not 0 <= size <= MAX_PASS_QUEUE:
            self.fail(("bridge", "pass_queue"), "pass_queue is out of range", f"write 0 to {MAX_PASS_QUEUE} frames")
        return size

    def _named(self, key: str) -> list[tuple[str, dict[str, Any]]]:
        table = self.table((), self.data, key)
        return [(k, self.table((key,), table, k)) for k in table]

    def _sources(self, key: str) -> dict[str, Written]:
        table = self.table((), self.data, key)
        for name in table:
            if not name.isidentifier():
                self.fail((key, name), f"{name!r} is not a plain name", "use letters, digits and underscores")
        return {name: self.source((key, name), value) for name, value in table.items()}

    def _bus(self, path: Path, name: str, table: dict[str, Any]) -> BusRule:
        self.only(
            path, table, "map", "bit_rate", "data_rate", "fd", "placement", "absent", "holds_engine", "sleep_after_ms",
            "names",
        )  # fmt: skip
        if not name.isidentifier() or name == "state":
            self.fail(path, f"{name!r} is not allowed as the name of a bus", "use letters, digits and underscores")
        placement = self.text(path, table, "placement")
        if placement not in ("inline", "added-node"):
            self.fail(
                (*path, "placement"), f"placement {placement!r} is not known",
                'write "inline" (the bus is cut here) or "added-node" (it only adds frames)',
            )  # fmt: skip
        bit_rate = self.integer(path, table, "bit_rate", 500_000)
        data_rate = self.integer(path, table, "data_rate", bit_rate)
        if not 10_000 <= bit_rate <= 1_000_000 or not bit_rate <= data_rate <= 8_000_000:
            self.fail(path, "the bit rate is outside 10000 to 1000000 bit/s", "write it in bit/s, such as 500000")
        return BusRule(
            name, self.text(path, table, "map", ""), bit_rate, data_rate, self.flag(path, table, "fd", False),
            placement, self.texts(path, table, "absent"),
            self.flag(path, table, "holds_engine", False) if "holds_engine" in table else None,
            self.places.of_key(path), self.time(path, table, "sleep_after_ms"), self._own_names(path, table),
        )  # fmt: skip

    def _own_names(self, path: Path, table: dict[str, Any]) -> tuple[tuple[Written, J1939Name], ...]:
        """NAMEs under which addresses are claimed; a field that is left out is 0."""
        out = []
        names = self.table(path, table, "names")
        for key in names:
            at = (*path, "names", key)
            fields = self._name_fields(at, self.table((*path, "names"), names, key))
            if fields.get("arbitrary_address_capable"):
                self.fail(
                    at, "arbitrary_address_capable = 1 promises to take another address, which a bridge never does",
                    "leave it out",
                )  # fmt: skip
            if key.isdecimal() and int(key) >= j1939.NO_ADDRESS:
                self.fail(at, f"{key} is not an SAE J1939 address", "write 0 to 253, or a module's name")
            out.append((Written(key, self.places.of_key(at)), J1939Name.of_fields(fields)))
        return tuple(out)

    def _curve(self, path: Path, name: str, table: dict[str, Any]) -> CurveRule:
        self.only(path, table, "x", "y", "points")
        points = []
        for item in self.get(path, table, "points", list):
            if (
                not isinstance(item, list)
                or len(item) != 2
                or any(isinstance(v, bool) or not isinstance(v, int | Fraction) for v in item)
            ):
                self.fail((*path, "points"), "a point is not [x, y]", "write points = [[x, y], [x, y], ...]")
            points.append((Fraction(item[0]), Fraction(item[1])))
        return CurveRule(
            name,
            self.text(path, table, "x", ""),
            self.text(path, table, "y", ""),
            tuple(points),
            self.places.of_key(path),
        )

    def _message_options(self, path: Path, name: str, table: dict[str, Any]) -> MessageOptions:
        self.only(path, table, "max_age_ms", "period_ms", "recover", "first", "lost_ok", "verify", "from", "signals")
        for key in ("recover", "first", "lost_ok"):
            if key in table and not (0 if key == "lost_ok" else 1) <= self.integer(path, table, key) <= 100:
                self.fail((*path, key), f"{key} is out of range", "write a number of frames, at most 100")
        signals = self.table(path, table, "signals")
        return MessageOptions(
            Written(name, self.places.of_key(path)),
            self.time(path, table, "max_age_ms"),
            self.time(path, table, "period_ms"),
            table.get("recover"),
            table.get("first"),
            table.get("lost_ok"),
            self.flag(path, table, "verify", True),
            None if isinstance(table.get("from"), dict) else self._address(path, table, "from"),
            self._name_pattern(path, table) if isinstance(table.get("from"), dict) else None,
            {
                k: self._signal_options((*path, "signals", k), self.table((*path, "signals"), signals, k))
                for k in signals
            },
        )

    def _address(self, path: Path, table: dict[str, Any], key: str) -> Written | None:
        """A J1939 address, or the name of a module of the map that has one."""
        if key not in table:
            return None
        value, place = table[key], self.places.of_key((*path, key))
        if isinstance(value, str) and value:
            return Written(value, place)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < j1939.NO_ADDRESS:
            self.fail(
                (*path, key), f"{key} = {value!r} is not an SAE J1939 address", "write 0 to 253, or a module's name"
            )
        return Written(str(value), place)

    def _name_pattern(self, path: Path, table: dict[str, Any]) -> NamePattern:
        """The NAME of a source by some of the standard's fields; the others don't matter."""
        fields = self._name_fields((*path, "from"), table["from"])
        if not fields:
            self.fail((*path, "from"), "from gives no field of a NAME", "write at least one, such as function = 0")
        return NamePattern.of(fields)

    def _name_fields(self, path: Path, table: dict[str, Any]) -> dict[str, int]:
        """Fields of an SAE J1939 NAME, in the standard's words."""
        self.only(path, table, *j1939.NAME_FIELDS)
        for key, bits in j1939.NAME_FIELDS.items():
            if key in table and not 0 <= self.integer(path, table, key) < 1 << bits:
                self.fail((*path, key), f"{key} = {table[key]} does not fit a NAME", f"write 0 to {(1 << bits) - 1}")
        return dict(table)

    def _signal_options(self, path: Path, table: dict[str, Any]) -> SignalOptions:
        self.only(path, table, "range", "invalid", "reference", "unit", "role")
        invalid: list[Any] = self.get(path, table, "invalid", list, [])
        if any(isinstance(v, bool) or not isinstance(v, int) for v in invalid):
            self.fail((*path, "invalid"), "invalid contains something that is not a raw value", "write whole numbers")
        return SignalOptions(
            self.pair(path, table, "range"),
            tuple(invalid),
            self.optional(path, table, "reference"),
            self.text(path, table, "unit") if "unit" in table else None,
            self.text(path, table, "role", ""),
            self.places.of_key(path),
        )

    def _message(self, path: Path, table: dict[str, Any]) -> MessageRule:
        self.only(
            path, table, "send", "period_ms", "on_arrival", "on_change", "gap_ms", "delay_ms", "states", "once",
            "network_management", "when_stale", "hold_ms", "mux", "rest", "signals", "sender_gone", "note",
            "unreviewed", "reviewed", "open", "last_ms", "pages", "from", "to", "with_bus",
            "on_request",
        )  # fmt: skip
        states = self._state_names(path, table, "states")
        when_stale = self.text(path, table, "when_stale", "fallback")
        if when_stale not in ("fallback", "stop"):
            self.fail((*path, "when_stale"), f"when_stale = {when_stale!r} is not known", 'write "fallback" or "stop"')
        rest = self._rest(path, table)
        mux: list[Any] = self.get(path, table, "mux", list, [])
        if any(isinstance(v, bool) or not isinstance(v, int) for v in mux):
            self.fail(
                (*path, "mux"), "mux contains something that is not a raw value", "list the multiplexer's raw values"
            )
        if "mux" in table and not 1 <= len(mux) <= MAX_TURNS:
            self.fail((*path, "mux"), f"mux lists {len(mux)} turns", f"list 1 to {MAX_TURNS} raw values")
        signals = self.table(path, table, "signals")
        return MessageRule(
            message=Written(self.text(path, table, "send"), self.places.of_text((*path, "send"), table["send"])),
            signals=tuple(self._signal((*path, "signals", k), k, v) for k, v in signals.items()),
            period_us=self.time(path, table, "period_ms"),
            on_arrival=tuple(
                Written(t, self.places.of_text((*path, "on_arrival"), t)) for t in self.texts(path, table, "on_arrival")
            ),
            on_change=self.flag(path, table, "on_change", False),
            gap_us=self.time(path, table, "gap_ms", 0),
            delay_us=self.time(path, table, "delay_ms", 0) or 0,
            states=states,
            once=self._once(path, table),
            last_us=self.time(path, table, "last_ms", 0) or 0,
            with_bus=self.flag(path, table, "with_bus", False),
            on_request=self.flag(path, table, "on_request", False),
            network_management=self.flag(path, table, "network_management", False)
            if "network_management" in table
            else None,
            when_stale=when_stale,
            hold_us=self.time(path, table, "hold_ms", 0),
            mux=tuple(mux) if "mux" in table else None,
            rest=rest,
            sender_gone=self.flag(path, table, "sender_gone", False),
            unreviewed=self.flag(path, table, "unreviewed", False),
            reviewed=self._reviewed(path, table),
            open=self.texts(path, table, "open"),
            pages=self._pages(path, table),
            sender=self._address(path, table, "from"),
            receiver=self._address(path, table, "to"),
            place=self.places.of_key(path),
        )

    def _rest(self, path: Path, table: dict[str, Any]) -> str:
        rest = self.text(path, table, "rest", "")
        if rest not in ("", "not available", "zero", "as recorded"):
            self.fail(
                (*path, "rest"), f"rest = {rest!r} is not known", 'write "not available", "zero" or "as recorded"'
            )
        return rest

    def _once(self, path: Path, table: dict[str, Any]) -> int:
        """How often a wake a message is sent: `true` is once."""
        value = table.get("once", False)
        count = int(value) if isinstance(value, int) else -1
        if not 0 <= count <= MAX_COUNT:
            self.fail(
                (*path, "once"), f"once is not true or a number up to {MAX_COUNT}", "write once = true or once = 3"
            )
        return count

    def _pages(self, path: Path, table: dict[str, Any]) -> tuple[PageRule, ...]:
        out = []
        pages = self.table(path, table, "pages")
        for key in pages:
            at = (*path, "pages", key)
            if not re.fullmatch(r"-?[0-9]{1,19}", key):
                self.fail(at, f"page {key!r} is not a raw value of the multiplexer", "write [messages.pages.2]")
            page = self.table((*path, "pages"), pages, key)
            self.only(at, page, "rest", "signals", "note")
            signals = self.table(at, page, "signals")
            made = (self._signal((*at, "signals", k), k, v) for k, v in signals.items())
            number = int(key)
            rules = tuple(dataclasses.replace(rule, page=number) for rule in made)
            out.append(PageRule(number, self._rest(at, page), rules, self.places.of_key(at)))
        return tuple(out)

    def _state_names(self, path: Path, table: dict[str, Any], key: str) -> tuple[str, ...] | None:
        if key not in table:
            return None
        states = self.texts(path, table, key)
        for state in states:
            if state not in STATES:
                self.fail((*path, key), f"state {state!r} is not known", f"use some of {', '.join(STATES)}")
        return states

    def _reviewed(self, path: Path, table: dict[str, Any]) -> Reviewed | None:
        if "reviewed" not in table:
            return None
        entry = self.table(path, table, "reviewed")
        self.only((*path, "reviewed"), entry, "on", "digest")
        return Reviewed(*(self.text((*path, "reviewed"), entry, key) for key in ("on", "digest")))

    def _seen(self, path: Path, table: dict[str, Any]) -> Seen:
        states = self._state_names(path, table, "seen_states")
        entry = table.get("seen")
        if entry is None:
            return Seen((), states)
        if isinstance(entry, dict):
            spans = {name: self.pair((*path, "seen"), entry, name) for name in entry}
        else:
            spans = {"": self.pair(path, table, "seen")}
        return Seen(tuple((name, *ends) for name, ends in spans.items() if ends is not None), states)

    def _signal(self, path: Path, name: str, value: Any) -> SignalRule:
        table = value if isinstance(value, dict) else {"value": value}
        self.only(
            path, table, "value", "fallback", "role", "hold_ms", "ramp", "resolution", "limits", "reference", "seen",
            "seen_states", "unreviewed", "reviewed",
        )  # fmt: skip
        if "value" not in table:
            self.fail(path, f"signal {name} has no value", 'add value = "..."')
        where = (*path, "value") if isinstance(value, dict) else path
        return SignalRule(
            name,
            self.source(where, table["value"]),
            self.optional(path, table, "fallback"),
            self.text(path, table, "role", ""),
            self.time(path, table, "hold_ms", 0),
            self.optional(path, table, "ramp"),
            self.optional(path, table, "resolution"),
            self.pair(path, table, "limits"),
            self.optional(path, table, "reference"),
            self.places.of_key(path),
            self._seen(path, table),
            self.flag(path, table, "unreviewed", False),
            self._reviewed(path, table),
        )

    def _pass(self, path: Path, table: dict[str, Any], *, block: bool) -> PassRule:
        self.only(path, table, "from", "to", "ids", "as", "note")
        ranges: list[tuple[int, int]] = []
        for item in self.texts(path, table, "ids"):
            if item == "all":
                ranges += [(0, 0x7FF), (1 << 31, (1 << 31) | 0x1FFF_FFFF)]
                continue
            first, _, last = item.partition("-")
            low = self.word((*path, "ids"), first.strip())
            high = self.word((*path, "ids"), last.strip()) if last else low
            if low > high or (low ^ high) >> 31:
                self.fail((*path, "ids"), f"{item!r} is not a range", 'write "100-1FF" or "100x-1FFx"')
            ranges.append((low, high))
        if not ranges:
            self.fail(path, "the rule names no identifier", 'add ids = ["1A0", "300-3FF"] or ids = ["all"]')
        new_word = -1
        if "as" in table:
            if block or len(ranges) != 1 or ranges[0][0] != ranges[0][1]:
                self.fail((*path, "as"), "`as` renames one passed identifier", "give it a separate rule")
            new_word = self.word((*path, "as"), self.text(path, table, "as"))
        return PassRule(
            self.text(path, table, "from"), self.text(path, table, "to"), tuple(ranges), block, new_word,
            self.places.of_key(path),
        )  # fmt: skip

    def _diagnostics(self) -> Diagnostics | None:
        if "diagnostics" not in self.data:
            return None
        path: Path = ("diagnostics",)
        table = self.table((), self.data, "diagnostics")
        self.only(path, table, "mode", "tester", "engine", "answers", "extended")
        mode = self.text(path, table, "mode")
        if mode not in ("pass", "answer"):
            self.fail((*path, "mode"), f"mode {mode!r} is not known", 'write "pass" or "answer"')
        answers: dict[int, Written] = {}
        for key, value in self.table(path, table, "answers").items():
            if not _PID.fullmatch(key):
                self.fail((*path, "answers", key), f"{key!r} is not a hexadecimal identifier", 'write "0C" = "..."')
            pid = int(key, 16)
            if pid in answers:
                self.fail((*path, "answers", key), f"identifier {pid:02X} is answered twice", "leave one out")
            answers[pid] = self.source((*path, "answers", key), value)
        return Diagnostics(
            mode, self.text(path, table, "tester"), self.text(path, table, "engine", ""), tuple(answers.items()),
            self.flag(path, table, "extended", False), self.places.of_key(path),
        )  # fmt: skip

    def _states(self) -> StateRules:
        path: Path = ("states",)
        table = self.table((), self.data, "states")
        self.only(path, table, "key_on", "crank", "run", "after_run_ms", "sleep_after_ms", "wake_by")
        return StateRules(
            self.optional(path, table, "key_on"),
            self.optional(path, table, "crank"),
            self.optional(path, table, "run"),
            self.time(path, table, "after_run_ms", 0) or 0,
            self.time(path, table, "sleep_after_ms") or 5_000_000,
            self.texts(path, table, "wake_by") if "wake_by" in table else None,
            self.places.of_key(path),
        )
