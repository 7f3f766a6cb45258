"""The search: look, ping, listen; modes are told from strays by their answer."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from scipy.constants import Boltzmann

from controller.errors import InputError
from controller.instrument import StreamFormat, Tone, ToneChannel
from controller.records import ModeId
from controller.settings import DriveSettings
from controller.supervisor.searching import (
    MOST_ATTEMPTS,
    Searching,
    SearchStep,
    SearchTarget,
    longest_search_s,
    search_target,
)
from controller.tracking.search import ThermalMotion
from hardware_sim.simulator import SimulatedMembrane

LOWER, UPPER = ModeId.LOWER, ModeId.UPPER
DRIVE = DriveSettings(listen_s=3.0)
LOWER_HZ, UPPER_HZ = 1_043_728.0, 1_050_371.0
RATE_HZ = 20_000.0
STREAM = StreamFormat(RATE_HZ, 1.047e6, "complex64", 1.0, 1.0)


def membrane(**options: Any) -> SimulatedMembrane:
    return SimulatedMembrane(
        **{
            "seed": 5,
            "lower": {"frequency_hz": LOWER_HZ, "drive_newton_per_unit": 2e-14},
            "upper": {"frequency_hz": UPPER_HZ, "drive_newton_per_unit": 2e-14},
            **options,
        }
    )


def targets(width_hz: float = 100.0, off_hz: float = 0.0) -> dict[ModeId, SearchTarget]:
    return {
        LOWER: SearchTarget(frequency_hz=LOWER_HZ + off_hz, half_width_hz=width_hz),
        UPPER: SearchTarget(frequency_hz=UPPER_HZ + off_hz, half_width_hz=width_hz),
    }


def searched(
    simulator: SimulatedMembrane,
    expected: Mapping[ModeId, SearchTarget],
    *,
    driven: tuple[ModeId, ...] = (LOWER, UPPER),
    limit_s: float = 40.0,
    drive: DriveSettings = DRIVE,
    **options: int,
) -> tuple[SearchStep, list[Tone], list[str]]:
    """The last step of a search on the simulator, its tones and its events' kinds."""
    channels = {mode: simulator.tones[f"drive_{mode}"] for mode in driven}
    search = Searching(simulator.stream, channels, drive, expected, 0, **options)
    simulator.start()
    tones: list[Tone] = []
    kinds: list[str] = []
    for _ in range(round(limit_s / 0.02)):
        block = simulator.read(1.0)
        step = search.process(block.samples, block.first_sample)
        # The most awkward order: whatever ends a tone is set first.
        for tone in sorted(step.tones, key=lambda tone: tone.amplitude > 0.0):
            tones.append(simulator.set_tone(tone))
            search.tone_set(tones[-1])
        kinds += [event.kind for event in step.events]
        if step.found is not None or step.failure is not None:
            return step, tones, kinds
    raise AssertionError("the search did not end")


def test_both_modes_are_found_with_frequency_noise_and_responsivity() -> None:
    # Noise that covers the skirts of the thermal motion, which are 5 fm/rtHz 50 Hz away.
    simulator = membrane(detector={"noise_m_per_root_hz": 2e-14})
    step, tones, kinds = searched(simulator, targets())
    assert kinds == ["ping", "found", "found"]
    assert step.found is not None
    for mode, true_hz in ((LOWER, LOWER_HZ), (UPPER, UPPER_HZ)):
        found = step.found[mode]
        # The room of the defaults moves a mode by tens of millihertz meanwhile.
        assert found.frequency_hz == pytest.approx(true_hz, abs=0.3)
        assert found.has_answered
        # Over 20 nm a unit; the median of some hundred bins is known to 10 %.
        assert found.detector_noise == pytest.approx(2e-14 / 2e-8, rel=0.15)
        # b = F / (2 m w): physics.md, drive tone.
        expected = 2e-14 / (2.0 * 1.2e-11 * 2.0 * math.pi * true_hz) / 2e-8
        assert found.responsivity == pytest.approx(expected, rel=0.3)  # thermal kicks
        assert found.drive_phase_rad == 0.0
    # Each drive sounded once and was ended, though the ends came first.
    for channel in ("drive_lower", "drive_upper"):
        amplitudes = [tone.amplitude for tone in tones if tone.channel == channel]
        assert amplitudes == [10.0, 0.0]


def test_the_feedthrough_is_measured_with_its_phase() -> None:
    leak_m = complex(4e-11, -3e-11)
    simulator = membrane(detector={"drive_feedthrough_m_per_unit": (leak_m.real, leak_m.imag)})
    step, _, _ = searched(simulator, targets())
    assert step.found is not None
    for found in step.found.values():
        assert found.feedthrough == pytest.approx(leak_m / 2e-8, rel=0.02)


