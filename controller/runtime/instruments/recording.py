"""A SigMF recording, played as an instrument without tones, or written.

One channel, real or complex, float32 or int16; a gap is a new capture with
`core:global_index`. Samples pass as they stand in the file: nothing is
filtered or scaled here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from os import PathLike
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import sigmf
from sigmf.sigmffile import get_sigmf_filenames

from controller.errors import InputError
from controller.instrument import (
    InstrumentFault,
    SampleBlock,
    StreamEnded,
    StreamFormat,
    Tone,
    ToneChannel,
    ToneRefused,
)
from controller.runtime.instruments.sigmf_header import SCALE_KEY, read_header

EXTENSION = {"name": "difftone", "version": "1.0.0", "optional": True}
"""Declaration of the namespace that `SCALE_KEY` stands in."""

DATATYPES = {"float32": "rf32_le", "int16": "ri16_le", "complex64": "cf32_le"}
FILE_DTYPES = {"float32": "<f4", "int16": "<i2", "complex64": "<c8"}

BLOCKS_PER_SECOND = 20  # 50 ms: short against a tracker's time, long against the cost of a call
LARGEST_BLOCK_SAMPLES = 1 << 20  # 8 MiB of complex samples


class Recording:
    """An instrument that plays a SigMF recording as fast as it is read.

    Owned by the runtime; one thread may call it. It has no tones, and holds
    one block in memory at a time.

    Parameters
    ----------
    path : str or PathLike
        The `.sigmf-meta` or `.sigmf-data` file, or their common stem.
    block_samples : int, optional
        Length of a block, 1 or more; 1/20 s where absent.

    Raises
    ------
    InputError
        If a file is missing, truncated or altered, or the recording is of a
        kind that cannot be played; one line with file and key.
    """

    def __init__(self, path: str | PathLike[str], block_samples: int | None = None) -> None:
        if block_samples is not None and block_samples < 1:
            raise InputError(f"block_samples = {block_samples!r}: must be 1 or more")
        self._header = read_header(Path(path))
        self.stream: StreamFormat = self._header.stream
        self.tones: Mapping[str, ToneChannel] = {}
        self.paced = False
        self._block_samples = block_samples or min(
            max(1, round(self.stream.sample_rate_hz / BLOCKS_PER_SECOND)), LARGEST_BLOCK_SAMPLES
        )
        self._file: BinaryIO | None = None
        self._segment_number = 0
        self._played_samples = 0  # of the current segment

    def __repr__(self) -> str:
        """The file and its length."""
        return f"Recording({str(self._header.data_path)!r}, {self.length_s:.3f} s)"

    @property
    def length_s(self) -> float:
        """Stream time from the first sample to the end, gaps included [s]."""
        last = self._header.segments[-1]
        return (last.stream_index + last.length) / self.stream.sample_rate_hz

    def start(self) -> None:
        """Open the file at its first sample.

        Raises
        ------
        InstrumentFault
            If the file cannot be opened.
        """
        self.stop()
        try:
            self._file = self._header.data_path.open("rb")
        except OSError as error:
            raise self._fault(error) from error
        self._segment_number = self._played_samples = 0

    def read(self, timeout_s: float) -> SampleBlock:
        """The next block of samples.

        Parameters
        ----------
        timeout_s : float
            Without effect: a file answers at once.

        Returns
        -------
        SampleBlock
            Up to `block_samples` samples, never across a gap; `overload` is
            set where an integer sample stands at full scale.

        Raises
        ------
        StreamEnded
            After the last sample.
        InstrumentFault
            If the file cannot be read on, or was not opened.
        """
        segments = self._header.segments
        if self._file is None:
            raise InstrumentFault(f"{self._header.data_path}: read before start")
        if self._segment_number == len(segments):
            raise StreamEnded(f"{self._header.data_path}: end of the recording")
        segment = segments[self._segment_number]
        count = min(self._block_samples, segment.length - self._played_samples)
        first_sample = segment.stream_index + self._played_samples
        raw = self._read_components(self._file, segment.file_index + self._played_samples, count)
        self._played_samples += count
        if self._played_samples == segment.length:
            self._segment_number, self._played_samples = self._segment_number + 1, 0
        return SampleBlock(first_sample, self._samples(raw), self._at_full_scale(raw))

    def set_tone(self, tone: Tone) -> Tone:
        """Refuse the tone: a recording has none.

        Raises
        ------
        ToneRefused
            Always.
        """
        raise ToneRefused(f"a recording has no channel {tone.channel!r}")

    def stop(self) -> None:
        """Close the file; may be called twice."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _read_components(self, file: BinaryIO, file_index: int, count: int) -> np.ndarray:
        """Numbers as they stand in the file, complex samples as pairs."""
        # Plain reads, not one map over the file: pages of a map stay with the process, and its
        # memory would seem to grow with the length of the recording.
        components = count * self._header.components_per_sample
        try:
            file.seek(file_index * self._header.sample_bytes)
            raw = np.fromfile(file, dtype=self._header.component_dtype, count=components)
        except OSError as error:
            raise self._fault(error) from error
        if len(raw) < components:
            raise InstrumentFault(f"{self._header.data_path}: became shorter while it was read")
        return raw

    def _samples(self, raw: np.ndarray) -> np.ndarray:
        """The file's numbers as samples of the stream's type."""
        if self.stream.dtype == "complex64":
            return raw.astype(np.float32, copy=False).view(np.complex64)
        return raw.astype(self.stream.dtype, copy=False)

    def _at_full_scale(self, raw: np.ndarray) -> bool:
        """Whether an integer sample stands at either end of its range."""
        if self._header.component_dtype.kind != "i":
            return False
        limit = self.stream.full_scale
        # Both ends on their own: the magnitude of the lowest int16 does not fit an int16.
        return bool(raw.max() >= limit or raw.min() <= -limit)

    def _fault(self, error: OSError) -> InstrumentFault:
        """A file's error as the instrument's fault."""
        return InstrumentFault(f"{self._header.data_path}: cannot be read: {error.strerror}")


