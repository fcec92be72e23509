"""Checks against published values and closed forms; the source stands beside each."""
