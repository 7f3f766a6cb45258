"""Analyses of the energy exchange: one pump, a series of detunings, a series of amplitudes.

Every stretch with the pump on and the drives off is fitted by itself; stretches are
then combined by their information, and a chi-square says whether they agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from controller.analysis.protocols.data import (
    TWO_PI,
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    Results,
    Run,
    guarded,
    is_driven,
    propagated,
    runs_where,
    tracked_difference,
    unwrapped_rad,
    with_sigmas,
)
from controller.analysis.protocols.two_mode import (
    ASYMMETRY,
    COUNT,
    DECAY_LOWER,
    DECAY_UPPER,
    IM,
    RE,
    TwoModeFit,
    fit_two_modes,
    propagators,
)
from controller.records import ModeId

HOPELESS_CHANCE = 1.0e-6  # that sound stretches disagree so much
MAP_POINTS = 200  # of the time axis of a map
PADDING = 4  # of a spectrum: points per resolution
FEWEST_DETUNINGS = 3  # a hyperbola has two numbers
CURVED_SIGMAS = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Combined:
    """What several stretches say together."""

    shared: np.ndarray
    covariance: np.ndarray
    fits: tuple[TwoModeFit, ...]
    runs: tuple[Run, ...]


def exchange(data: ProtocolData) -> ProtocolResult:
    """Coupling, decay rates and detuning from one or more exchanges at one pump amplitude.

    Parameters
    ----------
    data : ProtocolData
        With at least one stretch with the pump on and both drives off.

    Returns
    -------
    ProtocolResult
        `energy_exchange_hz` g/pi; `coupling_hz` g/2pi; `decay_rate_lower_per_s` and
        `decay_rate_upper_per_s`, energy; `detuning_hz`, pump less true bare difference,
        mean; `cooperativity` 4 g^2/(gamma_1 gamma_2); `cycles_per_decay` g tau/pi with
        tau = 4/(gamma_1 + gamma_2); each with its sigma; and `is_strongly_coupled`,
        2 g > (gamma_1 + gamma_2)/2. Of the definitions in use this one compares the
        dressed splitting with the mean line width; the exceptional point
        g = |gamma_1 - gamma_2|/4 and a cooperativity above 1 come earlier.
    """
    return guarded(_exchange, data)


def splitting_map(data: ProtocolData) -> ProtocolResult:
    """Energy against time and detuning, and the hyperbola of the exchange frequency.

    Parameters
    ----------
    data : ProtocolData
        Exchanges at three or more detunings, one pump amplitude.

    Returns
    -------
    ProtocolResult
        `coupling_hz` g/2pi, and `difference_offset_hz`: the detuning against the
        tracked difference about which the map is symmetric, that is true less tracked
        difference; each with its sigma. Series: the map, the exchange frequencies
        sqrt((2g)^2 + Delta^2)/2pi with sigmas and the fitted hyperbola, and the spectra
        of both basebands in the frame of the lower bare mode.

    Notes
    -----
    Each stretch gives g and Delta from its complex amplitudes. The hyperbola is fitted
    to both at once: one g, and Delta equal to the commanded detuning less the offset,
    but for what the tracked difference erred during the stretch.
    """
    return guarded(_splitting_map, data)


def rate_calibration(data: ProtocolData) -> ProtocolResult:
    """Coupling and pump shift per unit of pump amplitude, from a series of amplitudes.

    Parameters
    ----------
    data : ProtocolData
        Exchanges at two or more pump amplitudes; three for the linearity.

    Returns
    -------
    ProtocolResult
        `coupling_hz_per_unit`; `nonlinearity`, the quadratic term of the coupling at the
        largest amplitude, relative to the linear one; `pump_shift_difference_hz_per_unit2`;
        each with its sigma. `is_linear` says whether the quadratic term is below three
        sigmas; if it is not, the coupling is the slope at small amplitude.
    """
    return guarded(_rate_calibration, data)


# -- stretches -------------------------------------------------------------------


def exchange_runs(data: ProtocolData) -> list[Run]:
    """The stretches with the pump on and both drives off.

    Parameters
    ----------
    data : ProtocolData
        Basebands and sections.

    Returns
    -------
    list of Run

    Raises
    ------
    ProtocolFailure
        If there is none.
    """
    basebands = data.basebands
    if not len(basebands):
        raise ProtocolFailure(
            "there are no basebands: let the protocol record while the pump is on"
        )
    is_on = basebands["pump_amplitude"] != 0.0
    if not is_on.any():
        raise ProtocolFailure("the pump was never on while basebands were recorded")
    is_free = ~(is_driven(basebands, ModeId.LOWER) | is_driven(basebands, ModeId.UPPER))
    runs = runs_where(data, is_on & is_free)
    if not runs:
        raise ProtocolFailure(
            "there is no completed second with the pump on and both drives off: "
            "release the modes before the pump comes on"
        )
    return runs


def _fitted(runs: Sequence[Run], data: ProtocolData) -> list[tuple[Run, TwoModeFit]]:
    """Every stretch that can be fitted; fails if none can."""
    fitted, reasons = [], []
    for run in runs:
        try:
            fitted.append((run, fit_two_modes(run, data.facts)))
        except ProtocolFailure as failure:
            reasons.append(str(failure))
    if not fitted:
        raise ProtocolFailure(reasons[0])
    return fitted


def _combined(fitted: Sequence[tuple[Run, TwoModeFit]]) -> _Combined:
    """All stretches at one pump amplitude together."""
    fits = [fit for _, fit in fitted]
    values, covariance = _joined(fits, [np.eye(COUNT)] * len(fits))
    _check_agreement(fits, [values] * len(fits), COUNT)
    return _Combined(
        shared=values,
        covariance=covariance,
        fits=tuple(fits),
        runs=tuple(run for run, _ in fitted),
    )


def _joined(
    fits: Sequence[TwoModeFit], designs: Sequence[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Values on which the shared parameters of all fits depend linearly, and their covariance.

    The information of the fits adds up; what the facts said beforehand counts once.
    """
    units = np.sqrt(np.diag(fits[0].shared_covariance))  # for well-conditioned inverses
    prior = np.diag(fits[0].prior * units**2)
    prior_pull = prior @ (fits[0].prior_means / units)
    information, pull = 0.0, 0.0
    for fit, design in zip(fits, designs, strict=True):
        whole = np.linalg.inv(fit.shared_covariance / np.outer(units, units))
        scaled = design * _value_units(design, units) / units[:, None]
        counted = (len(fits) - 1) / len(fits)
        information = information + scaled.T @ (whole - counted * prior) @ scaled
        pull = pull + scaled.T @ (whole @ (fit.shared / units) - counted * prior_pull)
    covariance = np.linalg.inv(information)
    value_units = _value_units(designs[0], units)
    return covariance @ pull * value_units, covariance * np.outer(value_units, value_units)