def write_recording(
    path: Path, stream: StreamFormat, blocks: Iterable[SampleBlock], description: str = ""
) -> Path:
    """Store a stream as SigMF, one capture for each run without a gap.

    Parameters
    ----------
    path : Path
        Common stem of the two files; existing ones are replaced.
    stream : StreamFormat
        Format of the samples; `metres_per_unit` goes into the header.
    blocks : iterable of SampleBlock
        In order; each is written as it comes, so any length fits in memory.
    description : str
        Goes into the header.

    Returns
    -------
    Path
        The `.sigmf-meta` file.

    Raises
    ------
    InputError
        If the blocks hold no sample, or go back in the stream.
    """
    names = get_sigmf_filenames(path)
    captures: list[dict[str, Any]] = []
    file_index, next_index = 0, math.nan
    with open(names["data_fn"], "wb") as file:
        for block in blocks:
            if block.first_sample < next_index:
                raise InputError(
                    f"first_sample = {block.first_sample}: must be {next_index} or more"
                )
            if block.first_sample != next_index:
                captures.append(_capture(stream, file_index, block.first_sample))
            block.samples.astype(FILE_DTYPES[stream.dtype], copy=False).tofile(file)
            file_index += len(block.samples)
            next_index = block.first_sample + len(block.samples)
    if file_index == 0:
        raise InputError(f"{names['data_fn']}: no samples to write")
    header = {
        "core:datatype": DATATYPES[stream.dtype],
        "core:sample_rate": stream.sample_rate_hz,
        "core:num_channels": 1,
        "core:description": description,
        "core:extensions": [EXTENSION],
        SCALE_KEY: stream.metres_per_unit,
    }
    recording = sigmf.SigMFFile(global_info=header, data_file=names["data_fn"])
    for capture in captures:
        recording.add_capture(capture.pop("core:sample_start"), capture)
    recording.tofile(names["meta_fn"], overwrite=True)
    return Path(names["meta_fn"])


def _capture(stream: StreamFormat, file_index: int, stream_index: int) -> dict[str, Any]:
    """The header's entry for samples that follow a gap, or for the first."""
    capture: dict[str, Any] = {
        "core:sample_start": file_index,
        "core:global_index": stream_index,
    }
    if stream.dtype == "complex64":
        capture["core:frequency"] = stream.center_hz
    return capture
