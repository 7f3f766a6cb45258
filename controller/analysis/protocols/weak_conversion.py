"""Analysis of weak conversion: a motion that a weak pump makes of one driven hard.

The upper mode is thermal motion with a small force in it. Its one-step prediction
errors are white, so that least squares of the force in them is the matched filter;
what does not follow the pump's phase is fitted beside it, from the controls.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtri_exp

from controller.analysis.protocols.banded import factor, whitened
from controller.analysis.protocols.data import (
    TWO_PI,
    Facts,
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    Results,
    Run,
    guarded,
    propagated,
    runs_where,
    with_sigmas,
)

ON, OFF, REVERSED, DETUNED = "on", "off", "reversed", "detuned"
KINDS = (ON, OFF, REVERSED, DETUNED)

STEP_S = 0.2  # of a prediction: short against a decay, long enough for a kick above the noise
FEWEST_STEPS = 30
LEAST_RATIO = 10.0  # of the lower amplitude to its thermal motion: driven hard
KNOWN_DECAY = 0.3  # relative sigma of a decay rate that is known roughly
DRIVE_LEAD_RAD = 0.1  # from 90 degrees: it pulls the frequency of a driven mode
LEAST_SIGNAL_SIGMAS = 2.0  # from there on the inverse of a signal has an interval
LARGEST_NOISE_RATIO = 9.0  # variance of the residuals against what was expected
# Two quadratures are noise: chance exp(-chi^2/2), here that of five sigmas of one number.
CHI_SQUARE_OF_5_SIGMA = -2.0 * math.log(math.erfc(5.0 / math.sqrt(2.0)))

# Places of the fitted values; after them one error of the tracked difference per stretch.
PUMPED, CONTROL, DETUNED_PUMP, LOG_DECAY, ERRORS = slice(0, 2), slice(2, 4), slice(4, 6), 6, 7


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """One undisturbed stretch as means, in the frame of lower mode and tracked difference."""

    kind: str
    phase_rad: float  # by which the pump was stepped
    times_s: np.ndarray  # (n,)
    upper: np.ndarray  # (n,), complex [m]
    lower_m: np.ndarray  # (n,), amplitude of the lower mode
    pump: np.ndarray  # (n,), exp(i phase) of the pump; 0 while it is off
    step_s: float
    difference_sigma_hz: float

    @property
    def duration_s(self) -> float:
        """Time that the prediction errors span."""
        return (len(self.times_s) - 1) * self.step_s


def weak_conversion(data: ProtocolData) -> ProtocolResult:
    """Coupling of a pump far below the line width, against its controls.

    Parameters
    ----------
    data : ProtocolData
        Sections `on`, and of the controls `off`, `reversed`, `detuned` at least one; the
        lower mode driven all the time, the upper one free.

    Returns
    -------
    ProtocolResult
        `coupling_hz` g/2pi of what follows the pump; `converted_amplitude_m` 2 g A/gamma,
        where the upper mode would settle, and `converted_phase_rad`, its phase less that
        of lower mode and pump; `control_coupling_hz`, what is there at the difference
        frequency and does not follow the pump; each with its sigma. `significance` and
        `control_significance` are in sigmas of one normal number; `smallest_coupling_hz`
        would have been seen at five of them, and `time_to_5_sigma_s` is how much
        of this protocol would have done for the coupling found; both with the sigma of
        what noise and coupling are known to.

    Notes
    -----
    In the frame of lower phase and tracked difference the upper amplitude c obeys
    c' = (2 pi i e - gamma/2) c + i (G exp(i phi_p) + S) A + kicks, with the error e of the
    tracked difference, one per stretch. All stretches are fitted at once; G is complex,
    and its size is freed of what noise adds to it on the average. Where the stretches scatter
    about G and S by more than their noise, as with a source that wanders, all sigmas
    grow by the root of `chi_square` over `degrees_of_freedom`.
    """
    return guarded(_weak_conversion, data)


def _weak_conversion(data: ProtocolData) -> ProtocolResult:
    stretches = _stretches(data)
    kinds = {each.kind for each in stretches}
    if ON not in kinds:
        raise ProtocolFailure("no section `on` was completed with the pump on and recorded")
    if kinds == {ON}:
        raise ProtocolFailure(f"there is no control: record {OFF}, {REVERSED} or {DETUNED} too")
    _check_amplitudes(stretches, data.facts)
    return _Fit(stretches, data.facts).result()


# -- stretches --------------------------------------------------------------------


def _stretches(data: ProtocolData) -> list[_Stretch]:
    basebands = data.basebands
    if not len(basebands):
        raise ProtocolFailure("there are no basebands: let the protocol record")
    times_s = basebands["time_s"]
    difference_rad = _tracked_difference_rad(data, times_s)
    found = []
    for section in data.sections:
        if section.name not in KINDS or not section.completed:
            continue
        is_wanted = (times_s >= section.start_s) & (times_s <= section.end_s)
        is_wanted &= (basebands["pump_amplitude"] != 0.0) == (section.name != OFF)
        is_wanted &= (basebands["drive_lower"] != 0.0) & (basebands["drive_upper"] == 0.0)
        for run in runs_where(data, is_wanted):
            phase_rad = section.numbers.get("phase_rad", 0.0)
            stretch = _stretch(run, section.name, phase_rad, data, difference_rad)
            if len(stretch.times_s) > FEWEST_STEPS:
                found.append(stretch)
    return found


def _tracked_difference_rad(data: ProtocolData, times_s: np.ndarray) -> np.ndarray:
    """Phase of the tracked difference against that of the references, from the records."""
    records = data.records
    if not {"time_s", "difference_hz", "difference_sigma_hz"} <= set(records):
        raise ProtocolFailure("there are no records of the difference")
    is_known = np.isfinite(records["difference_hz"])
    if is_known.sum() < 2:
        raise ProtocolFailure("the difference was never tracked")
    known_s = records["time_s"][is_known]
    offsets_hz = records["difference_hz"][is_known] - data.reference_difference_hz
    turns = np.concatenate(
        [[0.0], np.cumsum(0.5 * (offsets_hz[1:] + offsets_hz[:-1]) * np.diff(known_s))]
    )
    return np.asarray(TWO_PI * np.interp(times_s, known_s, turns))


def _stretch(
    run: Run, kind: str, phase_rad: float, data: ProtocolData, difference_rad: np.ndarray
) -> _Stretch:
    basebands = run.basebands
    first = int(np.searchsorted(data.basebands["time_s"], basebands["time_s"][0]))
    frame_rad = difference_rad[first : first + len(basebands)]
    lower = basebands["lower"]
    turned = np.exp(-1j * (np.angle(lower) + frame_rad))
    pump = np.exp(1j * (basebands["pump_phase_rad"] - frame_rad))
    per_mean = max(1, round(STEP_S / run.spacing_s))
    means = len(basebands) // per_mean

    def averaged(series: np.ndarray) -> np.ndarray:
        return np.asarray(series[: means * per_mean].reshape(means, per_mean).mean(axis=1))

    records = data.records
    is_during = (records["time_s"] >= run.start_s) & (
        records["time_s"] <= run.start_s + run.duration_s
    )
    sigmas_hz = records["difference_sigma_hz"][is_during]
    sigmas_hz = sigmas_hz[np.isfinite(sigmas_hz)]
    if not len(sigmas_hz):
        raise ProtocolFailure(f"the difference was not tracked at {run.start_s:.1f} s")
    return _Stretch(
        kind=kind,
        phase_rad=phase_rad,
        times_s=averaged(basebands["time_s"]),
        upper=averaged(basebands["upper"] * turned),
        lower_m=averaged(np.abs(lower)),
        pump=averaged(pump * (basebands["pump_amplitude"] != 0.0)),
        step_s=per_mean * run.spacing_s,
        difference_sigma_hz=float(np.sqrt(np.mean(sigmas_hz**2))),
    )


def _check_amplitudes(stretches: Sequence[_Stretch], facts: Facts) -> None:
    thermal_m = math.sqrt(2.0) * facts.lower.thermal_amplitude_m(facts.temperature_k)
    smallest_m = min(float(np.median(each.lower_m)) for each in stretches)
    if smallest_m < LEAST_RATIO * thermal_m:
        raise ProtocolFailure(
            f"the lower mode's {smallest_m:.2g} m are not {LEAST_RATIO:.0f} times its thermal "
            "motion: drive it harder"
        )


# -- fit --------------------------------------------------------------------------


class _Fit:
    """One fit of all stretches: couplings, decay rate, errors of the tracked difference."""

    def __init__(self, stretches: Sequence[_Stretch], facts: Facts) -> None:
        self._stretches, self._facts = stretches, facts
        upper, lower, self._rho = facts.upper, facts.lower, facts.action_ratio
        lead_hz = math.tan(DRIVE_LEAD_RAD) * lower.decay_rate_per_s / (2.0 * TWO_PI)
        self._error_sigmas_hz = np.array(
            [math.hypot(each.difference_sigma_hz, lead_hz) for each in stretches]
        )
        self._factors = [self._factor(each) for each in stretches]
        # Couplings are fitted in units of what the noise of all stretches leaves open.
        span_s = sum(each.duration_s for each in stretches)
        kick_m = math.sqrt(upper.decay_rate_per_s) * upper.thermal_amplitude_m(facts.temperature_k)
        self._unit_rad_s = kick_m / math.sqrt(span_s) / self._lower_m

    @property
    def _lower_m(self) -> float:
        return float(np.mean([np.mean(each.lower_m) for each in self._stretches]))

    def _factor(self, stretch: _Stretch) -> np.ndarray:
        """Of the errors of each quadrature, thermal kicks and detector noise."""
        mode, step_s = self._facts.upper, stretch.step_s
        thermal_m = mode.thermal_amplitude_m(self._facts.temperature_k)
        kick = mode.decay_rate_per_s * thermal_m**2 * step_s
        noise = mode.detector_noise_m_per_root_hz**2 / step_s
        errors = len(stretch.times_s) - 1
        # Means over adjacent intervals: a kick's share rises and falls as a triangle.
        return factor(
            np.full(errors, 2.0 / 3.0 * kick + 2.0 * noise),
            np.full(errors - 1, kick / 6.0 - noise),
        )

    def _rate(self, values: np.ndarray, place: int) -> complex:
        """2 pi i e - gamma/2 of a stretch, times a step."""
        decay_per_s = self._facts.upper.decay_rate_per_s * math.exp(values[LOG_DECAY])
        error_hz = values[ERRORS + place] * self._error_sigmas_hz[place]
        return complex(-0.5 * decay_per_s, TWO_PI * error_hz) * self._stretches[place].step_s

    def _forces(self, place: int) -> tuple[np.ndarray, np.ndarray]:
        """Pushes of a step by a unit of G and of S, before they decay, complex [m]."""
        stretch = self._stretches[place]
        unit = 1j * self._unit_rad_s * stretch.step_s * stretch.lower_m
        pumped = unit * stretch.pump
        return 0.5 * (pumped[1:] + pumped[:-1]), 0.5 * (unit[1:] + unit[:-1])

    def _errors(self, values: np.ndarray, place: int) -> np.ndarray:
        """Whitened prediction errors of one stretch, complex."""
        stretch, rate = self._stretches[place], self._rate(values, place)
        by_pump, by_control = self._forces(place)
        pump = DETUNED_PUMP if stretch.kind == DETUNED else PUMPED
        pushes = complex(*values[pump]) * by_pump + complex(*values[CONTROL]) * by_control
        predicted = np.exp(rate) * stretch.upper[:-1] + np.exp(0.5 * rate) * pushes
        return self._whitened(place, (stretch.upper[1:] - predicted)[:, None])[:, 0]

    def _slopes(self, values: np.ndarray, place: int) -> tuple[list[int], np.ndarray]:
        """Places of the values that count in a stretch, and what its errors change with each."""
        stretch, rate = self._stretches[place], self._rate(values, place)
        by_pump, by_control = (np.exp(0.5 * rate) * each for each in self._forces(place))
        pump = DETUNED_PUMP if stretch.kind == DETUNED else PUMPED
        pushes = complex(*values[pump]) * by_pump + complex(*values[CONTROL]) * by_control
        by_rate = np.exp(rate) * stretch.upper[:-1] + 0.5 * pushes
        by_error = 1j * TWO_PI * self._error_sigmas_hz[place] * stretch.step_s * by_rate
        columns = [
            *(by_pump, 1j * by_pump, by_control, 1j * by_control),
            *(rate.real * by_rate, by_error),
        ]
        places = [pump.start, pump.start + 1, CONTROL.start, CONTROL.start + 1]
        return [*places, LOG_DECAY, ERRORS + place], -self._whitened(
            place, np.stack(columns, axis=1)
        )

    def _whitened(self, place: int, errors: np.ndarray) -> np.ndarray:
        parts = np.concatenate([errors.real, errors.imag], axis=1)
        both = whitened(self._factors[place], parts)
        return np.asarray(both[:, : errors.shape[1]] + 1j * both[:, errors.shape[1] :])

    @property
    def _open_places(self) -> list[int]:
        """Values with a prior of unit sigma (the decay rate has its own); no data, no value."""
        places = list(range(ERRORS, ERRORS + len(self._stretches)))
        if not any(each.kind == DETUNED for each in self._stretches):
            places += range(DETUNED_PUMP.start, DETUNED_PUMP.stop)
        return places

    def _residuals(self, values: np.ndarray) -> np.ndarray:
        errors = np.concatenate([self._errors(values, i) for i in range(len(self._stretches))])
        priors = np.concatenate([[values[LOG_DECAY] / KNOWN_DECAY], values[self._open_places]])
        return np.concatenate([errors.real, errors.imag, priors])

    def _jacobian(self, values: np.ndarray) -> np.ndarray:
        blocks = []
        for place in range(len(self._stretches)):
            places, slopes = self._slopes(values, place)
            block = np.zeros((len(slopes), len(values)), dtype=complex)
            block[:, places] = slopes
            blocks.append(block)
        errors = np.concatenate(blocks)
        known = np.eye(len(values))[[LOG_DECAY, *self._open_places]]
        known[0] /= KNOWN_DECAY
        return np.concatenate([errors.real, errors.imag, known])

    def result(self) -> ProtocolResult:
        start = np.zeros(ERRORS + len(self._stretches))
        solution = least_squares(self._residuals, start, jac=self._jacobian, x_scale="jac")
        if not solution.success:
            raise ProtocolFailure("the fit of the converted motion did not converge")
        count = 2 * sum(len(each.times_s) - 1 for each in self._stretches)
        ratio = float(solution.fun[:count] @ solution.fun[:count]) / (count - ERRORS)
        if ratio > LARGEST_NOISE_RATIO:
            raise ProtocolFailure(
                f"the fit leaves residuals {math.sqrt(ratio):.1f} times as large as thermal "
                "motion and detector explain"
            )
        square = self._scatter_square(solution.x) / ratio
        freedom = 2 * len(self._stretches) - 4  # two complex couplings were fitted
        # What does not follow the pump may wander: then it scatters between the stretches.
        excess = max(1.0, square / freedom) if freedom > 0 else 1.0
        covariance = excess * ratio * np.linalg.inv(solution.jac.T @ solution.jac)
        level_sigma = _level_sigma(
            solution.jac, count=count, scatter_freedom=freedom if excess > 1.0 else 0
        )
        results = self._results(solution.x, covariance, level_sigma)
        results["chi_square"], results["degrees_of_freedom"] = square, float(freedom)
        return ProtocolResult(results=results, series=self._series(solution.x, ratio))

    def _scatter_square(self, values: np.ndarray) -> float:
        """Sum of squares of what each stretch would add to the common couplings."""
        total = 0.0
        for place in range(len(self._stretches)):
            more = values.copy()
            more[CONTROL.start] += 1.0
            errors = self._errors(values, place)
            response = errors - self._errors(more, place)
            total += float(np.abs(np.vdot(response, errors)) ** 2 / np.sum(np.abs(response) ** 2))
        return total

    # -- outcome ------------------------------------------------------------------

    def _results(self, values: np.ndarray, covariance: np.ndarray, level_sigma: float) -> Results:
        pumped_hz, pumped_sigma_hz = self._coupling_hz(values, covariance, PUMPED)
        control_hz, control_sigma_hz = self._coupling_hz(values, covariance, CONTROL)
        pumped_square, control_square = (
            _chi_square(values[place], covariance[place, place]) for place in (PUMPED, CONTROL)
        )
        decay = self._facts.upper.decay_rate_per_s
        sigma_hz = self._quadrature_sigma_hz(covariance, PUMPED)
        per_hz = TWO_PI / self._rho * 2.0 * self._lower_m  # times 1/gamma: amplitude

        def settled_m(fitted: np.ndarray) -> float:
            size_hz, _ = self._coupling_hz(fitted, covariance, PUMPED)
            return per_hz * size_hz / (decay * math.exp(fitted[LOG_DECAY]))

        phase = propagated(
            lambda v: float(np.angle(1j * complex(*v[PUMPED]) / complex(*values[PUMPED]))),
            values,
            covariance,
        )
        offset_rad = float(np.angle(complex(*values[PUMPED])))
        phase_rad = (phase[0] + offset_rad + math.pi) % TWO_PI - math.pi
        asymmetry_hz = 0.5 * self._facts.mass_ratio_sigma * pumped_hz
        results = with_sigmas(
            {
                "coupling_hz": (pumped_hz, math.hypot(pumped_sigma_hz, asymmetry_hz)),
                "converted_amplitude_m": propagated(settled_m, values, covariance),
                "converted_phase_rad": (phase_rad, phase[1]),
                "control_coupling_hz": (control_hz, control_sigma_hz),
            }
        )
        span_s = sum(each.duration_s for each in self._stretches)
        signal = pumped_square - 2.0  # what noise adds is two
        results["significance"] = _sigmas(pumped_square)
        results["control_significance"] = _sigmas(control_square)
        smallest_hz = math.sqrt(CHI_SQUARE_OF_5_SIGMA) * sigma_hz
        results["smallest_coupling_hz"] = smallest_hz
        results["smallest_coupling_hz_sigma"] = smallest_hz * level_sigma
        # A chi-square of two about a signal s has the variance 4 + 4 s.
        signal_sigma = math.hypot(
            2.0 * math.sqrt(1.0 + max(signal, 0.0)), 2.0 * level_sigma * signal
        )
        # What is not clearly there would take a time that nobody knows.
        is_known = signal > LEAST_SIGNAL_SIGMAS * signal_sigma
        time_s = span_s * CHI_SQUARE_OF_5_SIGMA / signal if is_known else None
        results["time_to_5_sigma_s"] = time_s
        results["time_to_5_sigma_s_sigma"] = (
            None if time_s is None else time_s * signal_sigma / signal
        )
        return results

    def _quadrature_sigma_hz(self, covariance: np.ndarray, place: slice) -> float:
        per_unit = self._rho * self._unit_rad_s / TWO_PI
        return per_unit * math.sqrt(0.5 * float(np.trace(covariance[place, place])))

    def _coupling_hz(
        self, values: np.ndarray, covariance: np.ndarray, place: slice
    ) -> tuple[float, float]:
        """Size of a complex coupling, less what noise adds to its square, and its sigma."""
        sigma_hz = self._quadrature_sigma_hz(covariance, place)
        size_hz = self._rho * self._unit_rad_s / TWO_PI * abs(complex(*values[place]))
        return math.sqrt(max(size_hz**2 - sigma_hz**2, 0.0)), sigma_hz

    def _series(self, values: np.ndarray, ratio: float) -> dict[str, np.ndarray]:
        """The coupling of each stretch by itself, and the upper amplitude against time."""
        each = [self._own_coupling(values, place) for place in range(len(self._stretches))]
        per_unit = self._rho * self._unit_rad_s / TWO_PI
        whole_s = np.concatenate([one.times_s for one in self._stretches])
        return {
            "stretch_s": np.array([float(np.mean(one.times_s)) for one in self._stretches]),
            "stretch_kind": np.array([one.kind for one in self._stretches]),
            "stretch_coupling_real_hz": per_unit * np.array([own.real for own, _ in each]),
            "stretch_coupling_imag_hz": per_unit * np.array([own.imag for own, _ in each]),
            "stretch_coupling_sigma_hz": per_unit
            * math.sqrt(ratio)
            * np.array([sigma for _, sigma in each]),
            "time_s": whole_s,
            "upper_amplitude_m": np.abs(np.concatenate([s.upper for s in self._stretches])),
        }

    def _own_coupling(self, values: np.ndarray, place: int) -> tuple[complex, float]:
        """What one stretch says, in the frame in which the pump came on first.

        Decay rate and error of the difference stay as fitted; a reversed pump has the
        opposite sign here, a control is nought.
        """
        stretch = self._stretches[place]
        bare = values.copy()
        bare[: DETUNED_PUMP.stop] = 0.0
        if stretch.kind == DETUNED:  # what follows the detuned pump is not asked for here
            bare[DETUNED_PUMP] = values[DETUNED_PUMP]
        unit = bare.copy()
        is_pumped = stretch.kind in (ON, REVERSED)
        unit[(PUMPED if is_pumped else CONTROL).start] = 1.0
        errors = self._errors(bare, place)
        response = errors - self._errors(unit, place)
        information = float(np.sum(np.abs(response) ** 2))
        own = complex(np.vdot(response, errors)) / information
        turned = own * np.exp(1j * stretch.phase_rad) if is_pumped else own
        return complex(turned), 1.0 / math.sqrt(information)


def _level_sigma(jacobian: np.ndarray, *, count: int, scatter_freedom: int) -> float:
    """How well the uncertainty of the pumped coupling is known, relative.

    The level of the noise comes from the prediction errors, or, where the stretches scatter
    by more, from so few of them. What is fitted beside the coupling may be known better than
    was said beforehand: half of what that would gain counts.
    """
    information = jacobian.T @ jacobian
    known = math.sqrt(float(np.trace(np.linalg.inv(information[PUMPED, PUMPED]))))
    fitted = math.sqrt(float(np.trace(np.linalg.inv(information)[PUMPED, PUMPED])))
    scatter = 1.0 / math.sqrt(2.0 * scatter_freedom) if scatter_freedom else 0.0
    return math.hypot(1.0 / math.sqrt(2.0 * count), scatter, 0.5 * (1.0 - known / fitted))


def _chi_square(pair: np.ndarray, covariance: np.ndarray) -> float:
    return float(pair @ np.linalg.solve(covariance, pair))


def _sigmas(chi_square: float) -> float:
    """Sigmas of one normal number that are as unlikely as a chi-square of two."""
    return max(0.0, -float(ndtri_exp(-0.5 * chi_square - math.log(2.0))))
