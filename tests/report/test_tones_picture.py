"""The picture of shifted keying: every element lies on the tone that it was sent on."""

from __future__ import annotations

import numpy as np
import pytest

import sigcheck
from sigcheck.report.html import render
from tests.independent.slow import Slow, elements, samples


@pytest.mark.parametrize("mode", ["fskcw", "dfcw"])
def test_elements_lie_on_their_tones(mode: str) -> None:
    s = Slow(mode=mode, dit_s=1.0, seconds=60.0, shift_hz=4.0, snr_db=5.0)  # type: ignore[arg-type]
    result = sigcheck.diagnose(sigcheck.from_samples(samples(s).astype(np.float32), s.rate))
    view = result.views().tones
    assert view is not None
    middle = view.middle_s
    sent = [e for e in elements(s, np.random.default_rng(s.seed)) if e.end_s < s.seconds - 2.0]
    for e in sent:
        k = int(np.argmin(np.abs(middle - 0.5 * (e.begin_s + e.end_s))))
        assert view.on_tone[k]
        # an element of a second resolves 1 Hz; its frequency is seen to the grid of a sixteenth of the shift
        assert view.hz[k] == pytest.approx(s.tone_hz + s.shift_hz * e.tone, abs=0.3)
    assert view.high_hz - view.low_hz == pytest.approx(4.0, abs=0.05)
    html = render(result.to_dict(), result.views())
    assert 'id="picture-tones"' in html and "Each bar is a stretch" in html


def test_nothing_of_the_kind_for_a_keyed_tone() -> None:
    s = Slow(mode="qrss", dit_s=1.0, seconds=60.0, snr_db=5.0)
    result = sigcheck.diagnose(sigcheck.from_samples(samples(s).astype(np.float32), s.rate))
    assert result.views().tones is None
    assert "picture-tones" not in render(result.to_dict(), result.views())
