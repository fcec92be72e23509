"""How much weaker the signal could get before the copy breaks, and what its own faults cost.

Each mode has a receiver by the book: matched filters for one symbol or dit, energies, no phase from
one to the next. The energy that it needs is a constant below. The *margin* is how many decibels
weaker the signal could get, the *penalty* how many of them a perfect signal of the same power and
mode would have more.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from sigcheck.measure import weakened
from sigcheck.measure.results import Copy, Drift, Keying, Signal, Slot, not_measured_names
from sigcheck.measure.slot import Found, Transmission
from sigcheck.measure.slots.protocol import SYMBOL_S
from sigcheck.measure.slots.receiver import NominalEnergies, nominal_energies, whole_power
from sigcheck.measure.track import Real, Track

SLOT_THRESHOLD_DB = -29.0
"""Signal in 2500 Hz at which a perfect four-tone slot is just taken: common practice, no source."""
DIT_THRESHOLD_DB = 11.5
"""Energy of a dit over the noise density at which 5 % of the characters are wrong for a receiver told the timing.

Simulated: units of Morse by noncoherent matched filters, the likeliest runs of 1, 3 and 7 units taken
(in 2500 Hz: -12.5 dB at 12 WPM, -10.3 dB at 20 WPM)."""
READ_THRESHOLD_DB = 13.6
"""The same for one that finds marks and gaps in the noise by itself, and knows the speed and the strength alone.

