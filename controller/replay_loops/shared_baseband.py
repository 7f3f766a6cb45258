"""The baseband that two close lines share."""

from __future__ import annotations

from controller.errors import InputError
from controller.instrument import StreamFormat
from controller.signal.downconverter import DownConverterConfig, decimation_for

# Both lines within the flat part, with room for drift.
RATE_PER_SPACING = 6.0
PASS_BAND = 0.6  # of the spacing
# Further apart, a sharper filter can be afforded, which keeps other lines out.
WIDE_SPACING_HZ = 10.0
WIDE_RATE_PER_SPACING = 2.5
WIDE_PASS_BAND = 0.55


def shared_baseband(stream: StreamFormat, modes_hz: tuple[float, float]) -> DownConverterConfig:
    """The baseband that holds two close lines.

    Parameters
    ----------
    stream : StreamFormat
        What the samples mean.
    modes_hz : (float, float)
        The two lines, lower first [Hz].

    Returns
    -------
    DownConverterConfig
        One baseband, mixed with the middle of both lines.

    Raises
    ------
    InputError
        If the lines are too far apart for the stream, or too close to its edge.
    """
    spacing_hz = modes_hz[1] - modes_hz[0]
    is_wide = spacing_hz > WIDE_SPACING_HZ
    rate_hz = (WIDE_RATE_PER_SPACING if is_wide else RATE_PER_SPACING) * spacing_hz
    try:
        return DownConverterConfig(
            sample_rate_hz=stream.sample_rate_hz,
            center_hz=stream.center_hz,
            frequencies_hz=(0.5 * (modes_hz[0] + modes_hz[1]),),
            decimation=decimation_for(stream.sample_rate_hz, rate_hz),
            pass_band_hz=(WIDE_PASS_BAND if is_wide else PASS_BAND) * spacing_hz,
            complex_input=stream.dtype.startswith("complex"),
        )
    except InputError as error:
        raise InputError(
            f"modes {modes_hz[0]:.9g},{modes_hz[1]:.9g}: no baseband of this stream holds both "
            f"lines ({error})"
        ) from error
