"""The phase tracker against the bounds of estimation.

Status of each figure: R, recomputed by a route that does not use the tracker.
"""

import math

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are
from scipy.stats import chi2

from controller.tracking.design import design_loop
from controller.tracking.loop_figures import loop_figures
from controller.tracking.phase_model import PhaseModel
from controller.tracking.phase_tracker import PhaseTracker, PhaseTrackerConfig
from tests.support.phases import BASEBAND_RATE_HZ, UPDATE_S, follow, line, times_s, walk

TWO_PI = 2.0 * math.pi
DENSITY = 2.0e-3  # of the detector, against an amplitude of 1: 14 mrad per update
DECAY_PER_S, THERMAL = 0.1, 3.0e-3  # diffusion 9e-7 rad^2/s
WALK = 5.0e-3
CHANCE = 1.0e-3  # that a sound tracker fails one of the two-sided tests


def tracker(*, walk_hz_per_root_s: float = WALK, learning_s: float = math.inf) -> PhaseTracker:
    made = PhaseTracker(
        PhaseTrackerConfig(
            update_s=UPDATE_S,
            detector_noise=DENSITY,
            thermal_amplitude=THERMAL if walk_hz_per_root_s else 0.0,
            decay_rate_per_s=DECAY_PER_S if walk_hz_per_root_s else 0.0,
            walk_hz_per_root_s=walk_hz_per_root_s,
            learning_s=learning_s,
        )
    )
    made.start(turns=0.0, offset_hz=0.0, frequency_sigma_hz=0.5, amplitude=1.0)
    return made


MODEL = PhaseModel(
    update_s=UPDATE_S,
    phase_noise_rad2_s=DENSITY**2,
    phase_diffusion_rad2_per_s=DECAY_PER_S * THERMAL**2,
    frequency_walk_hz_per_root_s=WALK,
)


def assert_normalised(squares: np.ndarray) -> None:
    """Squared errors over their variances, independent, must average to one."""
    low, high = chi2.ppf([CHANCE / 2, 1 - CHANCE / 2], len(squares))
    assert low < squares.sum() < high


def settled() -> PhaseTracker:
    made = tracker()
    follow(made, line(0.01 * times_s(60.0)))
    return made


def test_gains_settle_where_the_riccati_equation_has_them() -> None:
    """Second implementation: scipy.linalg.solve_discrete_are on the textbook model (R)."""
    diffusion, random_walk = DECAY_PER_S * THERMAL**2, (TWO_PI * WALK) ** 2
    transition = np.array([[1.0, UPDATE_S], [0.0, 1.0]])
    process = np.array(
        [
            [diffusion * UPDATE_S + random_walk * UPDATE_S**3 / 3, random_walk * UPDATE_S**2 / 2],
            [random_walk * UPDATE_S**2 / 2, random_walk * UPDATE_S],
        ]
    )
    noise = DENSITY**2 / UPDATE_S
    predicted = solve_discrete_are(transition.T, np.eye(2, 1), process, np.array([[noise]]))
    gain = predicted[:, 0] / (predicted[0, 0] + noise)
    made = settled()
    assert made.phase_gain == pytest.approx(gain[0], rel=1e-6)
    assert made.frequency_gain_hz == pytest.approx(gain[1], rel=1e-6)
    filtered = predicted - np.outer(gain, predicted[0])
    assert made.phase_sigma_rad == pytest.approx(math.sqrt(filtered[0, 0]), rel=1e-6)
    assert made.frequency_sigma_hz == pytest.approx(math.sqrt(filtered[1, 1]) / TWO_PI, rel=1e-6)


def test_the_loop_is_the_one_that_was_designed() -> None:
    """The designer's gains, and the noise bandwidth of those gains, are the tracker's."""
    design, made = design_loop(MODEL), settled()
    assert made.phase_gain == pytest.approx(design.gains.phase, rel=1e-6)
    figures = loop_figures(design.gains, UPDATE_S)
    assert made.noise_bandwidth_hz == pytest.approx(figures.noise_bandwidth_hz, rel=1e-6)


def test_a_fixed_frequency_is_known_to_the_cramer_rao_bound() -> None:
    """12 S^2 / (A^2 T^3) / (2 pi)^2 with unknown phase: D. C. Rife and R. R. Boorstyn,
    IEEE Trans. Information Theory 20, 591 (1974), for many samples; S^2 here is the
    one-sided noise power per hertz.
    """
    seeds, updates = 300, 60
    duration_s = updates * UPDATE_S
    # N^2 - 1 in place of N^2 for N phases: their equation for the frequency.
    bound_hz = math.sqrt(12.0 * DENSITY**2 / duration_s**3 / (1.0 - updates**-2.0)) / TWO_PI
    errors_hz, sigmas_hz = [], []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        offset_hz = rng.uniform(-0.2, 0.2)
        made = tracker(walk_hz_per_root_s=0.0)
        follow(made, line(offset_hz * times_s(duration_s) + 0.3, 1.0, DENSITY, rng))
        errors_hz.append(made.offset_hz - offset_hz)
        sigmas_hz.append(made.frequency_sigma_hz)
    # It goes as 1 / A, and the first updates know the amplitude to 1.4 % only.
    amplitude_sigma = DENSITY / math.sqrt(UPDATE_S)
    assert np.median(sigmas_hz) == pytest.approx(bound_hz, rel=amplitude_sigma)
    assert_normalised((np.array(errors_hz) / bound_hz) ** 2)


