"""Audio in: formats, refusals, start times.

The layout of the broadcast extension chunk is that of EBU Tech 3285 (2011), of RF64 that of EBU Tech
3306 (2009), both from memory, not looked up; ISO 8601 forms likewise.
"""

from __future__ import annotations

import hashlib
import io
import os
import struct
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

import sigcheck
from sigcheck.errors import RecordingError
from sigcheck.plan import Plan
from sigcheck.recording import blocks, from_samples, load

RATE = 8000


def tone(seconds: float = 0.5, rate: int = RATE, level: float = 0.5) -> np.ndarray:
    return level * np.sin(2 * np.pi * 700.3 * np.arange(round(seconds * rate)) / rate)


def written(path: Path, samples: np.ndarray, rate: int = RATE, **how: str) -> Path:
    soundfile.write(path, samples, rate, **how)
    return path


# --- what is read ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "how", "bits"),
    [
        ("a.wav", {"subtype": "PCM_U8"}, 8),
        ("a.wav", {"subtype": "PCM_16"}, 16),
        ("a.wav", {"subtype": "PCM_24"}, 24),
        ("a.wav", {"subtype": "PCM_32"}, 32),
        ("a.wav", {"subtype": "FLOAT"}, None),
        ("a.wav", {"subtype": "DOUBLE"}, None),
        ("a.rf64", {"format": "RF64", "subtype": "PCM_16"}, 16),
        ("a.w64", {"format": "W64", "subtype": "PCM_16"}, 16),
        ("a.flac", {"subtype": "PCM_16"}, 16),
        ("a.flac", {"subtype": "PCM_24"}, 24),
        ("a.aiff", {"subtype": "PCM_16"}, 16),
        ("a.caf", {"format": "CAF", "subtype": "ALAC_16"}, 16),
    ],
)
def test_lossless_formats_come_back_sample_by_sample(
    tmp_path: Path, name: str, how: dict[str, str], bits: int | None
) -> None:
    steps = 2 ** (min(bits or 24, 24) - 1)  # float32 holds 24 bits
    exact = np.rint(steps * np.stack([tone(), -0.25 * tone()], axis=1)) / steps
    stored = exact if bits is None else np.int32(exact * 2.0**31)
    recording = load(written(tmp_path / name, stored, **how))
    assert recording.samples.dtype == np.float32
    assert np.array_equal(recording.samples, exact)
    assert (recording.bits, recording.lossy, recording.steps, recording.notes) == (bits, False, (), ())
    assert recording.sha256 == hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()
    assert recording.duration_s == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("name", "subtype"), [("a.ogg", "VORBIS"), ("a.ogg", "OPUS"), ("a.mp3", "MPEG_LAYER_III")]
)
def test_lossy_formats_are_read_and_named_as_such(tmp_path: Path, name: str, subtype: str) -> None:
    recording = load(written(tmp_path / name, tone(2.0, level=0.98), subtype=subtype))
    assert recording.lossy
    assert recording.bits is None
    # The tone is there at its level: rms within 1 dB, which no codec at its usual rate misses.
    assert np.std(recording.samples) == pytest.approx(0.98 / np.sqrt(2), rel=0.12)


def test_samples_beyond_full_scale_are_taken_as_they_are(tmp_path: Path) -> None:
    recording = load(written(tmp_path / "a.wav", 3 * tone(), subtype="FLOAT"))
    assert np.abs(recording.samples).max() == pytest.approx(1.5, rel=1e-3)


@pytest.mark.parametrize("rate", [6000, 11025, 48000, 192000])
def test_rates_are_kept(tmp_path: Path, rate: int) -> None:
    recording = load(written(tmp_path / "a.wav", tone(0.1, rate), rate))
    assert recording.sample_rate_hz == rate
    assert recording.n_samples == round(0.1 * rate)


def test_many_channels_and_one_sample(tmp_path: Path) -> None:
    wide = load(written(tmp_path / "wide.wav", np.tile(tone()[:, None], (1, 64))))
    assert wide.n_channels == 64
    assert np.array_equal(wide.channel(63), wide.channel(0))
    assert load(written(tmp_path / "one.wav", np.array([0.25]))).samples.tolist() == [[0.25]]


