"""The package shows four verbs, the nouns they pass on, and nothing else."""

from __future__ import annotations

import outcomes


def test_the_public_names():
    assert sorted(outcomes.__all__) == [
        "Cases", "Estimate", "Finding", "Report", "Scope", "ask", "compose", "load", "typeset",
    ]  # fmt: skip
    for name in outcomes.__all__:
        assert getattr(outcomes, name).__doc__
