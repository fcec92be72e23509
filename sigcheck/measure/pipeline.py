"""The main path, top to bottom: one recording in, all measurements out.

Each step takes what the steps before it found, so a reader who follows `measure` from its first line
to its last has seen how the tool works.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure import carrier, drift, frequency, keying, on_air, purity, sidebands, slot, slow, spectrum
from sigcheck.measure.audio import surroundings, transmissions
from sigcheck.measure.audio.health import check_health, clipped_share
from sigcheck.measure.audio.others import other_signals, with_bus
from sigcheck.measure.copy import SLOT_THRESHOLD_DB, measure_copy
from sigcheck.measure.keyed import segmentation
from sigcheck.measure.results import (
    Bursts,
    Copy,
    Drift,
    Family,
    Health,
    Keying,
    Lines,
    Measurements,
    OnAir,
    Purity,
    Signal,
    Slot,
    not_measured_family,
    not_measured_names,
)
from sigcheck.measure.slots import company as slot_company
from sigcheck.measure.slots import path as slot_path
from sigcheck.measure.slots import values as slot_values
from sigcheck.measure.slots.sweep import MOST_DRIFT_HZ
from sigcheck.measure.slowly import results as slow_results
from sigcheck.measure.slowly import signal as slow_signal
from sigcheck.measure.tone import level, phase_jumps
from sigcheck.measure.tone.no_tone import no_tone
from sigcheck.measure.track import Baseband, Marks, Track

if TYPE_CHECKING:
    from sigcheck.plan import Plan, Sent
    from sigcheck.recording import Recording

REFERENCE_BANDWIDTH_HZ = 2500.0  # in which a signal-to-noise ratio is stated (common practice)
_SHORTEST_S = 0.25
_NO_SLOW_MODE = f"no slow mode (a four-tone slot that drifts by more than {MOST_DRIFT_HZ:.0f} Hz is not looked for)"
_MORSE_MARKS, _MORSE_MARK_S = 20, 0.5
_LED_AWAY_HZ = 0.5  # of two means over the same time: both are known to some mHz, and weighed a little differently
_PHASE_FOLLOWED_DB = 12.0  # energy of a symbol: below it the phase may slip by a cycle; the fit of all symbols does not


@dataclass(frozen=True)
class Measured:
    """The measurements and the arrays behind them (for the pictures)."""

    measurements: Measurements
    samples: NDArray[np.float32]
    track: Track | None
    spans: tuple[transmissions.Span, ...] = ()  # where the recording holds several kinds of sending


def measure(
    recording: Recording, *, channel: int | None = None, tone_hz: float | None = None, plan: Plan | None = None
) -> Measured:
    """Measure one channel of a recording.

    Parameters
    ----------
    channel : counted from 0; None takes the one with the strongest tone.
    tone_hz : look for the test signal within 150 Hz of here; None looks everywhere.
    plan : what was meant to be sent; it sharpens, it is never taken for a measurement.

    Raises
    ------
    RecordingError : there is no such channel.
    """
    channel, x, survey, found = _channel_with_the_signal(recording, channel, tone_hz)
    rate = recording.sample_rate_hz
    health, rails = check_health(x, rate, bits=recording.bits, lossy=recording.lossy)
    steps = recording.steps
    if recording.n_channels > 1:
        steps = (*steps, f"channel {channel} of {recording.n_channels} taken")
    common = {
        "channel": channel,
        "channels": recording.n_channels,
        "sample_rate_hz": rate,
        "duration_s": recording.duration_s,
        "steps_taken": steps,
    }
    sent = plan.main if plan is not None else None
    slowly: slow_signal.SlowKeying | None = None
    unread: str | None = None
    keyed_marks = None if isinstance(found, carrier.NotFound) else segmentation.segment(found)
    slots, looked = None, False
    near: tuple[slot_company.NearCarrier, ...] = ()
    if not (keyed_marks is not None and _plainly_morse(keyed_marks, sent)):
        slots = slot.find(survey, near_hz=tone_hz, symbols=sent.symbols if sent else None)
        looked = tone_hz is None  # so everywhere
    spans = transmissions.spans(survey, lambda: _slot_times(survey, slots, looked))
    if slots is not None and slot_path.is_ours(slots, found, sent.keying if sent else None):
        ours, stray = slots, slots.others
        near = slot_company.carriers_beside(slots)
        base, path_hz = slot_path.baseband(slot_company.without_carriers(survey, near), slots)
        marks = slot_path.marks(base, slots)
    elif isinstance(found, carrier.NotFound):
        slowly = slow.search(survey, plan)
        if slowly is None:
            return Measured(_nothing(health, found.reason, common), x, None, spans)
        ours, stray = None, slots.ours + slots.others if slots is not None else ()
        base, path_hz, marks = slow_results.as_steady(survey, slowly)
    else:
        ours, stray = None, slots.ours + slots.others if slots is not None else ()
        assert keyed_marks is not None  # it was found
        base, path_hz, marks = found, found.path_hz, keyed_marks
        read = slow.find(survey, base, marks, plan)
        if isinstance(read, slow_signal.Refused):
            unread = read.reason
        else:
            slowly = read
        if slowly is None:
            slowly = slow.find_beside(survey, base, plan)
        if slowly is not None and slow.betters(slowly, marks):
            base, path_hz, marks = slow_results.as_steady(survey, slowly)
    shifted = slowly if slowly is not None and slowly.mode != "qrss" else None
    if not marks.settled.any():
        return Measured(_nothing(health, "no key-down stretch is long enough to measure", common), x, None, spans)
    track = frequency.refine(base, marks)

    quiet = surroundings.quiet_spectrum(track)
    track = surroundings.heard_passband(quiet, track)
    received = replace(track, base=replace(track.base, path_hz=path_hz), known_cells=())  # with the tones of a slot
    hum = surroundings.additive_hum(quiet, received)
    far = surroundings.far_noise(received if shifted is None else slow_results.about_middle(received, shifted))
    course = surroundings.noise_course(far)
    modulation = sidebands.modulation(
        track, surroundings.disturbed(course, track), () if ours else surroundings.additive_lines(quiet, track)
    )
    if modulation is None:
        lines, rest = _no_lines("no key-down stretch is long enough to measure modulation in"), None
    else:
        seen = sidebands.find_lines(modulation, tone_hz=track.tone_hz, additive_mains_hz=hum.mains_hz)
        lines, rest = seen.lines, seen.rest
        lines = replace(lines, spurs=sidebands.single_spurs(seen.singles, track.tone_hz))
    others, other_floor = other_signals(quiet, survey, received, hum, lines, far)
    if slots is not None:
        places = (*slots.copies, *(hz for one in stray for hz in one.been_hz), *(one.hz for one in near))
        beside = slot_company.as_others(near, marks.amplitude**2)
        stations = slot_path.other_stations(stray, marks.amplitude**2)
        others = (*slot_path.without_slots(others, places), *stations, *beside)
    if shifted is not None:
        others = slow_results.without_own_tones(others, shifted)
    lines = with_bus(replace(lines, others=others, other_floor_dbc=other_floor))
    lines = surroundings.sort_out(lines, quiet, received)
    if ours is not None or shifted is not None:
        lines = slot_path.without_smeared(lines, track.tone_hz, hum.mains_hz)

    clean = purity.purity(x, rate, track, modulation, rest, lines, far, hum)
    lines = surroundings.less_voice(lines, clean.voice_dbc)
    if ours is not None:
        clean = slot_path.without_neighbours(clean, lines, track.tone_hz)
    bursts = surroundings.bursts(far, course, track, health.bits_used)
    if shifted is None:
        keyed = keying.measure_keying(track, far, lossy=recording.lossy)
    else:
        keyed = slow_results.measure_keying(shifted)
    if slowly is not None and shifted is None:
        keyed = slow_results.without_unseen_edges(keyed, slowly)
    if unread is not None and slowly is None:
        keyed = slow_results.unread(keyed, unread)
    moved = drift.measure_drift(track)
    if slowly is not None:
        moved = slow_results.by_frequencies(moved, slowly, marks)
    followed = shifted is None and (ours is None or ours.main.phase_is_clear)
    breaks = phase_jumps.phase_breaks(track) if followed else ()
    dropouts = (*health.dropouts, *breaks)
    clipped = clipped_share(rails, marks.on_s, marks.off_s, rate)
    health = replace(health, clipped_fraction=clipped, dropouts=dropouts, missing=_without(health, "clipped_fraction"))
    signal = _signal(track, far) if ours is None else _slot_signal(ours, _signal(track, far))
    if ours is None and shifted is None and (why := no_tone(clean, signal)) is not None:
        return Measured(_nothing(health, why, common), x, None, spans)
    if shifted is not None:
        signal = slow_results.as_shifted(signal, shifted)
        timed = slow_results.measure_slot(shifted, moved)
    elif ours is not None:
        timed = _slot(ours, track, plan, recording)
    else:
        timed = slow_results.slot_of_keying(keyed, marks, moved, slowly) or not_measured_family(Slot, _NO_SLOW_MODE)
    return Measured(
        Measurements(
            health=health,
            signal=signal,
            purity=clean,
            lines=lines,
            bursts=bursts,
            keying=keyed,
            drift=moved,
            slot=timed,
            on_air=on_air.on_air(signal, timed, keyed, plan, recording),
            copy=measure_copy(
                signal, keyed, moved, timed, ours, track=track, slot_threshold_db=_slot_threshold_db(plan)
            ),
            **common,  # type: ignore[arg-type]
        ),
        x,
        track,
        spans,
    )


def _slot_times(s: spectrum.Survey, found: slot.Found | None, looked: bool) -> tuple[tuple[float, float], ...]:
    """Begin and end of each transmission of the strongest slot station, looked for if that was not done."""
    found = found if looked or found is not None else slot.find(s)
    return () if found is None else tuple((one.begin_s, one.end_s) for one in found.ours)


def _plainly_morse(marks: Marks, sent: Sent | None) -> bool:
    """Whether what was found is keyed so often and so briefly that no slot need be looked for beneath it.

    A slot is never keyed, and the stronger signal is ours; its symbols last 0.68 s.
    """
    if sent is not None and sent.keying == "four-tone":
        return False
    lengths = marks.off_s - marks.on_s
    return marks.keyed and lengths.size >= _MORSE_MARKS and float(np.median(lengths)) < _MORSE_MARK_S


def _channel_with_the_signal(
    recording: Recording, channel: int | None, tone_hz: float | None
) -> tuple[int, NDArray[np.float32], spectrum.Survey, Baseband | carrier.NotFound]:
    """The channel asked for, or the one whose test signal is strongest (the first where none has any)."""
    candidates = range(recording.n_channels) if channel is None else [channel]
    best: tuple[float, int, NDArray[np.float32], spectrum.Survey, Baseband | carrier.NotFound] | None = None
    seen: list[NDArray[np.float32]] = []
    for k in candidates:
        x = recording.channel(k)
        if any(np.array_equal(x, other) for other in seen):
            continue  # a mono signal recorded in stereo
        survey, found = _search(x, recording.sample_rate_hz, tone_hz)
        strength = -1.0 if isinstance(found, carrier.NotFound) else carrier.strength(found)
        if best is None or strength > best[0]:
            best = (strength, k, x, survey, found)
        seen = [x] if len(seen) > 8 else [*seen, x]
    assert best is not None  # a recording has at least one channel
    return best[1:]


def _search(
    x: NDArray[np.float32], rate_hz: float, tone_hz: float | None
) -> tuple[spectrum.Survey, Baseband | carrier.NotFound]:
    top = spectrum.AUDIO_TOP_HZ if tone_hz is None else max(spectrum.AUDIO_TOP_HZ, 1.5 * tone_hz)
    survey = spectrum.survey(x, rate_hz, top_hz=min(top, rate_hz / 2))
    if x.size < _SHORTEST_S * rate_hz:
        return survey, carrier.NotFound(
            f"{x.size / rate_hz:.3f} s is too short to find a signal in: record 20 s or more"
        )
    return survey, carrier.find(survey, tone_hz=tone_hz, top_hz=0.48 * rate_hz)


def _signal(track: Track, far: surroundings.FarNoise | None) -> Signal:
    base, marks = track.base, track.marks
    missing: dict[str, str] = {}
    additive = far.additive if far is not None else None
    density = base.noise_density if additive is None else additive
    samples = far.down_samples if far is not None else 0
    power = surroundings.tone_power(track)
    cn0 = 10 * np.log10(max(power, 1e-30) / max(density, 1e-30))
    # the median of n exponential samples scatters by 1/(ln 2 sqrt(n)) of itself; the band's ripple by a decibel
    sigma = float(np.hypot(4.343 / (np.log(2.0) * np.sqrt(max(samples, 25) / 4)), 0.5))
    first, last = float(marks.on_s[0]), float(marks.off_s[-1])
    keyed_time = float((marks.off_s - marks.on_s).sum())
    swing = level.level_swing(track, density)
    missing |= swing.missing
    if track.tone_missing is not None:
        missing["tone_hz"] = track.tone_missing
    return Signal(
        kind="keyed" if marks.keyed else "steady",
        tone_hz=None if track.tone_missing else track.tone_hz,
        tone_hz_sigma=None if track.tone_missing else track.tone_hz_sigma,
        snr_db=float(cn0 - 10 * np.log10(REFERENCE_BANDWIDTH_HZ)),
        snr_db_sigma=sigma,
        cn0_dbhz=float(cn0),
        cn0_dbhz_sigma=sigma,
        key_down_fraction=min(1.0, keyed_time / max(last - first, 1e-9)),
        present_s=(first, last),
        level_dbfs=float(10 * np.log10(max(power, 1e-30))),
        passband_hz=base.passband_hz,
        passband_limited_by="receiver" if base.passband_from_noise else "recording",
        level_range_db=swing.range_db,
        flutter_db=swing.flutter_db,
        missing=missing,
    )


def _slot_signal(ours: slot.Found, signal: Signal) -> Signal:
    """The signal of a four-tone slot: its middle is known from the symbols where the phase is lost."""
    one = ours.main
    cn0, sigma = one.cn0_dbhz
    signal = replace(
        signal,
        kind="four-tone",
        key_down_fraction=1.0,
        cn0_dbhz=cn0,
        cn0_dbhz_sigma=sigma,
        snr_db=cn0 - float(10 * np.log10(REFERENCE_BANDWIDTH_HZ)),
        snr_db_sigma=sigma,
    )
    followed = one.fit.together > 1 and one.fit.energy_db > _PHASE_FOLLOWED_DB
    # what is strong beside the slot can lead the phase away, and not the symbols
    middle_hz = np.average([o.centre_hz for o in ours.ours], weights=[o.end_s - o.begin_s for o in ours.ours])
    led_away = abs((signal.tone_hz or 0.0) - float(middle_hz)) > _LED_AWAY_HZ
    if signal.tone_hz is not None and signal.tone_hz_sigma is not None and followed and not led_away:
        return replace(signal, tone_hz_sigma=float(np.hypot(signal.tone_hz_sigma, one.steady_doubt_hz)))
    missing = _without(signal, "tone_hz")
    return replace(signal, tone_hz=one.centre_hz, tone_hz_sigma=one.centre_hz_sigma, missing=missing)


def _slot(ours: slot.Found, track: Track, plan: Plan | None, recording: Recording) -> Slot:
    return slot_values.measure_slot(
        ours,
        symbols=plan.main.symbols if plan is not None else None,
        start_utc=recording.start_utc,
        repeat_s=plan.timing.repeat_s if plan is not None else None,
        passband_hz=track.base.passband_hz,
    )


def _slot_threshold_db(plan: Plan | None) -> float:
    """Signal that a perfect slot needs, in 2500 Hz: a plan may set it as it sets the limits of symptoms."""
    _, fault = plan.limits.get("copy-slot", (None, None)) if plan is not None else (None, None)
    return SLOT_THRESHOLD_DB if fault is None else fault


def _without(family: Family, *names: str) -> dict[str, str]:
    return {k: v for k, v in family.missing.items() if k not in names}


def _no_lines(reason: str) -> Lines:
    return not_measured_family(Lines, reason)


def _nothing(health: Health, reason: str, common: dict[str, object]) -> Measurements:
    """All families, explained by the one reason that there is no signal."""
    why = f"no signal: {reason}"
    health = replace(health, missing={**health.missing, "clipped_fraction": why})
    return Measurements(
        health=health,
        signal=Signal(kind="none", missing={**not_measured_names(Signal, why), "kind": reason}),
        purity=not_measured_family(Purity, why),
        lines=_no_lines(why),
        bursts=not_measured_family(Bursts, why),
        keying=not_measured_family(Keying, why),
        drift=not_measured_family(Drift, why),
        slot=not_measured_family(Slot, why),
        on_air=not_measured_family(OnAir, why),
        copy=not_measured_family(Copy, why),
        **common,  # type: ignore[arg-type]
    )
