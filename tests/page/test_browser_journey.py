"""From an empty folder to a proof without a terminal, in Chromium, over an invented swap that no other test drives."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from swapbridge.capture.write import write_capture
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import save_map
from tests.page.test_browser import browser, chromium, faults_on_console, until, words_of
from tests.proving.small_swap import BRIDGE, captures, maps

pytestmark = [pytest.mark.long, pytest.mark.xdist_group("browser"), pytest.mark.timeout(600)]
__all__ = ["browser", "chromium"]  # fixtures
SEED = 7


@pytest.fixture
def brought(tmp_path: Path) -> Path:
    """What the person has: two recordings, what a scan tool said meanwhile, and two maps."""
    folder = tmp_path / "brought"
    folder.mkdir()
    for bus, capture in captures(12.0, SEED).items():
        write_capture(capture, folder / f"{bus}_own_vehicle.log")
        save_map(maps()[bus], folder / f"{bus}.dbc")
        if bus == "donor":
            rows = np.flatnonzero(capture.identifier == 0x101)[::10]
            speed = capture.payload[rows, :2].copy().view("<u2").ravel() * 0.125
            lines = [f"{t / 1e9 + 0.1:.3f},engine_speed,{v}" for t, v in zip(capture.time_ns[rows], speed, strict=True)]
            (folder / f"{bus}_own_vehicle.csv").write_text("time_s,channel,value\n" + "\n".join(lines) + "\n")
    return folder


def test_from_an_empty_folder_to_a_proof(tmp_path: Path, brought: Path, browser: webdriver.Chrome) -> None:
    folder = tmp_path / "swap"
    folder.mkdir()
    command = [sys.executable, "-m", "swapbridge", "page", str(folder), "--no-open"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        found = re.search(r"http://127\.0\.0\.1:\d+", server.stderr.readline())
        assert found
        try:
            _journey(browser, found.group(0), folder, brought)
        finally:
            server.terminate()


def _journey(browser: webdriver.Chrome, address: str, folder: Path, brought: Path) -> None:
    said: Callable[[str, str], object] = lambda words, where: until(  # noqa: E731
        browser, lambda b: re.search(words, words_of(b, where))
    )
    browser.get(address)
    assert "Record it now" in words_of(browser, "#next-do")

    browser.get(f"{address}/capture")
    for path in sorted(brought.iterdir(), key=lambda p: p.suffix):
        browser.find_element(By.ID, "upload").send_keys(str(path))
        said(re.escape(f"Added {path.name}"), "#message")
    assert sorted(p.name for p in (folder / "signal_maps").iterdir()) == ["donor.dbc", "host.dbc"]
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "canvas[aria-label='bits over time']"))
    strips = browser.find_element(By.CSS_SELECTOR, ".axis-rows")
    for key in (Keys.ARROW_RIGHT, "+", Keys.ARROW_RIGHT):
        strips.send_keys(key)
    said("Frame under the cursor: [0-9A-F]{2}", "#picture")
    said(r"Cursor \d", ".axis-words")

    browser.get(f"{address}/guess")
    Select(browser.find_element(By.ID, "file")).select_by_value("donor_own_vehicle.log")
    browser.find_element(By.ID, "start").click()
    said("engine_speed", "#claims")
    browser.find_element(By.CSS_SELECTOR, "#accept-all summary").click()
    where = browser.find_element(By.NAME, "map")
    where.clear()
    where.send_keys("found.dbc")
    browser.find_element(By.CSS_SELECTOR, "#accept-all button").click()
    said("✓ .*found.dbc", "#claims")
    assert any(s.role for m in load_map(folder / "signal_maps" / "found.dbc").messages for s in m.signals)

    browser.get(f"{address}/bridge")
    said("Empty", "#state")
    text = BRIDGE.replace('map = "', 'map = "signal_maps/')
    paste = (
        "const held = new DataTransfer(); held.setData('text/plain', arguments[0]);"
        "document.querySelector('#text .cm-content').dispatchEvent("
        "new ClipboardEvent('paste', { clipboardData: held, bubbles: true, cancelable: true }));"
    )
    browser.execute_script(paste, text)
    said("Compiles", "#state")
    browser.find_element(By.ID, "save").click()
    said("Saved", "#message")
    assert (folder / "bridge.toml").read_text() == text
    browser.find_element(By.ID, "compile").click()
    until(browser, lambda _: (folder / "plan.json").is_file())

    browser.get(f"{address}/prove")
    for bus in ("donor", "host"):
        Select(browser.find_element(By.NAME, bus)).select_by_value(f"{bus}_own_vehicle.log")
    Select(browser.find_element(By.NAME, "thoroughness")).select_by_value("none")
    browser.find_element(By.CSS_SELECTOR, "#prove button").click()
    said("PASSED|FAILED|NOT PROVED", "#verdict")
    assert (folder / "proof.html").is_file()
    assert faults_on_console(browser) == []
