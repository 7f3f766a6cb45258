"""Recordings: what is written is what is read, and every fault is one line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.errors import InputError
from controller.instrument import (
    Instrument,
    InstrumentFault,
    SampleBlock,
    StreamEnded,
    StreamFormat,
    Tone,
    ToneRefused,
)
from controller.runtime.instruments.recording import Recording, write_recording

RATE_HZ = 1000.0


def stream_of(dtype: str, metres_per_unit: float = 1.0) -> StreamFormat:
    """A stream format of one type."""
    center_hz = 5.0e5 if dtype == "complex64" else 0.0
    return StreamFormat(RATE_HZ, center_hz, dtype, metres_per_unit, 32767.0)


def samples_of(dtype: str, count: int = 500) -> np.ndarray:
    """Distinct samples of one type."""
    ramp = np.arange(count)
    return (ramp - 1j * ramp if dtype == "complex64" else ramp).astype(dtype)


def write(path: Path, dtype: str = "float32", count: int = 500) -> Path:
    """A recording without gaps; gives its header."""
    block = SampleBlock(0, samples_of(dtype, count), False)
    return write_recording(path / "line", stream_of(dtype), [block])


def edit(meta: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Change a header in place."""
    header = json.loads(meta.read_text())
    change(header)
    meta.write_text(json.dumps(header))


def data_of(meta: Path) -> Path:
    """The samples' file beside a header."""
    return meta.with_suffix(".sigmf-data")


def blocks_of(recording: Recording) -> list[SampleBlock]:
    """All blocks to the end."""
    recording.start()
    blocks = []
    try:
        while True:
            blocks.append(recording.read(1.0))
    except StreamEnded:
        recording.stop()
        return blocks


@pytest.mark.parametrize("dtype", ["float32", "int16", "complex64"])
def test_a_written_stream_is_read_back(tmp_path: Path, dtype: str) -> None:
    recording = Recording(write(tmp_path, dtype))
    assert isinstance(recording, Instrument)
    assert recording.stream.dtype == dtype
    assert recording.stream.sample_rate_hz == RATE_HZ
    assert recording.stream.center_hz == stream_of(dtype).center_hz
    samples = np.concatenate([block.samples for block in blocks_of(recording)])
    assert samples.dtype == dtype
    assert np.array_equal(samples, samples_of(dtype))
    assert not recording.tones and not recording.paced


@pytest.mark.parametrize("name", ["line.sigmf-meta", "line.sigmf-data", "line"])
def test_either_file_or_their_stem_names_the_recording(tmp_path: Path, name: str) -> None:
    write(tmp_path)
    assert Recording(tmp_path / name).length_s == 0.5


@pytest.mark.parametrize("datatype", ["ci16_le", "ci16_be", "ri16_be", "rf32_be", "cf32_be"])
def test_every_number_format_keeps_its_values(tmp_path: Path, datatype: str) -> None:
    meta = write(tmp_path)
    kind = "i2" if "i16" in datatype else "f4"
    numbers = np.array([1, -2, 32767, 4, -32768, 6])
    numbers.astype((">" if datatype.endswith("be") else "<") + kind).tofile(data_of(meta))
    edit(meta, lambda h: (h["global"].update({"core:datatype": datatype}), _no_sum(h)))
    [block] = blocks_of(Recording(meta))
    expected = numbers[::2] + 1j * numbers[1::2] if datatype[0] == "c" else numbers
    assert block.samples.dtype.isnative
    assert np.array_equal(block.samples, expected)
    assert block.overload == ("i16" in datatype)


def test_a_gap_is_a_jump_of_the_sample_index(tmp_path: Path) -> None:
    samples = samples_of("float32", 30)
    blocks = [SampleBlock(1000, samples[:10], False), SampleBlock(1030, samples[10:], False)]
    meta = write_recording(tmp_path / "gap", stream_of("float32"), blocks)
    read = blocks_of(Recording(meta, block_samples=8))
    # The stream's index starts at 0, and no block runs across the gap.
    assert [(b.first_sample, len(b.samples)) for b in read] == [
        (0, 8), (8, 2), (30, 8), (38, 8), (46, 4)
    ]  # fmt: skip
    assert np.array_equal(np.concatenate([b.samples for b in read]), samples)
    assert Recording(meta).length_s == 50 / RATE_HZ


