"""What measuring yields: one frozen dataclass per family of the result.

Every number carries its unit in its name. An estimate that a decision rests on has its standard
uncertainty beside it as ``NAME_sigma``. What could not be measured is ``None``, and then the
family's ``missing`` maps the field's name to the reason in plain words ("no key-up stretch to
hear the noise in"). A field is never 0, NaN or infinite because something was not measured.

Levels in dBc are powers relative to the key-down carrier. Times are seconds from the first
sample of the recording.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Literal, TypeVar

Kind = Literal["none", "steady", "keyed", "shifted", "four-tone"]
Nature = Literal["amplitude", "angle", "mixed", "single"]
LineFamily = Literal["mains", "twice-mains", "switching"]
SpurWhen = Literal["key-down", "key-up", "always"]
_F = TypeVar("_F", bound="Family")
SlotKind = Literal["four-tone", "qrss", "fskcw", "dfcw"]
DriftModel = Literal["constant", "linear", "warm-up", "steps", "cyclic", "random"]


@dataclass(frozen=True, kw_only=True)
class Family:
    """Base of the measured families.

    ``missing`` maps the name of each field that is ``None`` to the reason.
    """

    missing: Mapping[str, str] = field(default_factory=dict)

    def unexplained(self) -> list[str]:
        """Names of fields that are None without a reason (a defect: the tests check it)."""
        return [
            f.name
            for f in fields(self)
            if f.name != "missing"
            and getattr(self, f.name) is None
            and f.name not in self.missing
            and f.name.removesuffix("_sigma") not in self.missing
        ]


@dataclass(frozen=True, kw_only=True)
class Dropout:
    """A missing or repeated stretch of the recording."""

    time_s: float
    length_s: float
    how: Literal["zeros", "held", "repeat", "phase-break"]


@dataclass(frozen=True, kw_only=True)
class Health(Family):
    """The recording itself, before any signal is looked for (one channel of it)."""

    peak_dbfs: float | None = None  # largest |sample| relative to full scale
    rms_dbfs: float | None = None  # 0 dBFS: the rms of a full-scale sine (AES17 convention)
    dc_fraction: float | None = None  # mean / full scale
    rail_low: float | None = None  # value at which the waveform is held, if it is held anywhere
    rail_high: float | None = None
    railed_fraction: float | None = None  # share of all samples held at the rails
    clipped_fraction: float | None = None  # share of key-down samples held at the rails
    silent_fraction: float | None = None  # share of time with digital silence (constant samples)
    bits_used: int | None = None  # resolution of the sample values actually used (None: float or lossy)
    dropouts: tuple[Dropout, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Signal(Family):
    """The test signal that was found."""

    kind: Kind
    tone_hz: float | None = None
    tone_hz_sigma: float | None = None
    snr_db: float | None = None  # key-down carrier power / noise power in 2500 Hz
    snr_db_sigma: float | None = None
    cn0_dbhz: float | None = None
    cn0_dbhz_sigma: float | None = None
    key_down_fraction: float | None = None  # key-down time / time from first to last key-down
    present_s: tuple[float, float] | None = None  # from first key-down to last key-up
    level_dbfs: float | None = None  # 0 dBFS: a full-scale sine
    passband_hz: tuple[float, float] | None = None
    passband_limited_by: Literal["receiver", "recording"] | None = None
    level_range_db: float | None = None  # 5..95 % range of the key-down level over 0.2 s
    flutter_db: float | None = None  # rms of the key-down level within 0.2 s, additive noise removed


@dataclass(frozen=True, kw_only=True)
class Harmonic:
    """One harmonic of the tone in the audio; ``after_filter``: above the passband, so made after it."""

    order: int
    dbc: float
    dbc_sigma: float
    after_filter: bool


@dataclass(frozen=True, kw_only=True)
class SkirtPoint:
    """Noise density beside the tone at +-offset (mean of both sides), lines removed."""

    offset_hz: float
    dbc_hz: float
    am_dbc_hz: float | None
    pm_dbc_hz: float | None


@dataclass(frozen=True, kw_only=True)
class Purity(Family):
    """How clean the tone is while the key is down."""

    sinad_db: float | None = None
    thd_db: float | None = None
    thd_db_sigma: float | None = None
    thd_floor_db: float | None = None  # the THD that noise would still have let through
    harmonics: tuple[Harmonic, ...] = ()
    even_dbc: float | None = None  # sum of even harmonics
    odd_dbc: float | None = None  # sum of odd harmonics from the third
    after_filter_dbc: float | None = None  # sum of the harmonics beyond the passband
    flat_top_share: float | None = None  # share of a cycle spent within 2 % of its extremes, over the sine's 0.128
    tops: Literal["flat", "soft"] | None = None  # what the harmonics say of the stage that bends the wave
    intermod_dbc: float | None = None  # stronger third-order product of the tone and another signal
    intermod_dbc_sigma: float | None = None
    intermod_hz: float | None = None
    intermod_floor_dbc: float | None = None  # the product that noise would have hidden
    am_percent: float | None = None
    am_percent_sigma: float | None = None
    pm_rad: float | None = None
    pm_rad_sigma: float | None = None
    fm_hz: float | None = None
    am_excess_percent: float | None = None
    am_excess_percent_sigma: float | None = None
    pm_excess_rad: float | None = None
    pm_excess_rad_sigma: float | None = None
    pm_excess_floor_rad: float | None = None  # the excess that additive noise would have hidden
    skirt: tuple[SkirtPoint, ...] = ()
    rasp_dbc: float | None = None
    rasp_dbc_sigma: float | None = None
    rasp_rise_db: float | None = None
    rasp_rise_db_sigma: float | None = None
    rasp_angle_share: float | None = None  # share of angle in the rasp beyond additive noise
    mains_hz: float | None = None
    mains_hz_sigma: float | None = None
    hum_dbc: float | None = None
    hum_dbc_sigma: float | None = None
    hum_hz: float | None = None  # frequency of that strongest additive mains line
    hum_floor_dbc: float | None = None
    voice_dbc: float | None = None  # speech- or music-like modulation on or beside the tone
    voice_floor_dbc: float | None = None  # the level at which speech would most likely have been heard


@dataclass(frozen=True, kw_only=True)
class Sideband:
    """One modulation line (a pair, or a single side) about the tone while the key is down."""

    offset_hz: float
    level_dbc: float
    level_dbc_sigma: float
    lower_dbc: float | None
    upper_dbc: float | None
    am_index: float
    pm_index_rad: float
    angle_share: float
    nature: Nature
    family: LineFamily | None
    order: int | None = None  # harmonic number within its family's fundamental


@dataclass(frozen=True, kw_only=True)
class Spur:
    """A line in the audio that is neither the tone, its harmonics nor of the mains families."""

    frequency_hz: float
    level_dbc: float
    when: SpurWhen


@dataclass(frozen=True, kw_only=True)
class OtherSignal:
    """Another carrier or keyed signal in the passband."""

    frequency_hz: float
    level_dbc: float
    keyed: bool
    dips_with_ours: bool | None
    same_lines: bool | None
    drifts_with_ours: bool | None = None


@dataclass(frozen=True, kw_only=True)
class Lines(Family):
    """All lines: modulation about the tone, spurs, other carriers."""

    sidebands: tuple[Sideband, ...] = ()
    sideband_floor_dbc: float | None = None  # level per side above which a line would have been seen
    mains_hz: float | None = None  # fundamental of the mains families in the sidebands
    mains_hz_sigma: float | None = None
    switching_hz: float | None = None  # fundamental of the other family
    bus_hz: float | None = None  # spacing of a comb of carriers in the audio at exact multiples of 1 kHz
    bus_dbc: float | None = None  # its strongest line
    spurs: tuple[Spur, ...] = ()
    others: tuple[OtherSignal, ...] = ()
    other_floor_dbc: float | None = None
    blind_hz: tuple[float, ...] = ()  # offsets where keying or the mains grid hides a line
    blind_zones_hz: tuple[tuple[float, float], ...] = ()  # from and to: lines there can't be told from the keying's


@dataclass(frozen=True, kw_only=True)
class Bursts(Family):
    """Impulsive noise and the gain control, heard in the noise."""

    burst_over_floor_db: float | None = None  # typical level of bursts in 1 ms over the noise floor
    burst_time_fraction: float | None = None
    burst_rate_hz: float | None = None  # None with reason "random" where no rate stands out
    gain_recovery_db: float | None = None  # rise of the noise through key-up: the gain control's swing
    gain_recovery_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Keying(Family):
    """The keying envelope. All fields are None for a steady signal."""

    text: str | None = None
    text_confidence: float | None = None  # mean probability of the characters
    character_confidence: tuple[float, ...] = ()
    other_readings: tuple[str, ...] = ()  # what else it may say: shifted keying that may be upside down
    n_elements: int | None = None
    dit_s: float | None = None
    dit_s_sigma: float | None = None
    wpm: float | None = None
    wpm_sigma: float | None = None
    dah_dit_ratio: float | None = None
    dah_dit_ratio_sigma: float | None = None
    weighting: float | None = None
    weighting_sigma: float | None = None
    element_jitter: float | None = None
    element_jitter_sigma: float | None = None
    rise_s: float | None = None
    rise_s_sigma: float | None = None
    fall_s: float | None = None
    fall_s_sigma: float | None = None
    rise_limit_s: float | None = None
    overshoot_db: float | None = None
    overshoot_db_sigma: float | None = None
    droop_db: float | None = None
    droop_db_sigma: float | None = None
    chirp_hz: float | None = None
    chirp_hz_sigma: float | None = None
    chirp_settle_s: float | None = None
    chirp_settle_s_sigma: float | None = None
    broken_starts: float | None = None  # share of elements that open again within their first third
    backwave_db: float | None = None
    backwave_db_sigma: float | None = None
    backwave_floor_db: float | None = None  # the backwave that noise would have hidden
    backwave_decay_db_per_s: float | None = None  # by which it falls through the gaps: an echo does, a leak stays
    backwave_decay_db_per_s_sigma: float | None = None
    occupied_bandwidth_hz: float | None = None
    occupied_bandwidth_hz_sigma: float | None = None
    bandwidth_26db_hz: float | None = None
    necessary_bandwidth_hz: float | None = None
    designator: str | None = None
    click_dbc: float | None = None  # energy beyond +-5 dit rates relative to the keyed signal's


@dataclass(frozen=True, kw_only=True)
class Step:
    """One frequency jump."""

    time_s: float
    size_hz: float
    size_hz_sigma: float
    time_s_sigma: float | None = None


@dataclass(frozen=True, kw_only=True)
class StabilityPoint:
    """Overlapping Allan deviation of the tone (Hz, not fractional) at one averaging time."""

    tau_s: float
    adev_hz: float
    low_hz: float | None  # 68 % interval
    high_hz: float | None


@dataclass(frozen=True, kw_only=True)
class TrackPoint:
    """Frequency of the tone around one time."""

    time_s: float
    hz: float
    hz_sigma: float


@dataclass(frozen=True, kw_only=True)
class Drift(Family):
    """Frequency against time over the recording."""

    rate_hz_per_min: float | None = None
    rate_hz_per_min_sigma: float | None = None
    total_hz: float | None = None  # last minus first of the fitted model over the key-down time
    total_hz_sigma: float | None = None
    model: DriftModel | None = None
    time_constant_s: float | None = None
    time_constant_s_sigma: float | None = None
    steps: tuple[Step, ...] = ()
    equal_steps: bool | None = None
    cycle_s: float | None = None
    cycle_s_sigma: float | None = None
    cycle_peak_hz: float | None = None
    cycle_peak_hz_sigma: float | None = None
    repeats_each_transmission: bool | None = None
    allan: tuple[StabilityPoint, ...] = ()
    track: tuple[TrackPoint, ...] = ()
    fit_hz: tuple[float, ...] = ()  # the model at the track's times
    fit_hz_sigma: tuple[float, ...] = ()  # its own uncertainty there; empty for a random course


@dataclass(frozen=True, kw_only=True)
class SlotHeard:
    """One four-tone transmission of several; levels and symbols compared with the main one."""

    start_s: float  # of the first symbol, heard or not, from the first sample
    start_s_sigma: float
    tone_hz: float
    tone_hz_sigma: float
    level_db: float
    energy_db: float  # of a symbol over the noise density
    drift_hz: float
    drift_hz_sigma: float
    complete: bool
    symbol_differences: int
    same_symbols: bool | None  # None: too few in common


@dataclass(frozen=True, kw_only=True)
class Slot(Family):
    """A transmission of a slow mode: very slow keying by level or by frequency, or a four-tone slot.

    Text and dit of the slow-keyed modes are in `Keying`.
    """

    kind: SlotKind | None = None
    start_offset_s: float | None = None  # four-tone: start of the first symbol; slow: of the first element
    start_offset_s_sigma: float | None = None  # without the start time's own uncertainty
    start_offset_from: Literal["slot", "recording"] | None = None  # slot boundary in UTC, or the first sample
    symbol_s: float | None = None
    symbol_s_sigma: float | None = None
    tone_spacing_hz: float | None = None
    tone_spacing_hz_sigma: float | None = None
    shift_hz: float | None = None  # upper minus lower tone of shifted keying; negative where mark is below space
    shift_hz_sigma: float | None = None
    symbols: tuple[int, ...] = ()  # tone of each symbol heard, 0 is the lowest
    symbol_errors: int | None = None  # differences from the plan's symbols
    first_symbol: int | None = None  # place of the first of `symbols` among the 162
    expected_symbol_errors: float | None = None  # symbols that noise alone makes wrong
    symbol_clarity: float | None = None  # mean share of a symbol's energy in its own tone, noise removed
    symbol_clarity_sigma: float | None = None
    coherent_symbols: int | None = None  # over so many the phase runs on: 1 where it starts afresh, 32 at most
    frequency_spread_hz: float | None = None
    frequency_spread_hz_sigma: float | None = None
    drift_hz: float | None = None  # end minus start of the transmission
    drift_hz_sigma: float | None = None
    complete: bool | None = None
    same_symbols: bool | None = None  # whether all transmissions heard carry the same symbols
    heard: tuple[SlotHeard, ...] = ()  # each four-tone transmission of ours


@dataclass(frozen=True, kw_only=True)
class Ticks(Family):
    """Second pulses of a time-signal station, and the recorder's clock by them."""

    offset_s: float | None = None  # position of the first second boundary in the recording
    offset_s_sigma: float | None = None
    minute_at_s: float | None = None
    sample_rate_error_ppm: float | None = None  # positive: more samples than the nominal rate
    sample_rate_error_ppm_sigma: float | None = None
    ticks_used: int | None = None
    scatter_s: float | None = None  # of single ticks about the fitted seconds: noise, and the path


