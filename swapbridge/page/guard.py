"""Page room: who may ask for what. Host and Origin checks, sessions, one-time token, headers.

Three dangers are met here: another web site open in the same browser (Host, Origin, a token in every change), somebody
else on the same network (nothing is bound beyond this machine unless shared, and then only with a one-time token and
read-only), and hostile text in a capture or a map (a content security policy that runs no script but our own files).

Sessions are signed cookies: nothing is stored, so nothing can be pushed out by a site that asks a thousand times. And
one request needs none: to stop is always allowed to whoever is here by our own address.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

FORM_TOKEN_HEADER = "x-swapbridge-form"
SAFE_METHODS = frozenset({"GET", "HEAD"})
STOP_PATH = "/api/live/stop"
NEXT_PATH = "/api/live/next"
PEDALS = "/pedals"
"""The phone's own page: Next and Stop, and nothing else that changes anything."""
LIVE_PATH = "/api/live"
STATIC = "/static/"
COME_IN = "in=1"

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'self'; frame-src 'self'"
)
"""Content security policy of every page: only our own files run or style anything."""


def policy_with_styles(nonce: str) -> str:
    """The policy of a page whose editor makes styles of its own: those with this nonce, and no others.

    Parameters
    ----------
    nonce : str
        The nonce of this response.

    Returns
    -------
    str
        Value of the Content-Security-Policy header.
    """
    return POLICY.replace("style-src 'self'", f"style-src 'self' 'nonce-{nonce}'")


HERE, FAR, FAR_WRITES, FOOT = "here", "far", "far-writes", "foot"
"""Kinds of sessions: of this machine; of another one, looking only or allowed to write; of the phone at the pedals."""
MOST_PHONE_LINKS = 20

_THRESHOLD = (
    '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Browser page</title>'
    '<meta http-equiv="refresh" content="0; url={to}"></head><body>'
    '<p><a href="{to}">Open the browser page</a></p></body></html>'
)

REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox; frame-ancestors 'self'"
"""Policy of a proof report shown inside the page: one self-contained file, styled inline, that runs nothing here."""


@dataclass(frozen=True, slots=True)
class PageSession:
    """One browser: its secret for changes, and what it may do."""

    form_token: str
    local: bool
    may_write: bool
    at_pedals: bool = False


