"""Charts as pure functions: data in, figure out."""
