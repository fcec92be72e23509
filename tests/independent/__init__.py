"""A second maker of recordings, and an examiner that judges the analyser on them."""
