"""``python -m sigcheck``: the same as the command."""

from sigcheck.cli import main

main()
