"""What the receiver and the recorder themselves do to a signal: found once with a known one, taken off later.

A time-signal station gives the recorder's rate and the second; a carrier of known frequency the receiver's dial
error; a reference tone or pulse on a second channel the recorder's rate again. Whatever a clean tone shows besides
(hum, noise skirt, distortion) is the chain's own, as are its passband and the recovery of its gain control.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

import sigcheck
from sigcheck.errors import RecordingError, SettingError
from sigcheck.measure.results import Family, Lines, Measurements, Purity, Sideband, Ticks, not_measured_family
from sigcheck.plan import Chain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sigcheck.measure.spectrum import Survey
    from sigcheck.measure.track import Track
    from sigcheck.plan import Plan, Receiver
    from sigcheck.recording import Recording

_USUAL_PASSBAND_HZ = (300.0, 2700.0)  # of a receiver for speech (common practice, no source)
_LOWEST_BEAT_HZ = 20.0
_MAIN_SHARE = 0.1  # of the sound's power that an unnamed tone must have to be taken for the reference
_NEAR_HZ = 150.0  # how far from where it should be a known carrier is looked for: 15 ppm at 10 MHz
_STANDS_OUT = 4.0  # a steady line over the noise of a survey's bin, some thousand looks averaged
_HALF_BAND_HZ = 150.0
_PHASE_STEPS = 24  # in which the course of a carrier's phase is looked at: 5 s each of two minutes
_SAME_LINE = 10 ** (1 / 10)  # a line no more than 1 dB above the chain's own is the chain's (levels are good to 1 dB)
_LOUDER_DB = 3.0  # distortion grows with level: a recording quieter than the calibration has less of it
RateSource = Literal["ticks", "reference-tone", "reference-pulse", "plan"]


@dataclass(frozen=True, kw_only=True)
class Clock(Family):
    """The recorder's sample rate: positive where it takes more samples than nominal."""

    sample_rate_error_ppm: float | None = None
    sample_rate_error_ppm_sigma: float | None = None
    source: RateSource | None = None


