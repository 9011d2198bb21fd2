"""Every command that is written anywhere for people to type is one: its names, options and number of arguments."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import click
import pytest

from swapbridge.cli.main import COMMANDS, cli

ROOT = Path(__file__).parents[2]
LINE = re.compile(r"^\s*(?:Example: )?(swapbridge .*)$")


def joined(text: str) -> str:
    """Lines that end in a backslash go on in the next."""
    return re.sub(r"\\\s*\n\s*", " ", text)


def from_pages() -> Iterator[tuple[str, str]]:
    pages = [p for p in files("swapbridge.guides").joinpath("pages").iterdir() if p.name.endswith(".md")]
    texts = {page.name: page.read_text(encoding="utf-8") for page in pages}
    texts |= {name: (ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md")}
    for name, text in sorted(texts.items()):
        for block in re.findall(r"^```(?:sh)?\n(.*?)^```$|((?:^    .*\n)+)", joined(text), re.MULTILINE | re.DOTALL):
            for line in "".join(block).splitlines():
                if found := LINE.match(line):
                    yield name, found[1]


def all_commands(
    group: click.Group, context: click.Context, names: tuple[str, ...] = ()
) -> Iterator[tuple[str, click.Command]]:
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        yield " ".join((*names, name)), command
        if isinstance(command, click.Group):
            yield from all_commands(command, click.Context(command, parent=context, info_name=name), (*names, name))


def from_help() -> Iterator[tuple[str, str]]:
    for name, command in all_commands(cli, click.Context(cli)):
        for line in joined((command.help or "") + "\n" + (command.epilog or "")).splitlines():
            if found := LINE.match(line):
                yield f"help of {name}", found[1]


WRITTEN = sorted({*from_pages(), *from_help()})


def test_many_are_found() -> None:
    assert len(WRITTEN) > 60
    assert {line.split()[1] for _, line in WRITTEN} >= set(COMMANDS) - {"guide", "stop"}


@pytest.mark.parametrize(("where", "line"), WRITTEN, ids=[f"{where}: {line[:60]}" for where, line in WRITTEN])
def test_it_is_a_command(where: str, line: str) -> None:
    words = shlex.split(line, comments=True)[1:]
    command: click.Command = cli
    context = click.Context(cli, info_name="swapbridge")
    while isinstance(command, click.Group):
        name = words.pop(0)
        if name.startswith("-"):
            return  # the group's own: --help, --version
        found = command.get_command(context, name)
        assert found is not None, f"{where}: there is no command {name}"
        command, context = found, click.Context(found, parent=context, info_name=name)
    values, left, _ = command.make_parser(context).parse_args(args=words)
    assert not left, f"{where}: {' '.join(left)} is left over"
    for parameter in command.params:
        if isinstance(parameter, click.Argument) and parameter.required:
            assert values.get(parameter.name or ""), f"{where}: {parameter.human_readable_name} is missing"
