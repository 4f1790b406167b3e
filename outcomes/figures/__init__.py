"""How a finding looks; recomputes nothing."""
