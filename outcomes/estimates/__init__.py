"""Numbers with uncertainty; knows no clinic."""
