"""Analysis of undriven modes: scale of the stream, temperature and detector noise.

In equilibrium E|a|^2 = 2 k T/(m omega^2) for a peak amplitude a. Only |a|^2 is used for
it, so that no drift of the frequency and no error of the tracking counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.analysis.protocols.data import (
    ModeFacts,
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    Results,
    Run,
    guarded,
    is_driven,
    runs_where,
    with_sigmas,
)
from controller.records import ModeId

SECTION = "thermal"
STEPS_PER_DECAY = 10.0  # of the energy: short against it, long against the detector's noise
STEPS_PER_WINDOW = 10.0  # a reading is the mean over this share of a step
SHORTEST_DECAYS = 5.0  # of the energy, in all; below that the scatter has no sigma
LONGEST_UPDATE_DECAYS = 0.2  # of the energy: an update that is longer averages motion away
PASSES = 4  # the weights settle after two
SMOOTHING_S = 4.0  # of the turning: longer than an update by far, shorter than a drift
NOISE_BLOCKS = 50  # for the scatter of the detector's noise
# What an update does to the motion other than averaging it (filters; the steps of a
# simulation) passes for noise: up to this share of half the kicks of an update. Measured
# through the loop's filters: 0.01 to 0.03.
UNKNOWN_SMOOTHING = 0.04
AUTOCORRELATION_DECAYS = 4.0  # of the figure
HISTOGRAM_BINS = 30


def thermal_calibration(data: ProtocolData) -> ProtocolResult:
    """Metres per unit from equipartition, effective temperature and detector noise.

    Parameters
    ----------
    data : ProtocolData
        A section `thermal` in which both modes are left to themselves, the pump off.

    Returns
    -------
    ProtocolResult
        For `lower` and `upper` each: `metres_per_unit_ratio`, by which the stream's metres
        have to be multiplied for equipartition to hold at the configured mass and
        temperature; `effective_temperature_k`, if calibration and mass are right;
        `detector_noise_m_per_root_hz`, one-sided; `decay_rate_per_s`, energy; each with
        its sigma. Series: autocorrelations of |a|^2 and histograms of it.

    Notes
    -----
    |a|^2 is a square-root diffusion: it relaxes at gamma to its mean M and is kicked with
    the variance 4 rho |a|^2 s + 4 s^2, rho = exp(-gamma t), 2 s = M (1 - rho). Predicted
    step by step with these weights it gives gamma. Its mean has the variance
    M^2 2 (x - 1 + exp(-x))/x^2, x = gamma times the time recorded.
    """
    return guarded(_thermal_calibration, data)


def _thermal_calibration(data: ProtocolData) -> ProtocolResult:
    runs = _thermal_runs(data)
    results: Results = {}
    series: dict[str, np.ndarray] = {}
    for mode in ModeId:
        facts = data.facts.of(mode)
        readings = _readings(runs, mode, facts)
        motion = _motion(readings, facts)
        expected_m2 = 2.0 * facts.thermal_amplitude_m(data.facts.temperature_k) ** 2
        ratio = math.sqrt(expected_m2 / motion.mean_m2)
        temperature_k = data.facts.temperature_k * motion.mean_m2 / expected_m2
        relative = motion.mean_sigma_m2 / motion.mean_m2
        results[mode.value] = with_sigmas(
            {
                "metres_per_unit_ratio": (ratio, 0.5 * ratio * relative),
                "effective_temperature_k": (temperature_k, temperature_k * relative),
                "detector_noise_m_per_root_hz": _root(*readings.density2),
                "decay_rate_per_s": (motion.decay_per_s, motion.decay_sigma_per_s),
            }
        )
        series |= {f"{mode}_{name}": s for name, s in _figure(readings, motion).items()}
    return ProtocolResult(results=results, series=series)


def _thermal_runs(data: ProtocolData) -> list[Run]:
    basebands = data.basebands
    sections = [s for s in data.sections if s.name == SECTION and s.completed]
    if not sections:
        raise ProtocolFailure("no section `thermal` was completed")
    times_s = basebands["time_s"]
    is_wanted = np.zeros(len(basebands), dtype=bool)
    for section in sections:
        is_wanted |= (times_s >= section.start_s) & (times_s <= section.end_s)
    is_wanted &= ~(is_driven(basebands, ModeId.LOWER) | is_driven(basebands, ModeId.UPPER))
    runs = runs_where(data, is_wanted & (basebands["pump_amplitude"] == 0.0))
    if not runs:
        raise ProtocolFailure(
            "there is no second in section `thermal` with both drives and the pump off"
        )
    return runs


# -- amplitudes --------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Readings:
    """|a|^2 of short means, evenly spaced by far more than they last."""

    powers: list[np.ndarray]  # one array per stretch [m^2]
    step_s: float
    window_s: float  # of a mean
    noise_m2: float  # of the detector, in |a|^2
    density2: tuple[float, float]  # square of the noise density, and its sigma

    @property
    def every(self) -> np.ndarray:
        """All of them, shape (n,)."""
        return np.concatenate(self.powers)


def _readings(runs: list[Run], mode: ModeId, facts: ModeFacts) -> _Readings:
    spacing_s, update_s = runs[0].spacing_s, float(runs[0].basebands["duration_s"][0])
    decay_s = 1.0 / facts.decay_rate_per_s
    if spacing_s > LONGEST_UPDATE_DECAYS * decay_s:
        raise ProtocolFailure(
            f"updates of {spacing_s:.3g} s are too long for a decay time of {decay_s:.3g} s"
        )
    span_s = sum(run.duration_s for run in runs)
    if span_s < SHORTEST_DECAYS * decay_s:
        raise ProtocolFailure(
            f"{span_s:.3g} s of thermal motion are too few, {SHORTEST_DECAYS * decay_s:.3g} s "
            f"are needed: record longer"
        )
    per_step = max(1, round(decay_s / STEPS_PER_DECAY / spacing_s))
    per_window = max(1, round(per_step / STEPS_PER_WINDOW))
    powers, noises, kicks = [], [], []
    for run in runs:
        still = _derotated(run.basebands[mode.value], spacing_s)
        noise_m2, kick_m2 = _noise_and_kick_m2(still)
        noises.append(noise_m2)
        kicks.append(kick_m2)
        means = len(still) // per_step
        if means > 2:
            windows = still[: means * per_step].reshape(means, per_step)[:, :per_window]
            powers.append(np.abs(windows.mean(axis=1)) ** 2)
    noise, kick = np.concatenate(noises), float(np.concatenate(kicks).mean())
    blocks = np.array([block.mean() for block in np.array_split(noise, NOISE_BLOCKS)])
    sigma = math.hypot(
        float(blocks.std(ddof=1)) / math.sqrt(len(blocks)), 0.5 * UNKNOWN_SMOOTHING * kick
    )
    # Complex variance N of an update of T: N = 2 S^2/T.
    return _Readings(
        powers=powers,
        step_s=per_step * spacing_s,
        window_s=per_window * spacing_s,
        noise_m2=max(float(noise.mean()), 0.0) / per_window,
        density2=(0.5 * update_s * float(noise.mean()), 0.5 * update_s * sigma),
    )


def _derotated(amplitudes: np.ndarray, spacing_s: float) -> np.ndarray:
    """Amplitudes in a frame that turns with the mode's mean frequency of some seconds."""
    products = amplitudes[1:] * amplitudes[:-1].conj()
    width = min(len(products), round(SMOOTHING_S / spacing_s))
    smooth = np.convolve(products, np.ones(max(width, 1)), mode="same")
    phases_rad = np.concatenate([[0.0], np.cumsum(np.angle(smooth))])
    return np.asarray(amplitudes * np.exp(-1j * phases_rad))


