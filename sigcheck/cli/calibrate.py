"""``sigcheck calibrate``: find the errors of receiver and recorder from a recording of something known."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sigcheck.cli.diagnose import _decoders_silenced

if TYPE_CHECKING:
    from sigcheck.calibration import Calibration
    from sigcheck.plan import Receiver


def calibrate(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="A time-signal station, a carrier of known frequency, or a reference.")
    ],
    true_hz: Annotated[
        float | None, typer.Option(metavar="HZ", help="Frequency of the carrier that is heard, on the air.")
    ] = None,
    dial_hz: Annotated[float | None, typer.Option(metavar="HZ", help="What the receiver's dial showed.")] = None,
    sideband: Annotated[str | None, typer.Option(metavar="usb|lsb", help="The receiver's sideband.")] = None,
    tick_hz: Annotated[
        float | None, typer.Option(metavar="HZ", help="Audio frequency of the second pulses; else looked for.")
    ] = None,
    tick_ms: Annotated[float, typer.Option(metavar="MS", help="Length of the second pulses.")] = 5.0,
    delay_ms: Annotated[
        float, typer.Option(metavar="MS", help="How late the pulses arrive: 3.34 ms for 1000 km, and the receiver's.")
    ] = 0.0,
    channel: Annotated[int, typer.Option(metavar="N", help="The channel with the receiver; the first is 0.")] = 0,
    reference_channel: Annotated[
        int | None,
        typer.Option(metavar="N", help="A channel with a reference: one pulse a second, or a tone of --reference-hz."),
    ] = None,
    reference_hz: Annotated[
        float | None, typer.Option(metavar="HZ", help="Frequency of that reference tone.")
    ] = None,
    plan: Annotated[
        str | None, typer.Option(metavar="TOML", help="A plan that knows dial and sideband.")
    ] = None,
    save: Annotated[
        str | None, typer.Option(metavar="TOML", help="Write what was found into this plan, made if need be.")
    ] = None,
    json: Annotated[
        str | None, typer.Option(metavar="PATH", help="Write the result as JSON; - prints it and nothing else.")
    ] = None,
) -> None:
    """Find the errors of receiver and recorder, and what they add of their own, from something known."""
    from sigcheck.calibration import calibrate as calibrated
    from sigcheck.plan import load_plan
    from sigcheck.recording import load
    from sigcheck.result import write_whole

    _check_numbers(true_hz=true_hz, tick_hz=tick_hz, tick_ms=tick_ms)
    intended = None if plan is None else load_plan(plan)
    receiver = _receiver(dial_hz, sideband)
    with _decoders_silenced():
        recording = load(file, plan=intended)
    found = calibrated(
        recording,
        channel=channel,
        true_hz=true_hz,
        receiver=receiver,
        plan=intended,
        tick_hz=tick_hz,
        tick_s=tick_ms / 1e3,
        delay_s=delay_ms / 1e3,
        reference_channel=reference_channel,
        reference_hz=reference_hz,
    )
    if save is not None:
        _save(found, save)
    if json == "-":
        sys.stdout.write(found.to_json())
        return
    if json is not None:
        write_whole(json, found.to_json().encode())
    for line in _summary(found):
        typer.echo(line)


def _check_numbers(*, true_hz: float | None, tick_hz: float | None, tick_ms: float) -> None:
    from sigcheck.errors import SettingError

    for name, value in (("--true-hz", true_hz), ("--tick-hz", tick_hz)):
        if value is not None and not 0 < value < 1e12:
            raise SettingError(f"{name} {value:g}: give a frequency above 0, in hertz")
    if not 1 <= tick_ms <= 600:
        raise SettingError(f"--tick-ms {tick_ms:g}: second pulses last 1 to 600 ms")


def _receiver(dial_hz: float | None, sideband: str | None) -> Receiver:
    from sigcheck.errors import SettingError
    from sigcheck.plan import Plan

    if sideband is not None and sideband not in ("usb", "lsb"):
        raise SettingError(f"--sideband {sideband}: give usb or lsb")
    keys = {k: v for k, v in (("dial_hz", dial_hz), ("sideband", sideband)) if v is not None}
    return Plan.from_dict({"receiver": keys}).receiver


def _save(found: Calibration, name: str) -> None:
    from sigcheck.errors import PlanError
    from sigcheck.plan import load_plan
    from sigcheck.plan_text import edited
    from sigcheck.result import write_whole

    text = ""
    if Path(name).exists():
        load_plan(name)  # one that is wrong already is not made worse
        text = Path(name).read_text(encoding="utf-8")
    try:
        text = edited(text, found.plan_values())
    except PlanError as error:
        raise PlanError(f"{name}: {error}") from None
    write_whole(name, text.encode())
    typer.echo(f"plan: {name}", err=True)


def _summary(found: Calibration) -> list[str]:
    from sigcheck.quantities import show

    out = []
    ticks, clock, dial, chain = found.ticks, found.recorder, found.receiver, found.chain
    if ticks.ticks_used is not None:
        out.append(
            f"{ticks.ticks_used} second pulses, scatter {1e6 * (ticks.scatter_s or 0):.0f} us; a second begins "
            f"{show('ticks.offset_s', ticks.offset_s, ticks.offset_s_sigma)} into the recording"
            + ("" if ticks.minute_at_s is None else f", a minute at {ticks.minute_at_s:.3f} s")
        )
    if clock.sample_rate_error_ppm is not None:
        shown = show("ticks.sample_rate_error_ppm", clock.sample_rate_error_ppm, clock.sample_rate_error_ppm_sigma)
        out.append(f"sample rate: {shown} (by {(clock.source or '').replace('-', ' ')})")
    if dial.error_ppm is not None:
        shown = show("receiver.error_ppm", dial.error_ppm, dial.error_ppm_sigma)
        out.append(f"receiver: {shown}; the carrier is heard at {show('signal.tone_hz', dial.tone_hz)}")
    own = [
        f"{word} {value:.1f} {unit}"
        for word, value, unit in (
            ("hum", chain.hum_dbfs, "dBFS"),
            ("distortion", chain.thd_db, "dB"),
            ("strongest sideband", max(chain.sideband_dbc or (), default=None), "dBc"),
        )
        if value is not None
    ]
    if chain.passband_hz is not None:
        own.append(f"passband {chain.passband_hz[0]:.0f} to {chain.passband_hz[1]:.0f} Hz")
    if own:
        out.append(f"the chain's own: {', '.join(own)}")
    for name, family in (("sample rate", clock), ("receiver", dial)):
        reason = family.missing.get("sample_rate_error_ppm") or family.missing.get("error_ppm")
        if reason:
            out.append(f"{name}: not measured ({reason})")
    return out
