"""Statistics that know no vehicle."""
