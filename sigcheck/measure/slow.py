"""Slow keying: very slow Morse on and off (QRSS), shifted (FSKCW), and dits and dahs on two tones (DFCW).

In FSKCW the carrier stays on and is shifted between mark (key down) and space with Morse timing. In DFCW
dits and dahs last equally long and differ in frequency, the dit being the lower one, with gaps between.
All three are common practice among experimenters; no standard describes them. Signs and, for QRSS and
FSKCW, lengths are those of Rec. ITU-R M.1677-1.

A signal is taken for one of them only where all of this holds: its tone rests on one or two frequencies
for times that have the rhythm of dits and dahs, at least eight of them; most of what they spell is in the
code table; and while it is on one tone the other is silent. Steps of a synthesiser, two carriers, hum and
speech fail one or the other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure import carrier, morse
from sigcheck.measure import slow_path as path
from sigcheck.measure import slow_runs as run
from sigcheck.measure.slow_fit import PathFit, ToneFit, fit_path, run_frequencies
from sigcheck.measure.slow_runs import HIGH, LOW, OFF, Pair, Rhythm, Runs
from sigcheck.measure.spectrum import Survey, quiet_density
from sigcheck.measure.track import Baseband, Complex, Marks, Mask, Real

if TYPE_CHECKING:
    from sigcheck.plan import Plan, Sent

Mode = Literal["qrss", "fskcw", "dfcw"]
_SLOW_MODES = ("qrss", "fskcw", "dfcw")
_SAME_HZ = 5.0
_TAKEN_AWAY_S = 0.08  # length of the filter that leaves a stronger signal alone

SHORTEST_DIT_S = 0.5  # nobody keys slower by hand or reads it by ear (common practice, no source)
_LEAST_ELEMENTS = 8
_LEAST_EACH = 1.7  # elements a character: plain text has 2.5 and more, chance spells mostly E and T
_LEAST_KNOWN = 0.75  # of the characters, in the code table
_LEAST_CONFIDENCE = 0.5
_PLAIN_CONFIDENCE = 0.97  # of the text, with a course that explains the frequencies: no other reading is looked for
_PLAIN_SCATTER = 1.6
_PLAIN_BENDS = 2.5
_PLAIN_REST = 0.1  # of the shift, or of what a dit resolves
_RUN_COST = 2.0  # nats: more runs explain more
_SETTLED = 0.03  # of what the time scale resolves: keyed oscillators hold their frequency so well
_MOST_UNEXPLAINED = 20.0  # nats for one run's frequency: it may be a slip
_MOST_REST = 0.3  # of the shift, or of what a dit resolves, that the frequencies of the runs may scatter
_BEND_COST = 3.0  # nats: so do more bends of the course
_UNKNOWN_COST = 4.0  # nats: the prior of a pattern that is no character
_USUAL_WAY_UP = 3.0  # nats: senders shift upwards at key-down (common practice), most receivers keep it so
_LEAST_SHIFT_DITS = 0.3  # shift times dit: a dit tells no smaller one from none
_LEAST_GAIN = 30.0  # nats over noise, for the best of some thousands of paths, scales and shifts
EDGES_ENERGY = 1000.0  # 30 dB: single edges are then seen to some hundredths of a dit
_LEAST_DIT_ENERGY = 8.0  # 9 dB: below it text is guesswork
_LEAST_DFCW_ENERGY = 22.0  # 13.4 dB: its gaps, the only thing that ends a character, may hold half of that or less
_NARROW_CYCLES = 1.2  # shift times dit
_NARROW_CONFIDENCE = 0.9
_LEAST_TONE_ENERGY = 12.0  # 10.8 dB: noncoherent decisions between two tones then err once in 800 (exp(-E/2) / 2)
_LENGTH_SPREAD = 0.12  # of the logarithm of lengths; noise places the edges of a 16 dB dit to a tenth of it
_MOST_WEIGHTING = 0.3  # of a dit, by which all marks may be longer and all gaps shorter
_MOST_MISFIT = 1.3  # mean over the lengths; exponential lengths, as of a loose contact, have 2.5
_LEAST_PARTED = 0.7  # of DFCW's elements have a gap after them: what merely steps about has none
_USUAL_GAPS = (0.65, 0.25, 0.1)  # share of gaps inside characters, between them, between words (plain text)
_EDGES_SCATTER = 2.5  # over a dit's energy: scatter of a gap in dits, both its edges placed by energy (simulated)
_KEYED_SCATTER = 0.03  # of a dit: what keyer, filter and the steps of the runs leave of a strong signal's gaps
_GAP_SCATTER = 0.07  # of a gap, by which those of one kind differ
_LEVELS = 25  # lengths of each kind that are tried
_PAUSE = 3.2  # standard deviations, as which any longer gap counts: it may last some ten dits, which makes exp(-5)
_STRAY = 4.0  # standard deviations, at which a gap is none of the kinds
_LONGER = 1.5  # times as long is the next kind of gap
_LEAST_STEP = 0.25  # dits, by which it is longer
_WRONG_LENGTH = 0.5  # dits, by which an element may be two in one, or a piece
_HARDLY_SURE = 0.3
_MOST_SPREAD = 0.2  # of the lengths about their classes: machines key slow modes
_WIDEST_SHIFT_HZ = 520.0
_SEARCH_FRAMES_S = (1.0, 4.0, 20.0)


@dataclass(frozen=True)
class Elements:
    """Dits and dahs: times (n,), kinds (n,), and what the text is read from."""

    on_s: Real
    off_s: Real
    dah: Mask
    sure: Real  # probability of each element's tone or presence, gaps beside it included
    decoded: morse.Decoded
    right_way_up: float = 1.0  # probability that mark and space (dah and dit) are not exchanged

    @property
    def known(self) -> float:
        """Share of the characters that are in the code table."""
        signs = [c.sign for c in self.decoded.characters]
        return float(np.mean([not s.startswith("[") for s in signs])) if signs else 0.0

    @property
    def confidences(self) -> tuple[float, ...]:
        """Probability of each character, the doubt about its elements included."""
        return tuple(
            float(
                self.right_way_up
                * c.confidence
                * np.prod(self.sure[(self.middle_s > c.start_s) & (self.middle_s < c.end_s)])
            )
            for c in self.decoded.characters
        )

    @property
    def confidence(self) -> float:
        """Their mean; 0 where there are none."""
        return float(np.mean(self.confidences)) if self.decoded.characters else 0.0

    @property
    def middle_s(self) -> Real:
        """Middles of the elements, on the time scale of the decoded characters."""
        return 0.5 * (self.on_s + self.off_s)


@dataclass(frozen=True)
class SlowKeying:
    """A slow-keyed signal as it was read.

    ``inverted``: it is readable only with mark and space (dah and dit) exchanged, as on the wrong sideband;
    ``fit.shift_hz`` is positive all the same. ``dit_s`` is the rough length used while reading.
    """

    mode: Mode
    inverted: bool
    pair: Pair
    runs: Runs
    fit: PathFit
    elements: Elements
    dit_s: float
    score: float

    @property
    def dit_energy(self) -> float:
        """Energy of a dit over noise density."""
        use = self.pair.density[: self.pair.tones]
        return float(np.median(use)) * self.dit_s

    @property
    def tones_told(self) -> bool:
        """Whether a dit tells its tone from the other one.

        Over a dit two tones of unknown phase have a correlation of sinc(shift times dit): none at 1/dit, 0.64 at half
        of that. What is left of the energy to tell them apart by is 1 less that: 4.4 dB are lost at 0.5/dit.
        """
        if self.pair.tones == 1:
            return True
        cycles = self.fit.shift_hz * self.dit_s
        clear = self.dit_energy * (1.0 - abs(float(np.sinc(cycles)))) > _LEAST_TONE_ENERGY
        # nearer than a dit resolves, one doubtful element puts its neighbours in doubt, and the length of a dit too
        sure = self.elements.confidence > _NARROW_CONFIDENCE * self.elements.right_way_up
        return clear and (cycles > _NARROW_CYCLES or sure)

    @property
    def plain(self) -> bool:
        """Whether it is so clear that no other reading need be tried."""
        follows = self.fit.scatter < _PLAIN_SCATTER or self.fit.rest_hz < _PLAIN_REST * self._resolved_hz
        sure = self.elements.confidence > _PLAIN_CONFIDENCE * self.elements.right_way_up
        return follows and sure and self.fit.bends < _PLAIN_BENDS

    @property
    def _resolved_hz(self) -> float:
        """What frequencies must be told apart to read this."""
        return min(self.fit.shift_hz, 1.0 / self.dit_s) if self.pair.tones == 2 else 1.0 / self.dit_s

    @property
    def _shift_is_seen(self) -> bool:
        least = max(_LEAST_SHIFT_DITS / self.dit_s, 5 * self.fit.shift_sigma)
        return self.pair.tones == 1 or self.fit.shift_hz > least

    @property
    def convincing(self) -> bool:
        """Whether this is slow keying beyond doubt."""
        e = self.elements
        return (
            e.decoded.text is not None
            and e.on_s.size >= _LEAST_ELEMENTS
            and len(e.decoded.characters) >= 3
            and e.known >= _LEAST_KNOWN
            and e.confidence >= _LEAST_CONFIDENCE
            and self.score > _LEAST_GAIN
            and self.dit_energy > (_LEAST_DFCW_ENERGY if self.mode == "dfcw" else _LEAST_DIT_ENERGY)
            and self.tones_told
            and self.dit_s >= 0.8 * SHORTEST_DIT_S
            and self._shift_is_seen
            and self.fit.rest_hz < _MOST_REST * self._resolved_hz
            and _tells_kinds(e)
            and e.on_s.size >= _LEAST_EACH * len(e.decoded.characters)
            and (self.mode == "dfcw" or float(_misfits(e, self.dit_s).mean()) < _MOST_MISFIT)
            and (e.decoded.timing is None or e.decoded.timing.mark_spread < _MOST_SPREAD)
        )


@dataclass(frozen=True)
class Refused:
    """Shifted keying that is there and can't be read; why, in plain words."""

    reason: str


