"""`python -m dashboard` is the same as `tallow`."""

from dashboard.cli.main import main

if __name__ == "__main__":  # processes that analyse read this file, too
    main()
