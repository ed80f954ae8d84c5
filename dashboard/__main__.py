"""`python -m dashboard` is the same as `tallow`."""

from ingest.parent import follow

if __name__ == "__main__":  # processes that analyse read this file, too
    follow()  # first of all: the rest takes its time to load
    from dashboard.cli.main import main

    main()