def _tells_kinds(e: Elements) -> bool:
    """Both dits and dahs: a row of equal lengths may be anything that toggles."""
    share = float(np.mean(e.dah)) if e.dah.size else 0.0
    return 0.05 < share < 0.95


# --- finding -----------------------------------------------------------------------------------


def find(s: Survey, base: Baseband, marks: Marks, plan: Plan | None = None) -> SlowKeying | Refused | None:
    """The slow keying of a signal that was found and followed, why it can't be read, or None where it is none.

    Cheap where the signal is plainly something else: keyed by the second, or resting on its frequency.
    """
    if _keyed_fast(marks) or s.audio.size / s.rate_hz < 24 * path.SHORTEST_FRAME_S:
        return None
    centre = float(np.median(base.path_hz))
    return _near(s, centre, base.noise_density, plan)


def search(s: Survey, plan: Plan | None = None) -> SlowKeying | None:
    """Slow keying too weak for the ordinary search: energy in long frames, over the whole band."""
    noise = np.maximum(quiet_density(s), 1e-30)
    for centre in _hot_places(s, noise):
        density = float(np.interp(centre, s.bins_hz, noise))
        found = _near(s, centre, density, plan)
        if isinstance(found, SlowKeying):
            return found
    return None


def find_beside(s: Survey, base: Baseband, plan: Plan | None) -> SlowKeying | None:
    """The slow keying that a plan tells of beside a stronger signal.

    To read it, all within some 12 Hz of the stronger signal's path is taken away; its keying sidebands beyond stay.
    """
    if plan is None or plan.main.keying not in _SLOW_MODES:
        return None
    width = max(3, round(_TAKEN_AWAY_S * s.rate_hz))
    window = np.hanning(width + 2)[1:-1]
    own = _smoothed(base.z, window / window.sum())
    rest = replace(s, audio=(s.audio - own * np.conj(carrier.turn(base.path_hz, base.rate_hz))).astype(np.complex64))
    stronger = float(np.median(base.path_hz))
    noise = np.maximum(quiet_density(s), 1e-30)
    for centre in _hot_places(rest, noise):
        if abs(centre - stronger) < _SAME_HZ:
            continue
        found = _near(rest, centre, float(np.interp(centre, s.bins_hz, noise)), plan)
        if isinstance(found, SlowKeying):
            return found
    return None