def test_a_start_value_wrong_by_100_hz_is_no_matter() -> None:
    step, _, _ = searched(membrane(), targets(200.0, off_hz=-100.0))
    assert step.found is not None
    assert step.found[LOWER].frequency_hz == pytest.approx(LOWER_HZ, abs=0.3)


def test_a_stray_line_stronger_than_the_mode_is_not_taken() -> None:
    lines = [
        {"frequency_hz": LOWER_HZ + 3.0, "amplitude_m": 5e-11},
        {"frequency_hz": UPPER_HZ - 40.0, "amplitude_m": 5e-11},
    ]
    step, _, _ = searched(membrane(detector={"lines": lines}), targets())
    assert step.found is not None
    assert step.found[LOWER].frequency_hz == pytest.approx(LOWER_HZ, abs=0.3)
    assert step.found[UPPER].frequency_hz == pytest.approx(UPPER_HZ, abs=0.3)


def test_where_both_ranges_hold_both_modes_the_upper_one_is_above() -> None:
    close = membrane(
        lower={"frequency_hz": LOWER_HZ, "drive_newton_per_unit": 1e-14},
        upper={"frequency_hz": LOWER_HZ + 60.0, "drive_newton_per_unit": 1e-13},
        stream={"center_hz": 1.047e6},
    )
    both = {
        LOWER: SearchTarget(frequency_hz=LOWER_HZ + 30.0, half_width_hz=100.0),
        UPPER: SearchTarget(frequency_hz=LOWER_HZ + 31.0, half_width_hz=100.0),
    }
    step, _, _ = searched(close, both)
    assert step.found is not None
    assert step.found[LOWER].frequency_hz == pytest.approx(LOWER_HZ, abs=0.3)
    assert step.found[UPPER].frequency_hz == pytest.approx(LOWER_HZ + 60.0, abs=0.3)


def test_a_mode_that_is_not_driven_is_not_pinged() -> None:
    step, tones, _ = searched(membrane(), targets(20.0), driven=(UPPER,))
    assert {tone.channel for tone in tones} == {"drive_upper"}
    assert step.found is not None
    assert step.found[LOWER].responsivity is None and not step.found[LOWER].has_answered
    assert step.found[LOWER].frequency_hz == pytest.approx(LOWER_HZ, abs=0.5)


def test_without_drives_the_search_listens() -> None:
    step, tones, kinds = searched(membrane(), targets(20.0), driven=())
    assert tones == [] and "ping" not in kinds
    assert step.found is not None


# Of the simulator's defaults: x_th in units of 20 nm, gamma.
MASS_KG, QUALITY, TEMPERATURE_K = 1.2e-11, 7.0e7, 295.0
THERMAL = ThermalMotion(
    amplitude=math.sqrt(Boltzmann * TEMPERATURE_K / MASS_KG) / (2.0 * math.pi * UPPER_HZ) / 2e-8,
    decay_rate_per_s=2.0 * math.pi * UPPER_HZ / QUALITY,
)
STRAY = {"frequency_hz": UPPER_HZ - 15.0, "amplitude_m": 1.5e-11}


def thermal_targets(width_hz: float = 20.0) -> dict[ModeId, SearchTarget]:
    """The upper mode is known to be in thermal motion."""
    near = targets(width_hz)
    return {**near, UPPER: dataclasses.replace(near[UPPER], thermal=THERMAL)}


@pytest.mark.parametrize("seed", range(5))
def test_thermal_motion_is_found_beside_a_stronger_stray_line(seed: int) -> None:
    simulator = membrane(seed=seed, detector={"lines": [STRAY]})
    step, _, _ = searched(simulator, thermal_targets(), driven=(LOWER,))
    assert step.found is not None
    assert step.found[UPPER].frequency_hz == pytest.approx(UPPER_HZ, abs=0.5)
    [text] = [event.text for event in step.events if event.source == "upper"]
    assert "times as it should; also there: " in text and " Hz (stray)" in text


def test_where_nothing_wanders_the_search_listens_on_and_then_says_so() -> None:
    simulator = membrane(
        detector={"lines": [STRAY]}, faults={"mode_dies": [{"mode": "upper", "at_s": 0.0}]}
    )
    step, _, kinds = searched(simulator, thermal_targets(), driven=(LOWER,))
    assert kinds == ["ping", "longer", "longer"]
    assert step.failure is not None
    assert "1 seen, none of which wanders as thermal motion does" in step.failure


