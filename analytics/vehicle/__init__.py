"""What one vehicle's messages mean: pure functions of arrays."""
