"""The pages in a real browser: they load from disk without a network, sound plays, nothing sticks out.

Needs Debian's packages chromium and chromium-driver; skipped where there is no browser. Accessibility
by axe-core (WCAG 2.1 A and AA), from the package axe-core-python, which carries its script.
"""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from examples_for_report import clean, faulty, no_signal, silent_views, views

from sigcheck.comparison import compare
from sigcheck.drift_series import measure_series
from sigcheck.history import read_history
from sigcheck.report.comparison_page import render_comparison
from sigcheck.report.drift_page import render_drift
from sigcheck.report.history_page import render_history
from sigcheck.report.html import render

SAMPLES = Path(__file__).parents[2] / "sample_audio"
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")

pytestmark = pytest.mark.skipif(not (BROWSER and DRIVER), reason="no chromium with its driver here")

EVIL = "<script>document.title='run'</script><img src=x onerror=\"document.title='run'\">"
WIDTHS = {"wide": (1280, 800), "narrow": (360, 740)}


def poisoned() -> dict[str, Any]:
    """The faulty result with markup wherever a name or text comes from outside."""
    result = faulty()
    result["recording"]["path"] = f"{EVIL}.flac"
    result["keying"]["text"] = EVIL
    result["notes"] = [EVIL]
    result["plan"] = {"sent": [{"text": EVIL}]}
    return result


def _history(folder: Path) -> str:
    for k in range(5):
        result = faulty() if k < 3 else clean()
        result["recording"]["start_utc"] = f"2026-11-0{k + 1}T18:00:00.000Z"
        result["notes"] = [EVIL] if k == 3 else []
        (folder / f"{k}.json").write_text(json.dumps(result))
    return render_history(read_history(folder))


def _comparison() -> str:
    before, after = (str(SAMPLES / f"{name}.flac") for name in ("key-clicks", "clean-keyed"))
    return render_comparison(compare(before, after, changed="keying"))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    made = {
        "faulty": render(faulty(), views()),
        "clean": render(clean(), views()),
        "no-signal": render(no_signal(), silent_views()),
        "poisoned": render(poisoned(), views()),
        "history": _history(tmp_path_factory.mktemp("results")),
        "comparison": _comparison(),
        "drift": render_drift(measure_series([SAMPLES / "jumps.flac"])),
    }
    for name, page in made.items():
        (folder / f"{name}.html").write_text(page, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in made}


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A browser without a network."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    profile = tmp_path_factory.mktemp("profile")
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
                 "--autoplay-policy=no-user-gesture-required", "--host-resolver-rules=MAP * ~NOTFOUND",
                 f"--user-data-dir={profile}"):  # fmt: skip
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(executable_path=DRIVER))
    yield driver
    driver.quit()


def show(browser: Any, page: Path, width: str = "wide", scheme: str = "light") -> None:
    """Load a page at a size, in a colour scheme; old log entries are dropped."""
    wide, high = WIDTHS[width]
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": wide, "height": high, "deviceScaleFactor": 1, "mobile": False}
    )
    browser.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    for log in ("browser", "performance"):
        browser.get_log(log)
    browser.get(page.as_uri())


PAGES = ("faulty", "clean", "no-signal", "poisoned", "history", "comparison", "drift")


