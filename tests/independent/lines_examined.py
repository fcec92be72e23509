"""Judge the measurement of modulation lines on recordings made of formulas alone.

    python -m tests.independent.lines_examined [--n N] [--seed S] [--what levels|clean|weak] [--list-bad]

A tone is multiplied by (1 + am) exp(j pm), keyed, put into band noise, and measured by the whole path.
Three questions: how far are the levels of lines off against their bound, how often does a clean
recording show a line, and from which level up is a line found.

The bound (Cramer and Rao): a side's complex amplitude in T seconds of key-down time in noise of
density N0 has the variance N0 / T, half of it along the amplitude; two sides averaged in power halve it
again where they are equal. Nothing is granted for the unknown course of the mains.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RATES = (8000, 11025, 12000, 16000, 22050, 44100, 48000)
CODE = {"A": ".-", "D": "-..", "E": ".", "K": "-.-", "N": "-.", "P": ".--.", "Q": "--.-", "S": "...",
        "T": "-", "V": "...-", "5": ".....", "7": "--..."}  # fmt: skip


@dataclass
class Line:
    """One modulation line: its index in amplitude and angle, and their phases."""

    offset_hz: float
    am: float
    pm: float
    am_phase: float
    pm_phase: float
    order: int = 0  # of the mains; 0: a line of its own

    def wave(self, turn: Array) -> tuple[Array, Array]:
        """Amplitude and angle modulation along the line's own turn in radians."""
        return self.am * np.cos(turn + self.am_phase), self.pm * np.cos(turn + self.pm_phase)


@dataclass
class Made:
    """A recording and its truth; ``lines`` holds (offset, level, angle share, lower dBc, upper dBc) of each."""

    x: NDArray[np.float32]
    rate: int
    tone_hz: float
    wpm: float | None
    snr_db: float
    mains_hz: float
    down_s: float
    lines: list[tuple[float, float, float, float, float]] = field(default_factory=list)

    def noise_dbc(self) -> float:
        """Noise in a line's own resolution."""
        return -self.snr_db - 10 * np.log10(2500 * self.down_s)

    def bound_db(self, level_dbc: float) -> float:
        """Least standard deviation of the level of a pair of equal sides."""
        over = 10 ** ((level_dbc - self.noise_dbc()) / 10)
        return float(8.686 * np.sqrt(1 / (4 * over)))


def keying(n: int, rate: float, wpm: float, rng: np.random.Generator, scatter: float) -> tuple[Array, float]:
    """Envelope (n,) and key-down seconds of invented text."""
    unit = 1.2 / wpm
    edge = rng.uniform(0.1, 0.18) * unit if rng.random() < 0.5 else min(0.006, 0.18 * unit)
    t = np.arange(n) / rate
    out = np.zeros(n)
    now, down = rng.uniform(0.2, 1.0), 0.0
    letters = list(CODE)
    while now < t[-1]:
        for _ in range(rng.integers(2, 6)):
            for sign in CODE[letters[rng.integers(len(letters))]]:
                length = unit * (3 if sign == "-" else 1) * max(0.5, 1 + scatter * rng.standard_normal())
                a, b = max(0, int((now - edge) * rate)), int((now + length + edge) * rate) + 1
                at = t[a:b]
                rise, fall = (np.clip((at - s) / edge + 0.5, 0, 1) for s in (now, now + length))
                out[a:b] += (0.5 - 0.5 * np.cos(np.pi * rise)) - (0.5 - 0.5 * np.cos(np.pi * fall))
                down += max(0.0, min(now + length, t[-1]) - now)
                now += length + unit * max(0.4, 1 + 2 * scatter * rng.standard_normal())
            now += 2 * unit
        now += 4 * unit
    return out, down


def mains_turn(n: int, rate: float, start_hz: float, rng: np.random.Generator, wander_hz: float) -> Array:
    """Angle (n,) of mains that walks at random by ``wander_hz`` in ten seconds."""
    knots = np.arange(0, n / rate + 2, 1.0)
    hz = start_hz + np.cumsum(rng.standard_normal(knots.size)) * wander_hz / np.sqrt(10)
    return np.asarray(2 * np.pi * (np.cumsum(np.interp(np.arange(n) / rate, knots, hz)) / rate + rng.random()))