def _noise_and_kick_m2(amplitudes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Complex variances of an update's noise N and of the kicks K during it, reading by reading.

    Differences d of adjacent means have E|d|^2 = 2 N + 2/3 K, and K/6 - N with the next.
    """
    steps = np.diff(amplitudes)
    squares = 0.5 * (np.abs(steps[1:]) ** 2 + np.abs(steps[:-1]) ** 2)
    neighbours = (steps[1:] * steps[:-1].conj()).real
    return (squares - 4.0 * neighbours) / 6.0, squares + 2.0 * neighbours


# -- motion ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Motion:
    mean_m2: float  # of |a|^2, without noise
    mean_sigma_m2: float
    decay_per_s: float
    decay_sigma_per_s: float


def _motion(readings: _Readings, facts: ModeFacts) -> _Motion:
    """Mean and decay rate of |a|^2."""
    now = np.concatenate([each[:-1] for each in readings.powers])
    then = np.concatenate([each[1:] for each in readings.powers])
    seen_m2 = float(readings.every.mean())
    mean_m2 = seen_m2 - readings.noise_m2
    if mean_m2 <= 0.0:
        raise ProtocolFailure("the thermal motion is below the detector's noise")
    kept = math.exp(-facts.decay_rate_per_s * readings.step_s)
    for _ in range(PASSES):
        kick = 0.5 * mean_m2 * (1.0 - kept) + 0.5 * readings.noise_m2
        weights = 1.0 / (4.0 * kept * now * kick + 4.0 * kick**2)
        centred_now = now - np.average(now, weights=weights)
        centred_then = then - np.average(then, weights=weights)
        moment = float((weights * centred_now**2).sum())
        kept = float((weights * centred_now * centred_then).sum()) / moment
        if not 0.0 < kept < 1.0:
            raise ProtocolFailure("the thermal motion shows no decay: record longer")
    scale = float((weights * (centred_then - kept * centred_now) ** 2).mean())
    # A mean over w takes the share gamma w/3 off the variance of |a|^2, noise adds to it.
    clean_s = readings.step_s - readings.window_s / 3.0
    decay_per_s = -math.log(kept * (seen_m2 / mean_m2) ** 2) / clean_s
    if decay_per_s <= 0.0:
        raise ProtocolFailure("the thermal motion is lost in the detector's noise")
    span = decay_per_s * readings.step_s * len(readings.every)
    relative = math.sqrt(2.0 * (span - 1.0 + math.exp(-span))) / span
    return _Motion(
        mean_m2=mean_m2,
        mean_sigma_m2=relative * mean_m2,
        decay_per_s=decay_per_s,
        decay_sigma_per_s=math.sqrt(scale / moment) / (kept * clean_s),
    )


def _root(square: float, sigma: float) -> tuple[float, float]:
    """Square root of what may have come out negative, and its sigma."""
    root = math.sqrt(max(square, 0.0))
    return root, 0.5 * sigma / max(root, math.sqrt(0.5 * sigma))


def _figure(readings: _Readings, motion: _Motion) -> dict[str, np.ndarray]:
    """Autocorrelation of |a|^2 against its exponential, and the histogram of it."""
    longest = max(readings.powers, key=len)
    centred = longest - longest.mean()
    lags = min(
        len(longest) - 1, round(AUTOCORRELATION_DECAYS / motion.decay_per_s / readings.step_s)
    )
    products = np.array(
        [float(np.mean(centred[lag:] * centred[: len(centred) - lag])) for lag in range(lags)]
    )
    lags_s = readings.step_s * np.arange(lags)
    counts, edges = np.histogram(readings.every / motion.mean_m2, bins=HISTOGRAM_BINS)
    return {
        "lag_s": lags_s,
        "autocorrelation": products / products[0],
        "exponential": np.exp(-motion.decay_per_s * lags_s),
        "relative_power": 0.5 * (edges[1:] + edges[:-1]),
        "probability_density": counts / (counts.sum() * np.diff(edges)),
    }