def _value_units(design: np.ndarray, units: np.ndarray) -> np.ndarray:
    """Sizes of the values: those of the parameters that they stand for."""
    return np.array([units[int(np.argmax(np.abs(column)))] for column in design.T])


def _check_agreement(
    fits: Sequence[TwoModeFit], expected: Sequence[np.ndarray], values: int
) -> None:
    """Coupling and decay rates of all stretches against what they say together."""
    places = [RE, IM, DECAY_LOWER, DECAY_UPPER]
    freedom = len(places) * len(fits) - (values - COUNT + len(places))
    if freedom < 1:
        return
    square = 0.0
    for fit, shared in zip(fits, expected, strict=True):
        error = (fit.shared - shared)[places]
        covariance = fit.shared_covariance[np.ix_(places, places)]
        square += float(error @ np.linalg.solve(covariance, error))
    if chi2.sf(square, freedom) < HOPELESS_CHANCE:
        raise ProtocolFailure(
            f"the {len(fits)} exchanges disagree: chi-square {square:.0f} "
            f"for {freedom} degrees of freedom"
        )


# -- exchange ----------------------------------------------------------------------


def _coupling_rad_s(shared: np.ndarray) -> float:
    return math.hypot(shared[RE], shared[IM])


def _mean_decay_per_s(shared: np.ndarray) -> float:
    return 0.5 * float(shared[DECAY_LOWER] + shared[DECAY_UPPER])


