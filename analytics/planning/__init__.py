"""What is planned and accounted for."""