def test_without_any_drive_thermal_motion_is_listened_for_again() -> None:
    simulator = membrane(faults={"mode_dies": [{"mode": "upper", "at_s": 0.0}]})
    _, _, kinds = searched(simulator, thermal_targets(), driven=())
    assert kinds == ["longer", "longer"]


def ringing_upper_mode() -> SimulatedMembrane:
    """At 0.3 nm, a hundred times its thermal motion; a steady line beside it."""
    upper = {"frequency_hz": UPPER_HZ, "start_amplitude_m": 3e-10}
    return membrane(upper=upper, detector={"lines": [STRAY]})


def test_what_rings_for_reasons_unknown_is_taken_when_nothing_else_shows_up() -> None:
    step, _, kinds = searched(ringing_upper_mode(), thermal_targets(), driven=(LOWER,))
    assert kinds[:2] == ["ping", "longer"] and step.found is not None
    assert step.found[UPPER].frequency_hz == pytest.approx(UPPER_HZ, abs=0.5)


def test_what_rang_before_is_found_at_once() -> None:
    near = thermal_targets()
    near[UPPER] = dataclasses.replace(near[UPPER], expected_amplitude=3e-10 / 2e-8)
    step, _, kinds = searched(ringing_upper_mode(), near, driven=(LOWER,))
    assert kinds == ["ping", "found", "found"] and step.found is not None
    assert step.found[UPPER].frequency_hz == pytest.approx(UPPER_HZ, abs=0.5)


def test_a_range_without_a_mode_fails_after_three_pings_each_longer() -> None:
    step, tones, kinds = searched(membrane(), targets(20.0, off_hz=3000.0))
    assert step.found is None
    assert step.failure is not None
    assert "no line of the lower and upper mode in 1046728.0 ± 20 Hz" in step.failure
    assert kinds.count("ping") == MOST_ATTEMPTS
    starts = [t.at_sample for t in tones if t.amplitude > 0.0 and t.channel == "drive_lower"]
    ends = [t.at_sample for t in tones if t.amplitude == 0.0 and t.channel == "drive_lower"]
    lengths_s = [(end - start) / 50_000.0 for start, end in zip(starts, ends, strict=True)]
    assert lengths_s == pytest.approx([0.2, 0.8, 3.2])


def test_a_limit_of_the_burst_that_found_nothing_is_named() -> None:
    limited = DriveSettings(listen_s=3.0, max_amplitude=0.5)
    nowhere = targets(20.0, off_hz=3000.0)
    step, _, _ = searched(membrane(), nowhere, drive=limited, most_attempts=1)
    assert step.failure is not None
    assert "drive.max_amplitude keeps the burst to 0.5" in step.failure


def test_one_attempt_may_be_all() -> None:
    _, _, kinds = searched(membrane(), targets(20.0, off_hz=3000.0), most_attempts=1)
    assert kinds.count("ping") == 1


def test_what_still_rings_as_it_should_need_not_answer() -> None:
    ringing = membrane(
        lower={"frequency_hz": LOWER_HZ, "start_amplitude_m": 1e-9, "drive_newton_per_unit": 2e-14},
        detector={"lines": [{"frequency_hz": LOWER_HZ + 15.0, "amplitude_m": 1e-11}]},
    )
    near = targets(20.0)
    near[LOWER] = SearchTarget(
        frequency_hz=LOWER_HZ + 5.0, half_width_hz=20.0, expected_amplitude=0.04
    )
    step, _, kinds = searched(ringing, near)
    assert kinds.count("ping") == 1 and step.found is not None
    assert step.found[LOWER].frequency_hz == pytest.approx(LOWER_HZ, abs=0.3)
    assert not step.found[LOWER].has_answered


def test_a_stray_line_is_not_taken_for_a_mode_that_was_followed() -> None:
    blind = membrane(
        detector={"lines": [{"frequency_hz": LOWER_HZ + 15.0, "amplitude_m": 1e-11}]},
        faults={"mode_dies": [{"mode": "lower", "at_s": 0.0}]},
    )
    near = targets(20.0)
    near[LOWER] = SearchTarget(frequency_hz=LOWER_HZ, half_width_hz=20.0, expected_amplitude=0.04)
    step, _, _ = searched(blind, near)
    assert step.failure is not None and "lower" in step.failure


# -- the schedule alone -----------------------------------------------------------------

CHANNEL = ToneChannel("drive_lower", "V", 8.0, 1.0e6, 1.1e6, 40, True, True)


def small_search(first_index: int = 0) -> Searching:
    return Searching(STREAM, {LOWER: CHANNEL}, DRIVE, targets(50.0), first_index)


