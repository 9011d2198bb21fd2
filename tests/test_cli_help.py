"""Every command explains itself: what it does, its options, one example that is a real call; README knows it."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from swapbridge.cli.main import COMMANDS, cli

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")


def commands() -> Iterator[tuple[str, click.Command]]:
    """Every command and subcommand by the words that call it."""
    context = click.Context(cli)
    for name in COMMANDS:
        command = cli.get_command(context, name)
        assert command is not None
        yield name, command
        if isinstance(command, click.Group):
            yield from ((f"{name} {sub}", c) for sub, c in command.commands.items())


ALL = dict(commands())


def help_of(words: str) -> str:
    result = CliRunner().invoke(cli, [*words.split(), "--help"], prog_name="swapbridge")
    assert result.exit_code == 0, result.output
    return result.output


@pytest.mark.parametrize("words", ALL)
def test_help_explains_itself(words: str) -> None:
    text = help_of(words)
    assert text.startswith(f"Usage: swapbridge {words} ")
    assert max(len(line) for line in text.splitlines()) <= 100
    command = ALL[words]
    assert command.help is not None
    assert len(command.help.split()) >= 5
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{words} {parameter.opts[0]} says nothing about itself"
    assert "Example:" in text


def calls(text: str) -> Iterator[list[str]]:
    """Calls of swapbridge in a help text or in README's code blocks, continued lines joined."""
    joined = re.sub(r"\\?\n\s+(?=--)", " ", text.replace("\\\n", " "))
    for found in re.finditer(r"^\s*(?:Example:\s*)?(?:\.venv/bin/)?swapbridge (\S.*)$", joined, flags=re.MULTILINE):
        line = re.split(r"\s+#|\s{3,}|\s&&\s", found[1])[0]
        yield shlex.split(line)


def check_call(words: list[str]) -> None:
    """The command and each of its options exist."""
    command: click.Command | None = cli
    context = click.Context(cli)
    while isinstance(command, click.Group):
        assert words, "names no command"
        name = words.pop(0)
        if name.startswith("-"):
            return
        command = command.get_command(context, name)
        assert command is not None, f"no command {name}"
    assert command is not None
    known = {o for p in command.params if isinstance(p, click.Option) for o in (*p.opts, *p.secondary_opts)}
    for word in words:
        option = word.split("=")[0]
        if re.fullmatch(r"--?[a-z][\w-]*", option):
            assert option in known | {"--help", "-h"}, f"{command.name} has no option {option}"


@pytest.mark.parametrize("words", ALL)
def test_examples_are_real_calls(words: str) -> None:
    found = [call for call in calls(help_of(words)) if call[: len(words.split())] == words.split()]
    assert found, "the example calls another command"
    for call in found:
        check_call(call)


def test_readme_calls_are_real() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)
    found = [call for block in blocks for call in calls(block)]
    assert len(found) > 10
    for call in found:
        check_call(call)


def test_readme_knows_every_command() -> None:
    for name, line in COMMANDS.items():
        assert f"swapbridge {name}" in README, f"README does not know {name} ({line})"


def test_first_help_lists_every_command() -> None:
    text = CliRunner().invoke(cli, ["--help"]).output
    for name, line in COMMANDS.items():
        assert name in text
        assert line.split()[0] in text


def test_unknown_command_is_one_sentence() -> None:
    result = CliRunner().invoke(cli, ["frobnicate"])
    assert result.exit_code == 2
    assert "frobnicate" in result.output
