"""The draft view in real Chromium: a person refuses, undoes, edits and accepts a line, by mouse and by keyboard."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from swapbridge.compiler.compile import compile_bridge
from tests.page.serving import served
from tests.page.test_browser import browser, chromium, faults_on_console, until
from tests.page.test_draft_view import DIAL, FUEL, SPEED, write_drafted

pytestmark = [pytest.mark.long, pytest.mark.timeout(1200)]
__all__ = ["browser", "chromium"]  # fixtures
ROW = f"[data-name='{SPEED}']"


@pytest.fixture
def drafted(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """A swap folder with one drafted line, served by the real command."""
    write_drafted(tmp_path)
    with served(tmp_path) as site:
        yield site


def press(browser: webdriver.Chrome, words: str) -> None:
    """A button of the line by its words, by the keyboard; the row may be drawn anew meanwhile."""

    def pressed(_: webdriver.Chrome) -> bool:
        try:
            buttons = browser.find_elements(By.CSS_SELECTOR, f"{ROW} button")
            button = next((b for b in buttons if b.text == words), None)
            if button is not None:
                button.send_keys(Keys.ENTER)
            return button is not None
        except StaleElementReferenceException:
            return False

    until(browser, pressed)


def seen(browser: webdriver.Chrome, selector: str) -> str:
    """What is read at one moment, whatever is drawn anew the next."""
    script = "const found = document.querySelector(arguments[0]); return found ? found.innerText.trim() : '';"
    return str(browser.execute_script(script, selector))


def test_a_line_is_refused_undone_edited_and_accepted(drafted: tuple[str, Path], browser: webdriver.Chrome) -> None:
    address, folder = drafted
    path = folder / "bridge.toml"
    before = path.read_text()
    browser.get(f"{address}/draft")
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, ROW))
    assert "<b>so</b>" in seen(browser, ROW)  # text from a file is text
    assert "waits for a review" in seen(browser, ROW)

    press(browser, "Refuse")
    until(browser, lambda b: "open" in seen(b, f"{ROW} .state"))
    assert f"refused {SPEED}" not in path.read_text()
    assert 'open = ["EngineSpeed"]' in path.read_text()
    browser.find_element(By.ID, "undo").click()
    until(browser, lambda _: path.read_text() == before)

    until(browser, lambda b: "draft's" in seen(b, f"{ROW} .state"))
    press(browser, "Edit")
    rule = browser.find_element(By.CSS_SELECTOR, f"{ROW} textarea")
    rule.clear()
    rule.send_keys("donor.NOPE.X")
    press(browser, "Save")
    until(browser, lambda b: "no message 'NOPE'" in seen(b, "#message"))
    assert path.read_text() == before
    rule.clear()
    rule.send_keys("clamp(donor.PCM_FAST.RPM, 0 rpm, 7000 rpm)")
    press(browser, "Save")
    until(browser, lambda b: "7000 rpm" in seen(b, f"{ROW} code"))

    press(browser, "Accept")
    until(browser, lambda b: seen(b, f"{ROW} .state") == "yours")
    until(browser, lambda b: "0 wait for a review" in seen(b, "#count"))
    assert compile_bridge(path).plan.unreviewed == ()
    Select(browser.find_element(By.ID, "which")).select_by_value("waits")
    until(browser, lambda b: not b.find_elements(By.CSS_SELECTOR, ROW))
    assert [line for line in faults_on_console(browser) if "400" not in line] == []


def test_what_draft_is_sure_of_is_accepted_together_and_taken_back(
    drafted: tuple[str, Path], browser: webdriver.Chrome
) -> None:
    """The lines are named before and after; one is taken back by itself, all by undo; what waits is never touched."""
    address, folder = drafted
    path = folder / "bridge.toml"
    before = path.read_text()
    browser.get(f"{address}/draft")
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, ROW))
    browser.find_element(By.CSS_SELECTOR, "#together summary").click()
    assert FUEL in seen(browser, "#together ul")
    assert DIAL not in seen(browser, "#together ul")
    assert SPEED not in seen(browser, "#together ul")
    least = browser.find_element(By.NAME, "confidence")
    least.clear()
    least.send_keys("60")
    until(browser, lambda b: DIAL in seen(b, "#together ul"))
    browser.find_element(By.CSS_SELECTOR, "#together form button").click()
    until(browser, lambda b: DIAL in seen(b, "#unseen"))
    assert FUEL in seen(browser, "#unseen")
    assert "waits for a review" in seen(browser, ROW)
    assert path.read_text().count("together with others") == 2
    Select(browser.find_element(By.ID, "which")).select_by_value("unseen")
    back = browser.find_element(By.CSS_SELECTOR, f"[aria-label='Take back {DIAL}']")
    back.send_keys(Keys.ENTER)
    until(browser, lambda b: DIAL not in seen(b, "#unseen"))
    assert path.read_text().count("together with others") == 1
    browser.find_element(By.CSS_SELECTOR, "#unseen button").click()
    until(browser, lambda _: path.read_text() == before)
    until(browser, lambda b: not b.find_element(By.ID, "unseen").is_displayed())
    assert faults_on_console(browser) == []