def test_a_channel_is_contiguous_and_nothing_can_be_written(tmp_path: Path) -> None:
    recording = load(written(tmp_path / "a.wav", np.stack([tone(), tone()], axis=1)))
    one = recording.channel(1)
    assert one.flags.c_contiguous
    for array in (one, recording.samples):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0
    with pytest.raises(RecordingError, match=r"a\.wav: no channel 2; it has channels 0 to 1"):
        recording.channel(2)
    with pytest.raises(RecordingError, match="no channel -1"):
        recording.channel(-1)


def test_a_flac_stream_of_unknown_length_is_read_whole(tmp_path: Path) -> None:
    path = written(tmp_path / "a.flac", tone())
    head = bytearray(path.read_bytes())
    # Written to a pipe: STREAMINFO's 36 bits of total samples are 0 (RFC 9639, 8.2).
    head[8 + 13] &= 0xF0
    head[8 + 14 : 8 + 18] = bytes(4)
    path.write_bytes(head)
    assert load(path).n_samples == tone().size


def test_what_a_wav_file_lacks_of_its_promise_is_noted(tmp_path: Path) -> None:
    path = written(tmp_path / "a.wav", tone(1.0))
    path.write_bytes(path.read_bytes()[: 44 + RATE])  # half of the 16-bit samples
    recording = load(path)
    assert recording.duration_s == pytest.approx(0.5)
    assert recording.notes == ("the file ends 0.5 s before the length that its header promises",)


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0x7FFFF000])
def test_a_wav_stream_without_a_length_promises_nothing(tmp_path: Path, size: int) -> None:
    path = written(tmp_path / "a.wav", tone())
    data = bytearray(path.read_bytes())
    data[40:44] = struct.pack("<I", size)
    path.write_bytes(data)
    recording = load(path)
    assert (recording.n_samples, recording.notes) == (tone().size, ())


# --- what is refused -------------------------------------------------------------------------


def _refused(path: str | os.PathLike[str], *words: str) -> None:
    with pytest.raises(RecordingError) as caught:
        load(path)
    message = str(caught.value)
    assert "\n" not in message
    for word in (Path(path).name, *words):
        assert word in message


def test_each_kind_of_unusable_file_has_its_own_line(tmp_path: Path) -> None:
    _refused(tmp_path / "missing.wav", "no such file", "check the name")
    _refused(tmp_path, "is a folder")
    (tmp_path / "empty.wav").touch()
    _refused(tmp_path / "empty.wav", "is empty")
    (tmp_path / "text.wav").write_text("a letter, renamed\n" * 50)
    _refused(tmp_path / "text.wav", "no readable sound file", "WAV or FLAC")
    _refused(written(tmp_path / "none.wav", np.zeros(0)), "no samples")
    _refused(written(tmp_path / "slow.wav", tone(), 4000), "4000 Hz", "6 to 192 kHz")
    _refused(written(tmp_path / "fast.wav", tone(), 384000), "384000 Hz", "6 to 192 kHz")


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_numbers_are_refused_with_their_place(tmp_path: Path, value: float) -> None:
    samples = np.stack([tone(), tone()], axis=1)
    samples[800, 1] = value
    _refused(written(tmp_path / "a.wav", samples, subtype="FLOAT"), "1 samples", "0.1000 s", "channel 1")


def test_large_but_finite_samples_are_no_error(tmp_path: Path) -> None:
    recording = load(written(tmp_path / "a.wav", np.full(1000, 3e30), subtype="FLOAT"))
    assert recording.samples.max() == pytest.approx(3e30)


@pytest.mark.parametrize("share", [0.02, 0.5, 0.99])
def test_a_cut_off_flac_is_refused(tmp_path: Path, share: float) -> None:
    noise = np.random.default_rng(1).normal(0, 0.1, 4 * RATE)
    path = written(tmp_path / "a.flac", noise)
    path.write_bytes(path.read_bytes()[: round(share * path.stat().st_size)])
    _refused(path, "copy it again")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_refused_without_waiting_for_it(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    _refused(tmp_path / "pipe.wav", "not an ordinary file")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path / "a.wav", tone())
    path.chmod(0)
    _refused(path, "no permission")


@pytest.mark.parametrize("name", ["a\0b.wav", "x" * 5000, "line\nbreak.wav"])
def test_names_that_no_file_has_give_one_line(name: str) -> None:
    with pytest.raises(RecordingError) as caught:
        load(name)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 400


def _bytes_of(format_: str, subtype: str) -> bytes:
    store = io.BytesIO()
    soundfile.write(store, tone(0.2), RATE, format=format_, subtype=subtype)
    return store.getvalue()


