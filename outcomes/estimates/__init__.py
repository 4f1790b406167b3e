"""Numbers with uncertainty; knows no clinic.

Throughout, ``term`` is what an answer is called, ``unit`` the unit of its number, and ``level`` its confidence level
(0.95 unless said, intervals two-sided).
"""
