"""Clinical audit of fractional CO2 laser resurfacing, from a clinic's exported case records.

Four verbs, four nouns::

    load → Cases      ask → Finding      compose → Report      typeset → PDF

and `Estimate` runs through all of them. A `Scope` says which period is meant. The floors, from the top:
cli → report → questions | figures → findings → wording | protocol → records | estimates → errors.
"""

from __future__ import annotations

from outcomes.estimates.estimate import Estimate
from outcomes.findings import Finding
from outcomes.questions.ask import ask
from outcomes.records.cases import Cases
from outcomes.records.load import load
from outcomes.records.scope import Scope
from outcomes.report.compose import compose
from outcomes.report.document import Report
from outcomes.report.typeset import typeset

__all__ = ["Cases", "Estimate", "Finding", "Report", "Scope", "ask", "compose", "load", "typeset"]
