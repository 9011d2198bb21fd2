"""A swap folder and a browser's place in front of it, for the page's tests."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from swapbridge.page.app import make_app
from swapbridge.page.guard import FORM_TOKEN_HEADER

HOST = "127.0.0.1:8321"


class Browser:
    """What a browser on this machine does: loads a page, then asks with its token and origin."""

    def __init__(self, folder: Path) -> None:
        self.app = make_app(folder, hosts=[HOST])
        self.http = TestClient(
            self.app,
            base_url=f"http://{HOST}",
            client=("127.0.0.1", 50000),
            follow_redirects=False,
        )
        found = re.search(r'name="form-token" content="([^"]+)"', self.http.get("/").text)
        assert found
        self.headers = {"origin": f"http://{HOST}", FORM_TOKEN_HEADER: found.group(1)}

    def get(self, path: str, **values: Any) -> Any:
        answer = self.http.get(path, params={k: str(v) for k, v in values.items()})
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, values: dict[str, Any]) -> Any:
        answer = self.http.post(path, json=values, headers=self.headers)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def refusal(self, path: str, values: dict[str, Any]) -> str:
        answer = self.http.post(path, json=values, headers=self.headers)
        assert answer.status_code == 400, answer.text
        return str(answer.json()["error"])

    def job(self, path: str, values: dict[str, Any], most_s: float = 120.0) -> Any:
        key = self.post(path, values)["job"]
        end = time.monotonic() + most_s
        while time.monotonic() < end:
            state = self.get(f"/api/jobs/{key}")
            if state["state"] != "running":
                assert state["state"] == "done", state
                return state["result"]
            time.sleep(0.02)
        raise AssertionError(f"{path} took more than {most_s} s")


@pytest.fixture
def open_page() -> Callable[[Path], Browser]:
    return Browser
