"""The table of quantities covers the result, and numbers are printed as people round them."""

from __future__ import annotations

import dataclasses
import typing

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigcheck.measure import results
from sigcheck.quantities import NOT_MEASURED, QUANTITIES, quantity, show, show_number

# Where the fields of each family stand in the saved result.
PREFIX = {
    results.Health: "recording",
    results.Signal: "signal",
    results.Harmonic: "purity.harmonics",
    results.SkirtPoint: "purity.skirt",
    results.Purity: "purity",
    results.Sideband: "sidebands",
    results.Spur: "spurs",
    results.OtherSignal: "others",
    results.Lines: "lines",
    results.Bursts: "noise",
    results.Keying: "keying",
    results.Step: "drift.steps",
    results.StabilityPoint: "drift.allan",
    results.TrackPoint: "drift.track",
    results.Dropout: "recording.dropouts",
    results.Drift: "drift",
}
SYMPTOMS = [
    "hum-sidebands", "spur-lines", "harmonic-distortion", "rasp", "noisy-tone", "audio-hum", "key-clicks",
    "slow-keying", "chirp", "backwave", "overshoot", "keying-timing", "drift", "frequency-jumps",
    "frequency-wobble", "other-signal", "voice-breakthrough", "noise-bursts", "clipped-recording",
    "dropouts", "fading", "weak-signal", "off-frequency", "off-time", "off-speed", "off-shift",
    "wrong-message",
]  # fmt: skip
UNIT_OF_ENDING = {
    "_hz_per_min": "Hz/min", "_db_per_s": "dB/s", "_dbc_hz": "dBc/Hz", "_percent": "%", "_dbhz": "dBHz",
    "_dbfs": "dBFS", "_dbc": "dBc", "_ppm": "ppm", "_rad": "rad", "_db": "dB", "_hz": "Hz", "_s": "s",
}  # fmt: skip


def numeric_paths() -> list[str]:
    """Path of every field that holds a number or text, not a list of records."""
    out = []
    for cls, prefix in PREFIX.items():
        for field, kind in typing.get_type_hints(cls).items():
            records = any(dataclasses.is_dataclass(part) for part in typing.get_args(kind))
            if field != "missing" and not field.endswith("_sigma") and not records:
                out.append(f"{prefix}.{field}")
    return out


@pytest.mark.parametrize("path", numeric_paths())
def test_every_measured_field_has_a_row(path: str) -> None:
    if path in {"recording.dropouts", "lines.sidebands"}:  # lists of records, listed by their own fields
        return
    assert path in QUANTITIES


@pytest.mark.parametrize("symptom", SYMPTOMS)
def test_every_symptom_has_a_row(symptom: str) -> None:
    assert QUANTITIES[f"symptoms.{symptom}"].label


def test_the_stored_unit_is_the_one_in_the_name() -> None:
    wrong = {}
    for path, row in QUANTITIES.items():
        for ending, unit in UNIT_OF_ENDING.items():
            if path.replace(".", "_").endswith(ending):
                if row.unit != unit:
                    wrong[path] = row.unit
                break
    assert wrong == {}


@pytest.mark.parametrize(
    ("path", "value", "sigma", "text"),
    [
        ("sidebands.level_dbc", -28.31, 0.42, "-28.3 ± 0.4 dBc"),
        ("keying.rise_s", 0.0049, 0.0001, "4.9 ± 0.1 ms"),
        ("keying.rise_s", 0.0049, None, "4.90 ms"),
        ("signal.tone_hz", 702.123456, 0.00096, "702.123 ± 0.001 Hz"),
        ("signal.tone_hz", 702.1, 14.0, "700 ± 10 Hz"),
        ("keying.chirp_hz", 12.34, 0.5, "+12.3 ± 0.5 Hz"),
        ("keying.chirp_hz", -0.001, 0.5, "0.0 ± 0.5 Hz"),
        ("recording.clipped_fraction", 1.3e-4, None, "0.013 %"),
        ("signal.passband_hz", (300.0, 2700.0), None, "300 to 2700 Hz"),
        ("others.keyed", True, None, "yes"),
        ("keying.text", "VVV", None, "VVV"),
        ("keying.fall_s", None, None, NOT_MEASURED),
        ("signal.cn0_dbhz", float("nan"), None, NOT_MEASURED),
    ],
)
def test_numbers_as_a_person_writes_them(path: str, value: object, sigma: float | None, text: str) -> None:
    assert show(path, value, sigma) == text


def test_a_value_may_carry_its_own_unit() -> None:
    # The drift of a slot is judged in hertz, not in hertz a minute.
    assert show("symptoms.drift", 1.234, 0.1, unit="Hz") == "1.2 ± 0.1 Hz"
    assert show("symptoms.key-clicks", 0.0018, unit="s") == "1.80 ms"
    assert show("symptoms.key-clicks", 1.8, unit="ms") == "1.80 ms"


def test_unknown_paths_speak_by_their_ending() -> None:
    row = quantity("later.coil_warmth_hz_per_min")
    assert (row.label, row.unit) == ("coil warmth", "Hz/min")


@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e6))
def test_rounding_never_moves_a_value_by_more_than_its_sigma(value: float, sigma: float) -> None:
    shown, spread = show_number("signal.level_range_db", value, sigma).split(" ± ")
    assert abs(float(shown) - value) <= 0.5 * float(spread) * 1.001 + 1e-15 * abs(value)
    # One digit of the sigma: 1.5 may show as 1 or 2, a third off at most.
    assert 2 / 3 - 1e-9 <= float(spread) / sigma <= 4 / 3 + 1e-9


@given(st.one_of(st.none(), st.booleans(), st.text(), st.floats(), st.integers(), st.lists(st.floats())))
def test_show_takes_anything(value: object) -> None:
    for path in ("signal.tone_hz", "recording.clipped_fraction", "nobody.knows"):
        assert isinstance(show(path, value), str)
