"""Who runs it all."""