def draw_line(rng: np.random.Generator, offset_hz: float, dbc: float, order: int = 0) -> Line:
    """A line of the level; purely amplitude, purely angle or something between."""
    share = rng.choice([0.0, 1.0, rng.uniform(0.25, 0.75)])
    index = 2 * 10 ** (dbc / 20)
    first = rng.uniform(0, 2 * np.pi)
    # in quadrature by 45 degrees at least: in phase, the two would leave a single side
    second = first + rng.choice([0, np.pi]) + rng.uniform(-0.7, 0.7)
    return Line(offset_hz, index * np.sqrt(1 - share), index * np.sqrt(share), first, second, order)


def make(
    rng: np.random.Generator,
    *,
    keyed: bool,
    lines: str = "some",
    over_db: float | None = None,
    snr: tuple[float, float] = (15.0, 45.0),
    seconds: float = 20.0,
    speeds: tuple[float, float] = (8.0, 40.0),
    wander_hz: float | None = None,
) -> Made:
    """One recording.

    ``lines``: "some" (a mains family and one of its own), "none", "one" (``over_db`` the noise), "switching" (a
    converter's rate and some harmonics of it, which walk together by up to 2 Hz in ten seconds).
    """
    rate = int(rng.choice(RATES))
    n = round(seconds * rate)
    tone = rng.uniform(500, 1300)
    low, high = (rng.uniform(200, 330), rng.uniform(2400, 3200)) if rng.random() < 0.7 else (tone - 250, tone + 250)
    snr_db = rng.uniform(*snr)
    wpm = float(rng.uniform(*speeds)) if keyed else None
    mains = (50.0 if rng.random() < 0.5 else 60.0) + rng.uniform(-0.2, 0.2)
    turn = mains_turn(n, rate, mains, rng, rng.uniform(0, 0.05) if wander_hz is None else wander_hz)
    hz = float((turn[-1] - turn[0]) / (2 * np.pi) * rate / (n - 1))
    scatter = rng.choice([0.0, 0.05]) if keyed else 0.0
    envelope, down = keying(n, rate, wpm, rng, scatter) if wpm else (np.ones(n), seconds)
    made = Made(np.zeros(0, np.float32), rate, tone, wpm, snr_db, hz, down)
    reach = min(tone - low, high - tone) - 40

    drawn: list[Line] = []
    if lines == "some":
        top = rng.uniform(-45, -20)
        orders = {int(rng.choice([1, 2, 2]))} | {int(k) for k in rng.choice([1, 2, 3, 4, 6], rng.integers(0, 3))}
        for k in sorted(orders):
            if k * hz < reach:
                drawn.append(draw_line(rng, k * hz, max(-50.0, top - rng.uniform(0, 12)), k))
        if rng.random() < 0.4:
            drawn.append(draw_line(rng, _off_mains(rng, hz, reach), rng.uniform(-50, -20)))
    elif lines == "one":
        assert over_db is not None
        f, order = (hz * 2, 2) if rng.random() < 0.5 and 2 * hz < reach else (_off_mains(rng, hz, reach), 0)
        drawn.append(draw_line(rng, f, made.noise_dbc() + over_db, order))

    t = np.arange(n) / rate
    am, pm = np.zeros(n), np.zeros(n)
    turns = [line.order * turn if line.order else 2 * np.pi * line.offset_hz * t for line in drawn]
    if lines == "switching":
        drawn, turns = _converter(rng, n, rate, reach)
    for line, own in zip(drawn, turns, strict=True):
        a, p = line.wave(own)
        am, pm = am + a, pm + p
    factor = (1 + am) * np.exp(1j * pm)
    every = max(1, rate // 6000)
    carrier = factor.mean()
    for line, own in zip(drawn, turns, strict=True):
        e = np.exp(1j * own[::every])
        upper, lower = (np.mean((factor[::every] - carrier) * s) / carrier for s in (e.conj(), e))
        both, product = abs(upper) ** 2 + abs(lower) ** 2, 2 * (upper * lower).real
        sides = _db(abs(lower) ** 2), _db(abs(upper) ** 2)
        made.lines.append((line.offset_hz, _db(both / 2), float((both - product) / 2 / both), *sides))

    drift = 2 * np.pi * rng.uniform(-0.5, 0.5) / 60 * t**2 / 2
    x = envelope * np.real(factor * np.exp(1j * (2 * np.pi * tone * t + drift + rng.uniform(0, 6))))
    noise = rng.standard_normal(n) * np.sqrt(rate / 2 * 0.5 / 10 ** (snr_db / 10) / 2500)
    f = np.fft.rfftfreq(n, 1 / rate)
    outside = np.maximum(np.maximum(low - f, f - high), 0)
    gain = np.where(outside < 120, np.cos(np.pi / 2 * np.minimum(outside / 120, 1)) ** 2, 1e-3)
    x = np.fft.irfft(np.fft.rfft(x + noise) * gain, n)
    made.x = (0.2 * x + 2e-5 * rng.standard_normal(n)).astype(np.float32)
    return made


def _converter(rng: np.random.Generator, n: int, rate: int, reach: float) -> tuple[list[Line], list[Array]]:
    """Lines of a switching supply and their turns."""
    wander_hz = float(rng.choice([0.0, 0.02, 0.1, 0.5, 2.0]))
    turn = mains_turn(n, rate, _off_mains(rng, 50.0, min(reach / 2, 300.0)), rng, wander_hz)
    hz = float((turn[-1] - turn[0]) / (2 * np.pi) * rate / (n - 1))
    top = rng.uniform(-40, -20)
    orders = [k for k in (1, 2, 3) if k * hz < reach]
    drawn = [draw_line(rng, k * hz, top - rng.uniform(0, 6) * (k - 1)) for k in orders]
    return drawn, [k * turn for k in orders]


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-30)))


