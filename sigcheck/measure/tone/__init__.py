"""The tone itself: whether it is one, its carrier, its level, its distortion and noise."""
