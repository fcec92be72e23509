"""Settings that all tests share."""

from __future__ import annotations

from hypothesis import settings

# A loaded machine must not fail a test, and the same commit must give the same answer twice.
settings.register_profile("sigcheck", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("sigcheck")