@dataclass(frozen=True, kw_only=True)
class OnAir(Family):
    """Where and when the signal is on the air, by the plan's dial, sideband, calibrations and start time."""

    carrier_hz: float | None = None
    carrier_hz_sigma: float | None = None
    error_hz: float | None = None
    error_hz_sigma: float | None = None
    error_ppm: float | None = None
    error_ppm_sigma: float | None = None
    corrected_reference_hz: float | None = None
    corrected_reference_hz_sigma: float | None = None
    clock_correction_s: float | None = None  # to add to the transmitter's clock
    clock_correction_s_sigma: float | None = None


@dataclass(frozen=True, kw_only=True)
class Copy(Family):
    """Whether it would be copied, and how much weaker it could get."""

    text_confidence: float | None = None
    margin_db: float | None = None  # dB weaker before the copy breaks
    margin_db_sigma: float | None = None
    penalty_db: float | None = None  # dB lost against a perfect signal of the same mode
    penalty_db_sigma: float | None = None


def not_measured_family(family: type[_F], reason: str) -> _F:
    """A family of which nothing was measured, for one reason."""
    return family(missing=not_measured_names(family, reason))


def not_measured_names(family: type[Family], reason: str) -> dict[str, str]:
    """``missing`` of such a family."""
    return {f.name: reason for f in fields(family) if f.name != "missing" and f.default is None}


@dataclass(frozen=True, kw_only=True)
class Measurements:
    """Everything measured on one channel of one recording, in the order of the pipeline."""

    health: Health
    signal: Signal
    purity: Purity
    lines: Lines
    bursts: Bursts
    keying: Keying
    drift: Drift
    slot: Slot = field(default_factory=lambda: not_measured_family(Slot, "no slow mode"))
    on_air: OnAir = field(default_factory=lambda: not_measured_family(OnAir, "the plan does not say"))
    copy: Copy = field(default_factory=lambda: not_measured_family(Copy, "not looked for"))
    channel: int = 0
    channels: int = 1
    sample_rate_hz: float = 0.0
    duration_s: float = 0.0
    steps_taken: tuple[str, ...] = ()  # what was done to the samples ("channel 2 of 2 taken", ...)

    def families(self) -> dict[str, Family]:
        """The families by name, in pipeline order."""
        out: dict[str, Family] = {}
        for f in fields(self):
            value: Any = getattr(self, f.name)
            if isinstance(value, Family):
                out[f.name] = value
        return out