def test_blocks_that_follow_on_make_one_capture(tmp_path: Path) -> None:
    samples = samples_of("int16")
    blocks = [SampleBlock(first, samples[first : first + 7], False) for first in range(0, 500, 7)]
    meta = write_recording(tmp_path / "line", stream_of("int16"), blocks)
    assert len(json.loads(meta.read_text())["captures"]) == 1


def test_the_scale_is_the_recordings_own(tmp_path: Path) -> None:
    block = SampleBlock(0, samples_of("int16"), False)
    meta = write_recording(tmp_path / "line", stream_of("int16", 2.5e-13), [block])
    assert Recording(meta).stream.metres_per_unit == 2.5e-13
    declared = json.loads(meta.read_text())["global"]["core:extensions"]
    assert [extension["name"] for extension in declared] == ["difftone"]
    edit(meta, lambda h: h["global"].pop("difftone:metres_per_unit"))
    assert Recording(meta).stream.metres_per_unit == 1.0


def test_a_dataset_that_starts_late_counts_from_its_offset(tmp_path: Path) -> None:
    meta = write(tmp_path)

    def shift(header: dict[str, Any]) -> None:
        header["global"]["core:offset"] = 100
        header["captures"][0]["core:sample_start"] = 100

    edit(meta, shift)
    assert blocks_of(Recording(meta))[0].first_sample == 0


def test_a_recording_plays_again_from_the_start(tmp_path: Path) -> None:
    recording = Recording(write(tmp_path))
    assert len(blocks_of(recording)) == len(blocks_of(recording)) == 10


def test_a_recording_refuses_tones_and_reads_before_start(tmp_path: Path) -> None:
    recording = Recording(write(tmp_path))
    with pytest.raises(ToneRefused, match="pump"):
        recording.set_tone(Tone("pump", 0, 1.0, 0.0))
    with pytest.raises(InstrumentFault, match="before start"):
        recording.read(1.0)
    recording.stop()
    recording.stop()


def test_a_file_that_shrinks_while_it_is_played_is_a_fault(tmp_path: Path) -> None:
    meta = write(tmp_path)
    recording = Recording(meta)
    recording.start()
    recording.read(1.0)
    data_of(meta).write_bytes(b"")
    with pytest.raises(InstrumentFault, match="shorter"):
        recording.read(1.0)
    recording.stop()


def test_a_writer_refuses_a_stream_that_goes_back_or_is_empty(tmp_path: Path) -> None:
    block = SampleBlock(0, samples_of("float32"), False)
    with pytest.raises(InputError, match="first_sample = 0"):
        write_recording(tmp_path / "a", stream_of("float32"), [block, block])
    with pytest.raises(InputError, match="no samples"):
        write_recording(tmp_path / "b", stream_of("float32"), [])


def _no_sum(header: dict[str, Any]) -> None:
    """Take the checksum out of a header."""
    header["global"].pop("core:sha512")


def _set(key: str, value: object, table: str = "global") -> Callable[[dict[str, Any]], None]:
    """A change of one key of the header."""

    def change(header: dict[str, Any]) -> None:
        (header["global"] if table == "global" else header[table][0])[key] = value

    return change


