"""What fraction of the motion a sequence of pump pulses has handed over, and how surely.

A sequence begins with both drives off and ends with a read-out. In the fractions of the
actions E/omega, whose sum the pump conserves, both modes are a point on a sphere. Pulses
turn the sphere; thermal kicks let the point diffuse alike in all directions, so that the
noise of a fraction follows from the amplitudes on the way alone, whatever the pulses were.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from controller.analysis.protocols.data import (
    TWO_PI,
    Facts,
    ModeFacts,
    ProtocolData,
    ProtocolFailure,
    is_driven,
)
from controller.records import ModeId

CHUNK_S = 1.0  # of the regression of the decay: short against a decay, long against an update
FEWEST_READ = 2  # basebands of a read-out
LOWER, UPPER = 0, 1
UNLIKELY_CHANCE = 0.05  # that a sound fit leaves so much; below, its sigmas grow
HOPELESS_CHANCE = 1.0e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """One completed sequence, from its first undriven baseband to the end of its read-out."""

    basebands: np.ndarray  # of BASEBAND_DTYPE
    actions: np.ndarray  # (2, n), lower and upper, as squared metres of modes that are alike
    parameters: Mapping[str, Mapping[str, float]]  # of its steps, by their names
    turned_on: tuple[int, ...]  # places of the first basebands with the pump on
    turned_off: tuple[int, ...]  # and of the first ones with it off again

    @property
    def times_s(self) -> np.ndarray:
        """Middle of each baseband, shape (n,)."""
        return np.asarray(self.basebands["time_s"])

    @property
    def total(self) -> np.ndarray:
        """Sum of both actions, shape (n,)."""
        return np.asarray(self.actions.sum(axis=0))

    @property
    def spacing_s(self) -> float:
        """Time from one baseband to the next."""
        return float(np.median(np.diff(self.times_s)))

    def edge_s(self, place: int) -> float:
        """When the pump was switched, if `place` is the first baseband after that."""
        return float(0.5 * (self.times_s[place - 1] + self.times_s[place]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """Decay rates of the energy, and the asymmetry, from the sum of the actions."""

    rates_per_s: np.ndarray  # (2,), lower and upper
    asymmetry: float  # beyond that of the masses as they are known, ln(rho)
    covariance: np.ndarray  # (3, 3), of both rates and the asymmetry

    @property
    def mean_rate_per_s(self) -> tuple[float, float]:
        """Of a motion that is shared evenly, with its sigma."""
        slopes = np.array([0.5, 0.5, 0.0])
        return float(self.rates_per_s.mean()), math.sqrt(float(slopes @ self.covariance @ slopes))

    @property
    def time_s(self) -> tuple[float, float]:
        """Decay time of the energy of such a motion, with its sigma."""
        rate_per_s, sigma = self.mean_rate_per_s
        return 1.0 / rate_per_s, sigma / rate_per_s**2


def passages(data: ProtocolData, opening: str, closing: str) -> list[Passage]:
    """The completed sequences between two steps.

    Parameters
    ----------
    data : ProtocolData
        Basebands and sections.
    opening : str
        Name of the first step, with both drives off.
    closing : str
        Name of the last one, the read-out.

    Returns
    -------
    list of Passage
        In the order of time. A sequence with an interrupted step or with a gap in its
        basebands is left out.

    Raises
    ------
    ProtocolFailure
        If there is none.
    """
    found = []
    steps: list[int] | None = None
    for number, section in enumerate(data.sections):
        if section.name == opening:
            steps = []
        if not section.completed:
            steps = None
        if steps is None:
            continue
        steps.append(number)
        if section.name == closing:
            passage = _passage(data, steps)
            if passage is not None:
                found.append(passage)
            steps = None
    if not found:
        raise ProtocolFailure(
            f"there is no completed sequence from {opening} to {closing} with basebands "
            "and both drives off"
        )
    return found


def _passage(data: ProtocolData, steps: Sequence[int]) -> Passage | None:
    sections = [data.sections[number] for number in steps]
    times_s = data.basebands["time_s"]
    is_within = (times_s >= sections[0].start_s) & (times_s <= sections[-1].end_s)
    basebands = data.basebands[is_within]
    is_free = ~(is_driven(basebands, ModeId.LOWER) | is_driven(basebands, ModeId.UPPER))
    if not is_free.any():
        return None
    basebands = basebands[np.flatnonzero(is_free)[0] :]
    is_whole = np.diff(basebands["time_s"]) < 1.5 * basebands["duration_s"][1:]
    if len(basebands) < 2 * FEWEST_READ or not is_whole.all():
        return None
    on = np.diff((basebands["pump_amplitude"] != 0.0).astype(int))
    return Passage(
        basebands=basebands,
        actions=_actions(basebands, data.facts),
        parameters={section.name: section.numbers for section in sections if section.name},
        turned_on=tuple(int(place) + 1 for place in np.flatnonzero(on > 0)),
        turned_off=tuple(int(place) + 1 for place in np.flatnonzero(on < 0)),
    )


def action_weights(facts: Facts) -> np.ndarray:
    """What makes actions of squared amplitudes, m omega over its geometric mean, shape (2,)."""
    lower, upper = (mode.mass_kg * mode.frequency_hz for mode in (facts.lower, facts.upper))
    return np.array([math.sqrt(lower / upper), math.sqrt(upper / lower)])


def _actions(basebands: np.ndarray, facts: Facts) -> np.ndarray:
    """Of both modes, without what the detector's noise adds on the average."""
    rows = []
    for weight, mode in zip(action_weights(facts), ModeId, strict=True):
        noise_m2 = 2.0 * facts.of(mode).detector_noise_m_per_root_hz ** 2 / basebands["duration_s"]
        rows.append(weight * (np.abs(basebands[mode.value]) ** 2 - noise_m2))
    return np.array(rows)


