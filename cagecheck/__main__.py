"""Run the command line: ``python -m cagecheck``."""

from cagecheck.cli import main

main()
