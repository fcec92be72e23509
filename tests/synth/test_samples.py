"""The demo recordings: the script's bytes, sizes, plans, and their truth measured at an independent bench."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sigcheck.errors import SaveError
from sigcheck.plan import load_plan
from sigcheck.synth import truth
from sigcheck.synth.samples import SAMPLES, Sample, main, write_samples
from sigcheck.synth.scenario import Run, run
from sigcheck.synth.transmitter import half_amplitude_times

from . import bench

HOME = Path(__file__).parents[2] / "sample_audio"
BY_NAME = {sample.name: sample for sample in SAMPLES}
NOTE = {name: note for name, (note, _) in truth.LIMITS.items()}

each_sample = pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.name)


@cache
def noise_free(name: str) -> Run:
    return run(BY_NAME[name].scenario, quiet=True)


def true_of(sample: Sample) -> dict[str, object]:
    return json.loads((HOME / f"{sample.name}.truth.json").read_text(encoding="utf-8"))  # type: ignore[no-any-return]


def at_the_bench(sample: Sample, audio: np.ndarray) -> bench.Bench:
    """The bench knows the nominal tone, the mains and when the key was down; nothing of the faults."""
    keying = sample.scenario.transmitter.keying
    on_s, off_s = half_amplitude_times(noise_free(sample.name).emission.marks, keying)
    tone_hz = float(true_of(sample)["tone_hz"])  # type: ignore[arg-type]
    mains_hz = float(true_of(sample)["mains_hz"])  # type: ignore[arg-type]
    rate_hz = sample.scenario.rate_hz * (1.0 + 1e-6 * sample.scenario.recorder.rate_error_ppm)
    return bench.Bench(audio, rate_hz, tone_hz, mains_hz, on_s, off_s)


def recorded(sample: Sample) -> np.ndarray:
    audio, rate_hz = soundfile.read(HOME / f"{sample.name}.flac")
    assert rate_hz == sample.scenario.rate_hz
    return np.asarray(audio)


# --- files -----------------------------------------------------------------------------------------------


def test_the_same_bytes_again(tmp_path: Path) -> None:
    names = ("clean-narrow-filter", "jumps")
    first, second = (write_samples(tmp_path / folder, names) for folder in ("a", "b"))
    assert [p.name for p in first] == ["clean-narrow-filter.flac", "jumps.flac"]
    for one, other in zip(first, second, strict=True):
        for ending in (".flac", ".truth.json", ".plan.toml"):
            assert one.with_suffix(ending).read_bytes() == other.with_suffix(ending).read_bytes()


@each_sample
def test_files_are_those_of_the_script(sample: Sample, tmp_path: Path) -> None:
    (audio,) = write_samples(tmp_path, [sample.name])
    made, kept = (soundfile.read(p / audio.name, dtype="int16")[0].astype(int) for p in (tmp_path, HOME))
    assert made.size == kept.size
    # Another processor's last bit may round the odd sample the other way.
    assert np.abs(made - kept).max() <= 1 and np.count_nonzero(made != kept) < 20
    assert audio.with_suffix(".plan.toml").read_text() == (HOME / f"{sample.name}.plan.toml").read_text()
    fresh = json.loads(audio.with_suffix(".truth.json").read_text())
    assert fresh["symptoms"] == true_of(sample)["symptoms"] and fresh["causes"] == true_of(sample)["causes"]


def test_no_file_too_many_and_together_small() -> None:
    expected = {f"{s.name}{end}" for s in SAMPLES for end in (".flac", ".plan.toml", ".truth.json")}
    assert {p.name for p in HOME.iterdir()} == expected
    assert sum(p.stat().st_size for p in HOME.iterdir()) < 6_000_000


@each_sample
def test_level_is_a_sensible_recording_level(sample: Sample) -> None:
    audio = recorded(sample)
    peak_dbfs = 20.0 * np.log10(np.abs(audio).max())
    assert -20.0 < peak_dbfs < -8.0
    assert 20.0 <= audio.size / sample.scenario.rate_hz <= 60.0
    assert abs(audio.mean()) < 0.01


@each_sample
def test_band_noise_fills_the_passband_and_only_that(sample: Sample) -> None:
    """After the last key-up: noise 20 dB or more above what there is beside the filter."""
    b = at_the_bench(sample, recorded(sample))
    tail = b.audio[int((b.off_s[-1] + 0.3) * b.rate_hz) :]
    power = np.abs(np.fft.rfft(tail * np.hanning(tail.size))) ** 2
    f = np.fft.rfftfreq(tail.size, 1.0 / b.rate_hz)
    band = sample.scenario.receiver.passband
    width = band.high_hz - band.low_hz
    inside = np.median(power[(f > band.low_hz + 0.2 * width) & (f < band.high_hz - 0.2 * width)])
    skirt = 0.15 * width if band.kind == "linear-phase" else 2.0 * width
    outside = np.median(power[(f > band.high_hz + skirt) & (f < 0.45 * b.rate_hz)])
    assert inside > 100.0 * outside


@each_sample
def test_plan_says_only_what_is_so(sample: Sample) -> None:
    plan = load_plan(HOME / f"{sample.name}.plan.toml")
    keying = sample.scenario.transmitter.keying
    assert plan.main.keying == keying.mode
    if keying.mode == "cw":
        assert (plan.main.text, plan.main.speed_wpm) == (keying.text, keying.wpm)
    assert plan.receiver.sideband == "usb"
    # The dial is rounded to 10 Hz; the rest is what drift and chirp did to the mean tone.
    strayed_hz = 40.0 if "drift" in sample.name else 12.0
    assert plan.tone_hz == pytest.approx(true_of(sample)["tone_hz"], abs=strayed_hz)


def test_a_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(SaveError, match="taken: cannot be written"):
        write_samples(tmp_path / "taken", ["jumps"])


def test_the_script_asks_for_a_folder(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["samples"])
    assert main() == 2
    assert capsys.readouterr().err.startswith("usage:")


# --- truth -------------------------------------------------------------------------------------------------


@each_sample
def test_nothing_lies_near_a_limit(sample: Sample) -> None:
    """A demo file is clear: clean ones have nothing near a note, each named symptom is a fault."""
    assert true_of(sample)["borderline"] == []
    assert set(true_of(sample)["severity"].values()) <= {"fault"}  # type: ignore[attr-defined]
    if sample.name.startswith("clean") or sample.name.endswith("pad"):
        assert true_of(sample)["symptoms"] == [] and true_of(sample)["causes"] == ["no-fault"]
    else:
        assert true_of(sample)["symptoms"]


@cache
def measured(name: str) -> dict[str, float]:
    """Every symptom's quantity that the bench can measure on this sample."""
    sample = BY_NAME[name]
    b = at_the_bench(sample, noise_free(sample.name).samples)
    noisy = replace(b, audio=recorded(sample))
    jump_hz, drift_hz_per_min = bench.jump_and_drift(b)
    hum_dbc, between_dbc = bench.sidebands_db(b)
    out = {
        "hum-sidebands": hum_dbc,
        "spur-lines": between_dbc,
        "harmonic-distortion": bench.thd_db(noisy),
        "audio-hum": bench.additive_hum_db(noisy),
        "frequency-jumps": jump_hz,
        "drift": abs(drift_hz_per_min),
        "clipped-recording": float(np.mean(np.abs(recorded(sample)) > 0.999)),
    }
    if b.on_s.size > 1:
        rise_s, fall_s = bench.edges_s(b)
        if sample.scenario.receiver.passband.high_hz > 2000.0:
            out["key-clicks"] = min(rise_s, fall_s)
        out["slow-keying"] = max(rise_s, fall_s) / sample.scenario.transmitter.keying.dit_s
        out["chirp"] = bench.chirp_hz(b)
        out["overshoot"] = bench.overshoot_db(b)
        out["backwave"] = bench.backwave_db(b)
        out["rasp"], rise_db = bench.rasp(noisy)
        if rise_db < 3.0:
            out["rasp"] = -99.0
    return out