# -- fractions -------------------------------------------------------------------


def read_count(passage: Passage, facts: Facts) -> int:
    """How many basebands after a pulse tell most of where it has left the modes.

    Over a time T the detector leaves S^2/T to each quadrature, the thermal kicks
    gamma x_th^2 T/3; the sum is least at T = root(3) S/(x_th root(gamma)).

    Parameters
    ----------
    passage : Passage
        Its spacing counts.
    facts : Facts
        Noise and rates, roughly.

    Returns
    -------
    int
    """
    best_s = max(
        math.sqrt(3.0 / mode.decay_rate_per_s)
        * mode.detector_noise_m_per_root_hz
        / mode.thermal_amplitude_m(facts.temperature_k)
        for mode in (facts.lower, facts.upper)
    )
    return max(FEWEST_READ, round(best_s / passage.spacing_s))


def fraction_lower(passage: Passage, places: slice) -> float:
    """Share of the lower mode in the action over some basebands.

    Parameters
    ----------
    passage : Passage
        Where.
    places : slice
        Of its basebands.

    Returns
    -------
    float
        0 to 1, but for noise. What both modes lose alike does not change it.
    """
    lower, upper = passage.actions[:, places].mean(axis=1)
    return float(lower / (lower + upper))


def diffusion_rad2(passage: Passage, places: slice, facts: Facts) -> float:
    """Variance of the point on the sphere, in each direction, after some basebands.

    Parameters
    ----------
    passage : Passage
        Where.
    places : slice
        Of its basebands.
    facts : Facts
        Thermal motion and noise of the detector, which reads the state at the end.

    Returns
    -------
    float
        [rad^2], to first order.

    Notes
    -----
    A kick of sigma in each quadrature across a motion of squared size N turns the point by
    2 sigma/root(N) (Bloch sphere); thermal kicks have gamma x_th^2 dt.
    """
    total = np.maximum(passage.total[places], np.finfo(float).tiny)
    modes = (facts.lower, facts.upper)
    kicks = np.mean([_kicks_m2_per_s(mode, facts) for mode in modes])
    density = max(mode.detector_noise_m_per_root_hz for mode in modes)
    read_s = read_count(passage, facts) * passage.spacing_s
    thermal = 4.0 * float(kicks) * passage.spacing_s * float((1.0 / total).sum())
    return thermal + 4.0 * (density**2 / read_s + float(kicks) * read_s / 3.0) / float(total[-1])


