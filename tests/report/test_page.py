"""The page stands alone, says the same as the result, and lets nothing in or out."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import subprocess
import sys
import time
from collections import Counter
from html.parser import HTMLParser

import pytest
from examples_for_report import clean, faulty, no_signal, silent_views, views

import sigcheck
from sigcheck.report.html import card, facts, render

CASES = {"faulty": (faulty, views), "clean": (clean, views), "no-signal": (no_signal, silent_views)}
VOID = {"meta", "link", "br", "img", "hr", "input"}


class Outline(HTMLParser):
    """Tags, attributes and visible text of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.misnested: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.misnested.append(tag)

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module", params=CASES)
def page(request: pytest.FixtureRequest) -> str:
    result, seen = CASES[request.param]
    return render(result(), seen())


def test_it_is_well_formed_and_small(page: str) -> None:
    outline = Outline(page)
    assert page.startswith("<!DOCTYPE html>")
    assert not outline.misnested and not outline.open
    ids = Counter(a["id"] for _, a in outline.tags if "id" in a)
    assert not [i for i, n in ids.items() if n > 1]
    assert {a["href"][1:] for t, a in outline.tags if t == "a"} <= ids.keys()
    assert len(page.encode()) < 3_000_000


def test_it_loads_nothing_from_anywhere(page: str) -> None:
    outline = Outline(page)
    (policy,) = [a["content"] for t, a in outline.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy.replace("style-src 'unsafe-inline'", "")
    (script,) = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy
    assert not {t for t, _ in outline.tags} & {"link", "iframe", "object", "embed", "form", "base"}
    for tag, attributes in outline.tags:
        for name, value in attributes.items():
            if name in ("src", "href", "xlink:href", "srcset", "action"):
                assert value.startswith(("#", "data:")), (tag, value[:50])
            assert not name.startswith("on")
    assert not re.search(r"url\((?!['\"]?#)", page) and "@import" not in page


def test_every_figure_says_in_words_what_it_shows(page: str) -> None:
    outline = Outline(page)
    drawn = [a for t, a in outline.tags if t == "svg" and a.get("role") == "img"]
    assert drawn and all(len(a.get("aria-label", "")) > 10 for a in drawn)
    for figure in re.findall(r"<figure.*?</figure>", page, re.DOTALL):
        assert "<b>" in figure and ("<text" in figure or "<audio controls" in figure)


def test_the_first_screen_has_verdict_cause_and_experiment_in_this_order() -> None:
    text = Outline(render(faulty(), None)).text
    order = [
        "Faulty: hum on the tone.",
        "What likely causes it",
        "Hum from the transmitter's supply 57 %",
        "This recording can’t tell it from:",
        "The signal on the house wiring",
        "for sidebands of twice the mains frequency",
        "for amplitude and angle together",
        "Try next",
        "Run the transmitter from a battery",
        "hum on the tone: gone then transmitter supply hum",
        "What is wrong",
        "Pictures",
        "Every number",
    ]
    places = [text.index(phrase) for phrase in order]
    assert places == sorted(places)


def test_further_likely_causes_stand_beside_the_first() -> None:
    result = faulty()
    result["causes"][2]["probability"] = 0.9
    text = Outline(render(result, None)).text
    assert text.index("Also the oscillator warming up 90 %") < text.index("Try next")
    assert "Also" not in Outline(render(faulty(), None)).text


def test_states_are_told_in_words() -> None:
    strip = re.search(r'<section class="strip">.*?</section>', render(faulty(), None), re.DOTALL)
    assert strip is not None
    text = Outline(strip[0]).text
    assert "hum on the tone −28.9 ± 0.3 dBc fault" in text and "chirp 12.4 ± 0.5 Hz note" in text
    assert "good note fault" in text


def test_every_measured_number_is_in_a_table() -> None:
    text = Outline(render(faulty(), None)).text
    for words in (
        "carrier to noise density Key-down carrier power over the noise power per hertz near the tone. 58.6 0.3 dBHz",
        "dit Half of a dit and the gap after it, so that weighting does not touch it. 80.0 0.2 ms",
        "drift Straight line through the frequency. Limit: common practice, no source. −8.6 0.3 Hz/min note 2 fault 10",
        "100.02 −28.9 ± 0.3 −28.1 −29.8",
    ):
        assert words in text
    assert "Backwave noise hides it: would have been seen from −47.0 dB upwards" in text


def test_it_stands_as_a_record() -> None:
    result = faulty()
    text = Outline(render(result, None)).text
    for words in (result["recording"]["sha256"], "2026-11-01T10:02:00.250Z ± 0.3 s, from the plan", "second evening",
                  "receiver.dial_hz 10138700.0", "sigcheck 0.1.0, result schema 1"):  # fmt: skip
        assert words in text
    for caution in ("no compliance test", "licence", "dummy load", "Protective earths", "Local regulations"):
        assert caution in text


def test_carrier_to_noise_density_leads() -> None:
    assert facts(faulty())[0] == "carrier to noise density 58.6 dBHz"
    text = Outline(render(faulty(), None)).text
    assert text.index("58.6 dBHz") < text.index("24.6")


def test_no_signal_says_what_to_check() -> None:
    text = Outline(render(no_signal(), silent_views())).text
    assert text.index("No signal found. Check that the dial") < text.index("What to check The dial")
    assert "What likely causes it" not in text
    assert "no tone stands out of the noise" in text
    assert "Pictures that this recording does not allow: beside the tone" in text


def test_a_page_without_pictures_says_so() -> None:
    page = render(faulty(), None)
    assert "made without the pictures’ data" in page and "<figure" not in page


EVIL = "<script>alert(1)</script><img src=x onerror=alert(1)>\"'&{{ 7 * 7 }}"


def _poisoned() -> dict:
    result = faulty()
    result["recording"]["path"] = f"/somewhere/{EVIL}"
    result["recording"]["remarks"] = [EVIL]
    result["keying"]["text"] = EVIL
    result["notes"] = [EVIL]
    result["sentence"] = f"Faulty: {EVIL}. Next: {EVIL}."
    result["plan"] = {"sent": [{"text": EVIL}], EVIL: {"key": [EVIL]}}
    result["not_measured"]["keying.fall_s"] = EVIL
    result["not_measured"][f"symptoms.{EVIL}"] = EVIL
    for symptom in result["symptoms"]:
        symptom["text"] = EVIL
    for cause in result["causes"]:
        cause["text"] = EVIL
        cause["for"] = cause["against"] = [EVIL]
        cause["experiment"] = cause["experiment"] | {"title": EVIL, "do": EVIL, "care": EVIL}
    for line in result["sidebands"]:
        line["nature"] = line["family"] = EVIL
    result["drift"]["model"] = EVIL
    return result


@pytest.mark.parametrize("make", [lambda r: render(r, views()), card], ids=["page", "card"])
def test_markup_in_names_and_texts_appears_as_text(make) -> None:
    outline = Outline(make(_poisoned()))
    own = sum(t == "script" for t, _ in Outline(make(faulty())).tags)
    assert [t for t, _ in outline.tags if t in ("script", "img")] == ["script"] * own
    assert not [a for _, a in outline.tags if any(name.startswith("on") for name in a)]
    assert "alert(1)" in outline.text and "{{ 7 * 7 }}" in outline.text
    assert not outline.misnested


def test_the_same_result_gives_the_same_bytes() -> None:
    assert render(faulty(), views()) == render(faulty(), views())


def test_a_result_read_back_from_json_gives_the_same_page() -> None:
    assert render(json.loads(json.dumps(faulty())), None) == render(faulty(), None)


def test_the_result_is_left_alone() -> None:
    result = faulty()
    before = json.dumps(result)
    render(result, views())
    assert json.dumps(result) == before


def test_a_result_that_lacks_most_keys_still_makes_a_page() -> None:
    page = render({"verdict": "clean", "sentence": "Clean.", "recording": {"path": "a.wav"}}, None)
    assert "Clean." in page


def test_card_has_verdict_symptoms_and_experiment() -> None:
    text = Outline(card(faulty())).text
    for words in (
        "Faulty: hum on the tone.",
        "fault sidebands at 100 Hz",
        "57 %",
        "Run the transmitter from a battery",
    ):
        assert words in text


def test_without_pictures_no_drawing_library_is_loaded() -> None:
    code = (
        "import sys, json; from sigcheck.report.html import render; from sigcheck.report.terminal import summary;"
        "r = json.load(sys.stdin); render(r, None); summary(r); print('matplotlib' in sys.modules)"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], input=json.dumps(faulty()), capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "False"


def test_the_page_of_30_s_takes_at_most_1_5_s_beyond_the_measurement() -> None:
    from sigcheck.synth import faults, scenario_with, synthesise

    base = faults.clean_scenario(
        seconds=30.0, rate_hz=12000, tone_hz=740.0, wpm=15.0, snr_db=28.0, mains_hz=50.0, seed=3
    )
    made = synthesise(scenario_with(["key-clicks"], base))
    result = sigcheck.diagnose(sigcheck.from_samples(made.samples, made.rate_hz))

    def once() -> float:
        start = time.process_time()
        page = render(result.to_dict(), result.views())
        assert len(page.encode()) < 3_000_000
        return time.process_time() - start

    assert min(once() for _ in range(2)) < 1.5
