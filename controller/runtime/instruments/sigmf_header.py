"""The header of a SigMF recording, read with distrust.

Turns a `.sigmf-meta` file into what a player needs to know, or into one line
that names the file, the key and what would be right. Knows nothing of
playing: see `recording.py`.
"""

from __future__ import annotations

import json
import math
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import sigmf
from sigmf import hashing, validate
from sigmf.sigmffile import dtype_info, get_sigmf_filenames

from controller.errors import InputError
from controller.instrument import StreamFormat

SCALE_KEY = "difftone:metres_per_unit"
"""Global key: displacement that one sample unit stands for [m]."""

STREAM_DTYPES = {"rf32": "float32", "ri16": "int16", "cf32": "complex64", "ci16": "complex64"}
"""The stream's type for each SigMF datatype; int16 pairs become complex64 of the same units."""

INT16_FULL_SCALE = 32767.0

LONGEST_COMPLAINT = 160  # characters; a schema's complaint may quote a whole table


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Samples of a file that follow each other without a gap."""

    file_index: int  # of the first sample, in the file
    stream_index: int  # of the first sample, in the stream
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingHeader:
    """What a recording holds, and where."""

    data_path: Path
    stream: StreamFormat
    component_dtype: np.dtype[Any]  # of one number in the file
    components_per_sample: int  # 2: real and imaginary part
    segments: tuple[Segment, ...]  # not empty, in order, not overlapping

    @property
    def sample_bytes(self) -> int:
        """Bytes of one sample in the file."""
        return self.component_dtype.itemsize * self.components_per_sample


def read_header(path: Path) -> RecordingHeader:
    """Read and check a recording's header and its file's size and checksum.

    Parameters
    ----------
    path : Path
        The `.sigmf-meta` or `.sigmf-data` file, or their common stem.

    Returns
    -------
    RecordingHeader
        With at least one segment.

    Raises
    ------
    InputError
        If a file is missing, truncated or altered, the header is not valid
        SigMF, or the recording is of a kind that cannot be played.
    """
    meta_path, data_path = _files(path)
    metadata = _read_metadata(meta_path)
    _check_kind(metadata, meta_path)
    table = metadata["global"]
    info = dtype_info(table["core:datatype"])
    sample_count = _sample_count(data_path, info["sample_size"])
    segments = _segments(metadata, sample_count, meta_path)
    _check_annotations(metadata, sample_count, meta_path)
    _check_sum(data_path, table.get("core:sha512"), meta_path)
    component_dtype = np.dtype(info["component_dtype"])
    return RecordingHeader(
        data_path=data_path,
        stream=_stream_format(metadata, component_dtype, meta_path),
        component_dtype=component_dtype,
        components_per_sample=2 if info["is_complex"] else 1,
        segments=segments,
    )


def _files(path: Path) -> tuple[Path, Path]:
    """The two files of a recording."""
    if path.suffix in (".sigmf", ".sigmf-collection"):
        raise InputError(f"{path}: is an archive or a collection; give one .sigmf-meta file")
    names = get_sigmf_filenames(path)
    meta_path, data_path = Path(names["meta_fn"]), Path(names["data_fn"])
    if not meta_path.is_file():
        if path.is_file() and path.suffix != ".sigmf-data":
            raise InputError(f"{path}: is not a SigMF recording; give its .sigmf-meta file")
        raise InputError(f"{meta_path}: there is no such file; give a recording's .sigmf-meta file")
    if not data_path.is_file():
        raise InputError(f"{data_path}: is missing; it must stand beside {meta_path.name}")
    return meta_path, data_path


def _read_metadata(meta_path: Path) -> dict[str, Any]:
    """The header's tables, valid by SigMF's own schema."""
    try:
        metadata = json.loads(meta_path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{meta_path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{meta_path}: is not UTF-8 text; JSON is needed") from error
    except (json.JSONDecodeError, RecursionError) as error:
        raise InputError(f"{meta_path}: is not valid JSON: {error}") from error
    _check_finite(metadata, "", meta_path)
    try:
        with warnings.catch_warnings():
            # Undeclared namespaces of other programs are no concern of a player.
            warnings.simplefilter("ignore", DeprecationWarning)
            validate.validate(metadata, sigmf.schema.get_schema())
    except jsonschema.ValidationError as error:
        key = _dotted(error.absolute_path)
        complaint = " ".join(error.message.split())[:LONGEST_COMPLAINT]
        raise InputError(f"{meta_path}: {key + ': ' if key else ''}{complaint}") from error
    return metadata


def _dotted(path: Any) -> str:
    """A path in JSON as text, e.g. captures[1].core:frequency."""
    parts = (f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)
    return "".join(parts).removeprefix(".")


def _check_finite(value: Any, where: str, meta_path: Path) -> None:
    """Raise InputError for NaN or infinity, which JSON readers let pass."""
    if isinstance(value, float) and not math.isfinite(value):
        raise InputError(f"{meta_path}: {where} = {value!r}: must be a finite number")
    if isinstance(value, dict):
        for key, member in value.items():
            _check_finite(member, f"{where}.{key}".removeprefix("."), meta_path)
    if isinstance(value, list):
        for position, member in enumerate(value):
            _check_finite(member, f"{where}[{position}]", meta_path)


def _check_kind(metadata: dict[str, Any], meta_path: Path) -> None:
    """Raise InputError for a recording that cannot be played."""
    table = metadata["global"]
    datatype = table["core:datatype"]
    kinds = [f"{kind}_{order}" for kind in STREAM_DTYPES for order in ("le", "be")]
    if datatype not in kinds:
        raise InputError(
            f"{meta_path}: global.core:datatype = {datatype!r}: must be one of {', '.join(kinds)}"
        )
    if table.get("core:num_channels", 1) != 1:
        raise InputError(
            f"{meta_path}: global.core:num_channels = {table['core:num_channels']!r}: "
            "must be 1; split the channels into files of their own"
        )
    if "core:sample_rate" not in table:
        raise InputError(f"{meta_path}: global.core:sample_rate: is missing [samples per second]")
    for key in ("core:dataset", "core:trailing_bytes", "core:metadata_only"):
        if table.get(key):
            raise InputError(
                f"{meta_path}: global.{key} = {table[key]!r}: only bare samples in a "
                ".sigmf-data file can be played; leave the key out"
            )
    for number, capture in enumerate(metadata["captures"]):
        if capture.get("core:header_bytes"):
            raise InputError(
                f"{meta_path}: captures[{number}].core:header_bytes = "
                f"{capture['core:header_bytes']!r}: must be 0; only bare samples can be played"
            )


def _sample_count(data_path: Path, sample_bytes: int) -> int:
    """Number of samples in the file."""
    size_bytes = data_path.stat().st_size
    if size_bytes == 0:
        raise InputError(f"{data_path}: is empty; it must hold samples")
    if size_bytes % sample_bytes:
        raise InputError(
            f"{data_path}: has {size_bytes} bytes, no multiple of {sample_bytes} per sample: "
            "it is truncated, or core:datatype is wrong"
        )
    return size_bytes // sample_bytes


def _segments(metadata: dict[str, Any], sample_count: int, meta_path: Path) -> tuple[Segment, ...]:
    """The captures as segments; the stream's index starts at 0."""
    offset = metadata["global"].get("core:offset", 0)
    captures = metadata["captures"] or [{"core:sample_start": offset}]
    starts = [capture["core:sample_start"] - offset for capture in captures]
    if starts[0] != 0:
        raise InputError(
            f"{meta_path}: captures[0].core:sample_start = {starts[0] + offset}: "
            f"must be {offset}, the first sample of the file"
        )
    first_global_index = captures[0].get("core:global_index", 0)
    segments: list[Segment] = []
    next_index = 0
    for number, (capture, start) in enumerate(zip(captures, starts, strict=True)):
        end = starts[number + 1] if number + 1 < len(starts) else sample_count
        if not start < end <= sample_count:
            raise InputError(
                f"{meta_path}: captures[{number}]: its samples {start} to {end} are not in the "
                f"file of {sample_count} samples: it is truncated, or core:sample_start is wrong"
            )
        stream_index = capture.get("core:global_index", first_global_index + next_index)
        stream_index -= first_global_index
        if stream_index < next_index:
            raise InputError(
                f"{meta_path}: captures[{number}].core:global_index = "
                f"{capture['core:global_index']}: must be {next_index + first_global_index} or "
                "more, the end of the capture before"
            )
        segments.append(Segment(file_index=start, stream_index=stream_index, length=end - start))
        next_index = stream_index + end - start
    return tuple(segments)