def fraction_sigma(fraction: float, diffusion: float) -> float:
    """Sigma of a fraction whose point on the sphere has diffused.

    Parameters
    ----------
    fraction : float
        P = (1 + cos(theta))/2, as expected.
    diffusion : float
        Variance of theta [rad^2].

    Returns
    -------
    float
        Root of P (1 - P) variance + variance^2/8, the latter for a point at a pole.
    """
    slope = max(fraction * (1.0 - fraction), 0.0)
    return math.sqrt(slope * diffusion + diffusion**2 / 8.0)


def _kicks_m2_per_s(mode: ModeFacts, facts: Facts) -> float:
    """Variance that thermal force adds to each quadrature in a second."""
    return mode.decay_rate_per_s * mode.thermal_amplitude_m(facts.temperature_k) ** 2


def inflation(square: float, freedom: int, failure: str) -> float:
    """By how much the variances of a fit grow with what it leaves.

    Parameters
    ----------
    square : float
        Sum of weighted squares.
    freedom : int
        Degrees of freedom, at least 1.
    failure : str
        What a hopeless fit means.

    Returns
    -------
    float
        1 where chance explains the rest, else chi-square per degree of freedom.

    Raises
    ------
    ProtocolFailure
        If chance is out of the question.
    """
    chance = float(chi2.sf(square, freedom))
    if chance < HOPELESS_CHANCE:
        raise ProtocolFailure(
            f"{failure}: chi-square {square:.0f} for {freedom} degrees of freedom"
        )
    return square / freedom if chance < UNLIKELY_CHANCE else 1.0


# -- decay -------------------------------------------------------------------------


def decay_of(found: Sequence[Passage], facts: Facts) -> Decay:
    """Decay rates of both modes from the sum of their actions, pulses or not.

    Parameters
    ----------
    found : sequence of Passage
        All sequences of a protocol.
    facts : Facts
        Thermal motion, noise and wander of the detector, masses.

    Returns
    -------
    Decay

    Raises
    ------
    ProtocolFailure
        If the motion does not decay, or is not known to.

    Notes
    -----
    With the shares n_k of the sum N, d ln N/dt = -gamma_1 n_1 - gamma_2 n_2 however the pump
    couples them; masses that are known wrongly by 2 e in ln(m_2/m_1) add e d(n_1 - n_2)/dt.
    Thermal force adds (on the average) 2 gamma_k x_k^2 to N_k, and 4 gamma x^2/N to the
    variance of ln N.
    """
    rows, drops, variances = [], [], []
    for passage in found:
        for columns, drop, variance in _chunks(passage, facts):
            rows.append(columns)
            drops.append(drop)
            variances.append(variance)
    weights = 1.0 / np.sqrt(np.array(variances))
    units = np.array([1.0, 1.0, max(0.5 * facts.mass_ratio_sigma, 1e-6)])
    columns = np.array(rows) * units * weights[:, None]
    columns = np.vstack([columns, [0.0, 0.0, 1.0]])
    readings = np.append(np.array(drops) * weights, 0.0)
    covariance = np.linalg.inv(columns.T @ columns)
    values = covariance @ columns.T @ readings
    errors = readings - columns @ values
    scale = inflation(
        float(errors @ errors),
        max(len(drops) - 2, 1),
        "the energy does not decay as that of two modes with thermal motion",
    )
    decay = Decay(
        rates_per_s=values[:2],
        asymmetry=float(values[2] * units[2]),
        covariance=covariance * np.outer(units, units) * scale,
    )
    rate_per_s, sigma = decay.mean_rate_per_s
    if not rate_per_s > 3.0 * sigma:
        raise ProtocolFailure(
            f"the energy decays by {rate_per_s:.2g} a second, known to {sigma:.2g}: "
            "the sequences are too short to tell"
        )
    return decay


