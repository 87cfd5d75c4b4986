"""`python -m edge`: the same as the command `strokewise-edge`."""

from edge.cli import main

main()
