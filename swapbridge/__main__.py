"""`python -m swapbridge`: the same as the `swapbridge` command."""

from swapbridge.cli.main import main

main()