def fed(search: Searching, first: int, count: int, length: int = 400) -> list[SearchStep]:
    rng = np.random.default_rng(first)
    steps = []
    for start in range(first, first + count, length):
        samples = 1e-3 * (rng.standard_normal(length) + 1j * rng.standard_normal(length))
        steps.append(search.process(samples.astype(np.complex64), start))
    return steps


def pings(steps: list[SearchStep]) -> list[Tone]:
    return [tone for step in steps for tone in step.tones if tone.amplitude > 0.0]


def ends(steps: list[SearchStep]) -> list[Tone]:
    return [tone for step in steps for tone in step.tones if tone.amplitude == 0.0]


def test_the_ping_sweeps_the_range_once_and_starts_after_the_latency() -> None:
    first = 1_000_000
    steps = fed(small_search(first), first, 25_000)
    [ping], [end] = pings(steps), ends(steps)
    assert ping.at_sample == first + 20_000 + 40 + 1
    assert ping.amplitude == 8.0
    assert ping.frequency_hz == LOWER_HZ - 50.0
    assert ping.chirp_hz_per_s == pytest.approx(100.0 / 0.2)
    assert end.at_sample - ping.at_sample == 4000


@pytest.mark.parametrize("length", [5, 37, 20_000])
def test_blocks_of_any_length_ping_and_end_the_ping_in_time(length: int) -> None:
    search = small_search()
    steps = fed(search, 0, 60_000 // length * length, length)
    pinged = next(n for n, step in enumerate(steps) if pings([step]))
    ended = next(n for n, step in enumerate(steps) if ends([step]))
    assert ended == pinged + 1
    [end] = ends(steps)
    assert end.at_sample > (ended + 1) * length  # not yet in the past when it is told
    [ping] = pings(steps)
    swept_hz = ping.chirp_hz_per_s * (end.at_sample - ping.at_sample) / RATE_HZ
    assert swept_hz == pytest.approx(100.0, rel=1e-3)


def test_an_overloading_ping_begins_again_with_a_quarter() -> None:
    search = small_search()
    fed(search, 0, 20_000)
    assert search.can_be_quieter
    search.quieter(20_400)
    assert not search.can_be_quieter  # it looks again first
    [ping] = pings(fed(search, 20_400, 24_000))
    assert ping.amplitude == 2.0


def test_what_overloads_a_ten_thousandth_is_not_the_ping() -> None:
    search, start = small_search(), 0
    for _ in range(30):
        fed(search, start, 20_400)
        start += 20_400
        if not search.can_be_quieter:
            break
        search.quieter(start)
    assert not search.can_be_quieter and search.status == "ping"


def test_after_a_gap_the_attempt_begins_again() -> None:
    search = small_search()
    fed(search, 0, 24_000)
    search.restart(50_000)
    steps = fed(search, 50_000, 22_000)
    assert len(pings(steps)) == 1 and search.status == "ping"


def test_a_ping_that_started_late_is_known_by_what_was_set() -> None:
    search = small_search()
    [ping] = pings(fed(search, 0, 20_000))
    late = Tone("drive_lower", ping.at_sample + 300, ping.frequency_hz + 1.5, 7.9, 0.4, 490.0)
    search.tone_set(late)
    assert search._pings[LOWER] == late


def test_copy_goes_on_alike() -> None:
    search = small_search()
    fed(search, 0, 19_000)
    other = search.copy()
    assert pings(fed(search, 19_200, 4000)) == pings(fed(other, 19_200, 4000)) != []
    assert repr(search) == repr(other) == "Searching(ping, attempt 1)"


def test_reset_begins_the_attempt_again() -> None:
    search = small_search()
    fed(search, 0, 21_200)
    search.reset()
    assert search.status == "look"


def test_the_longest_search_has_three_attempts() -> None:
    # look 1 s, pings of 0.2, 0.8, 3.2 s, settle 0.05 s, listen 3 s
    assert longest_search_s(DRIVE) == pytest.approx(4.2 + 3 * (1.0 + 0.05 + 3.0))


def test_a_target_has_to_lie_inside_the_stream() -> None:
    assert search_target(LOWER_HZ, 100.0, STREAM).half_width_hz == 100.0
    with pytest.raises(InputError, match=r"outside the stream, which covers 1\.037e"):
        search_target(1.0371e6, 200.0, STREAM)
    real = StreamFormat(48_000.0, 0.0, "float32", 1.0, 1.0)
    with pytest.raises(InputError, match="covers 0 to 24000 Hz"):
        search_target(100.0, 200.0, real)
