"""Analysis of a train whose sign alternates: what flips with it is signal, the rest drift.

The difference frequency is read from the phases of both driven modes while the sign
stays. Drift that both modes share is taken off by what the lower one shows of it, and
what is left cancels between the two signs at one position. The train also couples the
modes a little, which pulls them, and the pull flips with its sign: it is taken off by
what is known of the coupling, and what is not known counts in the sigma.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.analysis.protocols.banded import factor, whitened
from controller.analysis.protocols.data import (
    TWO_PI,
    ProtocolData,
    ProtocolFailure,
    ProtocolResult,
    Run,
    guarded,
    is_driven,
    runs_where,
    with_sigmas,
)
from controller.records import ModeId, Section
from controller.signal.waveforms import fundamental_factor

PLUS, MINUS = "plus", "minus"
FEWEST_PAIRS = 3  # a mean, a share of the drift, and a scatter
LARGEST_NOISE_RATIO = 9.0  # variance of the increments against what was expected


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dwell:
    """Both modes while the sign stays: frequencies between adjacent basebands."""

    sign: float
    start_s: float
    end_s: float
    times_s: np.ndarray  # (n,)
    difference_hz: np.ndarray  # (n,), less that of the references
    lower_hz: np.ndarray  # (n,), less its reference
    cholesky: np.ndarray  # of the errors of difference_hz, in banded form
    # Of the train's pull on the difference: by g / 2 pi per unit, and by ln(action ratio) [Hz].
    pull_slopes: tuple[float, float]

    @property
    def mean_hz(self) -> float:
        """The difference, weighed for thermal kicks and detector noise."""
        ones, seen = self._whitened
        return float(ones @ seen) / float(ones @ ones)

    @property
    def sigma_hz(self) -> float:
        """Of the mean, as expected."""
        ones, _ = self._whitened
        return 1.0 / math.sqrt(float(ones @ ones))

    @property
    def square(self) -> float:
        """Sum of the squares of the whitened residuals, one less than there are expected."""
        ones, seen = self._whitened
        residuals = seen - self.mean_hz * ones
        return float(residuals @ residuals)

    @property
    def _whitened(self) -> tuple[np.ndarray, np.ndarray]:
        both = np.stack([np.ones_like(self.times_s), self.difference_hz], axis=1)
        ones, seen = whitened(self.cholesky, both).T
        return ones, seen


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """Two dwells of opposite sign, one after the other."""

    plus: _Dwell
    minus: _Dwell

    @property
    def middle_s(self) -> float:
        """Time between the two."""
        return 0.25 * (self.plus.start_s + self.plus.end_s + self.minus.start_s + self.minus.end_s)

    @property
    def shift_hz(self) -> float:
        """Half of what flips, shared drift included."""
        return 0.5 * (self.plus.mean_hz - self.minus.mean_hz)

    @property
    def sigma_hz(self) -> float:
        """Of the shift, as expected from thermal kicks and detector noise."""
        return 0.5 * math.hypot(self.plus.sigma_hz, self.minus.sigma_hz)

    @property
    def lower_shift_hz(self) -> float:
        """The same of the lower mode: the drift."""
        return 0.5 * float(np.mean(self.plus.lower_hz) - np.mean(self.minus.lower_hz))


def alternating_difference(data: ProtocolData) -> ProtocolResult:
    """Difference that flips with the sign of the train, pair by pair and on the average.

    Parameters
    ----------
    data : ProtocolData
        Sections `plus` and `minus` in turn, with both modes driven and basebands recorded.

    Returns
    -------
    ProtocolResult
        `mean_shift_hz`, half of the difference at `plus` less that at `minus`, over all
        pairs; `side_line_shift_hz`, the same from the Fourier component of the difference
        at the flip frequency; each with its sigma. `agreement_sigmas`, the two against
        each other; `chi_square` of the pairs about their mean for `degrees_of_freedom`: large
        where the shift depends on the position. Series: shift and sigma of each pair.

    Notes
    -----
    A pair is one position. Its shift is freed of the drift of the lower mode times the
    share of it that the difference takes, which is fitted to all pairs from what was
    known beforehand. What flips in the lower mode itself is no drift, and is told from it by
    second differences of dwells; beforehand it is within the size of the shift. A drive that
    is not 90 degrees ahead pulls its mode by gamma/2 Im(q/q0), q = drive/motion, q0 its mean:
    that is taken off. So is the pull of the train, g/2pi cos(psi) (1/r - r) on the difference
    and g/2pi cos(psi) r on the lower mode, with psi what the modes' difference is ahead of the
    train, and r the ratio of their amplitudes upper over lower, times `Facts.action_ratio`.
    """
    return guarded(_alternating_difference, data)


def _alternating_difference(data: ProtocolData) -> ProtocolResult:
    pairs = _pairs(_dwells(data))
    if len(pairs) < FEWEST_PAIRS:
        raise ProtocolFailure(
            f"there are {len(pairs)} completed pairs of sections plus and minus, "
            f"{FEWEST_PAIRS} are needed"
        )
    ratio = _noise_ratio(pairs)
    if ratio > LARGEST_NOISE_RATIO:
        raise ProtocolFailure(
            f"the difference scatters {math.sqrt(ratio):.1f} times as much as thermal motion "
            "and detector explain"
        )
    sigmas_hz = math.sqrt(ratio) * np.array([pair.sigma_hz for pair in pairs])
    drifts_hz = np.array([pair.lower_shift_hz for pair in pairs])
    shifts_hz = np.array([pair.shift_hz for pair in pairs])
    share, share_sigma = _drift_share(shifts_hz, drifts_hz, sigmas_hz, data)
    weights = 1.0 / sigmas_hz**2
    flip_hz, flip_sigma_hz = _lower_flip(pairs, abs(float(np.average(shifts_hz, weights=weights))))
    drifts_hz = drifts_hz - flip_hz
    shifts_hz = shifts_hz - share * drifts_hz
    mean_hz = float(np.average(shifts_hz, weights=weights))
    common_hz = math.hypot(
        share_sigma * float(np.average(drifts_hz, weights=weights)),
        share * flip_sigma_hz,
        _pull_sigma_hz(pairs, weights, data),
    )
    side_hz, side_sigmas_hz = np.array([_side_line(pair, share) for pair in pairs]).T
    side_hz = side_hz + share * flip_hz
    side_weights = 1.0 / side_sigmas_hz**2
    side_mean_hz = float(np.average(side_hz, weights=side_weights))
    side_sigma_hz = math.sqrt(ratio / side_weights.sum())
    apart_hz = side_hz - shifts_hz
    scatter_hz = float(apart_hz.std(ddof=1)) / math.sqrt(len(pairs))
    results = with_sigmas(
        {
            "mean_shift_hz": (mean_hz, math.hypot(1.0 / math.sqrt(weights.sum()), common_hz)),
            "side_line_shift_hz": (side_mean_hz, math.hypot(side_sigma_hz, common_hz)),
        }
    )
    results["agreement_sigmas"] = abs(float(apart_hz.mean())) / scatter_hz
    results["chi_square"] = float((weights * (shifts_hz - mean_hz) ** 2).sum())
    results["degrees_of_freedom"] = float(len(pairs) - 1)
    results["pairs"] = float(len(pairs))
    return ProtocolResult(
        results=results,
        series={
            "time_s": np.array([pair.middle_s for pair in pairs]),
            "shift_hz": shifts_hz,
            "shift_sigma_hz": np.hypot(sigmas_hz, share_sigma * drifts_hz),
            "side_line_shift_hz": side_hz,
            "mean_hz": np.array([0.5 * (pair.plus.mean_hz + pair.minus.mean_hz) for pair in pairs]),
        },
    )


# -- dwells -----------------------------------------------------------------------


def _dwells(data: ProtocolData) -> list[_Dwell]:
    basebands = data.basebands
    if not len(basebands):
        raise ProtocolFailure("there are no basebands: let plus and minus record")
    times_s = basebands["time_s"]
    is_usable = is_driven(basebands, ModeId.LOWER) & is_driven(basebands, ModeId.UPPER)
    is_usable &= basebands["pump_amplitude"] != 0.0
    if not is_usable.any():
        raise ProtocolFailure("there are no basebands with both modes driven and the train on")
    pulls = {
        mode: complex(np.mean((basebands[f"drive_{mode}"] / basebands[mode.value])[is_usable]))
        for mode in ModeId
    }
    found = []
    for section in data.sections:
        if section.name in (PLUS, MINUS) and section.completed:
            is_inside = (times_s >= section.start_s) & (times_s <= section.end_s)
            runs = runs_where(data, is_usable & is_inside, shortest_s=0.0)
            runs = [run for run in runs if len(run.basebands) > 3]
            if runs:
                run = max(runs, key=lambda each: each.duration_s)
                found.append(_dwell(run, section, data, pulls))
    return found


def _dwell(run: Run, section: Section, data: ProtocolData, pulls: dict[ModeId, complex]) -> _Dwell:
    basebands, spacing_s = run.basebands, run.spacing_s
    times_s = 0.5 * (basebands["time_s"][1:] + basebands["time_s"][:-1])
    tracked_hz = _tracked_hz(data, "difference_hz", times_s) - data.reference_difference_hz
    lower_hz = _tracked_hz(data, "lower_frequency_hz", times_s) - data.lower_reference_hz
    # The tracked values say which turn: what the phases tell apart is 1 / spacing.
    product = basebands["upper"] * basebands["lower"].conj()
    difference_hz = tracked_hz + _turning_hz(product, tracked_hz, spacing_s)
    lower_hz = lower_hz + _turning_hz(basebands["lower"], lower_hz, spacing_s)
    for mode, sign in ((ModeId.LOWER, -1.0), (ModeId.UPPER, 1.0)):
        leads = (basebands[f"drive_{mode}"] / basebands[mode.value] / pulls[mode]).imag
        rate_hz = data.facts.of(mode).decay_rate_per_s / (2.0 * TWO_PI)
        pulled_hz = 0.5 * rate_hz * (leads[1:] + leads[:-1])
        difference_hz = difference_hz - sign * pulled_hz
        if mode is ModeId.LOWER:
            lower_hz = lower_hz - pulled_hz
    alignment, ratio = _train(basebands, section, data)
    pulled_hz = data.facts.coupling_hz_per_unit * alignment
    difference_hz = difference_hz - pulled_hz * (1.0 / ratio - ratio)
    lower_hz = lower_hz - pulled_hz * ratio
    return _Dwell(
        sign=1.0 if section.name == PLUS else -1.0,
        start_s=section.start_s,
        end_s=section.end_s,
        times_s=times_s,
        difference_hz=difference_hz,
        lower_hz=lower_hz,
        cholesky=_cholesky(run, data),
        pull_slopes=(
            float(np.mean(alignment * (1.0 / ratio - ratio))),
            float(np.mean(pulled_hz * (1.0 / ratio + ratio))),
        ),
    )


def _train(
    basebands: np.ndarray, section: Section, data: ProtocolData
) -> tuple[np.ndarray, np.ndarray]:
    """Its fundamental times cos(psi), and the ratio of the roots of both actions.

    Each is the mean of two adjacent basebands, shape (n - 1,).
    """
    facts = data.facts
    turned = basebands["upper"] * basebands["lower"].conj()
    psi_rad = np.angle(turned) - basebands["pump_phase_rad"] - facts.coupling_phase_rad
    amplitude = _fundamental(section, data) * basebands["pump_amplitude"]
    alignment = amplitude * np.cos(psi_rad)
    ratio = facts.action_ratio * np.abs(basebands["upper"]) / np.abs(basebands["lower"])
    return 0.5 * (alignment[1:] + alignment[:-1]), 0.5 * (ratio[1:] + ratio[:-1])


def _fundamental(section: Section, data: ProtocolData) -> float:
    """Of the train that came on before a section, per unit of its amplitude."""
    before = [s for s in data.sections if s.kind == "pump_on" and s.end_s <= section.start_s]
    if not before:
        return 1.0
    train = max(before, key=lambda each: each.end_s)
    turns = train.numbers.get("pulse_s", 0.0) * data.reference_difference_hz
    return fundamental_factor(str(train.parameters.get("waveform", "sine")), turns)


def _tracked_hz(data: ProtocolData, name: str, times_s: np.ndarray) -> np.ndarray:
    """A tracked frequency at other times."""
    values_hz = data.records.get(name, np.zeros(0))
    is_known = np.isfinite(values_hz)
    if not is_known.any():
        raise ProtocolFailure(f"there are no records of {name}")
    return np.interp(times_s, data.records["time_s"][is_known], values_hz[is_known])


def _turning_hz(amplitudes: np.ndarray, frame_hz: np.ndarray, spacing_s: float) -> np.ndarray:
    """How fast amplitudes turn between two basebands, beyond the frame."""
    products = amplitudes[1:] * amplitudes[:-1].conj()
    turned_rad = np.angle(products * np.exp(-1j * TWO_PI * frame_hz * spacing_s))
    return np.asarray(turned_rad / (TWO_PI * spacing_s))


def _cholesky(run: Run, data: ProtocolData) -> np.ndarray:
    """Of the errors of the difference between basebands: kicks and noise of both modes."""
    kick = noise = 0.0
    for mode in ModeId:
        facts = data.facts.of(mode)
        size_m = float(np.abs(run.basebands[mode.value]).mean())
        thermal = facts.thermal_amplitude_m(data.facts.temperature_k) / size_m
        kick += facts.decay_rate_per_s * thermal**2 * run.spacing_s
        noise += (facts.detector_noise_m_per_root_hz / size_m) ** 2 / run.spacing_s
    unit = (TWO_PI * run.spacing_s) ** 2
    count = len(run.basebands) - 1
    # Means over adjacent intervals: a kick's share rises and falls as a triangle.
    return factor(
        np.full(count, (2.0 / 3.0 * kick + 2.0 * noise) / unit),
        np.full(count - 1, (kick / 6.0 - noise) / unit),
    )


# -- pairs ------------------------------------------------------------------------


def _pairs(dwells: Sequence[_Dwell]) -> list[_Pair]:
    """Each dwell with the next one, if that is of the other sign and follows at once."""
    pairs, waiting = [], None
    for dwell in sorted(dwells, key=lambda each: each.start_s):
        if waiting is not None and waiting.sign != dwell.sign and _is_next(waiting, dwell):
            plus, minus = (waiting, dwell) if waiting.sign > 0.0 else (dwell, waiting)
            pairs.append(_Pair(plus=plus, minus=minus))
            waiting = None
        else:
            waiting = dwell
    return pairs


def _is_next(first: _Dwell, second: _Dwell) -> bool:
    longest_s = max(first.end_s - first.start_s, second.end_s - second.start_s)
    return second.start_s - first.end_s < longest_s


def _pull_sigma_hz(pairs: Sequence[_Pair], weights: np.ndarray, data: ProtocolData) -> float:
    """What the train's pull may be off by in the mean shift: it is the same in every pair."""
    per_coupling, by_log_ratio_hz = (
        0.5 * float(np.average(slopes, weights=weights))
        for slopes in zip(
            *(np.subtract(pair.plus.pull_slopes, pair.minus.pull_slopes) for pair in pairs),
            strict=True,
        )
    )
    return math.hypot(
        data.facts.coupling_sigma_hz_per_unit * per_coupling,
        0.5 * data.facts.mass_ratio_sigma * by_log_ratio_hz,
    )