@dataclass(frozen=True, kw_only=True)
class Dial(Family):
    """The receiver's dial: positive where it listens higher than it shows. ``tone_hz`` is the known carrier's beat."""

    error_ppm: float | None = None
    error_ppm_sigma: float | None = None
    tone_hz: float | None = None
    tone_hz_sigma: float | None = None


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """What one recording of something known says of the chain that it came through."""

    path: str | None
    sample_rate_hz: float
    duration_s: float
    ticks: Ticks
    recorder: Clock
    receiver: Dial
    chain: Chain
    chain_missing: dict[str, str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """As plain data, for JSON; what was not measured is null with its reason in ``not_measured``."""
        out: dict[str, Any] = {
            "schema": 1,
            "recording": {
                "path": self.path,
                "sample_rate_hz": self.sample_rate_hz,
                "duration_s": self.duration_s,
            },
        }
        missing: dict[str, str] = {}
        for name in ("ticks", "recorder", "receiver"):
            values = asdict(getattr(self, name))
            missing |= {f"{name}.{key}": reason for key, reason in values.pop("missing").items()}
            out[name] = values
        out["chain"] = {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(self.chain).items()}
        out["not_measured"] = missing | {f"chain.{key}": reason for key, reason in self.chain_missing.items()}
        out["version"] = sigcheck.__version__
        return out

    def to_json(self) -> str:
        """The JSON text."""
        return json.dumps(self.to_dict(), indent=1, allow_nan=False) + "\n"

    def plan_values(self) -> dict[str, dict[str, Any]]:
        """What goes into a plan, by section and key: only what was measured."""
        recorder, receiver = asdict(self.recorder), asdict(self.receiver)
        sections = {
            "receiver": {k: receiver[k] for k in ("error_ppm", "error_ppm_sigma")},
            "recorder": {k: recorder[k] for k in ("sample_rate_error_ppm", "sample_rate_error_ppm_sigma")},
            "chain": asdict(self.chain),
        }
        if self.recorder.source == "plan":
            del sections["recorder"]
        known = {
            name: {k: _rounded(v) for k, v in keys.items() if v is not None} for name, keys in sections.items()
        }
        return {name: keys for name, keys in known.items() if keys}


def _rounded(value: Any) -> Any:
    """Six digits: more than any of these is known to."""
    return tuple(_rounded(v) for v in value) if isinstance(value, tuple) else float(f"{value:.6g}")


def calibrate(
    recording: Recording,
    *,
    channel: int = 0,
    true_hz: float | None = None,
    receiver: Receiver | None = None,
    plan: Plan | None = None,
    tick_hz: float | None = None,
    tick_s: float = 0.005,
    delay_s: float = 0.0,
    reference_channel: int | None = None,
    reference_hz: float | None = None,
) -> Calibration:
    """Find out about the chain from a recording of something known.

    Parameters
    ----------
    channel : the one with the receiver's audio.
    true_hz : frequency of the carrier heard, on the air; of the audio tone where no dial is known.
    receiver : its dial and sideband (where absent, the plan's).
    plan : its recorder's rate stands where this recording does not tell it.
    tick_hz, tick_s, delay_s : as for `sigcheck.measure.ticks.measure_ticks`.
    reference_channel : holds a reference tone of ``reference_hz``, or one pulse a second where that is None.

    Raises
    ------
    RecordingError : there is neither what was named nor anything else to calibrate by, or no such channel.
    SettingError : the known carrier cannot be heard with this dial.
    """
    from sigcheck.measure import spectrum
    from sigcheck.measure.ticks import measure_ticks

    x, rate = recording.channel(channel), recording.sample_rate_hz
    receiver = _receiver(receiver, plan)
    beat_hz = _expected_beat(true_hz, receiver, rate)
    top = max(spectrum.AUDIO_TOP_HZ, 1.5 * (tick_hz or 0.0), 1.5 * (beat_hz or 0.0))
    s = spectrum.survey(x, rate, top_hz=min(top, rate / 2))
    ticks = measure_ticks(x, rate, tick_hz=tick_hz, tick_s=tick_s, delay_s=delay_s, surveyed=s)
    track = _beside_pulses(s, beat_hz, rate) if ticks.ticks_used is not None else _steady_tone(s, beat_hz, rate)
    clock = _clock(ticks, recording, reference_channel, reference_hz, plan)
    dial_known = receiver is not None and receiver.dial_hz is not None
    if true_hz is not None and not dial_known and not isinstance(track, str):
        clock = _by_tone(track.tone_hz, track.tone_hz_sigma, true_hz)
    dial = _dial(track, true_hz if dial_known else None, receiver, clock)
    if ticks.ticks_used is None and clock.source in (None, "plan") and isinstance(track, str):
        wanted = "" if true_hz is None else f" near {beat_hz:.0f} Hz"
        raise RecordingError(
            f"{recording.path or 'the recording'}: neither second pulses nor a steady carrier{wanted} to calibrate by; "
            "record a time-signal station or a carrier of known frequency (--true-hz), and check dial and channel"
        )
    chain, missing = _chain(x, rate, s, track, ticks)
    ticks = _through_the_filter(ticks, chain.passband_hz)
    return Calibration(
        path=recording.path,
        sample_rate_hz=rate,
        duration_s=recording.duration_s,
        ticks=ticks,
        recorder=clock,
        receiver=dial,
        chain=chain,
        chain_missing=missing,
    )


def _through_the_filter(ticks: Ticks, passband_hz: tuple[float, ...] | None) -> Ticks:
    """The second's sigma with the filter's delay in it: some unknown part of, or more than, the inverse of its width.

    Where the passband is not seen it is that of a usual one.
    """
    if ticks.offset_s_sigma is None:
        return ticks
    low, high = passband_hz or _USUAL_PASSBAND_HZ
    return replace(ticks, offset_s_sigma=float(np.hypot(ticks.offset_s_sigma, 1.0 / max(high - low, 50.0))))


def _receiver(given: Receiver | None, plan: Plan | None) -> Receiver | None:
    from sigcheck.plan import Receiver

    planned = plan.receiver if plan is not None else Receiver()
    if given is None:
        return planned
    return replace(planned, dial_hz=given.dial_hz or planned.dial_hz, sideband=given.sideband or planned.sideband)


def _expected_beat(true_hz: float | None, receiver: Receiver | None, rate_hz: float) -> float | None:
    """Audio frequency at which the known carrier should be heard."""
    if true_hz is None:
        return None
    if receiver is None or receiver.dial_hz is None:
        if not _LOWEST_BEAT_HZ <= true_hz < rate_hz / 2:
            raise SettingError(
                f"--true-hz {true_hz:.12g} is no audio frequency of this recording; give the dial with --dial-hz and "
                "--sideband"
            )
        return true_hz
    sign = -1.0 if receiver.sideband == "lsb" else 1.0
    beat = sign * (true_hz - receiver.dial_hz)
    if not _LOWEST_BEAT_HZ <= beat < rate_hz / 2:
        raise SettingError(
            f"a carrier on {true_hz:.12g} Hz would be heard at {beat:.0f} Hz with the dial on "
            f"{receiver.dial_hz:.12g} Hz, {receiver.sideband or 'usb'}; tune it to a beat of about 1000 Hz, and check "
            "the sideband"
        )
    return beat


def _steady_tone(s: Survey, near_hz: float | None, rate_hz: float) -> Track | str:
    """The steady tone in the audio, or why there is none."""
    from sigcheck.measure import carrier, frequency
    from sigcheck.measure.keyed import segmentation

    found = carrier.find(s, tone_hz=near_hz, top_hz=0.48 * rate_hz)
    if isinstance(found, carrier.NotFound):
        return found.reason
    marks = segmentation.segment(found)
    if not marks.settled.any():
        return "no stretch of tone is long enough to measure"
    if marks.keyed and near_hz is None:
        return "the tone that is there is keyed: no steady carrier to measure the chain by"
    if near_hz is None and marks.amplitude**2 * marks.down.mean() < _MAIN_SHARE * np.mean(np.abs(s.audio) ** 2):
        return "the tone that is there is a small part of the sound: no clear carrier to measure the chain by"
    track = frequency.refine(found, marks)
    return track.tone_missing or track


def _beside_pulses(s: Survey, near_hz: float | None, rate_hz: float) -> Track | str:
    """The known carrier of a time-signal station, in a band so narrow that the pulses leave it alone.

    What else the station sends would be taken for the chain's doing, so nothing but the carrier is looked at, and
    only where one is expected.
    """
    from sigcheck.measure import frequency, spectrum
    from sigcheck.measure.track import Baseband, Marks

    if near_hz is None:
        return "a time-signal station's own modulation hides it"
    quiet = s.low_density
    noise = spectrum.running_median(quiet, max(3, round(150.0 / s.bin_hz) | 1))
    near = np.abs(s.bins_hz - near_hz) <= _NEAR_HZ
    k = int(np.argmax(np.where(near, quiet / np.maximum(noise, 1e-30), 0.0)))
    if quiet[k] < _STANDS_OUT * noise[k]:
        return _steady_tone(s, near_hz, rate_hz)
    hz = spectrum.peak_bin(quiet, k) * s.bin_hz
    turned = _turned(s.audio, hz / s.rate_hz)
    z, rate = spectrum.slice_band(turned, s.rate_hz, -_HALF_BAND_HZ, _HALF_BAND_HZ, taper_hz=50.0)
    base = Baseband(
        rate_hz=rate,
        audio=z,
        path_hz=np.full(z.size, hz),
        z=z,
        noise_density=float(noise[k]),
        passband_hz=(hz - _HALF_BAND_HZ, hz + _HALF_BAND_HZ),
        passband_from_noise=False,
    )
    always = np.ones(z.size, bool)  # such a station's carrier is never keyed
    marks = Marks(
        keyed=False,
        on_s=np.zeros(1),
        off_s=np.array([z.size / rate]),
        cut_start=True,
        cut_end=True,
        down=always,
        settled=always,
        up=~always,
        amplitude=float(np.median(np.abs(z))),
    )
    track = frequency.refine(base, marks)
    return track.tone_missing or track


def _wander_hz(track: Track) -> float:
    """What a wandering phase makes uncertain of the frequency behind it: fading turns a carrier's phase at random.

    The mean frequency heard is the phase's last less its first value over the time. A phase that keeps within bounds
    puts twice its variance into that difference; where it drifts further apart with time, over four steps at least
    twice as far as over one, it is taken for a random walk of those steps. Additive noise is in the tone's own sigma.
    """
    base = track.base
    step = base.z.size // _PHASE_STEPS
    if step == 0:
        return 0.0
    n = step * _PHASE_STEPS
    t = np.arange(n) / base.rate_hz
    # z is the tone less its followed path, here a constant
    straight = base.z[:n] * np.exp(-2j * np.pi * (track.tone_hz - base.path_hz[:n]) * t)
    phase = np.unwrap(np.angle(straight.reshape(_PHASE_STEPS, step).mean(axis=1)))
    seconds = n / base.rate_hz
    additive = base.noise_density / (2 * track.marks.amplitude**2 * seconds / _PHASE_STEPS)
    index = np.arange(_PHASE_STEPS)
    rest = phase - np.polyval(np.polyfit(index, phase, 1), index)
    if np.mean(rest**2) < 2 * additive:
        return 0.0
    ends = 2 * float(np.mean(rest**2))
    near, far = np.mean(np.diff(phase) ** 2), np.mean((phase[4:] - phase[:-4]) ** 2)
    if far > 2 * near:
        ends = max(ends, float((far - near) / 3 * _PHASE_STEPS))
    return math.sqrt(ends) / (2 * math.pi * seconds)


def _turned(audio: NDArray[np.complex64], cycles: float) -> NDArray[np.complex64]:
    """Samples shifted down by a frequency in cycles a sample; the phasors as products of few."""
    few = 1024
    coarse = np.exp(-2j * np.pi * ((cycles * few * np.arange(-(-audio.size // few))) % 1.0))
    fine = np.exp(-2j * np.pi * ((cycles * np.arange(few)) % 1.0))
    phasors = (coarse[:, None] * fine).astype(np.complex64).ravel()[: audio.size]
    return np.asarray(audio * phasors, np.complex64)


# --- clocks and dials ------------------------------------------------------------------------------


def _clock(
    ticks: Ticks, recording: Recording, channel: int | None, reference_hz: float | None, plan: Plan | None
) -> Clock:
    if channel is not None:
        return _by_reference(recording, channel, reference_hz)
    if ticks.sample_rate_error_ppm is not None:
        return Clock(
            sample_rate_error_ppm=ticks.sample_rate_error_ppm,
            sample_rate_error_ppm_sigma=ticks.sample_rate_error_ppm_sigma,
            source="ticks",
        )
    if plan is not None and plan.recorder.sample_rate_error_ppm is not None:
        error, sigma = plan.recorder.rate_error()
        return Clock(sample_rate_error_ppm=error, sample_rate_error_ppm_sigma=sigma, source="plan")
    return not_measured_family(Clock, "neither second pulses nor a reference were heard")


def _by_reference(recording: Recording, channel: int, reference_hz: float | None) -> Clock:
    from sigcheck.measure import spectrum
    from sigcheck.measure.seconds.pulses import measure_pulses

    x, rate = recording.channel(channel), recording.sample_rate_hz
    where = f"{recording.path or 'the recording'}, channel {channel}"
    if reference_hz is None:
        found = measure_pulses(x, rate)
        if isinstance(found, str):
            raise RecordingError(f"{where}: {found}; for a reference tone give its frequency with --reference-hz")
        return Clock(
            sample_rate_error_ppm=found[0], sample_rate_error_ppm_sigma=found[1], source="reference-pulse"
        )
    if not _LOWEST_BEAT_HZ <= reference_hz < rate / 2:
        raise SettingError(f"--reference-hz {reference_hz:g} is not in the recording, which holds 0 to {rate / 2:g} Hz")
    top = max(spectrum.AUDIO_TOP_HZ, 1.5 * reference_hz)
    track = _steady_tone(spectrum.survey(x, rate, top_hz=min(top, rate / 2)), reference_hz, rate)
    if isinstance(track, str):
        raise RecordingError(f"{where}: no reference tone near {reference_hz:g} Hz ({track}); check lead and channel")
    return _by_tone(track.tone_hz, track.tone_hz_sigma, reference_hz)


def _by_tone(tone_hz: float, tone_hz_sigma: float, true_hz: float) -> Clock:
    """A recorder that takes too many samples makes a tone read too low."""
    return Clock(
        sample_rate_error_ppm=1e6 * (true_hz / tone_hz - 1.0),
        sample_rate_error_ppm_sigma=1e6 * tone_hz_sigma / true_hz,
        source="reference-tone",
    )


def _dial(track: Track | str, true_hz: float | None, receiver: Receiver | None, clock: Clock) -> Dial:
    if true_hz is None or receiver is None or receiver.dial_hz is None:
        why = "no carrier of known frequency was named (--true-hz, --dial-hz, --sideband)"
        return not_measured_family(Dial, why)
    if isinstance(track, str):
        return not_measured_family(Dial, track)
    from sigcheck.plan import RECORDER_SIGMA_PPM

    rate_ppm = clock.sample_rate_error_ppm or 0.0
    known = clock.sample_rate_error_ppm_sigma
    rate_sigma = RECORDER_SIGMA_PPM if known is None else known
    tone_sigma = math.hypot(track.tone_hz_sigma, _wander_hz(track))
    sign = -1.0 if receiver.sideband == "lsb" else 1.0
    listens_hz = true_hz - sign * track.tone_hz * (1 + 1e-6 * rate_ppm)
    sigma_hz = math.hypot(tone_sigma, 1e-6 * track.tone_hz * rate_sigma)
    return Dial(
        error_ppm=1e6 * (listens_hz / receiver.dial_hz - 1.0),
        error_ppm_sigma=1e6 * sigma_hz / receiver.dial_hz,
        tone_hz=track.tone_hz,
        tone_hz_sigma=tone_sigma,
    )


# --- what the chain adds ---------------------------------------------------------------------------


def _chain(
    x: NDArray[np.float32], rate_hz: float, s: Survey, track: Track | str, ticks: Ticks
) -> tuple[Chain, dict[str, str]]:
    from sigcheck.measure import purity, sidebands, spectrum
    from sigcheck.measure.audio import surroundings

    if ticks.ticks_used is not None or isinstance(track, str):
        noise = spectrum.quiet_density(s)
        low, high, seen = spectrum.passband(noise, s.bin_hz, 1000.0)
        why = track if isinstance(track, str) else "a time-signal station's own modulation hides it"
        missing = _missing(Chain(), why)
        if seen:
            del missing["passband_hz"]
        return Chain(passband_hz=(low, high) if seen else None), missing
    quiet = surroundings.quiet_spectrum(track)
    track = surroundings.heard_passband(quiet, track)
    hum = surroundings.additive_hum(quiet, track)
    far = surroundings.far_noise(track)
    power = track.marks.amplitude**2
    level_dbfs = 10 * math.log10(power)
    values: dict[str, Any] = {"level_dbfs": level_dbfs}
    if hum.dbc is not None:
        values.update(hum_dbfs=hum.dbc + level_dbfs, hum_hz=hum.hz)
    if track.base.passband_from_noise:
        values["passband_hz"] = track.base.passband_hz
    recovery = _gain_recovery(far, track)
    if recovery is not None:
        values["gain_recovery_db"], values["gain_recovery_s"] = recovery
    missing = {"gain_recovery_db": "no gap after the tone to see the noise recover in"}
    modulation = sidebands.modulation(track, np.zeros(track.base.z.size, bool), ())
    if modulation is not None:
        found = sidebands.find_lines(modulation, tone_hz=track.tone_hz, additive_mains_hz=hum.mains_hz)
        clean = purity.purity(x, rate_hz, track, modulation, found.rest, found.lines, far, hum)
        values |= _own_modulation(found.lines, clean, 0.0 if far is None else (far.down or 0.0) / power)
    chain = Chain(**values)
    missing = {key: reason for key, reason in missing.items() if getattr(chain, key) is None}
    return chain, _missing(chain, "none stands above the noise") | missing


def _missing(chain: Chain, why: str) -> dict[str, str]:
    return {key: why for key, value in asdict(chain).items() if value is None}


def _own_modulation(lines: Lines, clean: Purity, additive: float) -> dict[str, Any]:
    """Lines, skirt and distortion of a clean tone; ``additive`` is the noise density over the tone's power."""
    values: dict[str, Any] = {}
    own = [b for b in lines.sidebands if b.nature != "single"]
    if own:
        values["sideband_hz"] = tuple(b.offset_hz for b in own)
        values["sideband_dbc"] = tuple(b.level_dbc for b in own)
    # both sides' additive noise lies under the skirt; what is left must stand clear of its scatter
    skirt = [(p.offset_hz, 10 ** (p.dbc_hz / 10) - additive, additive) for p in clean.skirt]
    over = [(f, 10 * math.log10(d)) for f, d, a in skirt if d > 0.25 * a and d > 0]
    if over:
        values["skirt_hz"] = tuple(f for f, _ in over)
        values["skirt_dbc_hz"] = tuple(d for _, d in over)
    if clean.thd_db is not None:
        values["thd_db"] = clean.thd_db
    if clean.rasp_dbc is not None and clean.rasp_rise_db is not None and clean.rasp_rise_db > 1.0:
        share = 1 - 10 ** (-clean.rasp_rise_db / 10)
        values["rasp_dbc"] = clean.rasp_dbc + 10 * math.log10(share)
    if clean.pm_excess_rad:
        values["pm_excess_rad"] = clean.pm_excess_rad
    return values


def _gain_recovery(far: Any, track: Track) -> tuple[float, float] | None:
    """How far the noise rises after the tone stops, and the time in which it makes nine tenths of that in decibels."""
    off_s = track.marks.off_s if not track.marks.cut_end else track.marks.off_s[:-1]
    if far is None or off_s.size == 0:
        return None
    step_s = 0.02
    step = max(1, round(step_s * far.rate_hz))
    n = far.stream.size // step
    level = (np.abs(far.stream[: n * step].reshape(n, step)) ** 2).mean(axis=1)
    on_s = np.append(track.marks.on_s, track.base.z.size / track.base.rate_hz)
    courses = []
    for off in off_s:
        gap_s = float(on_s[on_s > off].min() - off) if np.any(on_s > off) else 0.0
        first = int(off / step_s) + 2
        if gap_s > 1.0:
            courses.append(level[first : first + round(min(gap_s - 0.1, 5.0) / step_s)])
    courses = [c for c in courses if c.size > 20]
    if not courses:
        return None
    length = min(c.size for c in courses)
    course = 10 * np.log10(np.maximum(np.mean([c[:length] for c in courses], axis=0), 1e-30))
    smooth = np.convolve(course, np.ones(5) / 5, "valid")
    settled = float(np.median(course[2 * length // 3 :]))
    rise = settled - float(course[:3].mean())
    if rise < 1.0:
        return max(rise, 0.0), 0.0
    return rise, float(step_s * (2 + np.argmax(smooth > settled - 0.1 * rise)))


# --- taking it off later ---------------------------------------------------------------------------


def without_the_chains_own(m: Measurements, chain: Chain) -> Measurements:
    """The measurements less what the calibrated chain adds: powers subtracted, and what is no more than that not ours.

    Levels within 1 dB of the chain's own are the chain's; they become None with that reason.
    """
    if m.signal.kind == "none" or chain == Chain():
        return m
    taken: list[str] = []
    lines = _lines_less(m.lines, chain, taken)
    purity = _purity_less(m, chain, taken)
    signal = m.signal
    if chain.passband_hz is not None and signal.passband_limited_by == "recording":
        signal = replace(signal, passband_hz=(chain.passband_hz[0], chain.passband_hz[1]))
        signal = replace(signal, passband_limited_by="receiver")
        taken.append("passband")
    if not taken:
        return m
    step = f"the calibrated chain's own {', '.join(taken)} taken into account"
    return replace(m, lines=lines, purity=purity, signal=signal, steps_taken=(*m.steps_taken, step))


def _lines_less(lines: Lines, chain: Chain, taken: list[str]) -> Lines:
    if not chain.sideband_hz or not chain.sideband_dbc or not lines.sidebands:
        return lines
    own = np.array(chain.sideband_hz)
    kept: list[Sideband] = []
    for b in lines.sidebands:
        k = int(np.argmin(np.abs(own - b.offset_hz)))
        # the mains wanders by up to one part in a hundred
        if abs(own[k] - b.offset_hz) > 0.5 + 0.01 * b.offset_hz:
            kept.append(b)
            continue
        share = 1 - 10 ** ((chain.sideband_dbc[k] - b.level_dbc) / 10)
        if share > 1 - 1 / _SAME_LINE:
            kept.append(_fainter(b, share))
    if tuple(kept) != lines.sidebands:
        taken.append("sidebands")
    return replace(lines, sidebands=tuple(kept))


def _fainter(b: Sideband, share: float) -> Sideband:
    less, amplitude = 10 * math.log10(share), math.sqrt(share)
    return replace(
        b,
        level_dbc=b.level_dbc + less,
        level_dbc_sigma=b.level_dbc_sigma / share,
        lower_dbc=None if b.lower_dbc is None else b.lower_dbc + less,
        upper_dbc=None if b.upper_dbc is None else b.upper_dbc + less,
        am_index=b.am_index * amplitude,
        pm_index_rad=b.pm_index_rad * amplitude,
    )


def _purity_less(m: Measurements, chain: Chain, taken: list[str]) -> Purity:
    p, level = m.purity, m.signal.level_dbfs
    changes: dict[str, Any] = {}
    missing = dict(p.missing)

    def subtract(name: str, floor: str | None, own_db: float, word: str) -> None:
        measured = getattr(p, name)
        if measured is None:
            return
        share = 1 - 10 ** ((own_db - measured) / 10)
        taken.append(word)
        if share > 1 - 1 / _SAME_LINE:
            changes[name] = measured + 10 * math.log10(share)
            if getattr(p, f"{name}_sigma", None) is not None:
                changes[f"{name}_sigma"] = getattr(p, f"{name}_sigma") / share
            return
        changes[name] = changes[f"{name}_sigma"] = None
        missing[name] = f"no more than the calibrated chain's own {word}"
        if floor is not None:
            changes[floor] = max(own_db, getattr(p, floor) or own_db)

    if chain.hum_dbfs is not None and level is not None and _same_hz(p.hum_hz, chain.hum_hz):
        subtract("hum_dbc", "hum_floor_dbc", chain.hum_dbfs - level, "hum")
        if changes.get("hum_dbc", 0.0) is None:
            changes["hum_hz"] = None
            missing["hum_hz"] = missing["hum_dbc"]
    as_loud = level is None or chain.level_dbfs is None or level >= chain.level_dbfs - _LOUDER_DB
    if chain.thd_db is not None and as_loud:
        subtract("thd_db", "thd_floor_db", chain.thd_db, "distortion")
    if chain.rasp_dbc is not None:
        subtract("rasp_dbc", None, chain.rasp_dbc, "noise beside the tone")
    if chain.pm_excess_rad is not None and p.pm_excess_rad is not None:
        rest = p.pm_excess_rad**2 - chain.pm_excess_rad**2
        taken.append("phase noise")
        if rest > 0.2 * p.pm_excess_rad**2:
            changes["pm_excess_rad"] = math.sqrt(rest)
        else:
            changes["pm_excess_rad"] = changes["pm_excess_rad_sigma"] = None
            changes["pm_excess_floor_rad"] = max(chain.pm_excess_rad, p.pm_excess_floor_rad or 0.0)
            missing["pm_excess_rad"] = "no more than the calibrated chain's own phase noise"
    if chain.skirt_hz and chain.skirt_dbc_hz and p.skirt:
        own = np.interp([q.offset_hz for q in p.skirt], chain.skirt_hz, chain.skirt_dbc_hz, left=-300, right=-300)
        changes["skirt"] = tuple(
            replace(q, dbc_hz=_less(q.dbc_hz, d), pm_dbc_hz=None if q.pm_dbc_hz is None else _less(q.pm_dbc_hz, d))
            for q, d in zip(p.skirt, own.tolist(), strict=True)
        )
    return replace(p, **changes, missing=missing)


def _less(measured_db: float, own_db: float) -> float:
    """Power difference, no lower than the scatter of 0.2 of it lets be seen."""
    return measured_db + 10 * math.log10(max(1 - 10 ** ((own_db - measured_db) / 10), 0.2))


def _same_hz(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and abs(a - b) < 0.5 + 0.01 * b
