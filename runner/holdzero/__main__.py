"""`python -m holdzero`."""

from holdzero.cli import main

main()