def _noise_ratio(pairs: Sequence[_Pair]) -> float:
    """Variance within the dwells against what was expected."""
    dwells = [dwell for pair in pairs for dwell in (pair.plus, pair.minus)]
    freedom = sum(len(dwell.times_s) - 1 for dwell in dwells)
    return sum(dwell.square for dwell in dwells) / freedom


def _drift_share(
    shifts_hz: np.ndarray, drifts_hz: np.ndarray, sigmas_hz: np.ndarray, data: ProtocolData
) -> tuple[float, float]:
    """How far the difference moves with the lower mode, and its sigma.

    The scatter of the shifts from position to position counts as noise here.
    """
    facts = data.facts
    expected = facts.difference_per_lower
    weights = 1.0 / sigmas_hz**2
    left_hz = shifts_hz - expected * drifts_hz
    centred_hz = left_hz - np.average(left_hz, weights=weights)
    scatter = max(1.0, float((weights * centred_hz**2).sum()) / (len(shifts_hz) - 1))
    moves_hz = drifts_hz - np.average(drifts_hz, weights=weights)
    information = float((weights * moves_hz**2).sum()) / scatter
    pull = float((weights * moves_hz * centred_hz).sum()) / scatter
    whole = information + 1.0 / facts.drift_ratio_sigma**2
    return expected + pull / whole, 1.0 / math.sqrt(whole)


