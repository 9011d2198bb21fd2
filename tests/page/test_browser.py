"""The browser page in real Chromium: the journey from captures to a proved bridge as a person clicks it, and axe-core.

Needs Chromium and its driver (Debian packages chromium and chromium-driver); `.ci/run` installs them.
"""

from __future__ import annotations

import importlib.resources
import re
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException, TimeoutException
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from swapbridge.signalmap.dbc_read import load_map
from tests.demo_folder import lay_out_demo
from tests.page.serving import served

pytestmark = [pytest.mark.long, pytest.mark.timeout(1200)]
VIEWS = ("/", "/sheets", "/capture", "/guess", "/compare", "/modules", "/draft", "/bridge", "/prove", "/live")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """The demo's swap folder, served by the real command."""
    folder = tmp_path_factory.mktemp("swap")
    lay_out_demo(folder)
    with served(folder) as site:
        yield site


@pytest.fixture(scope="module")
def chromium() -> Callable[..., webdriver.Chrome]:
    """Starts Chromium; skips with a clear word where it is not installed."""
    browser, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if browser is None or driver is None:
        pytest.skip("Chromium and its driver are not installed (Debian: chromium, chromium-driver)")

    def start(width: int = 1280, height: int = 1000, dark: bool = False) -> webdriver.Chrome:
        options = Options()
        options.binary_location = browser
        for flag in (*FLAGS, f"--window-size={width},{height}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        started = webdriver.Chrome(options=options, service=Service(driver))
        started.set_script_timeout(100)  # axe-core on a busy machine; the driver itself answers within 120 s
        if dark:
            scheme = [{"name": "prefers-color-scheme", "value": "dark"}]
            started.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": scheme})
        return started

    return start


@pytest.fixture
def browser(chromium: Callable[..., webdriver.Chrome]) -> Iterator[webdriver.Chrome]:
    started = chromium()
    yield started
    started.quit()


PACE = """
    const asked = window.fetch, [path, later] = arguments;
    window.fetch = async (where, ...rest) => {
      const reply = await asked(where, ...rest);
      if (new RegExp(path).test(where)) await new Promise((ready) => setTimeout(ready, later));
      return reply;
    };"""
"""Answers about a path reach the page so many milliseconds later, as from a busy machine."""


def until(browser: webdriver.Chrome, ready: Callable[[webdriver.Chrome], Any], most_s: float = 300) -> Any:
    """Wait for the page to say or do something; what is drawn again between two looks is looked at again."""
    try:
        waiting = WebDriverWait(browser, most_s, 0.1, ignored_exceptions=(StaleElementReferenceException,))
        return waiting.until(ready)
    except TimeoutException as error:  # what the page said meanwhile is the way to the cause
        error.msg = f"at {browser.current_url}, after {most_s} s: {words_of(browser, 'body')}"
        raise


def appears(browser: webdriver.Chrome, selector: str) -> None:
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, selector))


def words_of(browser: webdriver.Chrome, selector: str) -> str:
    return str(browser.find_element(By.CSS_SELECTOR, selector).text)


def faults_on_console(browser: webdriver.Chrome) -> list[str]:
    lines: list[dict[str, str]] = browser.get_log("browser")  # type: ignore[no-untyped-call]
    return [line["message"] for line in lines if line["level"] in ("SEVERE", "WARNING")]


