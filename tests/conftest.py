"""Property tests draw the same examples every time, however slow the machine is."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "repeatable",
    derandomize=True,
    deadline=None,  # a busy machine is no failure
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("repeatable")
