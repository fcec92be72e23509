"""The picture of a slot's symbols: they lie where they were sent, and the clean sound carries them."""

from __future__ import annotations

from functools import cache

import numpy as np
from independent.slots import SPACING_HZ, SYMBOL_S, Sending, SlotScene, make

import sigcheck
from sigcheck.report.html import render
from sigcheck.result import Result

DRIFT_HZ = 2.0


@cache
def heard() -> tuple[Result, np.ndarray]:
    """A slot that drifts, made in the time domain, and the symbols that were sent."""
    scene = SlotScene(seconds=118.0, rate=6000, snr_db=-6.0, sendings=(Sending(drift_hz=DRIFT_HZ),))
    x = make(scene, np.random.default_rng(7))
    return sigcheck.diagnose(sigcheck.from_samples(x, 6000.0)), scene.symbols[0]


def test_symbols_lie_on_their_tones_as_they_drift() -> None:
    result, sent = heard()
    view = result.views().symbols
    assert view is not None and np.array_equal(view.tone, sent)
    along = (view.time_s - view.time_s[0]) / (161 * SYMBOL_S) - 0.5
    true_hz = 1500.0 + DRIFT_HZ * along + (sent - 1.5) * SPACING_HZ
    # A bar shows a symbol to a sixteenth of a spacing; a symbol's own bound at this level is some 0.1 Hz.
    assert float(np.median(np.abs(view.hz - true_hz))) < 0.15
    assert float(np.mean(np.abs(view.hz - true_hz) < 0.5 * SPACING_HZ)) > 0.98


def test_its_clean_sound_has_the_tones_and_no_drift() -> None:
    result, _ = heard()
    sound = result.views().sound
    assert sound is not None and sound.clean.size
    spectrum = np.abs(np.fft.rfft(sound.clean / 32768.0)) ** 2
    hz = np.arange(spectrum.size) * int(sound.rate_hz) / sound.clean.size
    inside = np.abs(hz - 1500.0) < 2.5 * SPACING_HZ + 1.0
    assert spectrum[inside].sum() > 0.98 * spectrum.sum()


def test_page_draws_them_and_keeps_the_list_of_symbols_in_its_place() -> None:
    result, _ = heard()
    page = render(result.to_dict(), result.views())
    assert 'id="picture-symbols"' in page and "Each bar is a symbol" in page
    assert page.count('<td class="n">3, ') == page.count('<td class="n">0, ') == 0  # not a number on one line
