"""How much the desktop takes with a day of history, and how late its frames are.

    python -m tests.benchmarks.desktop [--minutes M] [--size 1280x800]

Draws off screen. Twenty records a second come as the client hands them on,
status and spectra every second. For the last minute, hour and day: the share
of one core, and how long after its time the latest frame was on the screen.
Then the growth of memory, fitted over each of the three from the first minute on (what is
drawn for the first time takes memory once).
"""

from __future__ import annotations

import argparse
import os
import time
from array import array
from collections.abc import Sequence
from tempfile import TemporaryDirectory

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
from PySide6.QtCore import QElapsedTimer, QSettings, Qt, QTimer
from PySide6.QtWidgets import QApplication

from controller.records import ModeId
from controller.service.messages import (
    AllanSeries,
    RecordMessage,
    SpectrumMessage,
    StatusMessage,
    read_telemetry,
)
from controller.service.processes import resident_bytes
from gui.desk import make_application
from gui.models.history import DAY_ROWS
from gui.models.present import Changed
from gui.session import Session
from gui.views.window import Window
from tests.support.desk import WIDTH_HZ, present_of, pumped_record, rows, status

UPDATES_PER_S = 20
PERIOD_MS = 1000 // UPDATES_PER_S
SPANS_S = {"1 min": 60.0, "1 h": 3600.0, "1 day": 86400.0}
WARM_UP_S = 60.0


def day_of_rows(rng: np.random.Generator) -> np.ndarray:
    """A drifting difference, two drifting modes, and the pump on it."""
    times_s = 0.1 * np.arange(1, DAY_ROWS + 1)
    drift_hz = 1e-5 * np.cumsum(rng.standard_normal(DAY_ROWS))
    noise_hz = 1e-4 * rng.standard_normal(DAY_ROWS)
    columns: dict[str, np.ndarray | float] = {
        "difference_hz": 7e3 + drift_hz + noise_hz,
        "difference_sigma_hz": 1e-4,
        "difference_innovation_ratio": 1.0 + 0.2 * rng.standard_normal(DAY_ROWS),
        "pump_hz": 7e3 + drift_hz,
        "pump_amplitude": 0.5,
        "pump_state": 1.0,
    }
    for mode, place_hz in ((ModeId.LOWER, 811e3), (ModeId.UPPER, 818e3)):
        columns |= {
            f"{mode}_state": 0.0,
            f"{mode}_hz": place_hz + 100.0 * drift_hz + noise_hz,
            f"{mode}_sigma_hz": 1e-3,
            f"{mode}_amplitude": 1e-9 * (1.0 + 1e-3 * rng.standard_normal(DAY_ROWS)),
            f"{mode}_phase_error_rad": 1e-3 * rng.standard_normal(DAY_ROWS),
            f"{mode}_phase_sigma_rad": 1e-3,
            f"{mode}_snr_db": 60.0 + rng.standard_normal(DAY_ROWS),
        }
    return rows(times_s, **columns)