FILES = [
    _bytes_of(*form)
    for form in (
        ("WAV", "PCM_16"),
        ("WAV", "IMA_ADPCM"),
        ("RF64", "FLOAT"),
        ("W64", "PCM_24"),
        ("FLAC", "PCM_16"),
        ("OGG", "VORBIS"),
        ("MP3", "MPEG_LAYER_III"),
        ("AIFF", "PCM_16"),
        ("CAF", "ALAC_16"),
    )
]


@given(
    whole=st.sampled_from(FILES),
    changes=st.lists(st.tuples(st.floats(0, 1), st.binary(min_size=1, max_size=8)), max_size=4),
    in_head=st.booleans(),
    kept=st.floats(0.01, 1),
)
def test_damaged_files_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory,
    whole: bytes,
    changes: list[tuple[float, bytes]],
    in_head: bool,
    kept: float,
) -> None:
    data = bytearray(whole)
    for place, new in changes:
        at = int(place * (min(120, len(data)) if in_head else len(data)))
        data[at : at + len(new)] = new
    _read_or_refused(tmp_path_factory, bytes(data[: max(1, int(kept * len(data)))]))


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    _read_or_refused(tmp_path_factory, data)


@given(st.binary(max_size=200))
def test_any_bytes_after_a_wav_head_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    _read_or_refused(tmp_path_factory, FILES[0][:36] + data)


def _read_or_refused(factory: pytest.TempPathFactory, data: bytes) -> None:
    path = factory.getbasetemp() / "any.wav"
    path.write_bytes(data)
    try:
        recording = load(path)
    except RecordingError as error:
        assert str(error).isprintable()
    else:
        assert recording.n_samples > 0
        assert np.isfinite(recording.samples).all()


# --- arrays and blocks -----------------------------------------------------------------------


def test_arrays_of_integers_are_scaled_to_full_scale_and_floats_are_not() -> None:
    whole = from_samples(np.array([-32768, 0, 16384], np.int16), RATE)
    assert whole.samples.ravel().tolist() == [-1.0, 0.0, 0.5]
    assert whole.bits == 16
    assert from_samples([2.0, -3.0], RATE).samples.ravel().tolist() == [2.0, -3.0]


def test_an_array_is_copied() -> None:
    own = tone().astype(np.float32)
    recording = from_samples(own, RATE)
    own[:] = 0
    assert recording.samples.max() > 0.4
    assert recording.sha256 == hashlib.sha256(recording.samples.tobytes()).hexdigest()


@pytest.mark.parametrize(
    ("samples", "rate", "what"),
    [
        (np.zeros(0), RATE, "shape"),
        (np.zeros((2, 2, 2)), RATE, "shape"),
        (np.zeros(5, np.uint8), RATE, "type uint8"),
        (np.zeros(5, complex), RATE, "type complex"),
        (np.array([0, np.nan]), RATE, "no numbers"),
        (np.array([0, 1e300]), RATE, "no numbers or infinite"),
        (np.zeros(5), 5999, "6 to 192 kHz"),
        (np.zeros(5), float("nan"), "6 to 192 kHz"),
    ],
)
def test_unusable_arrays_are_refused(samples: np.ndarray, rate: float, what: str) -> None:
    with pytest.raises(RecordingError, match=what):
        from_samples(samples, rate)


def test_an_array_s_start_needs_a_zone() -> None:
    with pytest.raises(RecordingError, match="no zone"):
        from_samples(tone(), RATE, start_utc=datetime(2026, 11, 1, 10, 2))
    start = from_samples(tone(), RATE, start_utc=datetime(2026, 11, 1, 10, 2, tzinfo=UTC))
    assert start.start_utc_sigma_s == pytest.approx(1 / np.sqrt(12), abs=0.002)  # a uniform second


@pytest.mark.parametrize("overlap_s", [0.0, 0.03])
@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_blocks_together_are_the_whole(tmp_path: Path, name: str, overlap_s: float) -> None:
    path = written(tmp_path / name, np.stack([tone(1.0), -tone(1.0)], axis=1))
    whole = load(path).samples
    kept = round(overlap_s * RATE)
    pieces = list(blocks(path, 0.125, overlap_s=overlap_s))
    joined = np.concatenate([pieces[0].samples, *(p.samples[kept:] for p in pieces[1:])])
    assert np.array_equal(joined, whole)
    for piece in pieces:
        at = round(piece.start_s * RATE)
        assert np.array_equal(piece.samples, whole[at : at + len(piece.samples)])