class RequestGuard:
    """ASGI middleware in front of the whole page.

    Parameters
    ----------
    app : ASGI application
        What is guarded; it finds the `PageSession` in ``scope["state"]["session"]``.
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
        self._phone_tokens: list[str] = []
        self._secret = secrets.token_bytes(32)
        port = min(host.rpartition(":")[2] for host in self.hosts)
        self.cookie = f"swapbridge_session_{port}"
        """Cookies know no ports: two pages on one machine need a name each."""

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

    def _admit(self, scope: Scope) -> tuple[Response | None, PageSession | None, str | None]:
        """A refusal, or the session with the cookie to set when it is a new one."""
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self.hosts:
            return _no("this address is not the browser page's own; open the address that the command printed")
        changes = scope["method"] not in SAFE_METHODS
        if changes:
            origin = headers.get("origin") or headers.get("referer", "")
            if urlsplit(origin).netloc.lower() not in self.hosts:
                return _no("this change was asked for by another site")
            if scope["path"] == STOP_PATH:
                return None, None, None
        session = self._session(cookie_parser(headers.get("cookie", "")).get(self.cookie, ""))
        if session is None:
            return self._newcomer(scope, headers)
        if session.local and not _is_loopback(scope):
            return _no("this session belongs to the machine itself")
        if changes:
            if not hmac.compare_digest(headers.get(FORM_TOKEN_HEADER, ""), session.form_token):
                return _no("this change did not come from the page; load the page again")
            if session.at_pedals and scope["path"] == NEXT_PATH:
                return None, session, None
            if not session.may_write:
                return _no("this browser may only look; make changes on the machine itself")
        return None, session, None

    def _newcomer(self, scope: Scope, headers: Headers) -> tuple[Response | None, PageSession | None, str | None]:
        """Nobody knows this browser: it gets a session only by opening the page itself, not through another site."""
        query = scope["query_string"].decode("latin-1")
        local = _is_loopback(scope)
        if local and (scope["path"].startswith(STATIC) or scope["path"] == LIVE_PATH) and not _from_elsewhere(headers):
            return None, None, None  # whoever may stop sees here that it stopped
        if scope["method"] not in SAFE_METHODS:
            return _no("this browser's session has ended; load the page again")
        if not local and (kind := self._spend_token(query)):
            answer = RedirectResponse(f"{PEDALS if kind == FOOT else '/'}?{COME_IN}", status_code=303)
            self._set_cookie(answer.headers, self._value(kind))
            return answer, None, None
        if query == COME_IN or _from_elsewhere(headers):
            if headers.get("sec-fetch-dest", "document") != "document":
                return _no("open the page in a tab of its own, not inside another site")
            page = _THRESHOLD.format(to=PEDALS if scope["path"] == PEDALS else "/")
            return HTMLResponse(page), None, None  # its own link keeps the cookie that a foreign one leaves out
        if not local:
            return _no("this page is not open to other machines; ask for the address with its one-time token")
        if headers.get("sec-fetch-dest", "document") != "document":
            return _no("load the page first")
        value = self._value(HERE)
        return None, self._session(value), value

    def _value(self, kind: str) -> str:
        name = f"{kind}.{secrets.token_urlsafe(16)}"
        return f"{name}.{self._sign(name)}"

    def _session(self, value: str) -> PageSession | None:
        """What a cookie says; None when it is not ours."""
        name, _, signature = value.rpartition(".")
        kind = name.partition(".")[0]
        if kind not in (HERE, FAR, FAR_WRITES, FOOT) or not hmac.compare_digest(signature, self._sign(name)):
            return None
        return PageSession(self._sign(f"form {value}"), kind == HERE, kind in (HERE, FAR_WRITES), kind == FOOT)

    def _sign(self, text: str) -> str:
        return hmac.new(self._secret, text.encode("utf-8", "replace"), hashlib.sha256).hexdigest()

    def phone_link(self) -> str | None:
        """A link for one phone, spent by the first that opens it; None while the page is not shared with anybody."""
        away = [host for host in self.hosts if not host.startswith(("127.0.0.1:", "localhost:"))]
        if not away:
            return None
        self._phone_tokens = [*self._phone_tokens, secrets.token_urlsafe(16)][-MOST_PHONE_LINKS:]
        return f"http://{away[0]}{PEDALS}?token={self._phone_tokens[-1]}"

    def _spend_token(self, query: str) -> str:
        """The kind of session that a one-time token opens; "" where it is none, or was spent."""
        offered = parse_qs(query).get("token", [""])[0].encode("utf-8", "replace")
        if self.share_token is not None and hmac.compare_digest(offered, self.share_token.encode()):
            self.share_token = None
            return FAR_WRITES if self.remote_may_write else FAR
        for token in self._phone_tokens:
            if hmac.compare_digest(offered, token.encode()):
                self._phone_tokens.remove(token)
                return FOOT
        return ""

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
                    self._set_cookie(headers, fresh)
            await send(message)

        return guarded

    def _set_cookie(self, headers: MutableHeaders, value: str) -> None:
        headers.append("set-cookie", f"{self.cookie}={value}; Path=/; HttpOnly; SameSite=Strict")


def _no(why: str) -> tuple[Response, None, None]:
    return PlainTextResponse(f"Refused: {why}.\n", status_code=403), None, None


def _from_elsewhere(headers: Headers) -> bool:
    """Whether another site led or pointed here; browsers say so, old ones by the referer alone."""
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site not in ("none", "same-origin")
    referer = headers.get("referer", "")
    return bool(referer) and urlsplit(referer).netloc.lower() != headers.get("host", "").lower()


def _is_loopback(scope: Scope) -> bool:
    client = scope.get("client")
    if not client:
        return False
    try:
        return ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return False
