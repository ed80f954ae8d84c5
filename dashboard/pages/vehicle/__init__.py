"""Everything needed to decide before walking to a vehicle."""
