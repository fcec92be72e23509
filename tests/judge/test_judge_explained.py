"""Which lines belong to something that has its own name. The tone of `clean` is at 700 Hz."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sigcheck.judge.explained import explained
from sigcheck.measure.results import Measurements
from tests.judge.judge_cases import Harmonic, OtherSignal, clean


def distorted(**changes: dict[str, object]) -> Measurements:
    harmonics = (
        Harmonic(order=2, dbc=-35.0, dbc_sigma=0.2, after_filter=False),
        Harmonic(order=3, dbc=-20.0, dbc_sigma=0.2, after_filter=True),
    )
    other = OtherSignal(frequency_hz=950.0, level_dbc=-6.0, keyed=False, dips_with_ours=False, same_lines=None)
    m = clean(purity={"harmonics": harmonics}, lines={"others": (other,), "mains_hz": 50.0}, **changes)
    return replace(m, sample_rate_hz=8000.0)


@pytest.mark.parametrize(
    ("hz", "dbc", "what"),
    [
        (1420.0, -40.0, "keying beside the second harmonic"),
        (2050.0, -30.0, "50 Hz below the third"),
        (1550.0, -25.0, "150 Hz above the second, which a symmetric limiter cancels"),
        (450.0, -22.0, "2 f - g"),
        (1200.0, -22.0, "2 g - f"),
        (250.0, -24.0, "g - f"),
        (1100.0, -40.0, "order 13 at 9100 Hz, less 8000 Hz: it falls by 13 dB or more from the third"),
    ],
)
def test_lines_of_a_distorted_chain(hz: float, dbc: float, what: str) -> None:
    assert explained(distorted(), hz, dbc), what


@pytest.mark.parametrize(("hz", "dbc"), [(817.3, -45.0), (450.0, -10.0), (1550.0, -10.0), (2337.0, -40.0)])
def test_what_lies_elsewhere_or_is_too_strong_is_a_line_of_its_own(hz: float, dbc: float) -> None:
    assert not explained(distorted(), hz, dbc)


def test_a_clean_chain_makes_no_products() -> None:
    m = distorted()
    undistorted = replace(m, purity=replace(m.purity, harmonics=()))
    assert not any(explained(undistorted, hz, -40.0) for hz in (450.0, 1200.0, 1100.0))


def test_a_chirp_spreads_a_harmonic_so_that_it_is_read_low() -> None:
    m = clean(purity={"harmonics": (Harmonic(order=2, dbc=-42.0, dbc_sigma=0.2, after_filter=False),)})
    assert not explained(m, 1385.0, -36.0)
    assert explained(replace(m, keying=replace(m.keying, chirp_hz=43.0)), 1385.0, -36.0)
