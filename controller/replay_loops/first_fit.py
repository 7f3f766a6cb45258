"""The first fit of two close lines: where in a baseband they begin to be told apart."""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np

from controller.signal.lines import LinesFit, fit_lines

FIRST_FIT_BEATS = 3.0  # two lines are told apart, and their decay seen, after a few beats
LEAST_FIRST_FIT_S = 0.4  # a struck body's first tenths of a second belong to its short partials
LEAST_FIRST_FIT_SAMPLES = 12
STEPS_PER_FIRST_FIT = 6  # a first part that does not fit is moved on by a sixth of it
LARGEST_SHIFT = 0.2  # of the spacing: a fit that lies further off is no fit of these lines


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstPart:
    """A part of the baseband that two lines fit."""

    fit: LinesFit
    samples: tuple[tuple[complex, int], ...]  # with the stream's index at the centre of each


class FirstFit:
    """Looks for a part of a baseband that two lines fit; owned by the loop of a close pair.

    Parameters
    ----------
    rate_hz : float
        Rate of the baseband [Hz].
    spacing_hz : float
        Of the lines, which lie on either side of its middle [Hz].
    noise_bandwidth_hz : float
        Of the baseband [Hz].
    """

    def __init__(self, rate_hz: float, spacing_hz: float, noise_bandwidth_hz: float) -> None:
        self._rate_hz, self._spacing_hz = rate_hz, spacing_hz
        self._noise_bandwidth_hz = noise_bandwidth_hz
        duration_s = max(FIRST_FIT_BEATS / spacing_hz, LEAST_FIRST_FIT_S)
        self.length = max(LEAST_FIRST_FIT_SAMPLES, math.ceil(duration_s * rate_hz))
        self.reset()

    def reset(self) -> None:
        """Nothing was heard."""
        self._heard: list[tuple[complex, int]] = []  # and not yet given up
        self._given_up: list[int] = []
        self.has_tried = self.has_fitted = False

    def copy(self) -> FirstFit:
        """An independent one that goes on alike."""
        return copy.deepcopy(self)

    def __repr__(self) -> str:
        return f"FirstFit({len(self._heard)} of {self.length} samples)"

    @property
    def length_s(self) -> float:
        """How long a part has to be [s]."""
        return self.length / self._rate_hz

    def process(self, sample: complex, center: int) -> FirstPart | None:
        """Take the next sample of the baseband.

        Parameters
        ----------
        sample : complex
            The sample.
        center : int
            The stream's index at its centre [samples].

        Returns
        -------
        FirstPart or None
            What was heard and not given up, once it fits two lines.
        """
        self._heard.append((sample, center))
        if len(self._heard) < self.length:
            return None
        self.has_tried = True
        fit = self._fit()
        if fit is None:
            self._give_up(max(1, self.length // STEPS_PER_FIRST_FIT))
            return None
        self.has_fitted = True
        part = FirstPart(fit=fit, samples=tuple(self._heard))
        self._heard = []
        return part

    def interrupt(self) -> None:
        """What comes does not follow on: give up what was heard."""
        self._give_up(len(self._heard))

    def given_up(self) -> list[int]:
        """The centres of the samples that were given up since this was last asked."""
        given_up, self._given_up = self._given_up, []
        return given_up

    def _give_up(self, count: int) -> None:
        self._given_up += [center for _, center in self._heard[:count]]
        del self._heard[:count]

    def _fit(self) -> LinesFit | None:
        """A fit of two lines, if it is one: near where they should be, and significant."""
        expected_hz = (-0.5 * self._spacing_hz, 0.5 * self._spacing_hz)
        try:
            fit = fit_lines(
                np.array([sample for sample, _ in self._heard]),
                self._rate_hz,
                expected_hz,
                noise_bandwidth_hz=self._noise_bandwidth_hz,
            )
        except (ValueError, np.linalg.LinAlgError):  # no information, or none that is finite
            return None
        is_fit = np.isfinite(fit.covariance).all() and all(
            abs(line.frequency_hz - hz) < LARGEST_SHIFT * self._spacing_hz
            and line.frequency_sigma_hz < 0.5 * LARGEST_SHIFT * self._spacing_hz
            and line.magnitude > 5.0 * line.magnitude_sigma
            for line, hz in zip(fit.lines, expected_hz, strict=True)
        )
        return fit if is_fit else None
