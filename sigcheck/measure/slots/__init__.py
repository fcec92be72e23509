"""Four-tone slots taken apart: places, search, symbols, fit, course, values."""
