"""`python -m dashboard` is the same as `tallow`."""

from dashboard.command import main

if __name__ == "__main__":  # processes that analyse read this file, too
    main()
