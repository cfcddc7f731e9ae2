"""Settings shared by all tests: the same examples on every run, no deadline by the clock."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "reproducible",
    derandomize=True,
    deadline=None,
    database=None,
    print_blob=False,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("reproducible")
