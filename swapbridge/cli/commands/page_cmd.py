"""Command line: `swapbridge page`."""

from __future__ import annotations

import webbrowser
from pathlib import Path

import click

from swapbridge.cli.screen.common import print_line


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False), default=".")
@click.option(
    "--port", type=click.IntRange(1, 65535), help="Port to listen on (default: the first free one from 8321)."
)
@click.option("--share", metavar="ADDRESS", help="Also listen on this address, for a phone; prints a one-time link.")
@click.option("--share-writes", is_flag=True, help="Let the shared browser change files. It can never send.")
@click.option("--open/--no-open", "open_browser", default=True, help="Open the page in the default browser.")
def command(folder: Path, port: int | None, share: str | None, share_writes: bool, open_browser: bool) -> None:
    """Open the browser page of a swap folder.

    The page listens on this machine only. Everything it does is also a command.

    \b
    Example:
      swapbridge page my-swap
    """
    from swapbridge.page.serve import PageAddress, serve

    def ready(address: PageAddress) -> None:
        print_line(f"The browser page of {folder.resolve().name} is at {address.here}  (Ctrl-C to quit)")
        if address.elsewhere is not None:
            print_line(f"One-time link for another device: {address.elsewhere}")
            print_line(
                "It may change files."
                if share_writes
                else "It may look but not change anything; --share-writes allows changes."
            )
        if open_browser:
            webbrowser.open(address.here)

    serve(folder, port=port, share=share, share_writes=share_writes, ready=ready)