def _off_mains(rng: np.random.Generator, mains: float, reach: float) -> float:
    while True:
        f = float(rng.uniform(min(25.0, reach / 2), reach))
        if all(abs(f - m * round(f / m)) > 4 for m in (mains, 50, 60)):
            return f


@dataclass
class Found:
    """What was measured of one true line."""

    true: tuple[float, float, float, float, float]
    over_db: float
    bound_db: float
    keyed: bool
    wpm: float
    order: bool
    error_db: float | None = None
    error_hz: float = 0.0
    sigma_db: float = 0.0
    nature: str = ""
    family: str | None = None

    @property
    def nature_right(self) -> bool:
        """Nature as the shares have it, either of two beside a border."""
        _, _, share, lower, upper = self.true
        allowed = {"amplitude"} if share < 0.1 else {"angle"} if share > 0.9 else {"mixed"}
        if abs(share - 0.1) < 0.05:
            allowed |= {"amplitude", "mixed"}
        if abs(share - 0.9) < 0.05:
            allowed |= {"angle", "mixed"}
        if abs(lower - upper) > 8:
            allowed |= {"single"}
        return self.nature in allowed


def examine(made: Made) -> tuple[list[Found], list[tuple[float, float, str | None]], object]:
    """(what became of the true lines, false lines as (offset, level, family), all measurements)."""
    from sigcheck.measure.pipeline import measure
    from sigcheck.recording import from_samples

    m = measure(from_samples(made.x, made.rate)).measurements
    seen = [(b.offset_hz, b.level_dbc, b.level_dbc_sigma, b.nature, b.family) for b in m.lines.sidebands]
    tone = m.signal.tone_hz or made.tone_hz
    seen += [(abs(s.frequency_hz - tone), s.level_dbc, 0.0, "single", None) for s in m.lines.spurs]
    out = []
    taken = set()
    for line in made.lines:
        row = Found(line, line[1] - made.noise_dbc(), made.bound_db(line[1]), made.wpm is not None, made.wpm or 0.0,
                    abs(line[0] / made.mains_hz - round(line[0] / made.mains_hz)) < 0.002)  # fmt: skip
        near = [k for k, s in enumerate(seen) if abs(s[0] - line[0]) < 0.3 + 0.002 * line[0]]
        if near:
            k = max(near, key=lambda k: seen[k][1])
            taken |= set(near)
            offset, level, row.sigma_db, row.nature, row.family = seen[k]
            row.error_db = level - (line[1] if row.nature != "single" else max(line[3:]))
            row.error_hz = offset - line[0]
        out.append(row)
    truth = [line[0] for line in made.lines]
    own = {abs(a + s * b) for a in truth for b in truth for s in (-1, 1)}  # second-order products are true
    own |= {abs(2 * made.tone_hz - f) for f in own}  # what lies below 0 Hz is heard above it
    own |= {made.mains_hz * k for k in range(1, 21)} if any(r.order for r in out) else set()
    false = [(s[0], s[1], s[4]) for k, s in enumerate(seen)
             if k not in taken and min((abs(s[0] - f) for f in own), default=99.0) > 0.5 + 0.002 * s[0]]  # fmt: skip
    return out, false, m


