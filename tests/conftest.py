"""Hypothesis without deadlines (shared machines are slow at times), and repeatable in CI."""

import os

from hypothesis import HealthCheck, settings

settings.register_profile("plain", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", parent=settings.get_profile("plain"), derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "plain")
