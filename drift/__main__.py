"""This module lets ``python -m drift`` be the command line."""

from drift.cli import main

main()