def _exchange(data: ProtocolData) -> ProtocolResult:
    runs = exchange_runs(data)
    largest = max(run.pump_amplitude for run in runs)
    if min(run.pump_amplitude for run in runs) != largest:
        raise ProtocolFailure(
            "the pump's amplitude differs between the exchanges: use rate_calibration"
        )
    combined = _combined(_fitted(runs, data))
    quantities = {
        "energy_exchange_hz": lambda s: _coupling_rad_s(s) / math.pi,
        "coupling_hz": _coupling_hz,
        "decay_rate_lower_per_s": lambda s: float(s[DECAY_LOWER]),
        "decay_rate_upper_per_s": lambda s: float(s[DECAY_UPPER]),
        "cooperativity": lambda s: (
            4.0 * _coupling_rad_s(s) ** 2 / float(s[DECAY_LOWER] * s[DECAY_UPPER])
        ),
        "cycles_per_decay": lambda s: _coupling_rad_s(s) * 2.0 / (math.pi * _mean_decay_per_s(s)),
    }
    values = {
        name: propagated(function, combined.shared, combined.covariance)
        for name, function in quantities.items()
    }
    values["detuning_hz"] = _mean_detuning_hz(combined)
    results = with_sigmas(values)
    results["is_strongly_coupled"] = 2.0 * _coupling_rad_s(combined.shared) > _mean_decay_per_s(
        combined.shared
    )
    results["exchanges"] = float(len(combined.fits))
    return ProtocolResult(results=results, series=_exchange_series(combined))


def _mean_detuning_hz(combined: _Combined) -> tuple[float, float]:
    """Mean over the exchanges, and its sigma.

    Each fit's detuning moves with the shared parameters as they are now known from all;
    what those leave open is the same error in every exchange.
    """
    means, own_variances, slopes = [], [], []
    for fit in combined.fits:
        units = np.sqrt(np.diag(fit.shared_covariance))
        correlations = fit.shared_covariance / np.outer(units, units)
        slope = np.linalg.solve(correlations, fit.shared_with_detuning / units) / units
        means.append(fit.detuning_hz[0] + float(slope @ (combined.shared - fit.shared)))
        own_variances.append(fit.detuning_hz[1] ** 2 - float(slope @ fit.shared_with_detuning))
        slopes.append(slope)
    count, mean_slope = len(means), np.mean(slopes, axis=0)
    variance = sum(own_variances) / count**2
    variance += float(mean_slope @ combined.covariance @ mean_slope)
    return float(np.mean(means)), math.sqrt(variance)


def _exchange_series(combined: _Combined) -> dict[str, np.ndarray]:
    """Amplitudes of the first exchange against time, and the fitted motion from their start."""
    steps, fit = combined.fits[0].steps, combined.fits[0]
    times_s = steps.times_s - steps.times_s[0]
    powers = np.abs(steps.amplitudes) ** 2
    generalised = math.hypot(2.0 * fit.coupling_hz, fit.detuning_hz[0])
    fitted_m = np.abs(_motion(fit))
    return {
        "time_s": times_s,
        "lower_amplitude_m": np.sqrt(powers[0]),
        "upper_amplitude_m": np.sqrt(powers[1]),
        "fitted_lower_m": fitted_m[0],
        "fitted_upper_m": fitted_m[1],
        "envelope_m": math.sqrt(powers[:, 0].sum())
        * np.exp(-0.5 * _mean_decay_per_s(fit.shared) * times_s),
        "exchange_hz": np.array([generalised]),
    }


def _motion(fit: TwoModeFit) -> np.ndarray:
    """Amplitudes without noise from the first means on, at the mean detuning, (2, n + 1)."""
    shared = fit.shared
    step = propagators(
        (float(shared[DECAY_LOWER]), float(shared[DECAY_UPPER])),
        complex(shared[RE], shared[IM]),
        float(shared[ASYMMETRY]),
        np.array([TWO_PI * fit.detuning_hz[0]]),
        fit.steps.step_s,
    )[:, :, 0]
    motion = np.empty_like(fit.steps.amplitudes)
    motion[:, 0] = fit.steps.amplitudes[:, 0]
    for place in range(fit.steps.count):
        motion[:, place + 1] = step @ motion[:, place]
    return motion