class Feeder:
    """Gives the window its news, and notes when they are on the screen."""

    def __init__(self, window: Window, rng: np.random.Generator) -> None:
        self._window, self._rng = window, rng
        self._present = window.session.present
        self._count = self._due_ms = 0
        self._clock = QElapsedTimer()
        self._timer = QTimer()
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self._tick)
        self.frames_ms = array("f")  # of an hour, too, next to nothing in memory

    def run(self, duration_s: float) -> float:
        """For so long; the share of one core."""
        self._count, self._due_ms, self.frames_ms = 0, 0, array("f")
        self._clock.start()
        began_s = time.process_time()
        self._timer.start(PERIOD_MS)
        QTimer.singleShot(round(1e3 * duration_s), QApplication.quit)
        QApplication.exec()
        self._timer.stop()
        return (time.process_time() - began_s) / duration_s

    def _tick(self) -> None:
        self._count += 1
        due_ms = self._due_ms + PERIOD_MS
        # Ticks that were missed altogether make this frame late, and no later one.
        self._due_ms = max(due_ms, self._clock.elapsed() // PERIOD_MS * PERIOD_MS)
        time_s = self._present.newest_s + 0.1
        error_hz = 0.01 * WIDTH_HZ * float(self._rng.standard_normal())
        messages = [RecordMessage(time_s=time_s, record=pumped_record(time_s, error_hz))]
        if self._count % UPDATES_PER_S == 0:
            messages += self._slow_news(time_s)  # type: ignore[arg-type]
        # As the client reads them.
        read = [read_telemetry([m.topic.encode(), m.encoded(1)]) for m in messages]
        self._window.session.changed.emit(self._present.take(filter(None, read)))
        # Comes after the paint events that wait now.
        QTimer.singleShot(0, lambda: self.frames_ms.append(self._clock.elapsed() - due_ms))

    def _slow_news(self, time_s: float) -> list[StatusMessage | SpectrumMessage]:
        taus_s = [0.1 * 2.0**n for n in range(18)]
        series = AllanSeries(
            taus_s=taus_s,
            deviations_hz=[1e-4 / tau_s**0.5 for tau_s in taus_s],
            sigmas_hz=[1e-5 for _ in taus_s],
        )
        densities = np.hypot(*self._rng.standard_normal((2, 400)))
        return [
            StatusMessage(time_s=time_s, status=status(allan={"difference": series})),
            *(
                SpectrumMessage(
                    time_s=time_s,
                    mode=mode,
                    center_hz=8e5,
                    offsets_hz=np.linspace(-25.0, 25.0, 400).tolist(),
                    densities_m_per_root_hz=(1e-14 * densities).tolist(),
                    resolution_hz=0.2,
                    noise_bandwidth_hz=0.2,
                    tracked_hz=8e5,
                )
                for mode in ModeId
            ),
        ]


def scrolled_ms(window: Window, frames: int = 100) -> float:
    """How long a picture takes while a person drags a stretch of a day."""
    window.tracks.view.show(0.0, 0.9 * 86400.0)
    began_s = time.process_time()
    for _ in range(frames):
        window.tracks.difference.plot.box.panned.emit(60.0)
        QApplication.processEvents()
    return 1e3 * (time.process_time() - began_s) / frames


def _slope_mb_per_min(grown: Sequence[tuple[float, int]]) -> list[float]:
    """One slope, from the first minute on; none where the time is too short."""
    late = [(at_s, size) for at_s, size in grown if at_s > grown[0][0] + WARM_UP_S]
    if len(late) < 6:
        return []
    times_s, sizes = np.array(late).T
    return [float(60e-6 * np.polyfit(times_s - times_s[0], sizes, 1)[0])]


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=1.0, help="altogether")
    parser.add_argument("--size", default="1280x800", help="of the window, in pixels")
    options = parser.parse_args()
    rng = np.random.default_rng(5)
    application = make_application()
    with TemporaryDirectory() as folder:
        began_s = time.perf_counter()
        settings = QSettings(f"{folder}/desk.ini", QSettings.Format.IniFormat)
        window = Window(Session(), settings)
        window.resize(*map(int, options.size.split("x")))
        window.show()
        window.session.present = present_of(RecordMessage(time_s=0.05, record=pumped_record(0.05)))
        window.session.changed.emit(set(Changed))
        application.processEvents()
        print(f"from import to first plot: {time.perf_counter() - began_s:.2f} s")
        window.session.present.history.append(day_of_rows(rng))
        window.docks["Trust"].raise_()
        feeder = Feeder(window, rng)
        feeder.run(2.0)
        slopes: list[float] = []
        part_s = 60.0 * options.minutes / len(SPANS_S)
        for name, span_s in SPANS_S.items():
            window.tracks.view.show_last(span_s, window.session.present.newest_s, 0.0)
            window.tracks.redraw(is_needed=True)
            left_s, shares, frames_ms = part_s, [], array("f")
            grown: list[tuple[float, int]] = []
            while left_s > 0.5:
                shares.append(feeder.run(min(left_s, 10.0)))
                left_s -= 10.0
                frames_ms += feeder.frames_ms
                grown.append((time.perf_counter(), resident_bytes()))
            slopes += _slope_mb_per_min(grown)
            p99_ms = float(np.percentile(frames_ms, 99))
            print(
                f"last {name:>5}: {100 * np.mean(shares):4.1f} % of one core, "
                f"{len(frames_ms)} frames, p99 {p99_ms:.0f} ms, latest {max(frames_ms):.0f} ms"
            )
        print(f"moving through the day: {scrolled_ms(window):.1f} ms a frame")
        print(f"memory: {resident_bytes() / 1e6:.0f} MB", end="")
        if slopes:
            print(", growing by " + ", ".join(f"{slope:.3f}" for slope in slopes), end="")
            print(" MB a minute over the last minute, hour and day", end="")
        print()
        window.close()


if __name__ == "__main__":
    main()
