"""Command line: which messages a trial on a table may send, and which the module itself sends."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import click

from swapbridge.asking.trials.permit import Sendable, sendable
from swapbridge.capture.capture import Capture
from swapbridge.cli.commands.find_files import InFolder
from swapbridge.cli.screen.common import IdentifierType, print_line
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.core.identifier_words import identifier_word
from swapbridge.signalmap.signal_map import SignalMap
from swapbridge.swapfolder.paths import CAPTURES, MAPS

FILE = click.Path(dir_okay=False, path_type=Path)
log_option = click.option(
    "--log", "log_path", type=FILE, help="File to record the trial in (default: captures/trial.log)."
)


def messages_to_try(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say from which map and recording, and which messages, a trial sends."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


_OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option("--map", "map_path", type=FILE, required=True, callback=InFolder(MAPS), help="The host's signal map."),
    click.option(
        "--recording", type=FILE, required=True, callback=InFolder(CAPTURES), help="Recording with the payloads."
    ),
    click.option(
        "--absent", multiple=True, help="Name in the map of an absent module, whose messages are tried; repeatable."
    ),
    click.option(
        "--message", "named", multiple=True, type=IdentifierType(), help="Identifier of a message to try; repeatable."
    ),
)


def absent_messages(
    capture: Capture, signal_map: SignalMap, absent: Iterable[str], named: Iterable[tuple[int, bool]]
) -> tuple[Sendable, ...]:
    """Messages of absent modules that a trial may send, and those named one by one.

    Messages of an absent module that must not be sent, or were not recorded, are left out and reported; a message that
    was named explicitly is refused.

    Raises
    ------
    InputError, RefusedError
    """
    out = {one.word: one for one in sendable(capture, signal_map, [identifier_word(*one) for one in named])}
    for node in absent:
        messages = [message for message in signal_map.messages if node in message.named_senders]
        if not messages:
            known = sorted({name for message in signal_map.messages for name in message.named_senders})
            raise InputError(
                f"the map has no message from {node!r}: name one of its senders ({', '.join(known) or 'it has none'})"
            )
        for message in messages:
            try:
                (out[message.word],) = sendable(capture, signal_map, [message.word])
            except RefusedError as error:
                print_line(f"left out: {error}")
    if not out:
        raise InputError("there is nothing to send: name the absent module with --absent, or messages with --message")
    return tuple(out[word] for word in sorted(out))


def module_words(signal_map: SignalMap, module: str) -> frozenset[int]:
    """Identifier words that a module sends, by its name in the map.

    Raises
    ------
    InputError
        The map names none.
    """
    words = frozenset(message.word for message in signal_map.messages if module in message.named_senders)
    if not words:
        known = sorted({name for message in signal_map.messages for name in message.named_senders})
        raise InputError(
            f"the map has no message from {module!r} (its senders: {', '.join(known) or 'none'}): "
            "record the module alone on the table, and enter its messages in the map with `swapbridge map set`"
        )
    return words
