"""Paper: the page, the terminal's summary and the figures, from a saved result and its views."""