def table(rows: list[Found]) -> str:
    """Errors by kind and height over the noise."""
    titles = ("kind", "over noise", "n", "found", "rms/bound", "<1 dB", "95% sigma", "<0.01 Hz", "nature")
    out = ["".join(f"{title:<12}" for title in titles)]
    for name, low, high in (("steady", 0, 1), ("8..15 WPM", 8, 15), ("15..25 WPM", 15, 25), ("25..40 WPM", 25, 41)):
        for a, b in ((10, 15), (15, 24), (24, 35), (35, 90)):
            these = [r for r in rows if low <= r.wpm < high and a <= r.over_db < b]
            found = [r for r in these if r.error_db is not None]
            if not found:
                continue
            e = np.array([r.error_db for r in found])
            bound = np.hypot([r.bound_db for r in found], 0.05)  # 0.05 dB: what the filter's own slope does
            sigma = np.hypot([r.sigma_db for r in found], 0.05)
            shares = (np.abs(e) < 1, np.abs(e) < 1.96 * sigma, [abs(r.error_hz) < 0.01 for r in found],
                      [r.nature_right for r in found])  # fmt: skip
            rms = f"{np.sqrt(np.mean((e / bound) ** 2)):.2f}"
            cells = [name, f"{a}..{b} dB", str(len(these)), str(len(found)), rms]
            out.append("".join(f"{cell:<12}" for cell in [*cells, *(f"{np.mean(share):.2f}" for share in shares)]))
    return "\n".join(out)


def run(n: int, seed: int, kind: str, keyed: float, over_db: float, tell: bool) -> tuple[list[Found], list[set[int]]]:
    """Make and examine ``n`` recordings: (true lines, recordings with a false line: any, of -50 dBc, of a mains)."""
    rows: list[Found] = []
    some: list[set[int]] = [set(), set(), set()]
    for k in range(n):
        rng = np.random.default_rng([seed, k])
        made = make(rng, keyed=bool(rng.random() < keyed), lines=kind, over_db=over_db)
        found, false, _ = examine(made)
        rows += found
        for _, level, family in false:
            some[0].add(k)
            if level > -50:
                some[1].add(k)
                if family in ("mains", "twice-mains"):
                    some[2].add(k)
        if tell:
            _tell(k, made, found, false)
    return rows, some


def _tell(k: int, made: Made, found: list[Found], false: list[tuple[float, float, str | None]]) -> None:
    about = f"{k}: wpm {made.wpm and round(made.wpm, 1)} snr {made.snr_db:.0f} rate {made.rate} tone {made.tone_hz:.0f}"
    for r in found:
        off = r.error_db is None or abs(r.error_db) > 3 * np.hypot(r.bound_db, 0.1)
        if (off and r.over_db > 15) or (r.error_db is not None and not r.nature_right):
            offset, level, share, *_ = r.true
            print(f"{about} line {offset:.2f} Hz {level:.1f} dBc share {share:.2f} over {r.over_db:.0f} dB: error "
                  f"{r.error_db} bound {r.bound_db:.2f} {r.nature} {r.family} {r.error_hz:.3f} Hz")  # fmt: skip
    for offset, level, family in false:
        print(f"{about} noise {made.noise_dbc():.1f} FALSE {offset:.2f} Hz {level:.1f} dBc {family}")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--n", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--what", choices=("levels", "clean", "weak"), default="levels")
    parser.add_argument("--over", type=float, default=15.0, help="dB over the noise of the weak line")
    parser.add_argument("--keyed", type=float, default=0.7, help="share of keyed recordings")
    parser.add_argument("--list-bad", action="store_true")
    given = parser.parse_args()
    kind = {"levels": "some", "clean": "none", "weak": "one"}[given.what]
    rows, (any_line, loud, mains) = run(given.n, given.seed, kind, given.keyed, given.over, given.list_bad)
    print(table(rows))
    print(f"{given.n} recordings: with a false line {len(any_line)}, of -50 dBc or more {len(loud)}, "
          f"of these called mains {len(mains)}")  # fmt: skip


if __name__ == "__main__":
    main()