Simulated with :mod:`sigcheck.measure.weakened`: perfect keying of random letters and figures, 12 to 25 WPM."""
SLOW_DIT_THRESHOLD_DB = 12.0
"""The same for very slow keying, read by eye: common practice, no source."""
REFERENCE_DB = 10 * np.log10(2500.0)

# Scatter of the elements' lengths that costs so many dB, the third power of it in between: simulated,
# elements read by units of a dit that are set right every third element.
_JITTER = 0.16
_JITTER_DB = 2.0
_LEVEL_DOUBT_DB = 0.3  # of signal over noise density, as the noise beside is not quite that under the signal
_THRESHOLD_DOUBT_DB = 0.5  # of a threshold found by simulation: where 5 % lie between two steps of it
_MOST_PENALTY_DB = 20.0
_MOST_GUESSED_DB = 6.0  # of penalty to begin the trials with
_NEAR_DB = 2.0  # of the guess: the noise that is there already is most of what would be added
_FISTS_DOUBT = 0.03  # of characters by hand, that are right nevertheless (keying with 15 % scatter); more are wrong
_LEAST_WRONG = 0.015  # of the characters that noise must spoil before the copy counts as broken
_SOFTENED = (1.0, 0.4, 0.15, 0.05)
_NOT_TEXT = "a slot is not read as text"


def measure_copy(
    signal: Signal,
    keying: Keying,
    drift: Drift,
    slot: Slot,
    found: Found | None,
    *,
    track: Track | None = None,
    slot_threshold_db: float = SLOT_THRESHOLD_DB,
) -> Copy:
    """Confidence in the text, margin and penalty of the signal's own mode.

    Parameters
    ----------
    found : the four-tone slots, where the signal is one.
    track : the keyed signal, to be made weaker and read again.
    slot_threshold_db : signal in 2500 Hz that a perfect slot needs.
    """
    if found is not None:
        return _slot_copy(found.main, slot_threshold_db)
    missing = not_measured_names(Copy, "a steady carrier holds nothing to copy")
    text = keying.text_confidence
    if signal.kind == "steady":
        return Copy(missing=missing)
    if text is None:
        missing = {**missing, "text_confidence": keying.missing.get("text_confidence", "no text was read")}
    if keying.dit_s is None or signal.cn0_dbhz is None:
        why = keying.missing.get("dit_s", signal.missing.get("cn0_dbhz", "the length of a dit is not known"))
        missing = {name: why for name in missing} | {"text_confidence": missing["text_confidence"]}
        return Copy(text_confidence=text, missing=missing if text is None else _without_text(missing))
    energy = signal.cn0_dbhz + 10 * float(np.log10(keying.dit_s))
    level_sigma = signal.cn0_dbhz_sigma or 0.5
    if slot.kind is not None:
        penalty, penalty_sigma = _slow_penalty(keying.dit_s, drift, slot)
        margin = energy - SLOW_DIT_THRESHOLD_DB - penalty
        sigma = float(np.sqrt(level_sigma**2 + penalty_sigma**2 + _THRESHOLD_DOUBT_DB**2))
    else:
        needed, penalty_sigma = _needed_db(keying, track, energy)
        margin, penalty = energy - needed, float(np.clip(needed - READ_THRESHOLD_DB, 0.0, _MOST_PENALTY_DB))
        sigma = float(np.hypot(level_sigma, penalty_sigma))
    return Copy(
        text_confidence=text,
        margin_db=margin,
        margin_db_sigma=sigma,
        penalty_db=penalty,
        penalty_db_sigma=penalty_sigma,
        missing={"text_confidence": missing["text_confidence"]} if text is None else {},
    )


def _without_text(missing: dict[str, str]) -> dict[str, str]:
    return {name: why for name, why in missing.items() if name != "text_confidence"}


# --- four-tone slots ---------------------------------------------------------------------------


def _slot_copy(one: Transmission, threshold_db: float) -> Copy:
    """Margin by the information that a receiver of nominal spacing and length, not tuned, would have.

    Soft decisions between a symbol's two possible tones, as the fixed bits leave them, give
    R = 1 - log2(1 + B) bits that a decoder can use, B the Bhattacharyya coefficient of two noncoherent
    energies. Fading, missing symbols and energy in wrong tones lower the mean of R; the signal copies
    as long as it is above that of a perfect one at the threshold.
    """
    energies = nominal_energies(one)
    needed = 10 ** ((threshold_db + REFERENCE_DB) / 10) * SYMBOL_S
    perfect = whole_power(one) * SYMBOL_S / one.fit.noise_density
    fades = _fades(energies.scintillation)
    margin = _slot_margin(energies, fades, needed)
    best = 10 * float(np.log10(max(perfect / needed, 1e-10)))
    if margin is None or best - margin > _MOST_PENALTY_DB:
        why = f"a receiver for this mode takes nothing of it even {_MOST_PENALTY_DB:.0f} dB above the usual need"
        return Copy(missing={**not_measured_names(Copy, why), "text_confidence": _NOT_TEXT})
    scatter = _margin_scatter(energies, fades, margin)
    noise = float(np.sqrt((1 + 2 * perfect) / one.fit.symbols.size) / perfect * 10 / np.log(10))
    return Copy(
        margin_db=margin,
        margin_db_sigma=float(np.sqrt(scatter**2 + noise**2 + _LEVEL_DOUBT_DB**2)),
        penalty_db=max(best - margin, 0.0),
        penalty_db_sigma=float(np.hypot(scatter, noise)),
        missing={"text_confidence": _NOT_TEXT},
    )


def _bits_left(energies: NominalEnergies, fades: Real, weaker_db: float) -> Real:
    """Usable bits of each group of symbols (groups,) with all so much weaker."""
    share = 10 ** (-weaker_db / 10)
    own, other = share * energies.own, share * energies.other
    lead = float(np.mean(own - other))
    # a receiver that meets fades and wrong tones does best to trust its strong decisions less
    trials = [usable_bits(own, other, soft * lead, fades) for soft in _SOFTENED]
    return max(trials, key=lambda bits: float(bits.mean()))


def _slot_margin(energies: NominalEnergies, fades: Real, needed: float) -> float | None:
    """By how many dB these energies may all fall until their mean information is that needed."""
    goal = float(usable_bits(np.array([needed]), np.zeros(1), needed)[0])
    lead = float(np.mean(energies.own - energies.other))
    if lead <= 0:
        return None
    most = 10 * float(np.log10(lead / needed)) + 1.0
    for low in np.arange(most - 1.5, most - _MOST_PENALTY_DB - 3.0, -1.5).tolist():
        if _bits_left(energies, fades, low).mean() >= goal:
            break
    else:
        return None
    high = low + 1.5
    for _ in range(8):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _bits_left(energies, fades, middle).mean() >= goal else (low, middle)
    return float(low)


def _margin_scatter(energies: NominalEnergies, fades: Real, margin_db: float) -> float:
    """Scatter of the margin by what the groups' information scatters, through its slope."""
    here = _bits_left(energies, fades, margin_db)
    slope = float((_bits_left(energies, fades, margin_db - 0.5).mean() - here.mean()) / 0.5)
    return float(here.std(ddof=1) / np.sqrt(here.size) / max(slope, 0.02))


def _fades(scintillation: float) -> Real:
    """Factors of the energy, equally likely, mean 1, of that variance: quantiles of a gamma distribution."""
    from scipy.special import gammaincinv

    if scintillation < 0.02:
        return np.ones(1)
    shape = 1 / scintillation
    quantiles = gammaincinv(shape, (np.arange(24) + 0.5) / 24) / shape
    return np.asarray(quantiles / quantiles.mean())


