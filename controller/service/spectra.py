"""Live spectra around both modes, from the mean basebands of the updates.

Eight seconds at a time, moved to where the loop says that the mode is, so
that a drifting line stays in the middle; the mean over an update lets
through what is slower than half the rate of updates. After a gap the eight
seconds begin anew.
"""

from __future__ import annotations

import cmath
import math
from collections import deque
from collections.abc import Mapping

import numpy as np

from controller.records import Baseband, ModeId
from controller.service.messages import MOST_SPECTRUM_POINTS, SpectrumMessage
from controller.settings import LoopSettings
from controller.signal.spectrum import amplitude_spectrum

WINDOW_S = 8.0  # resolution of a quarter of a hertz, a screen of 400 points at 20 ms an update
EVERY_S = 1.0  # stream time between two spectra
LEAST_POINTS = 50
MOST_POINTS = 20_000  # of a window, where updates are short


class Spectra:
    """Collects updates, and makes the spectra of both modes once a second.

    Parameters
    ----------
    settings : LoopSettings
        Whose frequencies the basebands are against.
    """

    def __init__(self, settings: LoopSettings) -> None:
        self._references_hz = {mode: settings.modes.of(mode).frequency_hz for mode in ModeId}
        self.reset()

    def __repr__(self) -> str:
        return f"Spectra({len(self._kept)} updates)"

    def reset(self) -> None:
        """Before the first update."""
        self._kept: deque[Baseband] = deque(maxlen=MOST_POINTS)
        self._next_s = 0.0

    def process(
        self, baseband: Baseband, tracked_hz: Mapping[ModeId, float | None]
    ) -> tuple[SpectrumMessage, ...]:
        """Take the next update.

        Parameters
        ----------
        baseband : Baseband
            Against the configured frequencies.
        tracked_hz : mapping of ModeId to float or None
            Where the loop says that the modes are [Hz].

        Returns
        -------
        tuple of SpectrumMessage
            One for each mode, or none before the second is over.
        """
        if not (cmath.isfinite(baseband.lower) and cmath.isfinite(baseband.upper)):
            self._kept.clear()
            return ()
        if self._kept and not _follows(self._kept[-1], baseband):
            self._kept.clear()
        self._kept.append(baseband)
        while baseband.time_s - self._kept[0].time_s >= WINDOW_S:
            self._kept.popleft()
        if len(self._kept) < LEAST_POINTS or baseband.time_s < self._next_s:
            return ()
        self._next_s = baseband.time_s + EVERY_S
        return tuple(self._spectrum(mode, tracked_hz.get(mode)) for mode in ModeId)

    def _spectrum(self, mode: ModeId, tracked_hz: float | None) -> SpectrumMessage:
        """The spectrum of what is kept."""
        newest = self._kept[-1]
        center_hz = self._references_hz[mode] if tracked_hz is None else tracked_hz
        times_s = np.array([each.time_s for each in self._kept]) - newest.time_s
        values = np.array(
            [each.lower if mode is ModeId.LOWER else each.upper for each in self._kept]
        )
        turns = (center_hz - self._references_hz[mode]) * times_s
        spectrum = amplitude_spectrum(
            values * np.exp(-2j * math.pi * turns), 1.0 / newest.duration_s, padding=1
        )
        first = max((len(spectrum.frequencies_hz) - MOST_SPECTRUM_POINTS) // 2, 0)
        shown = slice(first, first + MOST_SPECTRUM_POINTS)
        return SpectrumMessage(
            time_s=newest.time_s,
            mode=mode,
            center_hz=center_hz,
            offsets_hz=spectrum.frequencies_hz[shown].tolist(),
            densities_m_per_root_hz=spectrum.densities[shown].tolist(),
            resolution_hz=spectrum.line_width_hz,
            noise_bandwidth_hz=spectrum.noise_bandwidth_hz,
            tracked_hz=tracked_hz,
        )


def _follows(before: Baseband, after: Baseband) -> bool:
    """Whether nothing lies between two updates."""
    step_s = after.time_s - before.time_s
    return abs(step_s - before.duration_s) < 0.1 * before.duration_s