def balanced(found: Sequence[Passage], decay: Decay) -> list[Passage]:
    """Sequences with the actions that the asymmetry of the modes, as it was found, makes.

    Parameters
    ----------
    found : sequence of Passage
        As from `passages`.
    decay : Decay
        From all of them.

    Returns
    -------
    list of Passage
    """
    factors = np.exp(decay.asymmetry * np.array([-1.0, 1.0]))[:, None]
    return [replace(passage, actions=passage.actions * factors) for passage in found]


def _chunks(passage: Passage, facts: Facts) -> list[tuple[np.ndarray, float, float]]:
    """Shares over a time, the drop of ln N in it, and the variance of that."""
    per_chunk = max(2, round(CHUNK_S / passage.spacing_s))
    total = passage.total
    kicks = [_kicks_m2_per_s(mode, facts) for mode in (facts.lower, facts.upper)]
    kick = float(np.mean(kicks))
    noise_m2 = (
        max(mode.detector_noise_m_per_root_hz for mode in (facts.lower, facts.upper)) ** 2
        / passage.spacing_s
    )
    chunks = []
    for start in range(0, len(total) - per_chunk, per_chunk):
        ends = slice(start, start + per_chunk + 1)
        if total[ends].min() <= 0.0:
            continue
        shares = passage.actions[:, ends] / total[ends]
        elapsed_s = passage.times_s[ends][-1] - passage.times_s[start]
        integrals_s = elapsed_s * shares.mean(axis=1)
        mean_inverse = float((1.0 / total[ends]).mean())
        # The mean of a logarithm lies below the logarithm of the mean by half the variance.
        heating = (2.0 * sum(kicks) - 2.0 * kick) * mean_inverse * elapsed_s
        tilts = shares[LOWER] - shares[UPPER]
        variance = 4.0 * kick * elapsed_s * mean_inverse
        variance += 4.0 * facts.gain_walk_per_root_s**2 * elapsed_s
        variance += 8.0 * noise_m2 * mean_inverse
        drop = math.log(total[start] / total[ends][-1]) + heating
        chunks.append((np.array([*integrals_s, tilts[0] - tilts[-1]]), drop, variance))
    return chunks


# -- difference ---------------------------------------------------------------------


def tracked_mean(
    data: ProtocolData, intervals_s: Sequence[tuple[float, float]]
) -> tuple[float, float] | None:
    """The difference that the loop reported, mean over some intervals.

    Parameters
    ----------
    data : ProtocolData
        With records.
    intervals_s : sequence of (float, float)
        From when to when [s].

    Returns
    -------
    (float, float) or None
        Difference less that of the references and its sigma [Hz]: the mean stated one, since
        errors that follow each other within seconds are much the same. None: not reported.
    """
    records = data.records
    if not {"time_s", "difference_hz", "difference_sigma_hz"} <= set(records):
        return None
    sums = np.zeros(3)
    for start_s, end_s in intervals_s:
        is_within = (records["time_s"] >= start_s) & (records["time_s"] <= end_s)
        is_within &= np.isfinite(records["difference_hz"])
        is_within &= np.isfinite(records["difference_sigma_hz"])
        if is_within.any():
            length_s = end_s - start_s
            sums += length_s * np.array(
                [
                    1.0,
                    float(records["difference_hz"][is_within].mean()),
                    float(records["difference_sigma_hz"][is_within].mean()),
                ]
            )
    if sums[0] == 0.0:
        return None
    return float(sums[1] / sums[0]) - data.reference_difference_hz, float(sums[2] / sums[0])


def mean_turning_hz(amplitudes: np.ndarray, spacing_s: float) -> float:
    """Mean frequency of a baseband against its reference, within half the update rate.

    Parameters
    ----------
    amplitudes : ndarray of complex128, shape (n,)
        Evenly spaced.
    spacing_s : float
        Time from one to the next [s].

    Returns
    -------
    float
        [Hz]
    """
    products = amplitudes[1:] * amplitudes[:-1].conj()
    about_rad = float(np.angle(products.sum()))
    # About the mean, the increments add up to what the phase has done from end to end.
    beyond_rad = float(np.angle(products * np.exp(-1j * about_rad)).mean())
    return (about_rad + beyond_rad) / (TWO_PI * spacing_s)
