"""What somebody has to deal with."""