def _check_annotations(metadata: dict[str, Any], sample_count: int, meta_path: Path) -> None:
    """Raise InputError for an annotation beyond the file: a sign of lost samples."""
    offset = metadata["global"].get("core:offset", 0)
    for number, annotation in enumerate(metadata.get("annotations", ())):
        end = annotation["core:sample_start"] + annotation.get("core:sample_count", 0) - offset
        if end > sample_count:
            raise InputError(
                f"{meta_path}: annotations[{number}] ends at sample {end}, but the file has "
                f"{sample_count}: it is truncated, or the annotation is wrong"
            )


def _check_sum(data_path: Path, expected: str | None, meta_path: Path) -> None:
    """Raise InputError where the file is not the one that was written."""
    if expected is not None and hashing.calculate_sha512(filename=data_path) != expected:
        raise InputError(
            f"{data_path}: does not match core:sha512 in {meta_path.name}: "
            "it is truncated or altered; copy both files again"
        )


def _stream_format(
    metadata: dict[str, Any], component_dtype: np.dtype[Any], meta_path: Path
) -> StreamFormat:
    """The stream's format as the header tells it."""
    table = metadata["global"]
    dtype = STREAM_DTYPES[table["core:datatype"].partition("_")[0]]
    scale = table.get(SCALE_KEY, 1.0)
    if isinstance(scale, bool) or not isinstance(scale, int | float) or scale <= 0.0:
        raise InputError(
            f"{meta_path}: global.{SCALE_KEY} = {scale!r}: must be a number above 0 [m]"
        )
    is_integer = component_dtype.kind == "i"
    return StreamFormat(
        sample_rate_hz=float(table["core:sample_rate"]),
        center_hz=_center_hz(metadata, meta_path) if dtype == "complex64" else 0.0,
        dtype=dtype,
        metres_per_unit=float(scale),
        full_scale=INT16_FULL_SCALE if is_integer else float(np.finfo(np.float32).max),
    )


def _center_hz(metadata: dict[str, Any], meta_path: Path) -> float:
    """The one centre frequency of a complex recording; 0 where none is given."""
    centers_hz = [float(c.get("core:frequency", 0.0)) for c in metadata["captures"]] or [0.0]
    for number, center_hz in enumerate(centers_hz):
        if center_hz != centers_hz[0]:
            raise InputError(
                f"{meta_path}: captures[{number}].core:frequency = {center_hz!r}: "
                f"must be {centers_hz[0]!r}, as in the first capture; split the recording"
            )
    return centers_hz[0]