def drifting(seed: int, duration_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Samples of a line that drifts and diffuses, its phase and its frequency."""
    rng = np.random.default_rng(seed)
    step_s, steps = 1.0 / BASEBAND_RATE_HZ, len(times_s(duration_s))
    frequency_hz = 0.05 + walk(rng, steps, WALK**2, step_s)
    turns = np.cumsum(frequency_hz) * step_s
    turns += walk(rng, steps, DECAY_PER_S * THERMAL**2 / TWO_PI**2, step_s)
    return line(turns, 1.0, DENSITY, rng), turns, frequency_hz


@pytest.mark.parametrize("learning_s", [math.inf, 5.0])
def test_errors_are_what_the_riccati_limit_says(learning_s: float) -> None:
    """Squared errors over their stated variances average to one, frequency and phase.

    The stated sigma is the limit itself (first test), to the per cent where the noise is
    learnt too.
    """
    frequency, phase, innovations = [], [], []
    for seed in range(150):
        samples, turns, frequency_hz = drifting(seed, 8.0)
        made = tracker(learning_s=learning_s)
        follow(made, samples)
        # The loop stands in the middle of its last update.
        true_turns, true_hz = turns[-5:-3].mean(), frequency_hz[-5:-3].mean()
        frequency.append((made.offset_hz - true_hz) / made.frequency_sigma_hz)
        phase.append(TWO_PI * (made.turns - true_turns) / made.phase_sigma_rad)
        innovations.append(made.innovation_ratio)
    assert_normalised(np.square(frequency))
    assert_normalised(np.square(phase))
    # A mean over 50 updates, two thirds of which count: variance 2 / 99 each.
    assert np.mean(innovations) == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / 99.0 / 150.0))


@pytest.mark.parametrize("given", [0.5, 1.0, 2.0])
def test_the_learnt_noise_is_unbiased(given: float) -> None:
    """Whatever density was given, the variance that is used rests at the true one."""
    scales = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        config = PhaseTrackerConfig(
            update_s=UPDATE_S, detector_noise=given * DENSITY, walk_hz_per_root_s=1.0e-3
        )
        made = PhaseTracker(config)
        made.start(turns=0.0, offset_hz=0.0, frequency_sigma_hz=0.05, amplitude=1.0)
        samples, seen = line(np.zeros(12000), 1.0, DENSITY, rng), []
        follow(made, samples, lambda _, m=made, s=seen: s.append(m.noise_scale))
        scales.append(np.mean(seen[750:]) * given**2)
    # 20 x 750 updates of one degree each: sqrt(2 / 15000) = 1.2 %. Its logarithm is what
    # is steered: half its variance, a per cent at 250 updates' memory, comes on top.
    assert np.mean(scales) == pytest.approx(1.0, abs=4.0 * 0.012 + 0.01)


def test_a_phase_that_diffuses_within_an_update_leaves_innovations_as_expected() -> None:
    """Strong diffusion: the loop follows every update's mean phase.

    Means of a diffusing phase over adjoining windows differ by 2/3 of what the phase
    itself moves in that time (R: integral of the squared kernel of their difference).
    """
    rng = np.random.default_rng(5)
    thermal = 3.0  # 0.9 rad^2/s: 0.13 rad an update, ten times the detector's noise
    steps, step_s = 80_000, 1.0 / BASEBAND_RATE_HZ
    turns = walk(rng, steps, DECAY_PER_S * 1e-2 * thermal**2 / TWO_PI**2, step_s)
    made = PhaseTracker(
        PhaseTrackerConfig(
            update_s=UPDATE_S,
            detector_noise=DENSITY,
            thermal_amplitude=thermal,
            decay_rate_per_s=DECAY_PER_S * 1e-2,
            walk_hz_per_root_s=WALK,
        )
    )
    made.start(turns=0.0, offset_hz=0.0, frequency_sigma_hz=0.1, amplitude=1.0)
    ratios: list[float] = []
    follow(made, line(turns, 1.0, DENSITY, rng), lambda _: ratios.append(made.innovation_ratio))
    # 10000 innovations, correlated with their neighbours by a quarter.
    assert np.mean(ratios[200:]) == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 * 1.25 / 1e4))
