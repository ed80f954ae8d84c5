"""Who must deal with what."""