def test_from_captures_to_a_verdict(site: tuple[str, Path], browser: webdriver.Chrome) -> None:
    address, folder = site
    browser.get(f"{address}/capture")
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "#identifiers tbody tr"))
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "canvas[aria-label='bits over time']"))

    browser.get(f"{address}/guess")
    Select(browser.find_element(By.ID, "file")).select_by_value("donor_own_vehicle.log.gz")
    browser.find_element(By.ID, "start").click()
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "#claims tbody tr"))
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "#detail canvas"))
    assert "engine_speed" in words_of(browser, "#claims")
    name, where = browser.find_element(By.ID, "edit-name"), browser.find_element(By.ID, "edit-map")
    for box, text in ((name, "TrialSignal"), (where, "trial.dbc")):
        box.clear()
        box.send_keys(text)
    browser.find_element(By.CSS_SELECTOR, "#detail button.go").click()
    until(browser, lambda b: "TrialSignal is in trial.dbc" in words_of(b, "#message"))
    trial = folder / "signal_maps" / "trial.dbc"
    assert any(m.signal("TrialSignal") for m in load_map(trial).messages)
    browser.find_element(By.ID, "undo").click()
    until(browser, lambda _: not trial.exists())

    browser.get(f"{address}/compare")
    Select(browser.find_element(By.ID, "a")).select_by_value("host_old_engine.log.gz")
    Select(browser.find_element(By.ID, "b")).select_by_value("host_unplugged.log.gz")
    browser.find_element(By.ID, "go").click()
    until(browser, lambda b: re.search(r"Vanished: [1-9]", words_of(b, "#result")))

    browser.get(f"{address}/bridge")
    until(browser, lambda b: "Compiles" in words_of(b, "#state"))
    editor = browser.find_element(By.CSS_SELECTOR, "#text .cm-content")
    editor.send_keys(Keys.CONTROL, Keys.END)
    editor.send_keys('\n[constants_]\nx = "1"\n')
    until(browser, lambda b: "Refused" in words_of(b, "#state"))
    assert "Line" in words_of(browser, "#faults")
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "#text .cm-lint-marker-error"))
    before = (folder / "bridge.toml").read_bytes()
    browser.refresh()  # what was typed and not saved is still there
    until(browser, lambda b: "never saved" in words_of(b, "#unsaved"))
    browser.find_element(By.CSS_SELECTOR, "#text .cm-content").send_keys(Keys.CONTROL, Keys.END)
    assert "[constants_]" in words_of(browser, "#text")
    until(browser, lambda b: "Refused" in words_of(b, "#state"))
    browser.execute_script(PACE, "/api/bridge$", 3000)  # text given up is gone at once, however slow the server
    browser.find_element(By.CSS_SELECTOR, "#unsaved button").click()
    browser.find_element(By.ID, "compile").click()
    until(browser, lambda _: (folder / "plan.json").is_file())
    assert "[constants_]" not in words_of(browser, "#text")
    until(browser, lambda b: "Compiles" in words_of(b, "#state"))  # the answer comes after the file
    assert (folder / "bridge.toml").read_bytes() == before

    browser.get(f"{address}/prove")
    Select(browser.find_element(By.NAME, "thoroughness")).select_by_value("none")
    browser.find_element(By.CSS_SELECTOR, "#prove button").click()
    until(browser, lambda b: re.search(r"PASSED|FAILED|NOT PROVED", words_of(b, "#verdict")))
    passed = "PASSED" in words_of(browser, "#verdict")
    assert (folder / "proof.json").is_file() is not passed  # without faults a passed proof is none to run by
    until(browser, lambda b: b.find_element(By.ID, "report").is_displayed())
    assert faults_on_console(browser) == []


def test_the_editor_completes_marks_and_takes_back(site: tuple[str, Path], browser: webdriver.Chrome) -> None:
    """Names and functions inside quotes, the fault at its line, undo step by step, all with styles by nonce alone."""
    address, folder = site
    before = (folder / "bridge.toml").read_bytes()
    browser.get(f"{address}/bridge")
    until(browser, lambda b: "Compiles" in words_of(b, "#state"))
    editor = browser.find_element(By.CSS_SELECTOR, "#text .cm-content")
    editor.send_keys(Keys.CONTROL, Keys.END)
    editor.send_keys('\n[states]\nrun = "donor.PCM_FAST.RP')
    until(browser, lambda b: "donor.PCM_FAST.RPM" in words_of(b, ".cm-tooltip-autocomplete"))
    time.sleep(0.2)  # a choice counts only once a person could have seen it
    editor.send_keys(Keys.ENTER, " > 400 rpm", '"')
    until(browser, lambda b: 'run = "donor.PCM_FAST.RPM > 400 rpm"' in words_of(b, "#text"))
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "#text .cm-lint-marker-error"))
    editor.send_keys(Keys.ENTER, 'x = "lowp')
    until(browser, lambda b: "lowpass" in words_of(b, ".cm-tooltip-autocomplete"))
    editor.send_keys(Keys.ESCAPE)
    for _ in range(12):
        editor.send_keys(Keys.CONTROL, "z")
    until(browser, lambda b: "Compiles" in words_of(b, "#state"))
    assert browser.find_elements(By.CSS_SELECTOR, "#text .cm-lint-marker-error") == []
    assert (folder / "bridge.toml").read_bytes() == before
    assert faults_on_console(browser) == []


def test_the_views_can_be_reached_by_keyboard_alone(site: tuple[str, Path], browser: webdriver.Chrome) -> None:
    address, _ = site
    browser.get(f"{address}/capture")

    def press(key: str) -> str:
        ActionChains(browser).send_keys(key).perform()
        return str(browser.switch_to.active_element.text)

    assert "Skip to the content" in press(Keys.TAB)
    seen = [press(Keys.TAB) for _ in VIEWS]
    assert seen == ["Swap", "Sheets", "Capture", "Guess", "Compare", "Modules", "Draft", "Bridge", "Prove", "Live"]
    press(Keys.ENTER)
    until(browser, lambda b: b.current_url.endswith("/live"))


