"""Windows are drawn off screen, and nobody's own layout is touched."""

from __future__ import annotations

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