# -- splitting map -------------------------------------------------------------------


def _splitting_map(data: ProtocolData) -> ProtocolResult:
    fitted = _fitted(exchange_runs(data), data)
    asked_hz = np.array([_asked_detuning_hz(run, data) for run, _ in fitted])
    if len(np.unique(np.round(asked_hz, 9))) < FEWEST_DETUNINGS:
        raise ProtocolFailure(
            f"there are exchanges at {len(np.unique(asked_hz))} detunings, "
            f"{FEWEST_DETUNINGS} are needed for a hyperbola"
        )
    fits = [fit for _, fit in fitted]
    pairs = np.array([(fit.coupling_hz, fit.detuning_hz[0]) for fit in fits])
    covariances = np.array([fit.coupling_detuning_covariance for fit in fits])
    readings = np.stack([pairs[:, 0], asked_hz - pairs[:, 1]], axis=1)
    covariances = covariances * np.array([[1.0, -1.0], [-1.0, 1.0]])
    (coupling_hz, offset_hz), covariance = _common_mean(readings, covariances)
    results = with_sigmas(
        {
            "coupling_hz": (coupling_hz, math.sqrt(covariance[0, 0])),
            "difference_offset_hz": (offset_hz, math.sqrt(covariance[1, 1])),
        }
    )
    results["exchanges"] = float(len(fits))
    order = np.argsort(asked_hz, kind="stable")
    series = _map_series([fits[i] for i in order], asked_hz[order], coupling_hz, offset_hz)
    return ProtocolResult(results=results, series=series)


def _asked_detuning_hz(run: Run, data: ProtocolData) -> float:
    """What the pump was asked to be off the tracked difference, or was off it at the start."""
    if "detuning_hz" in run.parameters:
        return float(run.parameters["detuning_hz"])
    tracked = tracked_difference(data, run.start_s)
    if tracked is None:
        raise ProtocolFailure(
            f"the detuning of the exchange at {run.start_s:.1f} s is not known: "
            "neither a step nor a record says it"
        )
    phase_rad = unwrapped_rad(run.basebands["pump_phase_rad"])
    return _nearest_hz(
        float(phase_rad[-1] - phase_rad[0]) / (TWO_PI * run.duration_s) - tracked[0], run
    )


def _nearest_hz(frequency_hz: float, run: Run) -> float:
    """A small frequency that phases give but for whole turns per baseband."""
    return math.remainder(frequency_hz, 1.0 / run.spacing_s)


def _common_mean(
    readings: np.ndarray, covariances: np.ndarray
) -> tuple[tuple[float, float], np.ndarray]:
    """Mean of pairs by their information; the second has a spread of its own, learnt here.

    The variance of the spread is the one at which chi-square equals its expectation
    (R. DerSimonian and N. Laird, Controlled Clinical Trials 7, 177 (1986), in another
    form, from memory); none if chi-square is below that anyway.
    """
    offsets, variances = readings[:, 1], covariances[:, 1, 1]

    def chi_square(spread: float) -> float:
        weights = 1.0 / (variances + spread)
        mean = float((weights * offsets).sum() / weights.sum())
        return float((weights * (offsets - mean) ** 2).sum())

    freedom, low, high = len(offsets) - 1, 0.0, float(np.ptp(offsets)) ** 2
    if chi_square(0.0) > freedom:
        for _ in range(60):
            spread = 0.5 * (low + high)
            low, high = (spread, high) if chi_square(spread) > freedom else (low, spread)
    else:
        high = 0.0
    spreads = np.zeros((2, 2))
    spreads[1, 1] = high
    informations = np.linalg.inv(covariances + spreads)
    covariance = np.linalg.inv(informations.sum(axis=0))
    mean = covariance @ np.einsum("nij,nj->i", informations, readings)
    return (float(mean[0]), float(mean[1])), covariance


