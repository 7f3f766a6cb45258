"""What the simulated instrument offers: its stream and its three tone outputs."""

from __future__ import annotations

from dataclasses import replace

from controller.instrument import StreamFormat, ToneChannel
from hardware_sim.options import SimulatorOptions

DRIVES = ("drive_lower", "drive_upper")
PUMP = "pump"


def stream_format(options: SimulatorOptions) -> StreamFormat:
    """What the samples of this instrument mean."""
    return StreamFormat(
        sample_rate_hz=options.sample_rate_hz,
        center_hz=options.center_hz,
        dtype="int16" if options.is_raw else "complex64",
        metres_per_unit=options.metres_per_unit,
        full_scale=options.stream.full_scale_m / options.metres_per_unit,
    )


def tone_channels(options: SimulatorOptions) -> dict[str, ToneChannel]:
    """The three tone outputs of this instrument."""
    low, high = options.band_hz
    drive = ToneChannel(
        name=DRIVES[0],
        amplitude_unit=options.drive.amplitude_unit,
        max_amplitude=options.drive.max_amplitude,
        min_frequency_hz=low,
        max_frequency_hz=high,
        latency_samples=options.drive.latency_samples,
        shares_clock=True,
        keeps_phase=True,
    )
    pump = ToneChannel(
        name=PUMP,
        amplitude_unit="V",
        max_amplitude=options.pump.max_amplitude,
        min_frequency_hz=options.pump.min_frequency_hz,
        max_frequency_hz=options.pump.max_frequency_hz,
        latency_samples=options.pump.latency_samples,
        shares_clock=options.pump.shares_clock,
        keeps_phase=options.pump.keeps_phase,
        waveforms=options.pump.waveforms,
    )
    return {DRIVES[0]: drive, DRIVES[1]: replace(drive, name=DRIVES[1]), PUMP: pump}