def _smoothed(z: Complex, kernel: Real) -> Complex:
    from scipy import fft

    size = fft.next_fast_len(z.size + kernel.size)
    product = fft.fft(z, size) * fft.fft(kernel.astype(np.float32), size)
    first = kernel.size // 2
    return np.asarray(fft.ifft(product)[first : first + z.size])


def betters(found: SlowKeying, marks: Marks) -> bool:
    """Whether the marks found here are better than those of the ordinary search, which place strong edges finer."""
    if found.mode != "qrss" or not marks.keyed or found.dit_energy < EDGES_ENERGY:
        return True
    on, off = found.runs.start_s[found.runs.on], found.runs.end_s[found.runs.on]
    if on.size != marks.on_s.size:
        return True
    return bool(max(np.abs(on - marks.on_s).max(), np.abs(off - marks.off_s).max()) > 0.3 * found.dit_s)


def _keyed_fast(marks: Marks) -> bool:
    if not marks.keyed or marks.on_s.size < 4:
        return False
    return bool(np.quantile(marks.off_s - marks.on_s, 0.3) < 0.6 * SHORTEST_DIT_S)


def _hot_places(s: Survey, noise: Real, most: int = 3) -> list[float]:
    """Frequencies at which single long frames stand out of the noise most often."""
    places: list[tuple[float, float]] = []
    top = min(5500.0, 0.95 * s.rate_hz)
    for seconds in _SEARCH_FRAMES_S:
        if s.audio.size < 4 * seconds * s.rate_hz:
            break
        hz, energy = _standing_out(s, noise, seconds, top)
        for _ in range(most):
            k = int(np.argmax(energy))
            if energy[k] <= 0.0:
                break
            places.append((float(energy[k]), float(hz[k])))
            energy[np.abs(hz - hz[k]) < 30.0] = 0.0
    places.sort(reverse=True)
    out: list[float] = []
    for _, hz_ in places:
        if all(abs(hz_ - o) > 20.0 for o in out):
            out.append(hz_)
    return out[:most]