def _map_series(
    fits: Sequence[TwoModeFit], asked_hz: np.ndarray, coupling_hz: float, offset_hz: float
) -> dict[str, np.ndarray]:
    shortest_s = min(float(fit.steps.times_s[-1] - fit.steps.times_s[0]) for fit in fits)
    grid_s = np.linspace(0.0, shortest_s, MAP_POINTS)
    maps = np.empty((2, len(fits), MAP_POINTS))
    exchange_hz, sigmas_hz = np.empty(len(fits)), np.empty(len(fits))
    for row, fit in enumerate(fits):
        since_s = fit.steps.times_s - fit.steps.times_s[0]
        for mode in (0, 1):
            maps[mode, row] = np.interp(grid_s, since_s, np.abs(fit.steps.amplitudes[mode]) ** 2)
        exchange_hz[row], sigmas_hz[row] = propagated(
            lambda pair: math.hypot(2.0 * pair[0], pair[1]),
            np.array([fit.coupling_hz, fit.detuning_hz[0]]),
            fit.coupling_detuning_covariance,
        )
    margin_hz = 0.05 * float(np.ptp(asked_hz))
    line_hz = np.linspace(asked_hz[0] - margin_hz, asked_hz[-1] + margin_hz, 201)
    hyperbola_hz = np.hypot(2.0 * coupling_hz, line_hz - offset_hz)
    spectrum_hz, spectra = _spectra(fits)
    return {
        "time_s": grid_s,
        "detuning_hz": asked_hz,
        "lower_power_m2": maps[0],
        "upper_power_m2": maps[1],
        "exchange_hz": exchange_hz,
        "exchange_hz_sigma": sigmas_hz,
        "hyperbola_detuning_hz": line_hz,
        "hyperbola_exchange_hz": hyperbola_hz,
        # In the frame of the lower bare mode and the pump the dressed modes lie here.
        "dressed_below_hz": 0.5 * (-(line_hz - offset_hz) - hyperbola_hz),
        "dressed_above_hz": 0.5 * (-(line_hz - offset_hz) + hyperbola_hz),
        "spectrum_hz": spectrum_hz,
        "lower_spectrum_m": spectra[0],
        "upper_spectrum_m": spectra[1],
    }


def _spectra(fits: Sequence[TwoModeFit]) -> tuple[np.ndarray, np.ndarray]:
    """Amplitude spectra of both basebands against the lower bare mode, (2, fits, n)."""
    count = min(fit.steps.count for fit in fits)
    step_s = max(fit.steps.step_s for fit in fits)
    frequencies_hz = np.fft.fftshift(np.fft.fftfreq(PADDING * count, step_s))
    spectra = np.empty((2, len(fits), len(frequencies_hz)))
    for row, fit in enumerate(fits):
        steps = fit.steps
        # The frame already turns with what both share; what is left is the pull of the exchange.
        rest_rad = TWO_PI * steps.step_s * np.cumsum(fit.lower_hz - steps.turned_hz)
        times_s = steps.times_s[:-1] - steps.times_s[0]
        grid_s = np.arange(count) * step_s
        for mode in (0, 1):
            line = steps.amplitudes[mode, :-1] * np.exp(-1j * rest_rad)
            even = np.interp(grid_s, times_s, line, right=0.0)
            # No window: the decay is one, and another would hide the splitting.
            spectrum = np.fft.fft(even, PADDING * count)
            spectra[mode, row] = np.abs(np.fft.fftshift(spectrum)) / count
    return frequencies_hz, spectra


# -- rate calibration ------------------------------------------------------------------


def _rate_calibration(data: ProtocolData) -> ProtocolResult:
    fitted = _fitted(exchange_runs(data), data)
    amplitudes = np.array([run.pump_amplitude for run, _ in fitted])
    if len(np.unique(amplitudes)) < 2:
        raise ProtocolFailure("exchanges at two or more pump amplitudes are needed")
    fits = [fit for _, fit in fitted]
    results = _coupling_law(fits, amplitudes)
    results |= _pump_shift(fitted, data)
    series = {
        "pump_amplitude": amplitudes,
        "coupling_hz": np.array([fit.coupling_hz for fit in fits]),
        "coupling_hz_sigma": np.array(
            [math.sqrt(fit.coupling_detuning_covariance[0, 0]) for fit in fits]
        ),
    }
    return ProtocolResult(results=results, series=series)