def test_blocks_of_damaged_files_end_with_an_error(tmp_path: Path) -> None:
    path = written(tmp_path / "a.flac", np.random.default_rng(1).normal(0, 0.1, 4 * RATE))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(RecordingError, match="copy it again"):
        for _ in blocks(path, 0.5):
            pass
    with pytest.raises(RecordingError, match="choose less"):
        next(blocks(path, 0.5, overlap_s=0.5))


# --- when it began ---------------------------------------------------------------------------

NOON = datetime(2026, 11, 1, 10, 2, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("name", "utc", "sigma_s"),
    [
        ("20261101T100200Z", NOON, 0.29),
        ("shed-20261101T100200Z-40m", NOON, 0.29),
        ("2026-11-01T10:02:00Z", NOON, 0.29),
        ("2026-11-01T10-02-00Z", NOON, 0.29),
        ("2026-11-01_10.02.00Z", NOON, 0.29),
        ("20261101T110200+0100", NOON, 0.29),
        ("20261101T053200-04:30", NOON, 0.29),
        ("20261101T100200.250Z", NOON + timedelta(seconds=0.25), 0.05),
        ("20261101T100200,25Z", NOON + timedelta(seconds=0.25), 0.05),
        ("20261101T1002Z", NOON, 60 / np.sqrt(12)),
        ("20261101T100200Z to 20261101T100400Z", NOON, 0.29),
    ],
)
def test_start_from_the_name(tmp_path: Path, name: str, utc: datetime, sigma_s: float) -> None:
    recording = load(written(tmp_path / f"{name}.wav", tone()))
    assert recording.start_utc == utc
    assert recording.start_utc_sigma_s == pytest.approx(sigma_s, rel=0.01)
    assert (recording.start_utc_source, recording.notes) == ("file-name", ())


@pytest.mark.parametrize("name", ["20261101T100200", "2026-11-01 10-02-00", "20261101T100200-01"])
def test_a_name_without_a_zone_is_not_used_and_said(tmp_path: Path, name: str) -> None:
    recording = load(written(tmp_path / f"{name}.wav", tone()))
    assert recording.start_utc is None
    assert recording.start_utc_sigma_s is None
    assert recording.notes == (
        "the time in the file's name (2026-11-01 10:02:00) has no zone and was not used",
    )


@pytest.mark.parametrize(
    "name", ["20261301T100200Z", "120261101T100200Z", "take 20261101", "10138700Hz", "00000101T000000+0100"]
)
def test_what_is_no_time_in_a_name_is_not_one(tmp_path: Path, name: str) -> None:
    recording = load(written(tmp_path / f"{name}.wav", tone()))
    assert (recording.start_utc, recording.notes) == (None, ())


@pytest.mark.parametrize("name", ["a.flac", "a.ogg"])
@pytest.mark.parametrize(
    ("tag", "utc"),
    [
        ("2026-11-01T10:02:00Z", NOON),
        ("2026-11-01T11:02:00.5+01:00", NOON + timedelta(seconds=0.5)),
        ("2026-11-01T10:02:00", None),
        ("2026", None),
    ],
)
def test_start_from_the_date_tag(tmp_path: Path, name: str, tag: str, utc: datetime | None) -> None:
    path = tmp_path / name
    with soundfile.SoundFile(path, "w", RATE, 1) as file:
        file.date = tag
        file.write(tone())
    recording = load(path)
    assert recording.start_utc == utc
    assert recording.start_utc_source == ("date-tag" if utc else None)
    assert len(recording.notes) == (utc is None and len(tag) > 4)


def bext(
    date: bytes = b"2026-11-01", time: bytes = b"10:02:00", words: bytes = b"", since_midnight: int = 0
) -> bytes:
    head = struct.pack("<256s32s32s10s8sQH", words, b"recorder", b"", date, time, since_midnight, 1)
    return head.ljust(602, b"\0") + b"A=PCM,F=8000\r\n"


