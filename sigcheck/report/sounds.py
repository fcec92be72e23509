"""The players of a page: short clips, encoded small, inside the page itself."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sigcheck.quantities import show

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from sigcheck.measure.sound import Sound

# MP3 first, as every browser plays it and the same samples give the same bytes; then what a
# library built without it can do. The names are libsndfile's.
_CODINGS = (("MP3", "MPEG_LAYER_III", "audio/mpeg"), ("OGG", "VORBIS", "audio/ogg"), ("WAV", "PCM_16", "audio/wav"))
_COMPRESSION = 0.2  # of 0..1: some 5 kB a second, and weak noise beside a tone is still there


@dataclass(frozen=True)
class Clip:
    """One player: ``source`` is a ``data:`` address, the texts are plain."""

    name: str
    title: str
    caption: str
    source: str
    seconds: float


def clips(sound: Sound | None, *, name: str = "", faulty: bool = True) -> list[Clip]:
    """What was heard, what is wrong with it, the clean signal; as many of them as there are.

    Parameters
    ----------
    name : put before the clips' own names, where a page has several recordings.
    faulty : whether anything was found wrong; else the second is only what the tone leaves.
    """
    if sound is None:
        return []
    rate_hz, start_s = int(sound.rate_hz), float(sound.start_s)
    seconds = sound.heard.size / rate_hz
    raised_db = float(sound.raised_db)
    change = f"raised by {raised_db:.0f} dB" if raised_db > 0.5 else "not raised"
    when = f"{show('recording.duration_s', seconds)} from {show('drift.steps.time_s', start_s)} on"
    rest = "What is wrong with it" if faulty else "All but the tone"
    texts = (
        ("heard", "As recorded", f"{when}.", sound.heard),
        ("wrong", rest, f"The same without the clean tone, {change}; noise stays in.", sound.wrong),
        ("clean", "As it should sound", "The same elements, steady, with soft edges.", sound.clean),
    )
    return [
        Clip(name + key, title, caption, encoded(samples, rate_hz), samples.size / rate_hz)
        for key, title, caption, samples in texts
        if samples.size
    ]


def clips_of_two(before: Sound | None, after: Sound | None) -> list[Clip]:
    """As recorded and what is wrong, before and after side by side; none unless there are both."""
    if before is None or after is None:
        return []
    from sigcheck.measure.sound import raised_alike

    if before.wrong.size and after.wrong.size:
        before, after = raised_alike(before, after)
    one, two = clips(before, name="before-"), clips(after, name="after-")
    return [
        replace(clip, title=f"{clip.title}, {when}")
        for pair in zip(one[:2], two[:2], strict=False)
        for clip, when in zip(pair, ("before", "after"), strict=True)
    ]


def encoded(samples: NDArray[np.int16], rate_hz: int) -> str:
    """A clip (n,) as a ``data:`` address, in the first coding that the library can write."""
    import soundfile

    for container, coding, kind in _CODINGS:
        if soundfile.check_format(container, coding):
            settings: dict[str, Any] = {} if container == "WAV" else {"compression_level": _COMPRESSION}
            out = io.BytesIO()
            soundfile.write(out, samples, rate_hz, format=container, subtype=coding, **settings)
            return f"data:{kind};base64,{base64.b64encode(out.getvalue()).decode()}"
    raise AssertionError("libsndfile always writes WAV")