BESIDE = "const s = document.getElementById('beside'); s.selectedIndex = 1; s.dispatchEvent(new Event('change'));"
OPENED = {
    "/capture": ("#beside option:nth-child(2)", BESIDE, "#lined:not([hidden])"),
    "/guess": ("#start", "document.getElementById('start').click()", "#detail canvas, #work progress"),
    "/compare": (
        "#result table button",
        "document.querySelector('#result table button').click()",
        "#bits-states table",
    ),
    "/bridge": ("#drive", "document.getElementById('drive').click()", "#dials figure"),
}
"""Views that show more once something is pressed: what is there before, the press, and what is there after it."""


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (1280, True), (360, False), (360, True)])
def test_axe_finds_no_fault_by_any_rule(
    site: tuple[str, Path], chromium: Callable[..., webdriver.Chrome], width: int, dark: bool
) -> None:
    address, _ = site
    rules = importlib.resources.files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    browser = chromium(width=width, dark=dark)
    try:
        if width < 500:  # narrower than a window can be: told to the page itself
            metrics = {"width": width, "height": 800, "deviceScaleFactor": 2, "mobile": True}
            browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        for view in (*VIEWS, "/guide", "/guide/browser-page", "/pedals"):
            browser.get(f"{address}{view}")
            if view in OPENED:
                before, press, after = OPENED[view]
                appears(browser, before)
                browser.execute_script(press)
                appears(browser, after)
            time.sleep(1.5)
            browser.execute_cdp_cmd("Runtime.evaluate", {"expression": rules})
            report = browser.execute_async_script("axe.run().then(arguments[0])")
            faults = [(v["id"], v["impact"], [n["html"][:120] for n in v["nodes"][:3]]) for v in report["violations"]]
            assert report["passes"], view
            assert faults == [], view
            overflow = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
            assert browser.execute_script(overflow) <= 0, view
    finally:
        browser.quit()


def test_an_answer_about_the_recording_before_does_not_end_the_next_one(
    site: tuple[str, Path], browser: webdriver.Chrome
) -> None:
    """Another recording is chosen while the first is still being drawn, and that answer comes in between: once, the
    second was never drawn. The server's pace is played here, as a busy machine has it."""
    address, _ = site
    browser.get(f"{address}/capture")
    appears(browser, "canvas[aria-label='bits over time']")
    browser.execute_script("""
        const asked = window.fetch, wait = (ms) => new Promise((ready) => setTimeout(ready, ms));
        window.began = [];
        window.fetch = async (path, ...rest) => {
          const reply = await asked(path, ...rest);
          if (/strips.*donor_own/.test(path)) { window.began.push(path); await wait(1500); }
          if (/lanes.*host_old/.test(path)) await wait(3000);
          return reply;
        };""")
    file = Select(browser.find_element(By.ID, "file"))
    file.select_by_value("host_unplugged.log.gz")
    appears(browser, "canvas[aria-label='bits over time']")
    file.select_by_value("donor_own_vehicle.log.gz")
    until(browser, lambda b: b.execute_script("return window.began.length"))
    file.select_by_value("host_old_engine.log.gz")
    appears(browser, "canvas[aria-label='bits over time']")
    assert browser.find_elements(By.CSS_SELECTOR, "#notes .warn, #message.fault:not([hidden])") == []


def test_hostile_names_run_nothing(site: tuple[str, Path], browser: webdriver.Chrome) -> None:
    """A file name and a CSV channel made of markup: shown as text, and nothing of it runs."""
    address, folder = site
    evil = "<img src=x onerror=document.title='taken'>"
    captures = folder / "captures"
    copy = captures / f"{evil}.log.gz"
    copy.write_bytes((captures / "host_unplugged.log.gz").read_bytes())
    rows = (captures / "host_unplugged.csv").read_text().splitlines()
    first = rows[1].split(",")
    (captures / f"{evil}.csv").write_text("\n".join([*rows, f"{first[0]},{evil},1,"]) + "\n")
    try:
        for view in ("/capture", "/guess", "/compare"):
            browser.get(f"{address}{view}")
            if view != "/compare":
                Select(browser.find_element(By.ID, "file")).select_by_value(copy.name)
            time.sleep(2)
            assert browser.title != "taken"
            assert browser.find_elements(By.CSS_SELECTOR, "img[src=x]") == []
    finally:
        copy.unlink()
        (captures / f"{evil}.csv").unlink()
