"""Page room: who may ask for what. Host and Origin checks, sessions, one-time token, headers.

Three dangers are met here: another web site open in the same browser (Host, Origin, a token in every change), somebody
else on the same network (nothing is bound beyond this machine unless shared, and then only with a one-time token and
read-only), and hostile text in a capture or a map (a content security policy that runs no script but our own files).
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

SESSION_COOKIE = "swapbridge_session"
FORM_TOKEN_HEADER = "x-swapbridge-form"
SAFE_METHODS = frozenset({"GET", "HEAD"})
MOST_SESSIONS = 64

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'self'; frame-src 'self'"
)
"""Content security policy of every page: only our own files run or style anything."""

REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox; frame-ancestors 'self'"
"""Policy of a proof report shown inside the page: one self-contained file, styled inline, that runs nothing here."""


@dataclass(frozen=True, slots=True)
class Session:
    """One browser: its secret for changes, and what it may do."""

    form_token: str
    local: bool
    may_write: bool


class Guard:
    """ASGI middleware in front of the whole page.

    Parameters
    ----------
    app : ASGI application
        What is guarded; it finds the `Session` in ``scope["state"]["session"]``.
    hosts : iterable of str
        Values of the Host header that are ours, in lower case, with the port.
    share_token : str or None
        One-time token that lets a browser elsewhere in; None keeps everybody else out.
    remote_may_write : bool
        Whether such a browser may change files in the folder. Live sending is never offered to it.
    """

    def __init__(
        self, app: ASGIApp, *, hosts: Iterable[str], share_token: str | None = None, remote_may_write: bool = False
    ) -> None:
        self.app = app
        self.hosts = frozenset(host.lower() for host in hosts)
        self.share_token = share_token
        self.remote_may_write = remote_may_write
        self.sessions: dict[str, Session] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        refusal, session, fresh = self._admit(scope)
        if refusal is not None:
            await refusal(scope, receive, self._with_headers(send, None))
            return
        scope.setdefault("state", {})["session"] = session
        await self.app(scope, receive, self._with_headers(send, fresh))

    def _admit(self, scope: Scope) -> tuple[Response | None, Session | None, str | None]:
        """A refusal, or the session with the cookie to set when it is a new one."""
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self.hosts:
            return (
                _no("this address is not the bench page's own; open the address that the command printed"),
                None,
                None,
            )
        key = cookie_parser(headers.get("cookie", "")).get(SESSION_COOKIE, "")
        session, fresh = self.sessions.get(key), None
        if session is None:
            if _is_loopback(scope):
                fresh, session = self._open(local=True, may_write=True)
            elif self._spend_token(scope):
                fresh, session = self._open(local=False, may_write=self.remote_may_write)
                answer = RedirectResponse("/", status_code=303)
                _set_cookie(answer.headers, fresh)
                return answer, None, None
            else:
                return (
                    _no("this page is not open to other machines; ask for the address with its one-time token"),
                    None,
                    None,
                )
        if session.local and not _is_loopback(scope):
            return _no("this session belongs to the machine itself"), None, None
        if scope["method"] not in SAFE_METHODS:
            origin = headers.get("origin") or headers.get("referer", "")
            if urlsplit(origin).netloc.lower() not in self.hosts:
                return _no("this change was asked for by another site"), None, None
            if not hmac.compare_digest(headers.get(FORM_TOKEN_HEADER, ""), session.form_token):
                return _no("this change did not come from the page; load the page again"), None, None
            if not session.may_write:
                return _no("this browser may look only; changes are made on the machine itself"), None, None
        return None, session, fresh

    def _open(self, *, local: bool, may_write: bool) -> tuple[str, Session]:
        while len(self.sessions) >= MOST_SESSIONS:
            del self.sessions[next(iter(self.sessions))]
        key = secrets.token_urlsafe(32)
        self.sessions[key] = session = Session(secrets.token_urlsafe(32), local, may_write)
        return key, session

    def _spend_token(self, scope: Scope) -> bool:
        offered = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if self.share_token is None or not hmac.compare_digest(offered.encode(), self.share_token.encode()):
            return False
        self.share_token = None
        return True

    def _with_headers(self, send: Send, fresh: str | None) -> Send:
        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("content-security-policy", POLICY)
                headers.setdefault("cache-control", "no-store")
                headers["x-content-type-options"] = "nosniff"
                headers["referrer-policy"] = "same-origin"
                headers["cross-origin-opener-policy"] = "same-origin"
                if fresh is not None:
                    _set_cookie(headers, fresh)
            await send(message)

        return guarded


def _no(why: str) -> Response:
    return PlainTextResponse(f"Refused: {why}.\n", status_code=403)


def _set_cookie(headers: MutableHeaders, key: str) -> None:
    headers.append("set-cookie", f"{SESSION_COOKIE}={key}; Path=/; HttpOnly; SameSite=Strict")


def _is_loopback(scope: Scope) -> bool:
    client = scope.get("client")
    if not client:
        return False
    try:
        return ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return False
