"""Which pictures a result gets, with caption and alternative text.

Here the result's numbers meet the arrays of `Views`; `figures` only draws.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from sigcheck.judge.limits import Limit
from sigcheck.quantities import show
from sigcheck.report import figures
from sigcheck.report.figures import Mark
from sigcheck.report.gauges import limit_table
from sigcheck.report.words import minus

if TYPE_CHECKING:
    from sigcheck.measure.views import Views

Result = Mapping[str, Any]


@dataclass(frozen=True)
class Picture:
    """One figure: ``svg`` is markup made by `figures`, the texts are plain."""

    name: str
    title: str
    caption: str
    svg: str


def pictures(result: Result, views: Views) -> tuple[list[Picture], list[str]]:
    """Pictures in the order of the page, and the titles of those that the recording does not allow."""
    made, missing = [], []
    for name, (title, draw) in _PICTURES.items():
        drawn = draw(result, views)
        if drawn is None:
            missing.append(title)
        elif drawn:
            caption, svg = drawn
            made.append(Picture(name, title, minus(caption), svg))
    return made, missing


Drawn = tuple[str, str] | tuple[()] | None
"""Caption and SVG; nothing, where the picture would say nothing; None where it can't be drawn."""


def _number(result: Result, path: str) -> str:
    family, _, name = path.partition(".")
    values = result.get(family) or {}
    return minus(show(path, values.get(name), values.get(f"{name}_sigma")))


def _list(result: Result, family: str, name: str | None = None) -> Sequence[Mapping[str, Any]]:
    values = result.get(family) or {}
    found: Any = values if name is None else values.get(name)
    return found or ()


def _spectrogram(result: Result, views: Views) -> Drawn:
    view = views.spectrogram
    if view is None:
        return None
    lines = []
    if (tone := result["signal"].get("tone_hz")) is not None:
        lines.append(Mark(tone, f"tone {tone:.0f}"))
    lines += [Mark(o["frequency_hz"], f"other {o['frequency_hz']:.0f}") for o in _by_level(result, "others")]
    lines += [Mark(s["frequency_hz"], f"line {s['frequency_hz']:.0f}") for s in _by_level(result, "spurs")]
    if (hum := _audible_hum(result)) is not None:
        lines.append(Mark(hum, f"hum {hum:.0f}"))
    events = [Mark(d["time_s"], "gap") for d in _list(result, "recording", "dropouts")]
    events += [Mark(s["time_s"], "jump") for s in _list(result, "drift", "steps")]
    tone_text = f"The tone at {_number(result, 'signal.tone_hz')}" if tone is not None else "No tone was found"
    caption = f"Level against time and frequency. {tone_text}."
    if any(view.hz[0] <= line.x <= view.hz[-1] and line.x != tone for line in lines):
        caption += " What else was heard is named at the right."
    if events:
        caption += " Gaps and jumps are marked along the top."
    alt = f"Spectrogram of {show('recording.duration_s', result['recording'].get('duration_s'))}. {tone_text}."
    return caption, figures.spectrogram(view, alt, lines=lines, events=events)


# A weaker line is in the tables, but not to be seen in a picture of the whole audio.
_VISIBLE_DBC = -60.0


def _audible_hum(result: Result) -> float | None:
    """Frequency of the strongest additive mains line, where it can be seen."""
    level = result["purity"].get("hum_dbc")
    return None if level is None or level < _VISIBLE_DBC else result["purity"].get("hum_hz")


def _by_level(result: Result, name: str) -> list[Mapping[str, Any]]:
    return sorted(_list(result, name), key=lambda line: -line["level_dbc"])


def _beside(result: Result, views: Views) -> Drawn:
    view = views.beside
    if view is None:
        return None
    named = []
    for line in _by_level(result, "sidebands"):
        for sign, side in ((-1, "lower_dbc"), (1, "upper_dbc")):
            if line[side] is not None:
                label = minus(f"{sign * line['offset_hz']:.0f}")
                named.append(Mark(sign * line["offset_hz"], label, line[side]))
    limit: Limit = limit_table(result)["hum-sidebands"]
    strongest = _by_level(result, "sidebands")[:1]
    if strongest:
        level = show("sidebands.level_dbc", strongest[0]["level_dbc"], strongest[0]["level_dbc_sigma"])
        seen = f"Strongest line {strongest[0]['offset_hz']:.0f} Hz beside the tone, {level}."
    else:
        seen = "No line stands out beside the tone."
    width = f"Noise reads as its power in {float(view.noise_bandwidth_hz):.1f} Hz."
    caption = f"{seen} Key-down only, the tone itself taken out. {width}"
    alt = f"Spectrum beside the tone. {seen}"
    return caption, figures.beside(view, alt, named=named, note=limit.note, fault=limit.fault)


