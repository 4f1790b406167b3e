"""Every estimator says what it answers, by which formula, on what, from which source, with an example that runs.

The examples themselves run with the tests (``--doctest-modules``).
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
import re

import pytest

import outcomes.estimates as package

# Said once for all, in the docstring of the package: what every answer is called, its unit, and its confidence level.
COMMON = {"term", "unit", "level"}

# No statistics of their own, so no formula, no source and no example is asked of them.
PLUMBING = {
    "arrays.positions": "names rows in an error",
    "arrays.numbers": "checks a vector",
    "arrays.weights": "checks weights",
    "arrays.cluster_codes": "numbers patients",
    "binary.observe": "checks and groups records before a model sees them",
    "binary.cluster_codes": "numbers patients",
    "binary.patterns": "numbers equal rows",
    "binary.whole_numbers": "checks counts",
    "binomial.check_counts": "checks counts",
    "charts.checked_risks": "checks risks",
    "estimate.tidy": "lays answers out as a table",
    "intercept_likelihood.grouped": "checks and groups records before a model sees them",
    "partial_likelihood.maximise": "Newton steps inside proportional_hazards, which has the example",
    "ratios.floored": "keeps a p value above nought",
    "ratios.odds_ratio": "from a logarithm to an answer",
    "ratios.cannot_say": "a refusal with its counts",
    "ratios.left_out": "refusals of what a design left out",
    "ratios.nothing_to_fit": "refusals before a fit",
    "ratios.robust_fit": "from coefficients and covariance to answers",
    "separation.standardised": "centres and scales columns",
    "separation.collinear_columns": "linear algebra on columns",
    "turnbull.counted_at": "which intervals a day has passed",
    "turnbull.spread_at": "which share of an interval a day has passed",
    "turnbull.brackets": "which interval holds a quantile",
    "turnbull.interval_bounds": "checks bounds",
    "turnbull.last_day": "largest finite bound",
    "validation.coefficients_of": "one fit inside a resampling loop",
}
# A source has a year and a DOI, or it is one of these, which have none; a rule of thumb says that it has no source.
WITHOUT_DOI = ("Wiley", "Springer", "Chapman", "IARC", "DPhil thesis", "Survey Methodology", "Scand J Stat", "NIST")
NO_SOURCE = "no source"
HEADING = re.compile(r"^(\w+)\n-+$", re.MULTILINE)


def public(kind) -> dict[str, object]:
    found = {}
    for module in pkgutil.iter_modules(package.__path__):
        loaded = importlib.import_module(f"{package.__name__}.{module.name}")
        for name, value in vars(loaded).items():
            if kind(value) and value.__module__ == loaded.__name__ and not name.startswith("_"):
                found[f"{module.name}.{name}"] = value
    return found


def sections(value: object) -> dict[str, str]:
    parts = HEADING.split(inspect.getdoc(value) or "")
    first, _, rest = parts[0].partition("\n")
    return {"first": first, "method": rest.strip(), **dict(zip(parts[1::2], parts[2::2], strict=True))}


def names(section: str) -> set[str]:
    """Names that a section explains: before the colon of an entry, or a line of names alone."""
    lines = [line.split(" : ")[0] for line in section.splitlines() if line and not line.startswith(" ")]
    return {name.strip(" *`") for line in lines for name in line.split(",")}


FUNCTIONS = public(inspect.isfunction)
CLASSES = {name: value for name, value in public(inspect.isclass).items() if not issubclass(value, Exception)}


@pytest.mark.parametrize("name", sorted(set(FUNCTIONS) - set(PLUMBING)))
def test_an_estimator_is_explained(name):
    function, said = FUNCTIONS[name], sections(FUNCTIONS[name])
    asked = set(inspect.signature(function).parameters)
    assert said["first"][-1:] in "?.:", "the first line is a sentence"
    assert said["method"], "a formula or a sentence of the method stands below the first line"
    assert not asked - names(said.get("Parameters", "")) - COMMON, "a parameter is not explained"
    assert said.get("Returns", "").strip(), "what comes back"
    assert ">>>" in said.get("Examples", ""), "an example"
    sources = said.get("References", "")
    if not sources:
        assert NO_SOURCE in said["method"], "a source, or the words that there is none"
        return
    assert re.search(r"\b(1[89]|20)\d\d\b", sources) or "As for" in sources
    assert "doi:10." in sources or any(kind in sources for kind in WITHOUT_DOI)


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_what_is_raised_is_said(name):
    function = FUNCTIONS[name]
    assert inspect.getdoc(function), "a docstring"
    if re.search(r"^ +raise [A-Z]", inspect.getsource(function), re.MULTILINE):
        assert sections(function).get("Raises", "").strip()


@pytest.mark.parametrize("name", sorted(CLASSES))
def test_a_class_explains_its_parts(name):
    held, said = CLASSES[name], sections(CLASSES[name])
    explained = names(said.get("Attributes", "") + "\n" + said.get("Parameters", ""))
    if dataclasses.is_dataclass(held):
        parts = {field.name for field in dataclasses.fields(held)}
    else:
        parts = set(getattr(held, "_fields", ()) or getattr(held, "__slots__", ()))
        parts = {part for part in parts if not part.startswith("_")}
    assert not parts - explained - COMMON, "a part is not explained"
    assert explained or not parts


def test_exempt_is_only_what_exists():
    assert set(PLUMBING) <= set(FUNCTIONS)


def test_common_parameters_are_explained_once():
    assert all(f"``{name}``" in (package.__doc__ or "") for name in COMMON)