def beyond(name: str, value: float) -> bool:
    return value < NOTE[name] if name == "key-clicks" else value > NOTE[name]


@each_sample
def test_the_bench_finds_the_symptoms_that_the_truth_names_and_no_others(sample: Sample) -> None:
    found = {name for name, value in measured(sample.name).items() if beyond(name, value)}
    assert sorted(found) == true_of(sample)["symptoms"]


# What the bench reads off against what the truth says, where both are clear of the bench's own floor.
AGREE: list[tuple[str, str, float]] = [
    ("receiver-overloaded", "hum-sidebands", 1.0),
    ("receiver-overloaded", "harmonic-distortion", 0.5),
    ("receiver-overloaded", "rasp", 1.5),
    ("mains-remodulation", "hum-sidebands", 0.5),
    ("supply-hum", "hum-sidebands", 0.5),
    ("hum-and-clicks", "hum-sidebands", 0.5),
    ("ground-loop", "audio-hum", 0.5),
    ("audio-overdrive", "harmonic-distortion", 0.8),
    ("chirp", "chirp", 2.5),
    ("jumps", "frequency-jumps", 0.3),
    ("warm-up-drift", "drift", 1.0),
    ("key-clicks", "key-clicks", 2e-4),
    ("clean-keyed", "key-clicks", 4e-4),
]


@pytest.mark.parametrize(("name", "symptom", "tolerance"), AGREE)
def test_the_bench_agrees_with_the_truths_values(name: str, symptom: str, tolerance: float) -> None:
    """Tolerances: what filter edges, mains wander and keying do to the bench's fits over 0.2 s; and 0.5 dB
    by which the gain control moves the level within a message, which moves an overdriven stage's THD more."""
    value = true_of(BY_NAME[name])["values"][symptom]  # type: ignore[index]
    assert measured(name)[symptom] == pytest.approx(value, abs=tolerance)


def test_twenty_decibels_of_pad_cure_the_overload_by_more_than_linear() -> None:
    """Relative to the tone, from deep limiting: each product by about the pad; none is linear."""
    before, after = (true_of(BY_NAME[n]) for n in ("receiver-overloaded", "receiver-overloaded-pad"))
    for symptom in ("hum-sidebands", "harmonic-distortion", "rasp"):
        fallen_db = before["values"][symptom] - after["values"][symptom]  # type: ignore[index]
        assert fallen_db > 18.0