def _modulation(result: Result, views: Views) -> Drawn:
    view = views.beside
    lines = _by_level(result, "sidebands")
    if view is None:
        return None
    if not lines:
        return ()
    natures = sorted({line["nature"] for line in lines})
    named = [Mark(s["offset_hz"], f"{s['offset_hz']:.0f}") for s in lines]
    words = {
        "amplitude": "amplitude",
        "angle": "angle",
        "mixed": "amplitude and angle",
        "single": "one side only",
    }
    kinds = ", ".join(words.get(n, n) for n in natures)
    caption = f"Supply hum shows in amplitude first, magnetic fields in angle. These lines: {kinds}."
    return caption, figures.modulation(view, f"Spectra of amplitude and angle. Lines: {kinds}.", named=named)


def _edges(result: Result, views: Views) -> Drawn:
    keying = result["keying"]
    if views.on_edge is None and views.off_edge is None:
        return None
    if keying.get("rise_s") is None and keying.get("fall_s") is None:
        return None
    rise, fall = _number(result, "keying.rise_s"), _number(result, "keying.fall_s")
    counts = [int(e.averaged) for e in (views.on_edge, views.off_edge) if e is not None]
    caption = (
        f"Average of {max(counts)} elements. Rise {rise}, fall {fall} (10 to 90 %, dots); "
        f"the passband alone would give {_number(result, 'keying.rise_limit_s')}."
    )
    alt = f"Average edges of the keying. Rise {rise}, fall {fall}."
    return caption, figures.edges(views.on_edge, views.off_edge, alt, rise=rise, fall=fall)


def _chirp(result: Result, views: Views) -> Drawn:
    edge, chirp_hz = views.on_edge, result["keying"].get("chirp_hz")
    if edge is None or chirp_hz is None or not np.isfinite(edge.frequency_hz).any():
        return None
    text = _number(result, "keying.chirp_hz")
    caption = f"A clean element keeps to the line from the start. Chirp at half amplitude: {text}."
    alt = f"Frequency as the key goes down. Chirp {text}."
    return caption, figures.chirp(edge, alt, chirp_hz=chirp_hz, label=f"chirp {text}")


def _elements(result: Result, views: Views) -> Drawn:
    if views.stretch is None:
        return None
    caption = f"Dit {_number(result, 'keying.dit_s')}, {_number(result, 'keying.wpm')}."
    return caption, figures.elements(views.stretch, f"Amplitude of some elements. {caption}")


def _track(result: Result, views: Views) -> Drawn:
    points = _list(result, "drift", "track")
    if len(points) < 3:
        return None
    fit = np.array(result["drift"].get("fit_hz") or (), float)
    t, hz, sigma = (np.array([p[k] for p in points], float) for k in ("time_s", "hz", "hz_sigma"))
    rate, model = _number(result, "drift.rate_hz_per_min"), result["drift"].get("model")
    steps = [
        Mark(s["time_s"], minus(show("drift.steps.size_hz", s["size_hz"]))) for s in _list(result, "drift", "steps")
    ]
    course = f" The line is the fitted course ({model})." if model and fit.size == t.size else ""
    caption = f"Drift {rate}.{course} Shaded: 95 % interval of each point."
    svg = figures.track(t, hz, sigma, fit, f"Frequency against time. Drift {rate}.", label=rate, steps=steps)
    return caption, svg


def _stability(result: Result, views: Views) -> Drawn:
    points = _list(result, "drift", "allan")
    if len(points) < 3:
        return ()
    tau, adev = (np.array([p[k] for p in points], float) for k in ("tau_s", "adev_hz"))
    ends = [[p[k] for p in points] for k in ("low_hz", "high_hz")]
    known = all(v is not None for end in ends for v in end)
    low, high = (np.array(end, float) for end in ends) if known else (None, None)
    caption = "How far two neighbouring averages of the frequency differ; falling is noise, rising is drift."
    return caption, figures.stability(tau, adev, "Allan deviation against averaging time.", low_hz=low, high_hz=high)


