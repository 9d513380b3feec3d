"""`python -m steadyram`: the console script without its wrapper."""

from steadyram.cli import main

main()
