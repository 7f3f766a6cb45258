"""Everything over the common time: the plots, the bar that chooses a stretch, the cursor."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QSplitter, QVBoxLayout, QWidget

from controller.service.client import ModeId
from gui.look import Look
from gui.models.exports import row_words, rows_text
from gui.models.history import Stretch
from gui.models.present import Origin, Present
from gui.models.time_view import SPANS_S, TimeView
from gui.views.buttons import button
from gui.views.elided_label import ElidedLabel
from gui.views.exports import PlotMenu
from gui.views.plots import TimePlot
from gui.views.tracks import DifferencePlot, ModeStrip

SHARES = (9, 6, 6)  # of the height: the difference, and each mode


class TimePage(QWidget):
    """The difference and both modes below each other, all over one stretch of time.

    Parameters
    ----------
    view : TimeView
        The stretch of time that all plots show.
    others : collection of TimePlot
        Plots elsewhere that show the same stretch and the same cursor.
    """

    drawn = Signal(object, bool)  # Stretch, whether also what is out of sight is to be drawn

    def __init__(self, view: TimeView, others: Collection[TimePlot] = ()) -> None:
        super().__init__()
        self.view = view
        self._present = Present()
        self._cursor_s: float | None = None
        self.difference = DifferencePlot(view)
        self.strips = {mode: ModeStrip(view, mode) for mode in ModeId}
        of_modes = [plot for strip in self.strips.values() for plot in strip.plots.values()]
        self.plots = [self.difference.plot, *of_modes, *others]
        self._lay_out()
        self.menu = PlotMenu(self, self.cursor_text, self._visible_values)
        for plot in self.plots:
            plot.moved.connect(lambda: self.redraw(is_needed=True))
            plot.pointed.connect(self.point)
            plot.asked_for_menu.connect(lambda where, plot=plot: self.menu.open(plot, where))

    def _lay_out(self) -> None:
        splitter = QSplitter(Qt.Orientation.Vertical)
        splitter.setChildrenCollapsible(False)
        for place, part in enumerate((self.difference, *self.strips.values())):
            splitter.addWidget(part)
            splitter.setStretchFactor(place, SHARES[place])
        splitter.setSizes([100 * share for share in SHARES])
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 4, 0)
        layout.setSpacing(0)
        layout.addWidget(splitter, 1)
        layout.addLayout(self._make_bar())

    def _make_bar(self) -> QHBoxLayout:
        bar = QHBoxLayout()
        bar.setContentsMargins(8, 2, 4, 2)
        self.follow = button("Follow no&w", "Show the newest records, and move on with them")
        self.follow.setCheckable(True)
        self.follow.clicked.connect(self.follow_now)
        bar.addWidget(self.follow)
        self.spans: dict[str, QPushButton] = {}
        for name, span_s in SPANS_S.items():
            self.spans[name] = button(name, f"The last {name}")
            self.spans[name].clicked.connect(lambda _=False, span_s=span_s: self.show_last(span_s))
            bar.addWidget(self.spans[name])
        self.whole = button("whole run", "From the first record to the last")
        self.whole.clicked.connect(self.show_whole)
        bar.addWidget(self.whole)
        self.cursor_words = ElidedLabel()
        self.cursor_words.setProperty("role", "faint")
        self.cursor_words.setAccessibleName("values under the cursor")
        bar.addWidget(self.cursor_words, 1)
        return bar

    # -- looks -------------------------------------------------------------------------

    def put_on(self, look: Look) -> None:
        """Take the colours."""
        self.difference.put_on(look)
        for strip in self.strips.values():
            strip.put_on(look)

    def show_age(self, *, is_stale: bool) -> None:
        """Values that are no longer news are pale."""
        for part in (self.difference, *self.strips.values()):
            part.side.setEnabled(not is_stale)

    def show_rows(self, keys: Collection[str]) -> None:
        """Show these quantities of each mode; times stand below the lowest one."""
        for strip in self.strips.values():
            for key, plot in strip.plots.items():
                plot.setVisible(key in keys)
        for place, plot in enumerate(reversed(self.strips[ModeId.UPPER].shown_plots)):
            plot.set_shows_time(place == 0)

    # -- what is shown -----------------------------------------------------------------

    def show_source(self, present: Present) -> None:
        """Another source, or another state of the connection to it."""
        self._present = present
        is_log = present.origin is Origin.LOG
        self.whole.setVisible(is_log)
        if is_log:
            self.show_whole()
        elif not len(present.history):
            self.view.show_last(self.view.span_s, 0.0, 0.0)

    def tell(self) -> None:
        """The newest values in words."""
        self.difference.tell(self._present)
        for strip in self.strips.values():
            strip.tell(self._present)

    def redraw(self, *, is_needed: bool = False) -> None:
        """Draw the common stretch of time, unless nothing would be seen to move.

        Parameters
        ----------
        is_needed : bool
            Also where nothing has moved.
        """
        present, plot = self._present, self.difference.plot
        if present.origin is Origin.NOTHING:
            return
        self.follow.setChecked(self.view.follows)
        pixels = max(plot.width(), 100)
        step_s = self.view.span_s / pixels
        has_moved = self.view.move_to(present.newest_s, present.oldest_s, step_s)
        if not (has_moved or is_needed):
            return
        stretch: Stretch = present.history.stretch(self.view.start_s, self.view.end_s, pixels)
        self.difference.draw(present, stretch)
        for strip in self.strips.values():
            strip.draw(present, stretch)
        self.drawn.emit(stretch, is_needed)
        for each in self.plots:
            if not each.isHidden():
                each.show_time()

    # -- time --------------------------------------------------------------------------

    def show_last(self, span_s: float) -> None:
        """Show so much of the past [s], and move on with the newest record."""
        self.view.show_last(span_s, self._present.newest_s, self._present.oldest_s)
        self.redraw(is_needed=True)

    def follow_now(self) -> None:
        """Move on with the newest record."""
        self.show_last(self.view.span_s)

    def show_whole(self) -> None:
        """From the first record to the last."""
        history = self._present.history
        if history.first_s is not None and history.last_s is not None:
            self.view.show(history.first_s, history.last_s)
            self.redraw(is_needed=True)

    def show_moment(self, time_s: float) -> None:
        """Show what was around a time, and put the cursor there."""
        self.view.show(time_s - 0.5 * self.view.span_s, time_s + 0.5 * self.view.span_s)
        self.point(time_s)
        self.redraw(is_needed=True)

    # -- the cursor --------------------------------------------------------------------

    def point(self, time_s: float | None) -> None:
        """Put the cursor of all plots at a time; None: nowhere."""
        self._cursor_s = time_s
        present = self._present
        if present.origin is Origin.LOG:
            present.look_at(present.newest_s if time_s is None else time_s)
            self.tell()
        for plot in self.plots:
            plot.set_cursor(time_s)
        self.cursor_words.setText(self.cursor_text())

    def cursor_text(self) -> str:
        """The values under the cursor; empty: it is nowhere."""
        row = self._row_at_cursor()
        return "" if row is None else row_words(row, self._present.amplitude_unit)

    def _row_at_cursor(self) -> np.ndarray | None:
        if self._cursor_s is None:
            return None
        return self._present.history.row_at(self._cursor_s)

    def _visible_values(self, separator: str) -> str:
        rows = self._present.history.rows_between(self.view.start_s, self.view.end_s)
        return rows_text(rows, separator)