def _coupling_law(fits: Sequence[TwoModeFit], amplitudes: np.ndarray) -> Results:
    """Coupling proportional to the amplitude, and what a quadratic term adds.

    Both terms are complex; decay rates and the rest are the same in all exchanges.
    """
    largest = float(amplitudes.max())
    straight, straight_covariance = _joined(fits, [_law(v, 0.0) for v in amplitudes])
    slope = propagated(_coupling_hz, straight, straight_covariance)
    if len(np.unique(amplitudes)) < 3:
        _check_agreement(fits, [_law(v, 0.0) @ straight for v in amplitudes], len(straight))
        return with_sigmas({"coupling_hz_per_unit": slope}) | {
            "nonlinearity": None,
            "nonlinearity_sigma": None,
            "is_linear": None,
        }
    designs = [_law(v, v**2 / largest) for v in amplitudes]
    curved, covariance = _joined(fits, designs)
    _check_agreement(fits, [design @ curved for design in designs], len(curved))
    nonlinearity = propagated(_relative_curvature, curved, covariance)
    is_linear = abs(nonlinearity[0]) < CURVED_SIGMAS * nonlinearity[1]
    if not is_linear:
        slope = propagated(_coupling_hz, curved, covariance)
    results = with_sigmas({"coupling_hz_per_unit": slope, "nonlinearity": nonlinearity})
    results["is_linear"] = is_linear
    return results


def _law(linear: float, quadratic: float) -> np.ndarray:
    """Shared parameters from those per unit of amplitude; two more for a quadratic term."""
    design = np.eye(COUNT)
    design[[RE, IM], [RE, IM]] = linear
    if quadratic == 0.0:
        return design
    more = np.zeros((COUNT, 2))
    more[[RE, IM], [0, 1]] = quadratic
    return np.concatenate([design, more], axis=1)


def _coupling_hz(values: np.ndarray) -> float:
    return _coupling_rad_s(values) / TWO_PI


def _relative_curvature(values: np.ndarray) -> float:
    """Quadratic term at the largest amplitude, along the linear one and relative to it."""
    linear, quadratic = complex(*values[[RE, IM]]), complex(*values[COUNT:])
    return (quadratic / linear).real


def _pump_shift(fitted: Sequence[tuple[Run, TwoModeFit]], data: ProtocolData) -> Results:
    """Shift of the difference by the pump, over the series.

    The bare difference at the start of each exchange, less the one tracked just before
    with the pump off, against the square of the pump's amplitude. What both have as
    Duffing shift at one amplitude is the same in all, and goes into an offset.
    """
    rows = []
    walk_hz = data.facts.difference_walk_hz_per_root_s
    for run, fit in fitted:
        tracked = tracked_difference(data, run.start_s)
        if tracked is not None:
            value_hz, sigma_hz = fit.difference_start_hz
            since_s = run.start_s - tracked[2]
            variance = sigma_hz**2 + tracked[1] ** 2 + walk_hz**2 * max(since_s, 0.0)
            shift_hz = _nearest_hz(value_hz - tracked[0], run)
            rows.append((run.pump_amplitude**2, shift_hz, math.sqrt(variance)))
    if len({row[0] for row in rows}) < 2:
        return {
            "pump_shift_difference_hz_per_unit2": None,
            "pump_shift_difference_hz_per_unit2_sigma": None,
        }
    squares, shifts_hz, sigmas_hz = np.array(rows).T
    columns = np.stack([squares, np.ones(len(squares))], axis=1)
    (shift, _), covariance = _weighted_fit(columns, shifts_hz, sigmas_hz)
    return with_sigmas({"pump_shift_difference_hz_per_unit2": (shift, math.sqrt(covariance[0, 0]))})


def _weighted_fit(
    columns: np.ndarray, readings: np.ndarray, sigmas: np.ndarray
) -> tuple[tuple[float, ...], np.ndarray]:
    """Linear least squares: values and covariance."""
    weighed = columns / sigmas[:, None]
    covariance = np.linalg.inv(weighed.T @ weighed)
    values = covariance @ (weighed.T @ (readings / sigmas))
    return tuple(float(value) for value in values), covariance