def _skirt(result: Result, views: Views) -> Drawn:
    if views.skirt is None:
        return None
    points = _list(result, "purity", "skirt")
    if len(points) >= 3:
        offset, density = (np.array([p[k] for p in points], float) for k in ("offset_hz", "dbc_hz"))
    else:
        offset, density = views.skirt.offset_hz, views.skirt.dbc_hz
    parts = [(p["offset_hz"], p["am_dbc_hz"], p["pm_dbc_hz"]) for p in points]
    additive = float(views.skirt.additive_dbc_hz)
    caption = "What stands above the added noise comes with the tone: from the transmitter or the receiver."
    alt = f"Noise density beside the tone; the added noise is {minus(f'{additive:.0f}')} dBc/Hz."
    return caption, figures.skirt(offset, density, additive, alt, parts=parts)


def _audio(result: Result, views: Views) -> Drawn:
    view = views.audio
    if view is None:
        return None
    tone = result["signal"].get("tone_hz") or 0.0
    named = [Mark(tone, "tone")]
    named += [Mark(o["frequency_hz"], f"{o['frequency_hz']:.0f}") for o in _by_level(result, "others")]
    named += [Mark(h["order"] * tone, f"{h['order']} ×") for h in _list(result, "purity", "harmonics")]
    if (hum := _audible_hum(result)) is not None:
        named.append(Mark(hum, "hum"))
    up = "what stays when the key is up was added to the signal; " if view.up_dbc.size else ""
    purity = result["purity"]
    floor = purity.get("thd_floor_db")
    thd = _number(result, "purity.thd_db")
    if purity.get("thd_db") is None and floor is not None:
        thd = minus(f"below {show('purity.thd_floor_db', floor)}")
    caption = f"The whole audio: {up}multiples of the tone are distortion (all together {thd})."
    return caption, figures.audio(view, f"Audio spectrum. Harmonic distortion {thd}.", named=named)


def _symbols(result: Result, views: Views) -> Drawn:
    view = views.symbols
    if view is None:
        return ()  # only a four-tone slot has them
    clear = show("slot.symbol_clarity", (result.get("slot") or {}).get("symbol_clarity"))
    caption = f"Each bar is a symbol, each line a tone as it drifts. Clarity {clear}, spacing "
    caption += f"{_number(result, 'slot.tone_spacing_hz')}. Open squares: most energy lies elsewhere."
    return caption, figures.symbols(view, f"Frequency of each symbol of the slot. Clarity {clear}.")


def _tones(result: Result, views: Views) -> Drawn:
    view = views.tones
    if view is None:
        return ()  # only shifted keying has them
    text = (result.get("keying") or {}).get("text")
    read = f"Read as “{text}”. " if text else "No text was read. "
    for other in (result.get("keying") or {}).get("other_readings") or ():
        read += f"If the two tones are exchanged, it says “{other}”. "
    caption = f"{read}Each bar is a stretch on one of the two tones, {_number(result, 'slot.shift_hz')} apart. "
    caption += "Open squares: most energy lies elsewhere."
    return caption, figures.tones(view, f"Which of the two tones was on. {read.strip()}")


# Below this the level is steady to the eye, and a picture of it is a straight line.
_STEADY_DB = 2.0


def _level(result: Result, views: Views) -> Drawn:
    spread = result["signal"].get("level_range_db")
    if views.level is None or spread is None:
        return None
    if spread < _STEADY_DB:
        return ()
    caption = f"Range {_number(result, 'signal.level_range_db')}, keying taken out."
    return caption, figures.level(views.level, f"Key-down level against time. {caption}")


_PICTURES = {
    "spectrogram": ("The recording", _spectrogram),
    "beside": ("Beside the tone", _beside),
    "modulation": ("Amplitude or angle", _modulation),
    "edges": ("Edges of the keying", _edges),
    "chirp": ("Frequency as the key goes down", _chirp),
    "elements": ("Typical elements", _elements),
    "track": ("Frequency against time", _track),
    "symbols": ("Symbols of the slot", _symbols),
    "tones": ("The two tones", _tones),
    "stability": ("Stability", _stability),
    "audio": ("Key down and key up", _audio),
    "skirt": ("Noise beside the tone", _skirt),
    "level": ("Level against time", _level),
}
PICTURE_TITLES = tuple(title for title, _ in _PICTURES.values())
