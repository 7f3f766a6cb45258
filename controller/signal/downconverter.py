"""From the sample stream to slow complex basebands, one per frequency.

Mixing is folded into the taps of a decimating FIR filter, and the filter
is evaluated as a matrix product:

      samples, in rows of D         taps (D x T per baseband)
    | row 0  ............... |     | h[0..D) | h[D..2D) | ... |
    | row 1  ............... |  @  |   with the mixing in     |
    | row 2  ............... |     |   them                   |

    product[r, j] = what row r adds to the output whose window starts
                    at row r - j;  output[m] = sum_j product[m + j, j]

Everything here is arrays in, arrays out: no file, no clock. Which
frequencies to look at, and how fast, is decided elsewhere.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from controller.errors import InputError
from controller.signal.oscillator import counts_per_sample, rotation, rotations

PASS_BAND_RIPPLE_DB = 0.01
DEFAULT_PASS_BAND_RATIO = 0.1  # of the output rate, either side

# Kaiser's length formula is empirical and comes out up to 3 dB short for
# filters of 20 to 1000 taps; test_filter_response checks what this buys.
_KAISER_MARGIN_DB = 4.0

# A Kaiser low pass ripples as much in its pass band as in its stop band, on
# top of the droop at the edge; 66 dB down is 0.004 dB.
_LEAST_ATTENUATION_DB = 66.0

# Below, the images of the transition run into each other and the attenuation
# falls short of the formula.
MIN_DECIMATION = 3

# Samples, and rows at least, taken at a time: enough that the cost of a call
# and of reloading the tap matrix is spread, few enough for the cache. Measured
# at D = 125: half as many is 15 % slower.
_PIECE_SAMPLES = 131072
_PIECE_ROWS = 16

# Up to so many outputs at a time one gathered sum is quicker than a sum per tap
# (measured: 5 against 15 us for 8 outputs; level at some 100).
_FEW_WINDOWS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class DownConverterConfig:
    """What is mixed down, and how narrow and how fast the basebands are.

    Parameters
    ----------
    sample_rate_hz : float
        Rate of the input [Hz].
    center_hz : float
        Frequency that complex samples are relative to [Hz]; 0.0 stands for
        real samples, unless `complex_input` says otherwise.
    frequencies_hz : tuple of float
        Absolute mix frequencies, one baseband each [Hz].
    decimation : int
        Input samples per output sample, D, at least 3.
    taps_per_phase : int or None
        Length of the filter in output periods, T, long enough for the stop
        band; None: the least that meets the pass band as well.
    pass_band_hz : float or None
        Half-width that is flat to 0.01 dB [Hz]; None: a tenth of the output
        rate. Whatever would alias into it is in the stop band.
    stop_attenuation_db : float
        Attenuation of the stop band, 20 to 140 [dB].
    complex_input : bool or None
        Whether the samples are complex; None: they are if center_hz is not
        0.0.

    Raises
    ------
    InputError
        If a number is out of range; the message names it.
    """

    sample_rate_hz: float
    center_hz: float = 0.0
    frequencies_hz: tuple[float, ...]
    decimation: int
    taps_per_phase: int | None = None
    pass_band_hz: float | None = None
    stop_attenuation_db: float = 100.0
    complex_input: bool | None = None

    def __post_init__(self) -> None:
        _require(
            math.isfinite(self.sample_rate_hz) and self.sample_rate_hz > 0.0,
            f"sample_rate_hz is {self.sample_rate_hz}; it must be finite and above 0",
        )
        _require(math.isfinite(self.center_hz), f"center_hz is {self.center_hz}; not finite")
        _require(
            self.decimation >= MIN_DECIMATION,
            f"decimation is {self.decimation}; at least {MIN_DECIMATION} is needed",
        )
        _require(
            0.0 < self.pass_half_width_hz < 0.5 * self.output_rate_hz,
            f"pass_band_hz is {self.pass_band_hz}; it must lie between 0 and half the output "
            f"rate, {0.5 * self.output_rate_hz} Hz",
        )
        _require(
            20.0 <= self.stop_attenuation_db <= 140.0,
            f"stop_attenuation_db is {self.stop_attenuation_db}; it must lie in 20 to 140",
        )
        _require(
            self.taps_per_phase is None or self.taps_per_phase >= self.least_taps_per_phase,
            f"taps_per_phase is {self.taps_per_phase}; the stop band needs at least "
            f"{self.least_taps_per_phase}",
        )
        _require(len(self.frequencies_hz) > 0, "frequencies_hz is empty; at least one is needed")
        lowest_hz, highest_hz = self.frequency_range_hz
        for frequency_hz in self.frequencies_hz:
            _require(
                lowest_hz <= frequency_hz <= highest_hz,
                f"frequencies_hz holds {frequency_hz} Hz, outside the stream; "
                f"it must lie in {lowest_hz} to {highest_hz} Hz",
            )

    @property
    def output_rate_hz(self) -> float:
        """Rate of the basebands [Hz]."""
        return self.sample_rate_hz / self.decimation

    @property
    def pass_half_width_hz(self) -> float:
        """Half-width of the flat pass band [Hz]."""
        if self.pass_band_hz is None:
            return DEFAULT_PASS_BAND_RATIO * self.output_rate_hz
        return self.pass_band_hz

    @property
    def stop_edge_hz(self) -> float:
        """Where the stop band begins: what lies beyond aliases into the pass band [Hz]."""
        return self.output_rate_hz - self.pass_half_width_hz

    @property
    def least_taps_per_phase(self) -> int:
        """Length whose transition is as wide as the stop edge, in output periods."""
        return math.ceil(_kaiser_length(self, self.stop_edge_hz) / self.decimation)

    @property
    def has_complex_input(self) -> bool:
        """Whether samples are complex around `center_hz`."""
        return self.center_hz != 0.0 if self.complex_input is None else self.complex_input

    @property
    def frequency_range_hz(self) -> tuple[float, float]:
        """Lowest and highest mix frequency that the input allows [Hz].

        The mirror image of a real input must fall into the stop band.
        """
        half_rate_hz = 0.5 * self.sample_rate_hz
        if self.has_complex_input:
            return self.center_hz - half_rate_hz, self.center_hz + half_rate_hz
        guard_hz = 0.5 * self.output_rate_hz
        return guard_hz, half_rate_hz - guard_hz


@dataclass(frozen=True, slots=True)
class Baseband:
    """Basebands of one call: one row per output, one column per frequency."""

    samples: NDArray[np.complex128]  # (n, columns), peak amplitude in sample units
    center_indices: NDArray[np.int64]  # (n,) absolute input index that each output stands for
    output_rate_hz: float


def decimation_for(sample_rate_hz: float, output_rate_hz: float) -> int:
    """Decimation whose output rate comes nearest to the wanted one.

    Parameters
    ----------
    sample_rate_hz, output_rate_hz : float
        Rate of the input and wanted rate of the output [Hz].

    Returns
    -------
    int
        Input samples per output sample, at least 3.
    """
    return max(MIN_DECIMATION, round(sample_rate_hz / output_rate_hz))


def low_pass_taps(config: DownConverterConfig) -> NDArray[np.float64]:
    """Taps of the symmetric low pass that a configuration asks for.

    Parameters
    ----------
    config : DownConverterConfig
        Decimation, pass band, stop band, and the length unless it is free.

    Returns
    -------
    ndarray of float64, shape (2 * half + 1,)
        Taps with unit sum; the group delay is exactly `half` samples, with
        half = (taps_per_phase * decimation - 1) // 2.

    Notes
    -----
    Kaiser window, with the cut-off half a transition below the stop edge
    (output rate less pass band). The length is the least at which the
    response at the pass edge is down by less than 0.01 dB.

    References
    ----------
    J. F. Kaiser's length formula as in scipy.signal.kaiserord.
    """
    if config.taps_per_phase is not None:
        return _kaiser_taps(config, config.taps_per_phase)
    floor_ratio = 10.0 ** (-PASS_BAND_RIPPLE_DB / 20.0)
    edge_turns = config.pass_half_width_hz / config.sample_rate_hz
    taps_per_phase = config.least_taps_per_phase
    while True:
        taps = _kaiser_taps(config, taps_per_phase)
        half = len(taps) // 2
        edge_response = np.dot(taps, np.cos(2.0 * np.pi * edge_turns * np.arange(-half, half + 1)))
        if edge_response > floor_ratio:
            return taps
        taps_per_phase += 1


def _kaiser_attenuation_db(config: DownConverterConfig) -> float:
    return max(config.stop_attenuation_db, _LEAST_ATTENUATION_DB) + _KAISER_MARGIN_DB


def _kaiser_length(config: DownConverterConfig, transition_hz: float) -> float:
    """Taps, less one, that a transition of a given width takes (Kaiser's formula)."""
    transition_rad = 2.0 * np.pi * transition_hz / config.sample_rate_hz
    return (_kaiser_attenuation_db(config) - 7.95) / (2.285 * transition_rad)


def _kaiser_taps(config: DownConverterConfig, taps_per_phase: int) -> NDArray[np.float64]:
    """Low pass of a given length that spends all of it on the stop band."""
    length = 2 * ((taps_per_phase * config.decimation - 1) // 2) + 1
    # The formula read backwards: length times transition is a constant.
    transition_hz = _kaiser_length(config, 1.0) / (length - 1)
    cutoff_hz = config.stop_edge_hz - 0.5 * transition_hz
    window = ("kaiser", scipy.signal.kaiser_beta(_kaiser_attenuation_db(config)))
    return scipy.signal.firwin(length, cutoff_hz, window=window, fs=config.sample_rate_hz)


class DownConverter:
    """Decimating mixer for a stream that arrives in blocks of any length.

    Used by one thread. With x the input, c_m = m D the absolute index of an
    output, h the taps and f the mix frequency less the centre,

        y[m] = gain sum_j h[j] x[n] exp(-2 pi i f n / sample_rate),
        n = c_m + j - half,

    with gain 1 for complex and 2 for real input. A displacement
    A cos(2 pi f t + phi) so gives A exp(i (2 pi (f - f_mix) t + phi)) with
    t counted from absolute sample 0, group delay removed.

    Parameters
    ----------
    config : DownConverterConfig
        Rates, frequencies and filter.
    first_index : int
        Absolute index of the first sample to come.

    Notes
    -----
    Products are summed in float32: the error is about 1e-7 of the largest
    input, whatever the split into blocks. White noise of one-sided density
    S comes out with the two-sided density 2 S within the pass band; its
    variance is 2 S `noise_bandwidth_hz`.
    """

    def __init__(self, config: DownConverterConfig, first_index: int = 0) -> None:
        self._config = config
        self._taps = low_pass_taps(config)
        self._taps_per_phase = -(-len(self._taps) // config.decimation)
        self._floats_per_sample = 2 if config.has_complex_input else 1
        columns = len(config.frequencies_hz)
        piece_rows = max(-(-_PIECE_SAMPLES // config.decimation), _PIECE_ROWS)
        # Kept rows, one that is filling, and at least one piece.
        rows = self._taps_per_phase + 1 + piece_rows
        row_floats = config.decimation * self._floats_per_sample
        self._samples = np.zeros(rows * row_floats, dtype=np.float32)
        self._products = np.zeros((rows, self._taps_per_phase, columns), dtype=np.complex64)
        self._window_places = np.empty((0, self._taps_per_phase), dtype=np.int64)
        self._tune(config.frequencies_hz)
        self.reset(first_index)

    @property
    def config(self) -> DownConverterConfig:
        """The configuration as it was made; see `frequencies_hz` for retuning."""
        return self._config

    @property
    def frequencies_hz(self) -> tuple[float, ...]:
        """Absolute mix frequencies of outputs to come [Hz]."""
        return self._frequencies_hz

    @property
    def taps(self) -> NDArray[np.float64]:
        """Taps of the low pass, shape (2 * group_delay_samples + 1,)."""
        return self._taps.copy()

    @property
    def group_delay_samples(self) -> int:
        """Input samples after an output's centre that it has to wait for."""
        return len(self._taps) // 2

    @property
    def noise_bandwidth_hz(self) -> float:
        """Bandwidth that passes as much white noise as the low pass [Hz]."""
        return float(self._config.sample_rate_hz * np.dot(self._taps, self._taps))

    @property
    def next_index(self) -> int:
        """Absolute index of the sample that the next block must start with."""
        return self._next_index

    def reset(self, first_index: int = 0) -> None:
        """Forget the stream; go on at an absolute sample index.

        Parameters
        ----------
        first_index : int
            Absolute index of the next sample. The first output stands for
            the first multiple of D whose whole window follows it.
        """
        self._next_index = first_index
        self._filled = 0  # samples in the buffer
        self._rows_done = 0  # rows of the buffer whose products are made
        # Windows, and so rows, start `half` samples before multiples of D.
        row_offset = -self.group_delay_samples
        rows_before = -((row_offset - first_index) // self._config.decimation)
        self._first_row_index = row_offset + rows_before * self._config.decimation

    def process(self, samples: NDArray[np.generic], first_index: int) -> Baseband:
        """Take a block and return the outputs that it completes.

        Parameters
        ----------
        samples : ndarray of int16, float32 or complex64, shape (n,)
            The next samples, any n from 0.
        first_index : int
            Absolute index of the first of them.

        Returns
        -------
        Baseband
            samples of shape (m, columns); m may be 0.

        Raises
        ------
        ValueError
            If the block does not follow on the last one, is not
            one-dimensional, or is complex where real samples are due or the
            other way round.

        Notes
        -----
        Advances the state by n samples. A number that is not finite spoils
        the outputs whose windows hold it, and no others.
        """
        self._check_block(samples, first_index)
        pieces = []
        taken = min(max(self._first_row_index - first_index, 0), len(samples))
        while taken < len(samples):
            count = min(len(samples) - taken, self._free_samples())
            self._append(samples[taken : taken + count])
            taken += count
            pieces.append(self._completed())
        self._next_index += len(samples)
        if len(pieces) == 1:
            return pieces[0]
        return self._joined(pieces)

    def retune(self, frequencies_hz: tuple[float, ...]) -> None:
        """Change the mix frequencies of all outputs to come.

        Parameters
        ----------
        frequencies_hz : tuple of float
            New absolute mix frequencies, as many as before [Hz].

        Raises
        ------
        InputError
            If a frequency lies outside the stream.
        ValueError
            If their number changes.

        Notes
        -----
        No output is lost: windows that have begun are computed anew from
        the samples kept. Phases of the outputs that follow refer to the new
        frequencies, from absolute sample 0 as always.
        """
        if len(frequencies_hz) != len(self._frequencies_hz):
            raise ValueError(
                f"{len(frequencies_hz)} frequencies given; the down-converter has "
                f"{len(self._frequencies_hz)} columns"
            )
        lowest_hz, highest_hz = self._config.frequency_range_hz
        for frequency_hz in frequencies_hz:
            _require(
                lowest_hz <= frequency_hz <= highest_hz,
                f"frequencies_hz holds {frequency_hz} Hz, outside the stream; "
                f"it must lie in {lowest_hz} to {highest_hz} Hz",
            )
        self._tune(frequencies_hz)
        self._multiply(max(0, self._rows_done - self._taps_per_phase + 1), self._rows_done)

    def copy(self) -> DownConverter:
        """An independent down-converter in the same state."""
        twin = copy.copy(self)
        twin._samples = self._samples.copy()
        twin._products = self._products.copy()
        return twin

    def __repr__(self) -> str:
        return (
            f"DownConverter(frequencies_hz={self._frequencies_hz}, "
            f"output_rate_hz={self._config.output_rate_hz}, "
            f"taps_per_phase={self._taps_per_phase}, next_index={self._next_index})"
        )

    def _check_block(self, samples: NDArray[np.generic], first_index: int) -> None:
        if first_index != self._next_index:
            raise ValueError(
                f"block starts at sample {first_index}, {self._next_index} was due; "
                "call reset() after a gap"
            )
        if samples.ndim != 1:
            raise ValueError(f"samples have shape {samples.shape}; one dimension is needed")
        if (samples.dtype.kind == "c") != self._config.has_complex_input:
            wanted = "complex" if self._config.has_complex_input else "real"
            raise ValueError(f"samples are {samples.dtype}; {wanted} ones are due")

    def _tune(self, frequencies_hz: tuple[float, ...]) -> None:
        """Fold the mixing into the taps: (D floats, T * columns * 2) float32."""
        config = self._config
        center_counts = counts_per_sample(config.center_hz, config.sample_rate_hz)
        self._frequencies_hz = tuple(frequencies_hz)
        self._counts = tuple(
            counts_per_sample(frequency_hz, config.sample_rate_hz) - center_counts
            for frequency_hz in frequencies_hz
        )
        decimation, columns = config.decimation, len(frequencies_hz)
        self._output_steps = tuple(-counts * decimation for counts in self._counts)
        gain = 1.0 if config.has_complex_input else 2.0
        mixed = np.zeros((columns, self._taps_per_phase * decimation), dtype=np.complex128)
        for column, counts in enumerate(self._counts):
            mixing = rotation(-counts, -self.group_delay_samples, len(self._taps))
            mixed[column, : len(self._taps)] = gain * self._taps * mixing
        # (columns, T, D) -> (D, T, columns)
        by_sample = mixed.reshape(columns, self._taps_per_phase, decimation).transpose(2, 1, 0)
        if config.has_complex_input:
            # A complex row is read as real, imaginary, real, ...; i x = i re x - im x.
            by_sample = np.stack([by_sample, 1j * by_sample], axis=1)
        row_floats = decimation * self._floats_per_sample
        self._matrix = (
            np.ascontiguousarray(by_sample, dtype=np.complex64)
            .reshape(row_floats, -1)
            .view(np.float32)
        )

    def _free_samples(self) -> int:
        """Samples that fit into the buffer, after making room if it is full."""
        capacity = len(self._samples) // self._floats_per_sample
        if self._filled == capacity:
            self._drop_finished_rows()
        return capacity - self._filled

    def _drop_finished_rows(self) -> None:
        """Move the rows that outputs to come still need to the front."""
        dropped = self._rows_done - (self._taps_per_phase - 1)
        decimation = self._config.decimation
        start = dropped * decimation * self._floats_per_sample
        kept = self._filled * self._floats_per_sample - start
        self._samples[:kept] = self._samples[start : start + kept]
        self._products[: self._rows_done - dropped] = self._products[dropped : self._rows_done]
        self._filled -= dropped * decimation
        self._rows_done -= dropped
        self._first_row_index += dropped * decimation

    def _append(self, samples: NDArray[np.generic]) -> None:
        start = self._filled * self._floats_per_sample
        if self._floats_per_sample == 2:
            samples = np.ascontiguousarray(samples, dtype=np.complex64).view(np.float32)
        self._samples[start : start + len(samples)] = samples
        self._filled += len(samples) // self._floats_per_sample

    def _multiply(self, first_row: int, end_row: int) -> None:
        """Products of some rows of the buffer with the tap matrix."""
        row_floats = len(self._matrix)
        rows = self._samples[first_row * row_floats : end_row * row_floats]
        products = self._products.reshape(len(self._products), -1).view(np.float32)
        with np.errstate(all="ignore"):  # what is not finite stays visible in the output
            np.matmul(rows.reshape(-1, row_floats), self._matrix, out=products[first_row:end_row])

    def _completed(self) -> Baseband:
        """Outputs whose windows end with the rows that are now full."""
        decimation, span = self._config.decimation, self._taps_per_phase
        rows = self._filled // decimation
        first = max(0, self._rows_done - span + 1)
        count = max(0, rows - span + 1 - first)
        self._multiply(self._rows_done, rows)
        self._rows_done = rows
        first_center = self._first_row_index + first * decimation + self.group_delay_samples
        with np.errstate(all="ignore"):
            outputs = self._window_sums(first, count)
            outputs *= rotations(self._output_steps, first_center // decimation, count)
        centers = first_center + decimation * np.arange(count, dtype=np.int64)
        return Baseband(outputs, centers, self._config.output_rate_hz)

    def _window_sums(self, first: int, count: int) -> NDArray[np.complex128]:
        """Sums of products along the windows that start at `count` rows from `first`."""
        span, columns = self._taps_per_phase, len(self._counts)
        if count > _FEW_WINDOWS:
            sums = np.zeros((count, columns), dtype=np.complex128)
            for tap in range(span):
                sums += self._products[first + tap : first + tap + count, tap]
            return sums
        if len(self._window_places) != count:  # blocks of one length come in a row
            taps = np.arange(span)
            self._window_places = (np.arange(count)[:, np.newaxis] + taps) * span + taps
        flat = self._products.reshape(-1, columns)
        windows = flat.take(self._window_places + first * span, axis=0)
        return np.add.reduce(windows, axis=1, dtype=np.complex128)

    def _joined(self, pieces: list[Baseband]) -> Baseband:
        empty = np.empty((0, len(self._counts)), dtype=np.complex128)
        return Baseband(
            np.concatenate([empty, *(piece.samples for piece in pieces)]),
            np.concatenate(
                [np.empty(0, dtype=np.int64), *(piece.center_indices for piece in pieces)]
            ),
            self._config.output_rate_hz,
        )


def _require(condition: bool, message: str) -> None:
    if not condition:
        raise InputError(message)
