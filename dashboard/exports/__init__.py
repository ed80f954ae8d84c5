"""What leaves as files and feeds."""
