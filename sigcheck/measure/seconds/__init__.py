"""Pulses that mark the seconds: what repeats, each by itself, the line through them."""
