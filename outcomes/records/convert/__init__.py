"""Cells of an export to our text: numbers, units, dates, codes. Pure functions, no file and no table."""
