"""What is printed, not asserted: speed and quality."""