def with_bext(path: Path, chunk: bytes, *, rf64: bool = False, last: bool = False) -> Path:
    """A WAV or RF64 file with a bext chunk before or after its samples."""
    pcm = np.int16(32767 * tone()).tobytes()
    form = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, RATE, 2 * RATE, 2, 16)
    ext = b"bext" + struct.pack("<I", len(chunk)) + chunk + b"\0" * (len(chunk) % 2)
    if rf64:
        sizes = b"ds64" + struct.pack("<IQQQI", 28, 0, len(pcm), len(pcm) // 2, 0)
        body = b"WAVE" + sizes + ext + form + b"data\xff\xff\xff\xff" + pcm
        path.write_bytes(b"RF64\xff\xff\xff\xff" + body)
        return path
    data = b"data" + struct.pack("<I", len(pcm)) + pcm
    body = b"WAVE" + (form + data + ext if last else ext + form + data)
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return path


@pytest.mark.parametrize("rf64", [False, True])
def test_a_bext_chunk_has_no_zone_and_is_said_to_be_unused(tmp_path: Path, rf64: bool) -> None:
    recording = load(with_bext(tmp_path / "a.wav", bext(), rf64=rf64))
    assert recording.n_samples == tone().size
    assert recording.start_utc is None
    assert recording.notes == (
        "the time in the bext chunk (2026-11-01 10:02:00) has no zone and was not used",
    )


@pytest.mark.parametrize("last", [False, True])
@pytest.mark.parametrize(
    ("time", "words"),
    [
        (b"10:02:00", b"shed, times in UTC"),
        (b"12-02-00", b"UTC+2"),
        (b"05_32_00", b"clock GMT-04:30"),
    ],
)
def test_a_bext_chunk_that_names_its_zone_is_used(
    tmp_path: Path, last: bool, time: bytes, words: bytes
) -> None:
    recording = load(with_bext(tmp_path / "a.wav", bext(time=time, words=words), last=last))
    assert recording.start_utc == NOON
    assert (recording.start_utc_source, recording.start_utc_sigma_s) == ("bext", 0.29)


def test_a_bext_chunk_refines_what_the_name_says(tmp_path: Path) -> None:
    # Local time two hours ahead; the count of samples since midnight knows the quarter second.
    since_midnight = (12 * 3600 + 2 * 60) * RATE + RATE // 4
    chunk = bext(time=b"12:02:00", since_midnight=since_midnight)
    recording = load(with_bext(tmp_path / "20261101T100200Z.wav", chunk))
    assert recording.start_utc == NOON + timedelta(seconds=0.25)
    assert (recording.start_utc_source, recording.start_utc_sigma_s) == ("bext", 0.05)


def test_a_bext_time_that_no_zone_explains_is_not_used(tmp_path: Path) -> None:
    recording = load(with_bext(tmp_path / "20261101T100200Z.wav", bext(time=b"12:09:30")))
    assert (recording.start_utc, recording.start_utc_source) == (NOON, "file-name")
    assert "bext chunk" in recording.notes[0]


def test_a_count_that_does_not_fit_the_written_time_is_left_alone(tmp_path: Path) -> None:
    chunk = bext(words=b"UTC", since_midnight=2**63)
    assert load(with_bext(tmp_path / "a.wav", chunk)).start_utc == NOON


@pytest.mark.parametrize("chunk", [b"", bext()[:100], bext(date=b"2026-13-01"), bext(date=b"\xff" * 10)])
def test_a_damaged_bext_chunk_is_no_time(tmp_path: Path, chunk: bytes) -> None:
    recording = load(with_bext(tmp_path / "a.wav", chunk))
    assert (recording.start_utc, recording.notes) == (None, ())


def test_the_plan_s_start_wins(tmp_path: Path) -> None:
    path = written(tmp_path / "20261101T100200Z.wav", tone())
    start = datetime(2026, 11, 2, 3, 4, 5, 250_000, tzinfo=UTC)
    plan = Plan.from_dict({"recorder": {"start_utc": start, "start_utc_sigma_s": 0.3}})
    recording = load(path, plan=plan)
    assert recording.start_utc == start
    assert (recording.start_utc_source, recording.start_utc_sigma_s) == ("plan", 0.3)
    assert load(path, plan=Plan()).start_utc == NOON
    fine = Plan.from_dict({"recorder": {"start_utc": start}})
    assert load(path).with_plan(fine).start_utc_sigma_s == 0.05


def test_times_that_disagree_are_said(tmp_path: Path) -> None:
    path = tmp_path / "20261101T100200Z.flac"
    with soundfile.SoundFile(path, "w", RATE, 1) as file:
        file.date = "2026-11-01T11:00:00Z"
        file.write(tone())
    recording = load(path)
    assert recording.start_utc_source == "date-tag"
    assert "disagree" in recording.notes[0]


def test_the_public_names_are_the_same_objects() -> None:
    assert sigcheck.load is load
    assert sigcheck.from_samples is from_samples
