"""What a protocol recorded, as the arrays that analyses take."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields

import numpy as np

from controller.analysis.protocols.data import BASEBAND_DTYPE
from controller.records import Baseband


def baseband_array(basebands: Iterable[Baseband]) -> np.ndarray:
    """Basebands as one structured array.

    Parameters
    ----------
    basebands : iterable of Baseband
        In the order of time.

    Returns
    -------
    ndarray of BASEBAND_DTYPE, shape (n,)
    """
    names = [f.name for f in fields(Baseband)]
    rows = [tuple(getattr(each, name) for name in names) for each in basebands]
    columns = np.array(rows, dtype=[(name, BASEBAND_DTYPE[name]) for name in names])
    return columns[list(BASEBAND_DTYPE.names or ())].astype(BASEBAND_DTYPE)