def usable_bits(own: Real, other: Real, assumed: float, fades: Real | None = None) -> Real:
    """Cutoff rate in bits (n,) of a noncoherent decision between two tones, by energies over the noise density.

    R = 1 - log2(1 + E[exp(-L / 2)]), L the log likelihood ratio of the right over the wrong tone that a
    receiver forms which takes the energy for ``assumed`` (Proakis, Digital Communications, on the cutoff
    rate; from memory, not looked up). Negative where the decisions mislead.

    Parameters
    ----------
    own, other : energy on the right and on the wrong tone, without the noise.
    fades : factors of both, equally likely, that the receiver does not know.
    """
    factors = np.ones(1) if fades is None else fades
    right, wrong = _likelihood_tables()
    at = float(np.clip(_grid_place(np.array([assumed]))[0], 0, _GRID.size - 1.001))
    k, part = int(at), at - int(at)
    places = np.arange(_GRID.size)

    def mean(table: Real, energy: Real) -> Real:
        row = (1 - part) * table[k] + part * table[k + 1]
        return np.asarray(np.exp(np.interp(_grid_place(energy[..., None] * factors), places, row)).mean(axis=-1))

    return np.asarray(1 - np.log2(1 + mean(right, own) * mean(wrong, other)))


_GRID = np.concatenate([[0.0], np.geomspace(1e-2, 3e3, 80)])  # energies in the tables


def _grid_place(energy: Real) -> Real:
    """Where energies lie on the grid, counted in its steps."""
    place = 1 + np.log(np.maximum(energy, 1e-30) / _GRID[1]) / np.log(_GRID[2] / _GRID[1])
    return np.asarray(np.clip(np.where(energy < _GRID[1], energy / _GRID[1], place), 0, _GRID.size - 1))


@cache
def _likelihood_tables() -> tuple[Real, Real]:
    """Logarithms of E[I0(2 sqrt(a x))^-1/2] and of E[I0(2 sqrt(a x))^1/2], x the energy of a tone in noise.

    Shape (assumed energies a, true energies); sqrt(x) has a Rice distribution.
    """
    root = np.maximum(np.sqrt(_GRID)[:, None] + np.linspace(-5.0, 5.0, 201), 0.0)
    density = -((root - np.sqrt(_GRID)[:, None]) ** 2)  # exponentially scaled
    cross = 2 * np.sqrt(_GRID)[:, None] * root
    density = np.exp(density + _log_i0(cross) - cross) * root
    density /= density.sum(axis=1, keepdims=True)
    half = np.array([0.5 * _log_i0(2 * np.sqrt(a) * root) for a in _GRID])
    least = -half.max(axis=2, keepdims=True)
    right = np.log(np.maximum(np.sum(density * np.exp(-half), axis=2), 1e-300))
    wrong = np.log(np.sum(density * np.exp(half + least), axis=2)) - least[:, :, 0]
    return right, np.minimum(wrong, 300.0)


def _log_i0(x: Real) -> Real:
    near = np.log(np.i0(np.minimum(x, 20.0)))
    far = np.maximum(x, 20.0)
    return np.where(x < 20.0, near, far - 0.5 * np.log(2 * np.pi * far) + 1 / (8 * far))


# --- keying ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Loss:
    """A part of the penalty in dB, and its sigma."""

    db: float
    sigma: float

    @classmethod
    def of_share(cls, share: float, sigma: float) -> _Loss:
        """Of a share of a dit's energy that goes to its neighbours: there it counts against the copy as well."""
        kept = 1 - 2 * float(np.clip(share, 0.0, 0.45))
        return cls(-10 * float(np.log10(kept)), 20 / float(np.log(10)) * min(sigma, 0.3) / kept)


