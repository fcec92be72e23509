"""Lines of modulation about the tone: looked for, fitted, proven."""
