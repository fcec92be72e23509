"""Receivers that copy by the book: what a margin means is tried on them, not on the package's own decoder."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_LETTERS = {
    "A": ".-", "B": "-...", "C": "-.-.", "D": "-..", "E": ".", "F": "..-.", "G": "--.", "H": "....", "I": "..",
    "J": ".---", "K": "-.-", "L": ".-..", "M": "--", "N": "-.", "O": "---", "P": ".--.", "Q": "--.-", "R": ".-.",
    "S": "...", "T": "-", "U": "..-", "V": "...-", "W": ".--", "X": "-..-", "Y": "-.--", "Z": "--..",
    "1": ".----", "2": "..---", "3": "...--", "4": "....-", "5": ".....", "6": "-....", "7": "--...", "8": "---..",
    "9": "----.", "0": "-----",
}  # fmt: skip  (ITU-R M.1677-1)
_BY_CODE = {code: letter for letter, code in _LETTERS.items()}


def units_of(text: str) -> NDArray[np.int64]:
    """Key down or up, dit by dit, with a word gap at the end."""
    out: list[int] = []
    for word in text.split():
        for letter in word:
            for element in _LETTERS[letter]:
                out += [1] * (3 if element == "-" else 1) + [0]
            out += [0, 0]
        out += [0] * 4
    return np.array(out)


def log_i0(x: Array) -> Array:
    return np.log(np.i0(np.minimum(x, 600.0)))


# Runs of units that keying is made of: key down for 1 or 3, up for 1, 3 or 7.
_RUNS = ((1, 1), (1, 3), (0, 1), (0, 3), (0, 7))


def copied(energy: Array, expected: float) -> str:
    """Most likely text from each unit's energy over the noise density, by Viterbi over runs of units.

    ``expected`` is the energy of a dit over the noise density; phase is not used from unit to unit.
    """
    evidence = log_i0(2 * np.sqrt(expected * energy)) - expected
    total = np.concatenate([[0.0], np.cumsum(evidence)])
    n = energy.size
    best = np.full((n + 1, 2), -np.inf)  # by the state of the run that ends here
    best[0] = 0.0
    came = np.zeros((n + 1, 2), int)
    for k in range(1, n + 1):
        for state, length in _RUNS:
            if length <= k:
                value = best[k - length, 1 - state] + (total[k] - total[k - length] if state else 0.0)
                if value > best[k, state]:
                    best[k, state], came[k, state] = value, length
    runs: list[tuple[int, int]] = []
    k, state = n, int(np.argmax(best[n]))
    while k > 0:
        length = int(came[k, state])
        runs.append((state, length))
        k, state = k - length, 1 - state
    text, code = "", ""
    for state, length in runs[::-1]:
        if state:
            code += "-" if length == 3 else "."
        elif length > 1:
            text += _BY_CODE.get(code, "*") + (" " if length == 7 else "")
            code = ""
    return text.strip()


def copied_by_threshold(amplitude: Array, unit: int, noise_density: float, rng: np.random.Generator) -> str:
    """Text by a receiver that knows neither timing nor speed: a filter three quarters of a dit long, half of the
    usual amplitude as threshold, and lengths compared with the unit that suits them best."""
    noisy = amplitude + np.sqrt(noise_density / 2) * (
        rng.standard_normal(amplitude.size) + 1j * rng.standard_normal(amplitude.size)
    )
    width = 3 * unit // 4
    level = np.abs(np.convolve(noisy, np.ones(width) / width, "same"))
    down = level > 0.5 * np.median(level[level > np.median(level)])
    edges = np.flatnonzero(np.diff(down.astype(int)))
    lengths, states = np.diff(edges), down[edges[:-1] + 1]
    kept = lengths > unit // 4  # chatter about the threshold
    marks = lengths[states & kept]
    trials = np.geomspace(0.6 * unit, 1.6 * unit, 60)
    misfit = [np.mean(np.min(np.abs(np.log(marks[:, None] / (u * np.array([1, 3])))), axis=1)) for u in trials]
    own = float(trials[int(np.argmin(misfit))])
    text, code = "", ""
    for state, length in zip(states, lengths, strict=True):
        if length <= unit // 4:
            continue
        if state:
            code += "-" if length > 1.9 * own else "."
        elif length > 1.9 * own:
            text += _BY_CODE.get(code, "*") + (" " if length > 4.8 * own else "")
            code = ""
    return (text + _BY_CODE.get(code, "*")).strip()


def errors(sent: str, heard: str) -> int:
    """Least number of characters to change, put in or leave out (the spaces too)."""
    row = list(range(len(heard) + 1))
    for k, a in enumerate(sent, 1):
        new = [k]
        for j, b in enumerate(heard, 1):
            new.append(min(row[j] + 1, new[-1] + 1, row[j - 1] + (a != b)))
        row = new
    return row[-1]


def unit_energies(amplitude: Array, unit: int, noise_density: float, rng: np.random.Generator) -> Array:
    """Matched-filter energy of each unit over the noise density, of a complex envelope, samples a second apart."""
    noisy = amplitude + np.sqrt(noise_density / 2) * (
        rng.standard_normal(amplitude.size) + 1j * rng.standard_normal(amplitude.size)
    )
    sums = noisy[: amplitude.size // unit * unit].reshape(-1, unit).sum(axis=1)
    return np.asarray(np.abs(sums) ** 2 / (unit * noise_density))


def cutoff_rate(energy: NDArray[np.float64], symbols: NDArray[np.int64]) -> float:
    """Information in bits a symbol that a decoder can use of noncoherent decisions between two tones.

    ``energy`` (n, 4) on the tones over the noise density; each symbol is its own tone or the one two
    away. The Bhattacharyya coefficient is taken from the measured scatter of the soft decisions,
    E[exp(-L / 2)] for the log likelihood ratio L of the sent against the other tone, in nine blocks;
    the decoder takes the signal for as weak as serves it best.
    """
    rows = np.arange(symbols.size)
    own, other = energy[rows, symbols], energy[rows, symbols ^ 2]
    best = -np.inf
    for soft in (1.0, 0.5, 0.25, 0.12, 0.06, 0.03):
        strength = soft * max(float(np.mean(own - other)), 0.05)
        ratio = log_i0(2 * np.sqrt(strength * own)) - log_i0(2 * np.sqrt(strength * other))
        blocks = np.array_split(np.exp(-ratio / 2), 9)
        best = max(best, float(np.mean([1 - np.log2(1 + block.mean()) for block in blocks])))
    return best
