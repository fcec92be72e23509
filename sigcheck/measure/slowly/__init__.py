"""Slow keying taken apart: where it lies, when it is on, its course, what it yields."""
