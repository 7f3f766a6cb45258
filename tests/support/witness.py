"""The simulated membrane with a witness: a file that says what was asked of it, and by whom.

It runs in real time by a clock that goes faster than ours, so that modes are
found and locked in little time.
"""

from __future__ import annotations

import math
import os
import threading
import time
from pathlib import Path
from typing import Any

from controller.engine import Engine
from controller.instrument import SampleBlock, Tone
from hardware_sim.pacer import Pacer
from hardware_sim.simulator import SimulatedMembrane
from tests.support.rehearsals import SCENARIOS

SPEED = 4.0


class Witnessed(SimulatedMembrane):
    """Each call is a line of the file before it is carried out: process, method, tone.

    Parameters
    ----------
    witness : str
        The file; made if absent.
    speed : float
        Stream seconds in a second.
    hangs_at_s : float
        From this stream time on `read` never comes back.
    breaks_at_s : float
        From this stream time on the loop itself is defective.
    **options
        As for the simulated membrane.
    """

    def __init__(
        self,
        witness: str,
        speed: float = SPEED,
        hangs_at_s: float = math.inf,
        breaks_at_s: float = math.inf,
        **options: Any,
    ) -> None:
        super().__init__(**options)
        self._hangs_at_s, self._breaks_at_s = hangs_at_s, breaks_at_s
        self.paced = True
        self._witness = os.open(witness, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        self._pacer = Pacer(lambda: speed * time.monotonic(), lambda s: _pass(s / speed))
        self._says("made")

    def start(self) -> None:
        """Begin."""
        self._says("start")
        super().start()

    def read(self, timeout_s: float) -> SampleBlock:
        """The next block, but for what the options say."""
        block = super().read(timeout_s)
        end_s = (block.first_sample + len(block.samples)) / self.stream.sample_rate_hz
        if end_s >= self._hangs_at_s:
            threading.Event().wait()
        if end_s >= self._breaks_at_s:
            Engine.step = _defect  # type: ignore[method-assign]
        return block

    def set_tone(self, tone: Tone) -> Tone:
        """Set a tone."""
        self._says(f"tone {tone.channel} {tone.amplitude!r}")
        return super().set_tone(tone)

    def stop(self) -> None:
        """Every tone off."""
        self._says("stop")
        super().stop()

    def _says(self, text: str) -> None:
        os.write(self._witness, f"{os.getpid()} {text}\n".encode())


def witnessed_scenario(folder: Path, **options: object) -> Path:
    """The shipped quiet room on a witnessed membrane; the pump comes on after 6.5 s.

    Parameters
    ----------
    folder : Path
        For the file and its witness, `witness.txt`.
    **options
        More options of the instrument, as TOML has them.
    """
    text = (SCENARIOS / "quiet_room.toml").read_text(encoding="utf-8")
    lines = [f'witness = "{folder / "witness.txt"}"']
    lines += [f"{name} = {value}" for name, value in options.items()]
    for before, after in (
        ('class = "simulator"\n', 'class = "tests.support.witness:Witnessed"\n'),
        ("[instrument.options]\n", "[instrument.options]\n" + "\n".join(lines) + "\n"),
        ("pump_from_s = 45.0\n", "pump_from_s = 0.0\nread_timeout_s = 0.3\n"),
        ("[drive]\n", "[drive]\nlisten_s = 2.0\n"),
        ("[pump]\n", "[pump]\nhealthy_s = 0.5\n"),
    ):
        assert before in text
        text = text.replace(before, after, 1)
    path = folder / "witnessed.toml"
    path.write_text(text, encoding="utf-8")
    return path


def said(folder: Path) -> list[tuple[int, str]]:
    """What the witness has written: process and call, in order."""
    lines = (folder / "witness.txt").read_text(encoding="utf-8").splitlines()
    return [(int(pid), text) for pid, _, text in (line.partition(" ") for line in lines)]


def tones_on(calls: list[tuple[int, str]]) -> set[str]:
    """The channels that put out a tone after these calls."""
    on: set[str] = set()
    for _, text in calls:
        method, *rest = text.split()
        if method == "stop":
            on.clear()
        elif method == "tone":
            channel, amplitude = rest
            (on.add if float(amplitude) > 0.0 else on.discard)(channel)
    return on


def _defect(*arguments: Any) -> Any:
    raise ZeroDivisionError("a defect\nof the loop")


def _pass(duration_s: float) -> None:
    """Wait, as an instrument does for its samples."""
    threading.Event().wait(duration_s)