def _lower_flip(pairs: Sequence[_Pair], known_hz: float) -> tuple[float, float]:
    """Half of what flips in the lower mode, with its sigma; `known_hz` is that beforehand.

    A dwell less the mean of those before and after it flips twice and has no steady drift.
    Neighbours share a dwell: where these scatter by themselves, the mean of all has 4/3 of
    the variance that it would have without.
    """
    dwells = sorted((d for pair in pairs for d in (pair.plus, pair.minus)), key=lambda d: d.start_s)
    flips_hz = []
    for first, middle, last in zip(dwells[::2], dwells[1::2], dwells[2::2], strict=False):
        alternate = first.sign == last.sign != middle.sign
        if alternate and _is_next(first, middle) and _is_next(middle, last):
            before, between, after = (float(np.mean(d.lower_hz)) for d in (first, middle, last))
            flips_hz.append(0.25 * first.sign * (before - 2.0 * between + after))
    if len(flips_hz) < FEWEST_PAIRS or known_hz == 0.0:
        return 0.0, known_hz
    variance = 4.0 / 3.0 * float(np.var(flips_hz, ddof=1)) / len(flips_hz)
    trust = known_hz**2 / (known_hz**2 + variance)
    return trust * float(np.mean(flips_hz)), math.sqrt(trust * variance)


def _side_line(pair: _Pair, share: float) -> tuple[float, float]:
    """Shift of one flip from the Fourier component at the flip frequency, and its sigma.

    Against that of a square wave of unit shift, sampled at the same times.
    """
    dwells = sorted((pair.plus, pair.minus), key=lambda each: each.start_s)
    times_s = np.concatenate([dwell.times_s for dwell in dwells])
    signs = np.concatenate([np.full(len(dwell.times_s), dwell.sign) for dwell in dwells])
    seen_hz = np.concatenate([dwell.difference_hz - share * dwell.lower_hz for dwell in dwells])
    half_s = dwells[1].start_s - dwells[0].start_s
    wave = np.sin(math.pi * (times_s - dwells[0].start_s) / half_s)
    wave -= wave.mean()
    unit = float(wave @ signs)
    variance = 0.0
    for dwell in dwells:
        # White while kicks and noise are independent: what both dwells leave at zero frequency.
        part = wave[signs == dwell.sign]
        variance += float(part @ part) * dwell.sigma_hz**2 * len(part)
    return float(wave @ seen_hz) / unit, math.sqrt(variance) / abs(unit)
