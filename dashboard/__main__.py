"""`python -m dashboard` is the same as `tallow`."""

from dashboard.command import main

main()
