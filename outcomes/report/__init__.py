"""What the committee reads."""
