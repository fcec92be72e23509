"""Necessary and occupied bandwidth and emission designators against the regulations' own examples."""

from __future__ import annotations

import pytest

from .arrays import diagnosed, keyed, width_holding, width_within, word_lines

# Radio Regulations Appendix 1, section I; 47 CFR 2.202(b): three digits and a letter at the decimal point.
WRITTEN = {
    0.002: "H002", 0.1: "H100", 25.3: "25H3", 400: "400H", 2400: "2K40", 6000: "6K00", 12_500: "12K5",
    180_400: "180K", 180_500: "181K", 180_700: "181K", 1.25e6: "1M25", 2e6: "2M00", 10e6: "10M0",
    202e6: "202M", 5.65e9: "5G65",
}  # fmt: skip
# Edges of the same rule, worked by hand: rounding into the next unit, and two digits before the letter.
EDGES = {999.6: "1K00", 999.4: "999H", 62.5: "62H5", 104.17: "104H", 9.996: "10H0", 99.96: "100H"}


@pytest.mark.parametrize("bandwidth_hz", WRITTEN)
def test_bandwidth_as_written_in_the_regulations(bandwidth_hz: float) -> None:
    from sigcheck.measure.keying import designator

    assert designator(bandwidth_hz, "") == WRITTEN[bandwidth_hz]


@pytest.mark.parametrize("bandwidth_hz", EDGES)
def test_rounding_into_the_next_figure(bandwidth_hz: float) -> None:
    from sigcheck.measure.keying import designator

    assert designator(bandwidth_hz, "") == EDGES[bandwidth_hz]


# 47 CFR 2.202(g), the table's own examples: bandwidth and class of emission.
@pytest.mark.parametrize(
    ("bandwidth_hz", "symbols", "written"),
    [(100, "A1A", "100HA1A"), (2100, "A2A", "2K10A2A"), (134, "J2B", "134HJ2B"), (304, "F1B", "304HF1B"),
     (1420, "F7B", "1K42F7B"), (2700, "J3E", "2K70J3E")],
)  # fmt: skip
def test_examples_of_the_table(bandwidth_hz: float, symbols: str, written: str) -> None:
    from sigcheck.measure.keying import designator

    assert designator(bandwidth_hz, symbols) == written


@pytest.mark.parametrize(
    ("wpm", "fading_hz", "designators"), [(12, 50.0, {"50H0A1A"}), (25, 104.17, {"104HA1A"})]
)
def test_necessary_bandwidth_of_keyed_carrier(wpm: int, fading_hz: float, designators: set[str]) -> None:
    # Bn = B K, K = 5 on fading circuits (47 CFR 2.202(g), I.1); B = WPM / 1.2 (standard word of 50 units)
    result = diagnosed(keyed("PARIS ", wpm, 12_000, seconds=24.0), 12_000)["keying"]
    assert result["necessary_bandwidth_hz"] == pytest.approx(fading_hz, rel=0.002)
    assert result["designator"] in designators


# Exact Fourier series of ideal keying with raised-cosine edges of full length T ms: width that holds 99 %
# of the power (0.5 % left on either side: Radio Regulations No. 1.153), and the outermost line within 26 dB
# of the strongest.
OCCUPIED = {
    (12, 0): (130.0, 70.0), (12, 1): (110.0, 70.0), (12, 2): (97.6, 70.0), (12, 5): (73.6, 70.0),
    (12, 10): (54.0, 70.0), (25, 0): (270.8, 145.8), (25, 1): (196.7, 145.8), (25, 2): (178.3, 145.8),
    (25, 5): (109.2, 145.8), (25, 10): (71.7, 104.2),
}  # fmt: skip


@pytest.mark.parametrize(("wpm", "edge_ms"), OCCUPIED)
def test_occupied_bandwidth_of_the_standard_word(wpm: int, edge_ms: int) -> None:
    shape = "cosine" if edge_ms else "hard"
    x = keyed("PARIS ", wpm, 16_000, tone_hz=3000, seconds=42.0, shape=shape, length_s=edge_ms / 1000)
    result = diagnosed(x, 16_000)["keying"]
    occupied, within_26_db = OCCUPIED[wpm, edge_ms]
    # The power comes in clusters of lines, so that the width goes by jumps: allowed is what a tenth of the
    # one per cent outside, or half a decibel of level, makes of it, and 2 Hz of resolution.
    spacing, lines = word_lines(wpm, edge_ms / 1000)
    narrow, wide = (width_holding(spacing, lines, outside) for outside in (0.011, 0.009))
    assert narrow - 0.05 <= occupied <= wide + 0.05
    assert narrow - 2 <= result["occupied_bandwidth_hz"] <= wide + 2
    narrow, wide = (width_within(spacing, lines, db) for db in (25.5, 26.5))
    assert narrow - 0.05 <= within_26_db <= wide + 0.05
    assert narrow - 2 <= result["bandwidth_26db_hz"] <= wide + 2
