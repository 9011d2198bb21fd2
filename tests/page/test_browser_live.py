"""The live view in real Chromium: SENDING first, a Stop that is always there, keys that mean what they say."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from swapbridge.compiler.compile import compile_bridge
from swapbridge.demo.folder import DONOR_RUNNING
from tests.page.test_browser import browser, chromium, faults_on_console, site, until, words_of

pytestmark = [pytest.mark.long, pytest.mark.timeout(1200)]
__all__ = ["browser", "chromium", "site"]  # fixtures


def start_run(browser: webdriver.Chrome, address: str) -> None:
    browser.get(f"{address}/live")
    time.sleep(0.5)  # the first look at what is live
    until(browser, nothing_live)
    form = browser.find_element(By.ID, "run")
    form.find_element(By.NAME, "buses").send_keys("host=virtual:browser-live")
    Select(form.find_element(By.NAME, "against")).select_by_value(f"{DONOR_RUNNING}.log.gz")
    for name in ("acknowledged", "sending", "unproved"):
        form.find_element(By.NAME, name).click()
    form.find_element(By.CSS_SELECTOR, "button.go").click()


def nothing_live(browser: webdriver.Chrome) -> bool:
    return browser.find_element(By.ID, "start").is_displayed()


def press(browser: webdriver.Chrome, words: str) -> None:
    """Click a button of the board, which is drawn again all the time."""
    where = f"//section[@id='board']//button[starts-with(., '{words}')]"

    def clicked(b: webdriver.Chrome) -> bool:
        b.find_element(By.XPATH, where).click()
        return True

    until(browser, clicked)


def test_stop_and_keys(site: tuple[str, Path], browser: webdriver.Chrome) -> None:
    address, folder = site
    (folder / "plan.json").write_text(compile_bridge(folder / "bridge.toml").plan.to_json())
    start_run(browser, address)
    until(browser, lambda b: "SENDING" in words_of(b, "#board"))
    # every other view says so too, and stops it, even with the session gone
    browser.get(f"{address}/bridge")
    strip = until(browser, lambda b: b.find_element(By.ID, "sending"))
    assert strip.is_displayed()
    browser.delete_all_cookies()
    browser.find_element(By.ID, "stop-sending").click()
    until(browser, lambda b: not b.find_element(By.ID, "sending").is_displayed())
    # a recording begun after a run in the same tab had no Stop at all
    start_run(browser, address)
    until(browser, lambda b: "SENDING" in words_of(b, "#board"))
    press(browser, "Stop")
    until(browser, nothing_live)
    form = browser.find_element(By.ID, "record")
    form.find_element(By.NAME, "buses").send_keys("donor=virtual:browser-live")
    name = form.find_element(By.NAME, "name")
    name.clear()
    name.send_keys("keys")
    form.find_element(By.CSS_SELECTOR, "button.go").click()
    press(browser, "Next")
    time.sleep(0.7)
    before = words_of(browser, "#board .instruction")
    # space after a click on Next advanced the script
    ActionChains(browser).send_keys(Keys.SPACE).perform()
    until(browser, lambda b: "mark 1" in words_of(b, "#board"))
    time.sleep(0.7)
    assert words_of(browser, "#board .instruction") == before
    press(browser, "Stop")
    until(browser, nothing_live)
    marks = (folder / "captures" / "keys.stimulus.csv").read_text().splitlines()
    assert sum(",mark,1," in line for line in marks) == 1
    assert [line for line in faults_on_console(browser) if "403" not in line] == []
