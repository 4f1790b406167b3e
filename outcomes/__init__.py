"""Clinical audit of fractional CO2 laser resurfacing, from a clinic's exported case records.

Four verbs, four nouns::

    load → Cases      ask → Finding      compose → Report      typeset → PDF

and `Estimate` (or `NotEstimable`) runs through all of them.
"""

from __future__ import annotations
