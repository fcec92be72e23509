"""Courses of the frequency against time, on a record of its phase."""
