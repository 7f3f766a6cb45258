"""The limit of the difference: symmetries, special cases, refusals."""

import math

import pytest

from controller.errors import InputError
from controller.records import ModeId
from controller.tracking.design import design_loop
from controller.tracking.limits import (
    DifferenceModel,
    SharedDrift,
    difference_model,
    independent_difference_limit_hz,
    independent_limits,
    joint_difference_limit_hz,
    joint_limits,
)
from controller.tracking.phase_model import PhaseModel

AMPLITUDES_M = {ModeId.LOWER: 1.0e-9, ModeId.UPPER: 1.0e-9}


def mode(walk: float = 1e-3, noise: float = 1e-7, update_s: float = 0.01) -> PhaseModel:
    return PhaseModel(
        update_s=update_s,
        phase_noise_rad2_s=noise,
        phase_diffusion_rad2_per_s=1e-6,
        frequency_walk_hz_per_root_s=walk,
    )


def drift(upper: float = 100.0, sigma_k: float = 1e-3, time_s: float = 30.0) -> SharedDrift:
    return SharedDrift(sigma_k=sigma_k, time_s=time_s, lower_hz_per_k=100.0, upper_hz_per_k=upper)


def truth() -> dict:
    one = {
        "frequency_hz": 1.183e6,
        "quality_factor": 6e7,
        "mass_kg": 1.2e-11,
        "walk_hz_per_root_s": 2e-5,
    }
    room = {
        "name": "room",
        "sigma_k": 0.01,
        "time_s": 300.0,
        "lower_hz_per_k": 115.0,
        "upper_hz_per_k": 115.6,
    }
    return {
        "temperature_k": 295.0,
        "detector_noise_m_per_root_hz": 1e-14,
        "modes": {"lower": one, "upper": {**one, "frequency_hz": 1.1892e6}},
        "shared_drifts": [room, {**room, "name": "film", "sigma_k": 0.0}],
    }


def test_modes_that_share_nothing_add_in_squares() -> None:
    model = DifferenceModel(lower=mode(walk=1e-3), upper=mode(walk=3e-3, noise=4e-7))
    lower = design_loop(model.lower).frequency_sigma_hz
    upper = design_loop(model.upper).frequency_sigma_hz
    for limits in (joint_limits(model), independent_limits(model)):
        assert limits.lower_hz == pytest.approx(lower, rel=1e-9)
        assert limits.upper_hz == pytest.approx(upper, rel=1e-9)
        assert limits.difference_hz == pytest.approx(math.hypot(lower, upper), rel=1e-9)


def test_drift_alike_in_equal_modes_costs_the_joint_estimate_nothing() -> None:
    """The difference of the phases is then a mode of twice the noise."""
    model = DifferenceModel(lower=mode(), upper=mode(), shared_drifts=(drift(),))
    alone = math.sqrt(2) * design_loop(mode()).frequency_sigma_hz
    assert joint_difference_limit_hz(model) == pytest.approx(alone, rel=1e-7)
    assert independent_difference_limit_hz(model) > 1.2 * alone


def test_joint_estimate_is_never_worse() -> None:
    for upper in (-50.0, 0.0, 97.0, 101.0):
        model = DifferenceModel(
            lower=mode(), upper=mode(noise=3e-7), shared_drifts=(drift(upper=upper),)
        )
        joint, independent = joint_limits(model), independent_limits(model)
        assert joint.difference_hz <= independent.difference_hz * (1 + 1e-9)
        assert joint.lower_hz <= independent.lower_hz * (1 + 1e-9)
        assert joint.upper_hz <= independent.upper_hz * (1 + 1e-9)


def test_swapping_the_modes_keeps_the_difference() -> None:
    first, second = mode(), mode(walk=3e-4, noise=3e-7)
    forward = DifferenceModel(lower=first, upper=second, shared_drifts=(drift(upper=97.0),))
    swapped = DifferenceModel(
        lower=second,
        upper=first,
        shared_drifts=(
            SharedDrift(sigma_k=1e-3, time_s=30.0, lower_hz_per_k=97.0, upper_hz_per_k=100.0),
        ),
    )
    for limits_of in (joint_limits, independent_limits):
        forward_limits, swapped_limits = limits_of(forward), limits_of(swapped)
        # Eight digits survive the doubling.
        assert forward_limits.difference_hz == pytest.approx(swapped_limits.difference_hz, rel=1e-7)
        assert forward_limits.lower_hz == pytest.approx(swapped_limits.upper_hz, rel=1e-7)


@pytest.mark.parametrize("update_s", [1e-1, 1e-3])
def test_long_memory_does_not_upset_the_solver(update_s: float) -> None:
    """A memory of 1e6 s at 1 ms puts a pole within 1e-9 of the unit circle."""
    model = DifferenceModel(
        lower=mode(walk=0.0, update_s=update_s),
        upper=mode(walk=0.0, update_s=update_s),
        shared_drifts=(drift(upper=100.5, sigma_k=0.05, time_s=1e6),),
    )
    joint = joint_limits(model)
    # One state moves both modes: the errors are those of its temperature.
    assert joint.lower_hz / 100.0 == pytest.approx(joint.upper_hz / 100.5, rel=1e-6)
    assert joint.difference_hz == pytest.approx(joint.lower_hz * 0.5 / 100.0, rel=1e-6)


def test_modes_that_never_move_are_known_exactly() -> None:
    still = DifferenceModel(lower=mode(walk=0.0), upper=mode(walk=0.0))
    assert joint_difference_limit_hz(still) == 0.0
    assert independent_difference_limit_hz(still) == 0.0


def test_drifts_without_size_are_left_out() -> None:
    model = difference_model(truth(), AMPLITUDES_M, 0.01)
    assert len(model.shared_drifts) == 1
    assert model.shared_drifts[0].upper_hz_per_k == 115.6
    assert model.update_s == 0.01
    assert 0.0 < joint_difference_limit_hz(model) < independent_difference_limit_hz(model)


@pytest.mark.parametrize(
    ("path", "place"),
    [
        (("temperature_k",), "temperature_k"),
        (("modes", "upper", "mass_kg"), "modes.upper.mass_kg"),
        (("shared_drifts", 0, "time_s"), "shared_drifts.0.time_s"),
    ],
)
def test_missing_or_bad_truth_is_named(path: tuple, place: str) -> None:
    damaged = truth()
    inner = damaged
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = "warm"
    with pytest.raises(InputError, match=f"{place} of the truth is 'warm'"):
        difference_model(damaged, AMPLITUDES_M, 0.01)
    del inner[path[-1]]
    with pytest.raises(InputError, match=f"no {place}"):
        difference_model(damaged, AMPLITUDES_M, 0.01)


def test_bad_models_are_refused() -> None:
    with pytest.raises(InputError, match="measured together"):
        DifferenceModel(lower=mode(), upper=mode(update_s=0.02))
    with pytest.raises(InputError, match="sigma_k"):
        drift(sigma_k=0.0)
    with pytest.raises(InputError, match="upper_hz_per_k"):
        drift(upper=math.nan)
    with_rate = PhaseModel(
        update_s=0.01,
        phase_noise_rad2_s=1e-7,
        phase_diffusion_rad2_per_s=1e-6,
        frequency_walk_hz_per_root_s=1e-3,
        rate_walk_hz_per_s_per_root_s=1e-3,
    )
    with pytest.raises(InputError, match="rate_walk"):
        DifferenceModel(lower=mode(), upper=with_rate)
