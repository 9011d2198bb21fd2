"""From an empty folder to a proof without a terminal, in Chromium, over an invented swap that no other test drives."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from swapbridge.capture.write import write_capture
from swapbridge.demo.folder import write_recordings
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import save_map
from tests.page.serving import served
from tests.page.test_browser import browser, chromium, faults_on_console, until, words_of
from tests.proving.small_swap import BRIDGE, captures, maps

pytestmark = [pytest.mark.long, pytest.mark.timeout(1200)]
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


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """An empty folder, served by the real command."""
    folder = tmp_path / "swap"
    folder.mkdir()
    with served(folder) as site:
        yield site


def saying(browser: webdriver.Chrome) -> Callable[[str, str], object]:
    """Waits until some words stand somewhere."""

    def said(words: str, where: str) -> object:
        return until(browser, lambda b: re.search(words, words_of(b, where)), 400)

    return said


def test_from_recordings_by_draft_and_review_to_a_proof(
    empty: tuple[str, Path], tmp_path: Path, browser: webdriver.Chrome
) -> None:
    """The four recordings of another drive of the demo's vehicles: uploaded, drafted, reviewed, compiled, proved."""
    address, folder = empty
    brought = tmp_path / "brought"
    brought.mkdir()
    write_recordings(brought, SEED)
    said = saying(browser)
    browser.get(f"{address}/draft")
    assert "donor_alone" in words_of(browser, "main")
    assert not browser.find_element(By.ID, "draft").is_enabled()

    browser.get(f"{address}/capture")
    files = sorted(brought.iterdir(), key=lambda p: p.suffix, reverse=True)
    browser.find_element(By.ID, "upload").send_keys("\n".join(map(str, files)))
    said(r"Added .*donor_alone", "#message")
    assert len(list((folder / "captures").iterdir())) == len(files)

    browser.get(f"{address}/draft")
    browser.find_element(By.ID, "draft").click()
    said("will be missed", "#outlook")
    said("Undo: draft from the recordings", "#undo")
    line = "#lines [data-name='host.M_0C8.engine_speed']"
    beside = next(b for b in browser.find_elements(By.CSS_SELECTOR, f"{line} button") if b.text.startswith("Recorded"))
    browser.execute_script("arguments[0].click()", beside)
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, f"{line} .u-over"))

    Select(browser.find_element(By.ID, "which")).select_by_value("waits")
    accept = (
        "const all = [...document.querySelectorAll('#lines button')].filter((b) => /^Accept/.test(b.textContent));"
        "if (all.length) all[0].click(); return document.getElementById('count').textContent;"
    )
    for _ in range(3):  # the rest stays unreviewed: it is made and judged, and never sent to a vehicle
        before = str(browser.execute_script(accept))
        until(browser, lambda b, old=before: words_of(b, "#count") != old)  # type: ignore[misc]
    assert (folder / "bridge.toml").read_text().count("reviewed = {on") == 3

    browser.get(f"{address}/bridge")
    said("Compiles", "#state")
    browser.find_element(By.ID, "compile").click()
    until(browser, lambda _: (folder / "plan.json").is_file())

    browser.get(f"{address}/prove")
    Select(browser.find_element(By.NAME, "thoroughness")).select_by_value("none")
    browser.find_element(By.CSS_SELECTOR, "#prove button").click()
    said("PASSED|FAILED|NOT PROVED", "#verdict")
    assert (folder / "proof.html").is_file()
    assert faults_on_console(browser) == []


def test_from_an_empty_folder_by_hand_to_a_proof(
    empty: tuple[str, Path], brought: Path, browser: webdriver.Chrome
) -> None:
    """Maps and a bridge file of one's own: recordings looked at and guessed, the text pasted, compiled, proved."""
    address, folder = empty
    said = saying(browser)
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