@pytest.mark.parametrize("name", PAGES)
def test_it_loads_without_a_network_or_an_error(browser: Any, pages: dict[str, Path], name: str) -> None:
    show(browser, pages[name])
    assert [e for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")] == []
    events = [json.loads(e["message"])["message"] for e in browser.get_log("performance")]
    asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    assert {url.split(":")[0] for url in asked} <= {"file", "data"}
    assert [url for url in asked if url.startswith("file")] == [pages[name].as_uri()]


@pytest.mark.parametrize("name", ["poisoned", "history"])
def test_markup_from_outside_is_text(browser: Any, pages: dict[str, Path], name: str) -> None:
    show(browser, pages[name])
    assert browser.title != "run"
    assert browser.execute_script("return document.querySelectorAll('img, script:not(:last-child)').length") == 0
    assert "onerror=" in browser.execute_script("return document.body.innerText")


def test_even_a_script_that_got_in_would_not_run(browser: Any, pages: dict[str, Path], tmp_path: Path) -> None:
    page = pages["clean"].read_text(encoding="utf-8")
    broken = tmp_path / "broken.html"
    broken.write_text(page.replace("</main>", f"{EVIL}</main>"), encoding="utf-8")
    show(browser, broken)
    assert browser.title != "run"
    assert any("Content Security Policy" in e["message"] for e in browser.get_log("browser"))


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_sticks_out_and_figures_have_size_and_words(
    browser: Any, pages: dict[str, Path], name: str, width: str
) -> None:
    show(browser, pages[name], width)
    room = browser.execute_script("return [document.documentElement.scrollWidth, innerWidth]")
    assert room[0] <= room[1]
    figures = browser.execute_script(
        "return [...document.querySelectorAll('figure > svg')].map(s => {const r = s.getBoundingClientRect();"
        "return [r.width, r.height, s.getAttribute('role'), s.getAttribute('aria-label')]})"
    )
    assert figures
    for wide, high, role, words in figures:
        assert wide >= 280 and high >= 100
        assert role == "img" and len(words) > 10


@pytest.mark.parametrize("width", WIDTHS)
def test_verdict_cause_and_next_step_are_on_the_first_screen(
    browser: Any, pages: dict[str, Path], width: str
) -> None:
    show(browser, pages["faulty"], width)
    for selector in ("h1", ".cause .culprit", ".next .title"):
        bottom = browser.execute_script(
            f"return document.querySelector('{selector}').getBoundingClientRect().bottom"
        )
        assert 0 < bottom <= WIDTHS[width][1], selector


def test_sound_decodes_and_plays_one_at_a_time(browser: Any, pages: dict[str, Path]) -> None:
    show(browser, pages["faulty"])
    end = time.monotonic() + 10
    ready: list[list[float]] = []
    while time.monotonic() < end:
        ready = browser.execute_script(
            "return [...document.querySelectorAll('audio')].map(a => [a.readyState, a.duration, a.error ? 1 : 0])"
        )
        if all(state >= 1 for state, _, _ in ready):
            break
        time.sleep(0.1)
    assert len(ready) == 3
    for state, seconds, error in ready:
        assert state >= 1 and not error  # 1: HAVE_METADATA (HTML standard)
        assert seconds == pytest.approx(6.0, abs=0.1)  # a frame of the coding more or less
    playing = browser.execute_async_script(
        "const done = arguments[0], [a, b] = document.querySelectorAll('audio'); a.muted = b.muted = true;"
        "a.play().then(() => b.play()).then(() => setTimeout(() => done([a.paused, b.paused, b.readyState]), 300))"
        ".catch(e => done(String(e)))"
    )
    assert playing[:2] == [True, False] and playing[2] >= 2


def test_fold_outs_open_by_keyboard(browser: Any, pages: dict[str, Path]) -> None:
    show(browser, pages["faulty"])
    fold = browser.find_element("css selector", "details.how")
    assert fold.get_attribute("open") is None
    fold.find_element("css selector", "summary").send_keys("\ue007")  # the Enter key (WebDriver standard)
    assert fold.get_attribute("open") is not None


def test_on_paper_every_fold_out_lies_open(browser: Any, pages: dict[str, Path]) -> None:
    show(browser, pages["faulty"])
    shut = browser.execute_script(
        "dispatchEvent(new Event('beforeprint')); const n = document.querySelectorAll('details:not([open])').length;"
        "dispatchEvent(new Event('afterprint')); return [n, document.querySelectorAll('details:not([open])').length]"
    )
    assert shut[0] == 0 and shut[1] > 10


@pytest.mark.parametrize("name", ["faulty", "no-signal", "history", "comparison", "drift"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_names_and_roles_by_axe(browser: Any, pages: dict[str, Path], name: str, scheme: str) -> None:
    package = pytest.importorskip("axe_core_python", reason="axe-core-python is not installed")
    script = (Path(package.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    show(browser, pages[name], scheme=scheme)
    browser.execute_script(script)
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})"
        ".then(r => done(r.violations.map(v => [v.id, v.nodes.slice(0, 3).map(n => n.html.slice(0, 160))])))"
        ".catch(e => done(String(e)))"
    )
    assert found == []
