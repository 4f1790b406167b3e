"""What the audit asks: one file a question."""
