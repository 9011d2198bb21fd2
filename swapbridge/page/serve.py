"""Page room: the server: which address it listens on, who may reach it, and the words to open it with."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from swapbridge.bus.running.control import control_folder
from swapbridge.core.errors import InputError
from swapbridge.page.app import make_app

FIRST_PORT = 8321
PORTS_TRIED = 20


@dataclass(frozen=True, slots=True)
class PageAddress:
    """Where the page is: what to open on this machine and, when shared, elsewhere (once)."""

    here: str
    elsewhere: str | None


def serve(
    folder: Path,
    *,
    port: int | None = None,
    share: str | None = None,
    share_writes: bool = False,
    ready: Callable[[PageAddress], None] | None = None,
) -> None:
    """Serve the browser page until interrupted.

    Parameters
    ----------
    folder : Path
        The swap folder.
    port : int or None
        Port to listen on; by default the first free one from 8321 on, and a taken port is an error when named.
    share : str or None
        An address of this machine to listen on besides, for a phone or a second laptop; None keeps to this machine.
    share_writes : bool
        Whether a browser elsewhere may change files; live sending is never offered to it.
    ready : callable or None
        Told the address once the server listens.

    Raises
    ------
    InputError
        The folder is missing, or the address or port can't be listened on.
    RefusedError
        Live runs of this computer can't be found from here, so that Stop would not reach them.
    """
    control_folder()
    first = _listen("127.0.0.1", port)
    number = first.getsockname()[1]
    sockets = [first]
    hosts = [f"127.0.0.1:{number}", f"localhost:{number}"]
    token = None
    if share is not None:
        sockets.append(_listen(share, number))
        hosts.append(f"{share}:{number}" if ":" not in share else f"[{share}]:{number}")
        token = secrets.token_urlsafe(24)
    try:
        app = make_app(folder, hosts=hosts, share_token=token, remote_may_write=share_writes)
        server = uvicorn.Server(
            uvicorn.Config(
                app, log_level="warning", access_log=False, proxy_headers=False, server_header=False, lifespan="off"
            )
        )
        if ready is not None:
            ready(PageAddress(f"http://{hosts[0]}/", f"http://{hosts[-1]}/?token={token}" if token else None))
        server.run(sockets=sockets)
    finally:
        for sock in sockets:
            sock.close()


def _listen(host: str, port: int | None) -> socket.socket:
    ports = [port] if port is not None else range(FIRST_PORT, FIRST_PORT + PORTS_TRIED)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    reason = ""
    for number in ports:
        sock = socket.socket(family, socket.SOCK_STREAM)
        # on Windows SO_REUSEADDR would give two programs the same port at the same time
        option = getattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_REUSEADDR)
        sock.setsockopt(socket.SOL_SOCKET, option, 1)
        try:
            sock.bind((host, number))
            sock.listen(128)
        except OSError as error:
            sock.close()
            reason = error.strerror or str(error)
        else:
            return sock
    raise InputError(f"can't listen on {host} port {port or FIRST_PORT}: {reason}; name another with --port or --share")
