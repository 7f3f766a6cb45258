"""The figures of the protocols: what each analysis has found, to be seen.

One file per analysis draws from its series and results; `parts` is shared. Nothing
is fitted here: curves are those that the analysis stands for.
"""

from controller.analysis.protocols.figures.by_analysis import protocol_figures
from controller.analysis.protocols.figures.parts import ProtocolFigure

__all__ = ["ProtocolFigure", "protocol_figures"]