HEADER_FAULTS: dict[str, tuple[Callable[[dict[str, Any]], object], str]] = {
    "an unknown type": (_set("core:datatype", "cf64_le"), "core:datatype = 'cf64_le': must be"),
    "an impossible type": (_set("core:datatype", "float"), "global.core:datatype"),
    "no type": (lambda h: h["global"].pop("core:datatype"), "core:datatype"),
    "several channels": (_set("core:num_channels", 2), "core:num_channels = 2: must be 1"),
    "no rate": (lambda h: h["global"].pop("core:sample_rate"), "core:sample_rate: is missing"),
    "a rate of 0": (_set("core:sample_rate", 0), "global.core:sample_rate"),
    "a rate in words": (_set("core:sample_rate", "fast"), "global.core:sample_rate"),
    "a rate that is NaN": (_set("core:sample_rate", float("nan")), "core:sample_rate = nan"),
    "a negative scale": (_set("difftone:metres_per_unit", -1.0), "difftone:metres_per_unit"),
    "a scale in words": (_set("difftone:metres_per_unit", "1 nm"), "difftone:metres_per_unit"),
    "a centre that is infinite": (
        _set("core:frequency", float("inf"), "captures"),
        r"captures\[0\].core:frequency = inf",
    ),
    "a wrong checksum": (_set("core:sha512", "0" * 128), "core:sha512"),
    "a first capture that starts late": (
        _set("core:sample_start", 5, "captures"),
        r"captures\[0\].core:sample_start = 5: must be 0",
    ),
    "a header before the samples": (
        _set("core:header_bytes", 44, "captures"),
        "core:header_bytes = 44",
    ),
    "samples elsewhere": (_set("core:dataset", "line.wav"), "core:dataset"),
    "no captures table": (lambda h: h.pop("captures"), "captures"),
    "captures that are no list": (lambda h: h.update(captures=3), "captures"),
    "a capture past the end": (
        lambda h: h["captures"].append({"core:sample_start": 900}),
        "500 samples",
    ),
    "captures in the wrong order": (
        lambda h: h["captures"].insert(0, {"core:sample_start": 400}),
        "captures",
    ),
    "a stream index that goes back": (
        lambda h: h["captures"].append({"core:sample_start": 100, "core:global_index": 50}),
        r"captures\[1\].core:global_index = 50: must be 100 or more",
    ),
    "an annotation past the end": (
        lambda h: h["annotations"].append({"core:sample_start": 0, "core:sample_count": 501}),
        r"annotations\[0\] ends at sample 501",
    ),
}


@pytest.mark.parametrize("fault", HEADER_FAULTS)
def test_a_header_fault_is_one_line_with_its_key(tmp_path: Path, fault: str) -> None:
    change, message = HEADER_FAULTS[fault]
    meta = write(tmp_path)
    edit(meta, change)
    with pytest.raises(InputError, match=message) as caught:
        Recording(meta)
    assert "\n" not in str(caught.value)
    assert str(tmp_path) in str(caught.value)


def test_two_centres_are_refused(tmp_path: Path) -> None:
    meta = write(tmp_path, "complex64")
    second = {"core:sample_start": 100, "core:frequency": 6.0e5}
    edit(meta, lambda h: h["captures"].append(second))
    with pytest.raises(InputError, match=r"captures\[1\].core:frequency = 600000.0"):
        Recording(meta)


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda meta: meta.unlink(), "line.sigmf-meta: there is no such file"),
        (lambda meta: data_of(meta).unlink(), "line.sigmf-data: is missing"),
        (lambda meta: data_of(meta).write_bytes(b""), "line.sigmf-data: is empty"),
        (lambda meta: data_of(meta).write_bytes(b"abc"), "no multiple of 4"),
        (lambda meta: data_of(meta).write_bytes(bytes(1600)), "truncated or altered"),
        (lambda meta: meta.write_text('{"global": '), "not valid JSON"),
        (lambda meta: meta.write_bytes(b"\xff\xfe"), "not UTF-8"),
        (lambda meta: meta.write_text("[]"), "line.sigmf-meta"),
    ],
)
def test_a_spoilt_file_is_one_line(
    tmp_path: Path, spoil: Callable[[Path], object], message: str
) -> None:
    meta = write(tmp_path)
    spoil(meta)
    with pytest.raises(InputError, match=message) as caught:
        Recording(meta)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["sound.wav", "all.sigmf", "all.sigmf-collection"])
def test_other_files_are_refused_by_name(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"RIFF")
    with pytest.raises(InputError, match=name):
        Recording(tmp_path / name)


def test_a_truncated_file_without_checksum_is_found_by_its_annotation(tmp_path: Path) -> None:
    meta = write(tmp_path)
    annotation = {"core:sample_start": 0, "core:sample_count": 500}
    edit(meta, lambda h: (_no_sum(h), h["annotations"].append(annotation)))
    Recording(meta)
    data_of(meta).write_bytes(data_of(meta).read_bytes()[:1600])
    with pytest.raises(InputError, match="has 400"):
        Recording(meta)


def test_a_block_length_of_0_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="block_samples = 0"):
        Recording(write(tmp_path), block_samples=0)