def _standing_out(s: Survey, noise: Real, seconds: float, top_hz: float) -> tuple[Real, Real]:
    """Energy over what noise reaches, summed over frames and over some bins that a drift may cross."""
    from scipy import fft

    length = fft.next_fast_len(round(seconds * s.rate_hz))
    window = np.hanning(length).astype(np.float32)
    hz = np.arange(length) * (s.rate_hz / length)
    use = (hz > 150.0) & (hz < top_hz)
    density = np.interp(hz[use], s.bins_hz, noise) * s.rate_hz * float(np.sum(window.astype(np.float64) ** 2))
    starts = range(0, s.audio.size - length + 1, length // 2)
    # noise alone exceeds this in one cell of e^9, so a few cells in each frame of the whole band
    total = np.zeros(int(use.sum()))
    for a in starts:
        spectrum = fft.fft(s.audio[a : a + length] * window)[use]
        power = (spectrum.real**2 + spectrum.imag**2) / density
        total += np.minimum(np.maximum(power - 9.0, 0.0), 40.0)
    width = max(1, round(2.0 * seconds)) | 1
    total = np.convolve(total, np.ones(width), mode="same")
    return hz[use], np.where(total > 40.0, total, 0.0)


def _near(s: Survey, centre: float, density: float, plan: Plan | None) -> SlowKeying | Refused | None:
    wanted = plan.main if plan is not None else None
    noise = path.noise_about(s, centre, density)
    b = path.band(s.audio, s.rate_hz, centre, noise)
    if path.rests(b):
        return None
    scale = path.time_scale(b)
    if scale is None:
        return None
    trust = min(1.0, run.MOST_ENERGY / max(path.frames(b, scale).density * scale, 1e-12))
    best: SlowKeying | None = None
    too_near: SlowKeying | None = None
    for length in _lengths(scale, wanted, b):
        for low, high, course in _courses(b, length, wanted):
            read = _read(low, high, course, length, wanted)
            if read is None:
                continue
            if read.pair.tones == 1:
                read = _with_partner(s, read, length, noise, wanted)
            if read.convincing and (best is None or _merit(read, scale, trust) > _merit(best, scale, trust)):
                best = read
            if not read.tones_told and read.score > _LEAST_GAIN and read.elements.known >= _LEAST_KNOWN:
                too_near = read
        if best is not None and best.plain:
            break
    if best is None and too_near is not None:
        return Refused(
            f"two tones some {too_near.fit.shift_hz:.2g} Hz apart are too near to be told from each other at this "
            "signal strength: shift by 1/dit or more"
        )
    return best


def _merit(k: SlowKeying, scale_s: float, trust: float) -> float:
    """Likelihood of the runs and the characters; ``trust``, the share of the energy that counts, is common to all."""
    # a course that follows the keying, or that leaves frequencies unexplained, is the less likely one
    course = _BEND_COST * k.fit.bends + k.fit.misfit(_SETTLED / scale_s, _MOST_UNEXPLAINED)
    likely = run.total_likelihood(k.runs, k.pair, trust)
    return likely - _RUN_COST * k.runs.state.size - course + _upright(k)


def _lengths(scale: float, wanted: Sent | None, b: path.Band) -> list[float]:
    """Frame lengths to try: the one that the energy tells, and those about it."""
    out = [scale, scale / 2, scale / 4, scale * 2]
    if wanted is not None and wanted.dit_s is not None and wanted.keying != "cw":
        out.insert(0, float(np.clip(0.6 * wanted.dit_s, path.SHORTEST_FRAME_S, path.scales(b)[-1])))
    return [v for v in out if path.SHORTEST_FRAME_S <= v <= path.scales(b)[-1] * 2]


def _courses(b: path.Band, length: float, wanted: Sent | None) -> list[tuple[path.Band, path.Band, path.Course]]:
    f = path.cropped(path.frames(b, length))
    shifts = {0, 1, 2, 3, *path.likely_shifts(f)}
    if wanted is not None and wanted.shift_hz is not None:
        shifts.add(max(1, round(wanted.shift_hz / f.bin_hz)))
    found = [path.course(f, k) for k in sorted(shifts) if k < f.power.shape[1] - 8]
    # another tone must earn more than the freedom of where it lies
    found.sort(key=lambda c: c.score - 6.0 * (c.shift_hz > 0), reverse=True)
    # one tone alone is always tried: a pair nearer than the resolution explains it as well
    chosen = path.straight_courses(f, path.narrow_shifts(f)) + found[:2] + [c for c in found[2:] if not c.shift_hz]
    return [(b, b, c) for c in chosen]


# --- reading -----------------------------------------------------------------------------------


def _read(
    low: path.Band, high: path.Band, course: path.Course, frame_s: float, wanted: Sent | None
) -> SlowKeying | None:
    """Runs, rhythm and text along one course; None where there are too few runs to be keying."""
    hz = np.interp(low.times_s, course.times_s, course.hz) + low.centre_hz
    density = np.full((2, low.z.size), max(course.density, 1e-6))
    pair = Pair(low, high, hz, course.shift_hz, density)
    # no lengths are known yet: runs of at most a frame, joined as long as the state stays
    c = run.cells(pair, frame_s / 8)
    runs = run.best_runs(run.run_scores(c, pair.tones, 10, 16.0), c).inner()
    if not _enough(runs):
        return None
    for _ in range(2):
        followed = _followed(pair, runs, frame_s)
        if followed is None:
            return None
        pair, _, _ = followed
    readings = [
        reading
        for mode, inverted, rhythm in _hypotheses(runs, pair)
        for reading in _by_rhythm(mode, inverted, rhythm, pair)
    ]
    return _right_way_up(readings, wanted)


def _right_way_up(readings: list[SlowKeying], wanted: Sent | None) -> SlowKeying | None:
    """The better of two readings, one upside down, which it may be by that probability; None where there is none."""
    if len(readings) < 2:
        return readings[0] if readings else None
    like = [_likeness(k.elements.decoded.text or "", wanted.text) if wanted and wanted.text else 0.0 for k in readings]
    if abs(like[0] - like[1]) > 0.3:
        return readings[int(np.argmax(like))]
    lead = _upright(readings[0]) - _upright(readings[1])
    better = readings[0 if lead > 0 else 1]
    sure = float(1.0 / (1.0 + np.exp(-min(abs(lead), 50.0))))
    return replace(better, elements=replace(better.elements, right_way_up=sure))


def _enough(runs: Runs) -> bool:
    return int(runs.on.sum()) >= _LEAST_ELEMENTS and runs.state.size >= _LEAST_ELEMENTS + 4


def _followed(pair: Pair, runs: Runs, dit_s: float) -> tuple[Pair, PathFit, ToneFit] | None:
    """The pair along the path, with the shift and the levels, that the runs themselves show."""
    tones = run_frequencies(runs, pair, dit_s)
    fit = fit_path(tones)
    if fit is None or (pair.shift_hz and not fit.shift_hz):
        return None
    moved = replace(pair, path_hz=fit.path(pair.low.times_s), shift_hz=fit.shift_hz)
    return replace(moved, density=_levels(moved, runs, dit_s)), fit, tones


def _levels(pair: Pair, runs: Runs, dit_s: float) -> Real:
    """C/N0 of each tone against time, from its runs, smooth over some three to nine of them."""
    c = run.cells(pair, 0.0)
    out = np.array(pair.density)
    for tone in range(pair.tones):
        mine = (runs.state == tone) & (runs.length_s > 0.5 * dit_s)
        if not mine.any():
            continue
        a, b = (run.positions(c, v[mine]) for v in (runs.start_s, runs.end_s))
        seconds = np.maximum(b - a, 1) * c.cell_s
        level = (np.abs(c.total[tone, b] - c.total[tone, a]) ** 2 / seconds - 1.0) / seconds
        middle = 0.5 * (runs.start_s + runs.end_s)[mine]
        # strong runs tell their level one by one, and so follow fading; weak ones only together
        energy = float(np.median(level)) * dit_s
        width = min(3 if energy > 100.0 else 5 if energy > 40.0 else 9, level.size) | 1
        padded = np.pad(level, width // 2, mode="edge")
        smooth = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
        smooth = np.maximum(smooth, 0.03 * float(np.median(level)))
        out[tone] = np.maximum(np.interp(pair.low.times_s, middle, smooth), 1e-6)
    return out


def _hypotheses(runs: Runs, pair: Pair) -> list[tuple[Mode, bool, Rhythm]]:
    """What the runs may be: the mode, whether it is upside down, and the lengths to expect."""
    seconds = np.array([runs.length_s[runs.state == s].sum() for s in (LOW, HIGH, OFF)])
    if pair.tones == 1:
        rhythm = _morse_rhythm(runs, LOW)
        return [] if rhythm is None else [("qrss", False, rhythm)]
    if min(seconds[LOW], seconds[HIGH]) < 0.08 * seconds[:2].sum():
        return []
    if seconds[OFF] < 0.12 * seconds.sum():
        found: list[tuple[Mode, bool, Rhythm]] = []
        for mark in (HIGH, LOW):
            rhythm = _morse_rhythm(runs, mark)
            if rhythm is not None:
                found.append(("fskcw", mark == LOW, rhythm))
        return found
    return [("dfcw", False, _equal_rhythm(runs))]


def _morse_rhythm(runs: Runs, mark: int) -> Rhythm | None:
    on, off = _marks_of(runs, mark)
    if on.size < _LEAST_ELEMENTS:
        return None
    timing = morse.classify(on, off)
    dit = timing.unit_s
    gaps = np.clip(timing.gaps_s, np.array([0.5, 2.0, 5.0]) * dit, np.array([1.5, 4.5, 9.0]) * dit)
    return Rhythm(marks=(timing.dit_s, timing.dah_s), gaps=tuple(gaps.tolist()), mark_states=(mark,))


def _equal_rhythm(runs: Runs) -> Rhythm:
    length = runs.length_s[runs.on]
    one = float(np.quantile(length, 0.3))
    one = float(np.median(length[length < 1.5 * one]))
    gaps = tuple(one * g for g in (0.33, 0.6, 1.0, 2.0, 3.0))
    return Rhythm(marks=(one,), gaps=gaps, mark_states=(LOW, HIGH), split=True)


def _marks_of(runs: Runs, mark: int) -> tuple[Real, Real]:
    mine = runs.state == mark
    return runs.start_s[mine], runs.end_s[mine]


def _by_rhythm(mode: Mode, inverted: bool, rhythm: Rhythm, pair: Pair) -> list[SlowKeying]:
    """The runs found again with the lengths of the rhythm; twice, as the path is better known then.

    DFCW is read either way up.
    """
    dit = rhythm.marks[0]
    fit, tones = None, None
    runs: Runs | None = None
    for _ in range(2):
        c = run.cells(pair, dit / 12)
        longest = int(np.ceil(3.6 * dit / c.cell_s)) if mode != "dfcw" else int(np.ceil(3.4 * dit / c.cell_s))
        scores = run.run_scores(c, pair.tones, longest, 12.0, faded=1)
        runs = run.best_runs(scores, c, rhythm=rhythm, change=2.0).inner()
        if not _enough(runs):
            return []
        runs = _joined(runs) if mode != "dfcw" else runs
        followed = _followed(pair, runs, dit)
        if followed is None:
            return []
        pair, fit, tones = followed
    assert runs is not None and fit is not None and tones is not None
    if (pair.tones == 2 and not _apart(runs, pair)) or (mode != "fskcw" and _elsewhere(runs, pair)):
        return []
    runs = run.sharpened(runs, pair, dit)
    sure = run.certainty(runs, pair, dit)
    if pair.tones == 2:
        sure[tones.run] = np.minimum(sure[tones.run], 1.0 / (1.0 + np.exp(-np.clip(fit.odds, -50.0, 50.0))))
    ways = (False, True) if mode == "dfcw" else (inverted,)
    readings = [(way, _elements(mode, way, runs, pair, dit, sure)) for way in ways]
    return [SlowKeying(mode, way, pair, runs, fit, e, dit, runs.score) for way, e in readings if e is not None]


def _joined(runs: Runs) -> Runs:
    """Neighbouring runs of one state as one."""
    first = np.append(True, runs.state[1:] != runs.state[:-1])
    last = np.append(first[1:], True)
    return replace(runs, start_s=runs.start_s[first], end_s=runs.end_s[last], state=runs.state[first])


def _elsewhere(runs: Runs, pair: Pair) -> bool:
    """Whether the tone is not off between its marks but somewhere else in the band, at several places perhaps."""
    c = run.cells(pair, 0.0)
    off = ~runs.on & (runs.length_s > 0.5 * float(np.median(runs.length_s)))
    density = float(np.median(pair.density[: pair.tones]))
    there = []
    for a, b in zip(run.positions(c, runs.start_s[off]), run.positions(c, runs.end_s[off]), strict=True):
        x = pair.low.z[a:b]
        if x.size < 16:
            continue
        window = np.hanning(x.size)
        power = np.abs(np.fft.fft(x * window)) ** 2 / (np.sum(window**2) * pair.low.rate_hz)
        noise = float(np.log(x.size)) + 3.0
        there.append(power.max() > noise + 0.3 * density * x.size / pair.low.rate_hz / 1.5)
    return len(there) > 1 and float(np.mean(there)) > 0.4


def _apart(runs: Runs, pair: Pair) -> bool:
    """Whether each tone is silent while the other is on: two carriers side by side are not.

    Tones nearer than the resolution of a run show in each other's place anyway.
    """
    c = run.cells(pair, 0.0)
    at = [run.positions(c, v) for v in (runs.start_s, runs.end_s)]
    for tone in (LOW, HIGH):
        other = (runs.state == 1 - tone) & (runs.length_s * pair.shift_hz > 1.5)
        if other.sum() < 3:
            continue
        a, b = at[0][other], at[1][other]
        seconds = (b - a) * c.cell_s
        # a run's whole cycles of the shift leave nothing of its own tone in the other's place
        power = np.abs(c.total[tone, b] - c.total[tone, a]) ** 2 / seconds
        energy = c.energy[tone, b] - c.energy[tone, a]
        own = c.energy[1 - tone, b] - c.energy[1 - tone, a]
        leak = own / (np.pi * runs.length_s[other] * pair.shift_hz) ** 2
        if np.median(power) > 0.4 * np.median(energy) + 2.0 + np.median(leak):
            return False
    level = np.median(pair.density[:2], axis=1)
    return bool(pair.shift_hz > 40.0 or max(level) < 6.0 * min(level))


def _upright(k: SlowKeying) -> float:
    """How well the lengths are those of Morse this way up; a little more for the usual way."""
    unknown = (1.0 - k.elements.known) * len(k.elements.decoded.characters)
    lengths = 0.0 if k.mode == "dfcw" else float(_misfits(k.elements, k.dit_s).sum())
    return _USUAL_WAY_UP * (not k.inverted) - lengths - _UNKNOWN_COST * unknown


def _misfits(e: Elements, dit_s: float) -> Real:
    """Half the squared misfit of each inner length to 1 and 3 units (gaps: 1, 3, and 7 or more), at most 6.

    Upside down, the gaps between words become marks of seven units, which Morse does not have.
    """
    unit = e.decoded.timing.unit_s if e.decoded.timing is not None else dit_s

    def misfit(units: Real, allowed: tuple[float, ...]) -> Real:
        away = [np.abs(np.log(np.maximum(units, 1e-3) / a)) for a in allowed]
        return np.asarray(np.minimum(0.5 * (np.min(away, axis=0) / _LENGTH_SPREAD) ** 2, 6.0))

    marks, gaps = (e.off_s - e.on_s)[1:-1] / unit, (e.on_s[1:] - e.off_s[:-1]) / unit
    heavy = float(np.median(np.concatenate([_off(marks, (1.0, 3.0)), -_off(gaps, (1.0, 3.0, 7.0))])))
    heavy = float(np.clip(heavy, -_MOST_WEIGHTING, _MOST_WEIGHTING))  # a weighting belongs to all marks and gaps
    marks, gaps = marks - heavy, np.minimum(gaps + heavy, 7.0)
    return np.concatenate([misfit(marks, (1.0, 3.0)), misfit(gaps, (1.0, 3.0, 7.0))])


def _off(units: Real, allowed: tuple[float, ...]) -> Real:
    """Lengths less the nearest allowed one."""
    away = units[:, None] - np.array(allowed)
    return np.asarray(away[np.arange(units.size), np.abs(away).argmin(axis=1)])


def _likeness(heard: str, text: str) -> float:
    """How much of what was heard is the text, repeated: 0..1."""
    one = " ".join(text.split()) + " "
    whole = one * (2 + len(heard) // len(one))
    same = SequenceMatcher(None, heard, whole, autojunk=False).get_matching_blocks()
    return sum(m.size for m in same if m.size > 1) / max(len(heard), 1)


def _with_partner(s: Survey, read: SlowKeying, frame_s: float, noise: path.Noise, wanted: Sent | None) -> SlowKeying:
    """The reading with the tone that is on while this one is off, where there is such a tone far from it."""
    runs, pair = read.runs, read.pair
    centre = pair.low.centre_hz
    wide = path.band(s.audio, s.rate_hz, centre, noise, wanted_hz=min(4.4 * _WIDEST_SHIFT_HZ, s.rate_hz))
    offset = _where_when_off(wide, pair, runs, read.dit_s)
    if offset is None:
        return read
    partner = path.band(s.audio, s.rate_hz, centre + offset, noise)
    low, high = (pair.low, partner) if offset > 0 else (partner, pair.low)
    hz = pair.path_hz + min(offset, 0.0) - low.centre_hz
    course = path.Course(pair.low.times_s, hz, abs(offset), read.score, float(np.median(pair.density[0])))
    two = _read(low, high, course, frame_s, wanted)
    return two if two is not None and two.elements.decoded.text is not None else read


def _where_when_off(wide: path.Band, pair: Pair, runs: Runs, dit_s: float) -> float | None:
    """Offset of a line that is there in the gaps and not in the marks, as strong as ours within 15 dB; or None."""
    from scipy import fft

    drift = np.interp(wide.times_s, pair.low.times_s, pair.path_hz) - wide.centre_hz
    z = wide.z * np.exp(-2j * np.pi * np.cumsum(drift) / wide.rate_hz)
    length = max(64, round(0.8 * dit_s * wide.rate_hz))
    size = fft.next_fast_len(length)
    hz = fft.fftfreq(size, 1 / wide.rate_hz)
    window = np.hanning(length).astype(np.float32)
    means = []
    for on in (True, False):
        starts = []
        for a, b in zip(runs.start_s[runs.on == on], runs.end_s[runs.on == on], strict=True):
            i, j = (round((v - wide.first_s) * wide.rate_hz) for v in (a, b))
            count = min(3, round((j - i) / length))
            starts += [i + max(0, (j - i - count * length) // 2) + q * length for q in range(count)]
        starts = [v for v in starts if 0 <= v <= z.size - length][:300]
        if len(starts) < 3:
            return None
        frames = np.stack([z[v : v + length] for v in starts]) * window
        spectra = fft.fft(frames, size, axis=1)
        means.append(np.mean(spectra.real**2 + spectra.imag**2, axis=0))
    near = np.abs(hz) < 2.0 / dit_s + 1.0
    ours = float(means[0][near].max())
    gain = np.where((np.abs(hz) > 5.0) & (np.abs(hz) < _WIDEST_SHIFT_HZ), means[1] - 1.5 * means[0], 0.0)
    k = int(np.argmax(gain))
    floor = float(np.median(means[1]))
    return float(hz[k]) if gain[k] > max(0.03 * ours, 4.0 * floor) else None


# --- elements and text -------------------------------------------------------------------------


def _elements(mode: Mode, inverted: bool, runs: Runs, pair: Pair, dit_s: float, sure: Real) -> Elements | None:
    if mode == "dfcw":
        return _from_tones(runs, sure, inverted, pair, dit_s)
    mark = LOW if mode == "qrss" or inverted else HIGH
    mine = np.flatnonzero(runs.state == mark)
    on, off = runs.start_s[mine], runs.end_s[mine]
    if on.size < _LEAST_ELEMENTS:
        return None
    cut_start, cut_end = _cut(pair, on[0], off[-1], dit_s)
    heard = (float(pair.low.times_s[0]), float(pair.low.times_s[-1]))
    decoded = morse.decode(on, off, cut_start=cut_start, cut_end=cut_end, heard_s=heard)
    if decoded.timing is None:
        return None
    first = int(cut_start)
    dah = np.zeros(on.size, bool)
    dah[first : first + decoded.timing.dah.size] = decoded.timing.dah
    return Elements(on, off, dah, _with_gaps(sure, mine), decoded)


def _cut(pair: Pair, first_s: float, last_s: float, dit_s: float) -> tuple[bool, bool]:
    """Whether the first and the last element go on beyond the recording, to within a cell of the runs."""
    step = max(0.05, 0.1 * dit_s)
    times = pair.low.times_s
    return bool(first_s < times[0] + step), bool(last_s > times[-1] - step)


def _with_gaps(sure: Real, mine: NDArray[np.intp]) -> Real:
    """An element is as sure as itself and the gap after it."""
    after = np.append(sure, 1.0)[mine + 1]
    return np.asarray(sure[mine] * after)


def _from_tones(runs: Runs, sure: Real, inverted: bool, pair: Pair, dit_s: float) -> Elements | None:
    """DFCW: kinds by the tone; the gaps sorted into three classes; then read as Morse of those lengths."""
    mine = np.flatnonzero(runs.on)
    on, off = runs.start_s[mine], runs.end_s[mine]
    if on.size < _LEAST_ELEMENTS:
        return None
    parted = np.mean(on[1:] - off[:-1] > 0.1 * dit_s)
    if parted < _LEAST_PARTED:
        return None
    dah = (runs.state[mine] == HIGH) != inverted
    energy = float(np.median(pair.density[: pair.tones])) * dit_s
    between, told = _gap_classes(on[1:] - off[:-1], dit_s, energy)
    odd = np.abs(off - on - np.median(off - on)) > _WRONG_LENGTH * dit_s
    sure_each = sure[mine] * np.append(told, 1.0) * np.where(odd, _HARDLY_SURE, 1.0)
    marks = np.where(dah, 3.0, 1.0)
    gaps = np.array([1.0, 3.0, 7.0])[between]
    begin = np.concatenate([[0.0], np.cumsum(marks[:-1] + gaps)])
    cut_start, cut_end = _cut(pair, on[0], off[-1], dit_s)
    inside = between == 0
    unit_s = float(np.median((on[1:] - off[:-1])[inside])) if inside.any() else dit_s
    unit_s = max(unit_s, 0.02 * dit_s)
    silence = (on[0] - pair.low.times_s[0], pair.low.times_s[-1] - off[-1])
    heard = (-float(silence[0]) / unit_s, float(begin[-1] + marks[-1] + silence[1] / unit_s))
    decoded = morse.decode(begin, begin + marks, cut_start=cut_start, cut_end=cut_end, heard_s=heard)
    if decoded.timing is None:
        return None
    placed = tuple(
        replace(c, start_s=float(np.interp(c.start_s, begin, on)), end_s=float(np.interp(c.end_s, begin + marks, off)))
        for c in decoded.characters
    )
    return Elements(on, off, dah, sure_each, replace(decoded, characters=placed))


def _gap_classes(gap_s: Real, dit_s: float, dit_energy: float) -> tuple[NDArray[np.intp], Real]:
    """Kind of each gap, 0 within a character, 1 between characters, 2 between words; and its probability.

    Each kind has its own length, whatever it is in dits, and scatters about it by what noise leaves of two edges
    and by a share of itself; the lengths are those that explain all gaps best. A group that is split or two that
    are pooled explain them worse.
    """
    gap = np.clip(gap_s / dit_s, 0.0, 12.0)
    edges = max(_EDGES_SCATTER / dit_energy, _KEYED_SCATTER)
    usual = np.log(_USUAL_GAPS)
    grid = np.unique(np.round(np.quantile(gap, np.linspace(0.01, 0.99, _LEVELS)), 3))
    best, lengths = -np.inf, np.array([float(np.median(gap))])
    for count in (1, 2, 3):
        levels = grid[np.array(list(combinations(range(grid.size), count)), np.intp).reshape(-1, count)]
        apart = (levels[:, 1:] >= _LONGER * levels[:, :-1]) & (np.diff(levels) >= max(_LEAST_STEP, 2.5 * edges))
        levels = levels[apart.all(axis=1)]
        if levels.size:
            likely = np.logaddexp.reduce(_gap_nats(gap, levels, edges) + usual[:count], axis=2).sum(axis=0)
            k = int(likely.argmax())
            if likely[k] > best:
                best, lengths = float(likely[k]), levels[k]
    weight = _gap_nats(gap, lengths[None], edges)[:, 0] + usual[: lengths.size]
    share = np.exp(weight - weight.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    kind = share.argmax(axis=1)
    sure = share[np.arange(kind.size), kind]
    if lengths.size == 2:
        kind = np.where(gap > _LONGER * lengths[1] + edges, 2, kind)
    return np.asarray(kind, np.intp), np.asarray(sure)


def _gap_nats(gap: Real, levels: Real, edges: float) -> Real:
    """Log-likelihood of gaps (n,) of each kind for trial lengths (trials, kinds); shape (n, trials, kinds).

    The longest kind may be a pause as long as it likes, at a price.
    """
    spread = np.hypot(edges, _GAP_SCATTER * levels)
    away = (gap[:, None, None] - levels) / spread
    away[..., -1] = np.minimum(away[..., -1], _PAUSE)
    return np.asarray(-0.5 * np.minimum(away**2, _STRAY**2) - np.log(spread / edges))
