"""The guard in front of the browser page: who gets in, and who may change anything."""

from __future__ import annotations

import mimetypes
import re
import socket
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from swapbridge.page.app import make_app
from swapbridge.page.guard import FORM_TOKEN_HEADER, POLICY
from swapbridge.page.serve import _listen

HOST = "127.0.0.1:8321"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "captures").mkdir()
    (tmp_path / "signal_maps").mkdir()
    return tmp_path


def browser(app: object, *, client: str = "127.0.0.1", host: str = HOST) -> TestClient:
    return TestClient(app, base_url=f"http://{host}", client=(client, 50000), follow_redirects=False)  # type: ignore[arg-type]


def form_token(page: str) -> str:
    found = re.search(r'name="form-token" content="([^"]+)"', page)
    assert found
    return found.group(1)


def test_the_machine_itself_gets_in_and_its_page_runs_only_our_scripts(folder: Path) -> None:
    answer = browser(make_app(folder, hosts=[HOST])).get("/")
    assert answer.status_code == 200
    assert answer.headers["content-security-policy"] == POLICY
    assert "unsafe" not in POLICY
    assert "<script>" not in answer.text
    assert "HttpOnly" in answer.headers["set-cookie"]
    assert "SameSite=Strict" in answer.headers["set-cookie"]


def test_scripts_are_scripts_whatever_this_computer_calls_them(folder: Path) -> None:
    """Windows' own list says plain text of a script where another program wrote that into it; no browser runs that."""
    before = mimetypes.guess_type("core.js")[0] or "text/javascript"
    mimetypes.add_type("text/plain", ".js")
    try:
        answer = browser(make_app(folder, hosts=[HOST])).get("/static/core.js")
    finally:
        mimetypes.add_type(before, ".js")
    assert answer.headers["content-type"].startswith("text/javascript")


def test_a_port_is_ours_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """On Windows SO_REUSEADDR lets two programs listen on one port: there it is asked for by SO_EXCLUSIVEADDRUSE."""
    monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_KEEPALIVE, raising=False)  # stands for it here
    with _listen("127.0.0.1", 0) as sock:
        assert sock.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        assert not sock.getsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR)


def test_a_foreign_host_name_that_resolves_here_is_refused(folder: Path) -> None:
    answer = browser(make_app(folder, hosts=[HOST]), host="evil.example:8321").get("/")
    assert answer.status_code == 403


def test_another_machine_is_refused_without_sharing(folder: Path) -> None:
    assert browser(make_app(folder, hosts=[HOST]), client="192.0.2.7").get("/").status_code == 403


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),
        ({"origin": f"http://{HOST}"}, 403),
        ({"origin": f"http://{HOST}", FORM_TOKEN_HEADER: "wrong"}, 403),
        ({"origin": "http://evil.example", FORM_TOKEN_HEADER: "right"}, 403),
        ({"origin": "null", FORM_TOKEN_HEADER: "right"}, 403),
        ({"origin": f"http://{HOST}", FORM_TOKEN_HEADER: "right"}, 400),
    ],
)
def test_a_change_needs_our_origin_and_the_pages_own_token(folder: Path, headers: dict[str, str], status: int) -> None:
    """400 is the application's own word (nothing to undo): the guard let it through."""
    here = browser(make_app(folder, hosts=[HOST]))
    token = form_token(here.get("/").text)
    sent = {k: token if v == "right" else v for k, v in headers.items()}
    assert here.post("/api/undo", headers=sent).status_code == status


def test_the_shared_token_works_once_and_gives_a_browser_that_only_looks(folder: Path) -> None:
    app = make_app(folder, hosts=[HOST], share_token="secret-once")
    first = browser(app, client="192.0.2.7")
    assert first.get("/?token=wrong").status_code == 403
    assert first.get("/?token=secret-once").status_code == 303
    page = first.get("/")
    assert page.status_code == 200
    assert "Read only" in page.text
    sent = {"origin": f"http://{HOST}", FORM_TOKEN_HEADER: form_token(page.text)}
    assert first.post("/api/undo", headers=sent).status_code == 403
    assert browser(app, client="192.0.2.8").get("/?token=secret-once").status_code == 403


def test_a_shared_browser_may_write_only_when_told_so(folder: Path) -> None:
    app = make_app(folder, hosts=[HOST], share_token="secret-once", remote_may_write=True)
    far = browser(app, client="192.0.2.7")
    far.get("/?token=secret-once")
    token = form_token(far.get("/").text)
    assert far.post("/api/undo", headers={"origin": f"http://{HOST}", FORM_TOKEN_HEADER: token}).status_code == 400


def test_a_cookie_of_this_machine_is_worth_nothing_on_another(folder: Path) -> None:
    app = make_app(folder, hosts=[HOST])
    here = browser(app)
    here.get("/")
    far = browser(app, client="192.0.2.7")
    far.cookies.update(here.cookies)
    assert far.get("/").status_code == 403


@pytest.mark.parametrize("name", ["../secret.log", "..%2fsecret.log", "/etc/passwd", "a\0b.log", "link.log"])
def test_no_name_leads_out_of_the_folder(folder: Path, name: str) -> None:
    secret = folder.parent / "secret.log"
    secret.write_text("(1.0) can0 123#00\n")
    (folder / "captures" / "link.log").symlink_to(secret)
    here = browser(make_app(folder, hosts=[HOST]))
    answer = here.get("/api/capture", params={"file": name})
    assert answer.status_code == 400
    assert "error" in answer.json()


COOKIE = "swapbridge_session_8321"
NAVIGATION = {"sec-fetch-site": "none", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}
ORIGIN = {"origin": f"http://{HOST}"}


