"""What a case is, and how it gets in."""