def _needed_db(k: Keying, track: Track | None, energy_db: float) -> tuple[float, float]:
    """Energy of a dit over the noise density at which 5 % of the characters would be wrong, and its sigma, in dB.

    A signal well above that is made weaker and read again. Near it or below, noise has already done what can be
    tried: then the probabilities of the characters tell, or, where no text was read, the faults one by one.
    """
    penalty, penalty_sigma = _keying_penalty(k)
    guess = READ_THRESHOLD_DB + min(penalty, _MOST_GUESSED_DB)
    if k.text_confidence is None:
        return READ_THRESHOLD_DB + penalty, float(np.hypot(penalty_sigma, 2 * _THRESHOLD_DOUBT_DB))
    doubtful = 1 - k.text_confidence
    if track is not None and energy_db > guess + _NEAR_DB:
        wrong = max(0.05 - max(doubtful - _FISTS_DOUBT, 0.0), _LEAST_WRONG)
        found = weakened.breaks(track, k, wrong=wrong, guess_db=guess, most_db=energy_db)
        if found is not None:
            return found.energy_db, float(np.hypot(found.sigma_db, _THRESHOLD_DOUBT_DB))
    return energy_db - weakened.confident_db(doubtful), 2 * _THRESHOLD_DOUBT_DB


def _keying_penalty(k: Keying) -> tuple[float, float]:
    """What timing, slow edges, backwave and chirp cost a receiver that looks at one dit after the other."""
    dit_s = k.dit_s or 1.0
    jitter = k.element_jitter or 0.0
    cost = _JITTER_DB * (jitter / _JITTER) ** 3
    losses = [_Loss(cost, 3 * cost * min((k.element_jitter_sigma or 0.0) / max(jitter, 1e-6), 1.0))]
    # a mark longer by w of a dit than it should be is as bad as one shorter: the receiver's grid is the mean
    losses.append(_Loss.of_share(abs(k.weighting or 0.0), k.weighting_sigma or 0.0))
    ratio_off = abs((k.dah_dit_ratio or 3.0) - 3.0) / 4  # of a dit, shared among the two ends and with the dits
    losses.append(_Loss.of_share(ratio_off / 2, (k.dah_dit_ratio_sigma or 0.0) / 8))
    edges = 0.25 * ((k.rise_s or 0.0) + (k.fall_s or 0.0)) / dit_s  # 10..90 %: a quarter is lost to either side
    losses.append(_Loss.of_share(edges, 0.0))
    if k.backwave_db is not None:
        left = 1 - 10 ** (min(k.backwave_db, -3.0) / 20)
        losses.append(_Loss(-20 * float(np.log10(left)), 0.1))
    if k.chirp_hz is not None:
        settle_s = k.chirp_settle_s if k.chirp_settle_s is not None else 0.01
        losses.append(_Loss(_chirp_loss_db(k.chirp_hz, settle_s, dit_s), 0.1))
    total = sum(loss.db for loss in losses)
    return min(total, _MOST_PENALTY_DB), float(np.sqrt(sum(loss.sigma**2 for loss in losses)))


def _chirp_loss_db(chirp_hz: float, settle_s: float, dit_s: float) -> float:
    """Energy lost in a matched filter of one dit to a frequency that settles exponentially."""
    t = (np.arange(400) + 0.5) / 400 * dit_s
    tau = max(settle_s / 2.3, 1e-4)  # settled to a tenth
    phase = 2 * np.pi * chirp_hz * tau * (1 - np.exp(-t / tau))
    hz = np.linspace(-abs(chirp_hz), abs(chirp_hz), 81)[:, None]  # the filter tuned to the best
    kept = np.abs(np.exp(1j * (phase - 2 * np.pi * hz * t)).mean(axis=1)).max()
    return float(-20 * np.log10(max(kept, 0.1)))


def _slow_penalty(dit_s: float, drift: Drift, slot: Slot) -> tuple[float, float]:
    """What drift over a dit and the tone's own width cost filters one dit long."""
    rate = abs(drift.rate_hz_per_min or 0.0) / 60
    sigma = (drift.rate_hz_per_min_sigma or 0.0) / 60
    here, more = (_sweep_loss_db(r * dit_s**2) for r in (rate, rate + sigma))
    spread = slot.frequency_spread_hz or 0.0
    lag = np.linspace(0.0, 1.0, 101)
    correlation = np.exp(-0.5 * (np.pi * spread * dit_s * lag) ** 2)  # spread is twice the deviation
    kept = float(np.mean(2 * (1 - lag) * correlation))
    return min(here - 10 * float(np.log10(max(kept, 1e-2))), _MOST_PENALTY_DB), abs(more - here)


def _sweep_loss_db(turns: float) -> float:
    """Energy lost in a matched filter to a frequency that sweeps ``turns`` / length over its length."""
    u = (np.arange(400) + 0.5) / 400 - 0.5
    kept = abs(np.exp(1j * np.pi * turns * u**2).mean())
    return float(-20 * np.log10(max(kept, 0.1)))
