"""The sheets view in real Chromium: readings judged as they are typed, a list changed in two tabs, and nothing lost."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from swapbridge.core.engine_health import load_health
from swapbridge.core.needs import load_needs
from swapbridge.demo.folder import write_demo_papers
from swapbridge.swapfolder.paths import HEALTH, NEEDS
from tests.page.serving import served
from tests.page.test_browser import browser, chromium, faults_on_console, until
from tests.page.test_browser_draft import seen

pytestmark = [pytest.mark.long, pytest.mark.timeout(1200)]
__all__ = ["browser", "chromium"]  # fixtures
BAY = "[aria-label='cylinder 3 of the donor']"


@pytest.fixture
def papers(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """The demo's papers, served by the real command."""
    (tmp_path / "signal_maps").mkdir()
    write_demo_papers(tmp_path)
    with served(tmp_path) as site:
        yield site


def labelled(browser: webdriver.Chrome, within: str, words: str) -> Any:
    """The box of a label, wherever it is drawn."""
    script = (
        "const label = [...document.querySelector(arguments[0]).querySelectorAll('label')]"
        ".find((l) => l.firstChild.textContent.startsWith(arguments[1]));"
        "return label.querySelector('input, textarea');"
    )
    return browser.execute_script(script, within, words)


def click(browser: webdriver.Chrome, within: str, words: str) -> None:
    buttons = browser.find_elements(By.CSS_SELECTOR, f"{within} button")
    browser.execute_script("arguments[0].click()", next(b for b in buttons if b.text.startswith(words)))


def test_readings_are_judged_while_they_are_typed_and_outlive_a_reload(
    papers: tuple[str, Path], browser: webdriver.Chrome
) -> None:
    address, folder = papers
    path = folder / HEALTH
    before = path.read_bytes()
    browser.get(f"{address}/sheets")
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, BAY))
    until(browser, lambda b: "leaks 5 %, good" in seen(b, BAY))
    box = labelled(browser, BAY, "Cylinder gauge (psi)")
    box.clear()
    box.send_keys("48")
    until(browser, lambda b: "leaks 40 %, bad" in seen(b, BAY))
    assert "cylinder 3 leaks 40 %" in seen(browser, "[data-engine='donor'] .judged")
    box.clear()
    box.send_keys("90")
    until(browser, lambda b: "not between 0 and the supply" in seen(b, "#health [role=status]"))
    click(browser, "#health", "Save")
    until(browser, lambda b: "not between 0 and the supply" in seen(b, "#message"))
    assert path.read_bytes() == before
    box.clear()
    box.send_keys("61")
    browser.refresh()
    until(browser, lambda b: "never saved" in seen(b, "#health-unsaved"))
    until(browser, lambda b: "leaks 24 %, bad" in seen(b, BAY))
    click(browser, "#health", "Save")
    until(browser, lambda _: path.read_bytes() != before)
    assert load_health(path)[0].cylinders[2].leakage_percent == pytest.approx(23.75)
    until(browser, lambda b: "Undo: edit the health sheet" in seen(b, "#health .undo"))
    click(browser, "#health", "Undo")
    until(browser, lambda _: path.read_bytes() == before)
    assert [line for line in faults_on_console(browser) if "400" not in line] == []


def test_a_list_changed_elsewhere_is_told_and_neither_side_is_lost(
    papers: tuple[str, Path], browser: webdriver.Chrome
) -> None:
    address, folder = papers
    path = folder / NEEDS
    browser.get(f"{address}/sheets")
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "#needs .entry"))
    click(browser, "#needs", "Add a need")
    for words, text in (("Module", "heater"), ("Identifier", "3A0"), ("Note", "no hot air without it")):
        labelled(browser, "#needs .entry:last-of-type", words).send_keys(text)
    assert "heater: 3A0" in seen(browser, "#needs .entry:last-of-type summary")
    theirs = path.read_text() + '\n[[need]]\nmodule = "horn"\nhow = "wired"\nnote = "by an editor"\n'
    path.write_text(theirs)
    click(browser, "#needs", "Save")
    until(browser, lambda b: "Your entries are still here" in seen(b, "#needs-unsaved"))
    assert path.read_text() == theirs
    click(browser, "#needs-unsaved", "Show the file")
    until(browser, lambda b: "horn" in seen(b, "#needs-rows"))
    assert "heater" not in seen(browser, "#needs-rows")
    click(browser, "#needs-unsaved", "Back")
    until(browser, lambda b: "heater" in seen(b, "#needs-rows"))
    click(browser, "#needs", "Save")
    until(browser, lambda b: "Your entries are still here" in seen(b, "#needs-unsaved"))
    click(browser, "#needs-unsaved", "Write mine")
    until(browser, lambda _: "heater" in [n.module for n in load_needs(path)])
    assert "horn" not in [n.module for n in load_needs(path)]
    until(browser, lambda b: "Undo: edit the needs list" in seen(b, "#needs .undo"))
    click(browser, "#needs", "Undo")
    until(browser, lambda _: path.read_text() == theirs)
    assert [line for line in faults_on_console(browser) if "409" not in line] == []