def test_two_pages_on_one_machine_keep_their_sessions(folder: Path) -> None:
    """Cookies know no ports: one name for all of them took the other page's session away."""
    one, other = make_app(folder, hosts=[HOST]), make_app(folder, hosts=["127.0.0.1:8322"])
    here = browser(one)
    token = form_token(here.get("/").text)
    there = browser(other, host="127.0.0.1:8322")
    there.cookies.update(here.cookies)
    there.get("/")
    here.cookies.update(there.cookies)
    assert {name for name, _ in here.cookies.items()} == {COOKIE, "swapbridge_session_8322"}
    assert here.post("/api/undo", headers={**ORIGIN, FORM_TOKEN_HEADER: token}).status_code == 400


def test_nothing_pushes_a_session_out(folder: Path) -> None:
    """80 images of a foreign page made 80 sessions, and the 64 kept were no longer the person's."""
    app = make_app(folder, hosts=[HOST], share_token="once")
    here, phone = browser(app), browser(app, client="192.0.2.7")
    token = form_token(here.get("/").text)
    phone.get("/?token=once")
    looking = phone.get("/").text
    stranger = browser(app)
    foreign = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors", "sec-fetch-dest": "image"}
    for n in range(100):
        answer = stranger.get(f"/?{n}", headers=foreign)
        assert answer.status_code == 403
        assert "set-cookie" not in answer.headers
        browser(app).get("/")
    assert here.post("/api/undo", headers={**ORIGIN, FORM_TOKEN_HEADER: token}).status_code == 400
    assert form_token(phone.get("/").text) == form_token(looking)


def test_a_link_from_another_site_replaces_no_session(folder: Path) -> None:
    """The cookie is strict, so a foreign link comes without it: it leads over a page of ours, which brings it along."""
    app = make_app(folder, hosts=[HOST])
    here = browser(app)
    token = form_token(here.get("/", headers=NAVIGATION).text)
    without = browser(app)
    answer = without.get("/", headers={**NAVIGATION, "sec-fetch-site": "cross-site"})
    assert answer.status_code == 200
    assert "set-cookie" not in answer.headers
    assert "form-token" not in answer.text
    assert 'url=/"' in answer.text
    followed = here.get("/", headers={**NAVIGATION, "sec-fetch-site": "same-origin"})
    assert form_token(followed.text) == token
    old = without.get("/", headers={"referer": "http://evil.example/"})
    assert "set-cookie" not in old.headers


def test_a_shared_link_that_was_tapped_in_another_app_comes_in(folder: Path) -> None:
    app = make_app(folder, hosts=[HOST], share_token="once")
    answer = browser(app, client="192.0.2.7").get("/?token=once")
    cookie = answer.headers["set-cookie"].split(";")[0]
    phone = browser(app, client="192.0.2.7")  # strict: the cookie is not sent where a foreign app led to
    threshold = phone.get(answer.headers["location"])
    assert threshold.status_code == 200
    assert "form-token" not in threshold.text
    assert phone.get("/").status_code == 403
    assert phone.get("/", headers={"cookie": cookie}).status_code == 200


@pytest.mark.parametrize("kind", ["here", "far", "far-writes", "nobody", ""])
def test_a_cookie_can_not_be_made_up(folder: Path, kind: str) -> None:
    app = make_app(folder, hosts=[HOST], share_token="once")
    answer = browser(app, client="192.0.2.7").get("/?token=once")
    value = answer.headers["set-cookie"].split(";")[0].partition("=")[2]
    own, rest = value.split(".", 1)
    for forged in (f"{kind}.{rest}", f"{kind}.x.{rest.rpartition('.')[2]}", kind, value[:-1]):
        answer = browser(app, client="192.0.2.7").get("/", headers={"cookie": f"{COOKIE}={forged}"})
        assert answer.status_code == (200 if forged == value else 403)
    assert own == "far"


def test_stop_goes_through_whatever_became_of_the_session(folder: Path) -> None:
    """The translator ran on while the page said: load the page again."""
    app = make_app(folder, hosts=[HOST], share_token="once")
    for client in ("127.0.0.1", "192.0.2.7"):
        one = browser(app, client=client)
        for headers in (ORIGIN, {**ORIGIN, FORM_TOKEN_HEADER: "old"}, {"referer": f"http://{HOST}/live"}):
            for cookie in ("", f"{COOKIE}=rubbish", f"{COOKIE}=here.a.b"):
                sent = {**headers, "cookie": cookie} if cookie else headers
                for content in (b"", b"{}", b"no json", b"x" * 100_000):
                    assert one.post("/api/live/stop", headers=sent, content=content).status_code == 200
    one = browser(app)
    assert one.get("/api/live").json()["what"] == "nothing", "and it is seen that it stopped"
    foreign = {"sec-fetch-site": "cross-site", "sec-fetch-dest": "empty"}
    assert browser(app).get("/api/live", headers=foreign).status_code == 403
    assert one.post("/api/live/stop", headers={"origin": "http://evil.example"}).status_code == 403
    assert one.post("/api/live/stop").status_code == 403
    assert browser(app, host="evil.example:8321").post("/api/live/stop", headers=ORIGIN).status_code == 403


def test_only_the_editor_page_has_a_nonce_for_styles_and_a_new_one_each_time(tmp_path: Path) -> None:
    here = browser(make_app(tmp_path, hosts=[HOST]))
    policies = [here.get("/bridge").headers["content-security-policy"] for _ in range(2)]
    nonces = {n for policy in policies for n in re.findall(r"style-src 'self' 'nonce-([\w-]{20,})'", policy)}
    assert len(nonces) == 2
    assert "nonce" not in here.get("/capture").headers["content-security-policy"]
    assert "script-src 'self';" in policies[0]
    assert not any("unsafe" in policy for policy in policies)
