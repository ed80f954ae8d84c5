"""What leads decide."""
