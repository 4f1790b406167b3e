"""Every outside check value is computed by the package, or listed here with the reason why not."""

from __future__ import annotations

import copy
from functools import cache

import pytest
from evidence import REGISTRY, Compared, compare
from evidence_page import PAGE, measured, page, read_items, reference_folder, row_start

BEYOND = "a chart of measured quantities; records here are yes or no, days and grades"
PHYSICS = "optics of tissue, which nobody sets or records; dose here is what the settings deliver"

LEFT_OUT = {
    "rate.doctors.poisson": "counts over person-time by regression: complications are yes or no for a treated zone, "
    "modelled by logistic regression; strata are pooled by Mantel–Haenszel or standardised",
    "logit.birthwt.modified_poisson": "risk ratios come from standardised logistic risks with the same robust "
    "covariance (logit.birthwt.gcomp); a Poisson model of yes/no records can predict risks above 1",
    "surv.recurrent.bladder": "repeated events of one patient: the first treatment of each zone is analysed, once",
    "chart.poisson_cusum.arl.a": "counts in a time window; cases are charted one by one, by the Bernoulli chain",
    "chart.normal_cusum.arl.h4": BEYOND,
    "chart.ewma.arl.a": "run lengths for normal data; the moving average is drawn for the eye and never signals alone",
    "chart.cusum.nist": BEYOND,
    "chart.p.orange_juice": "three-sigma limits of shares: normal limits are wrong at few events; funnels and exact "
    "tails are used instead",
    "chart.c.circuit_boards": "three-sigma limits of counts: exact Poisson limits are used instead",
    "chart.shewhart.arl": BEYOND,
    "pred.concordance.lung": "concordance of a survival model: case-mix models predict a risk by a fixed day",
    "laser.trt.vessels": PHYSICS,
    "laser.trt.co2_layer": PHYSICS,
    "laser.water_absorption.co2": PHYSICS,
    "laser.water_absorption.er": PHYSICS,
    "laser.hale_querry.co2": PHYSICS,
    "laser.ablation_threshold": PHYSICS,
    "dose.lidocaine.2pc": "a maximum dose would be advice; what was injected is recorded, and its limit is set locally",
    "dose.percent_conversion": "strengths and volumes are reported as recorded, never converted",
}


def _items() -> dict:
    folder = reference_folder()
    return {} if folder is None else read_items(folder)


ITEMS = _items()


@cache
def found_for(name: str) -> Compared:
    folder = reference_folder()
    assert folder is not None
    return measured(folder, ITEMS[name])


def test_every_item_is_computed_or_listed(reference):
    assert len(ITEMS) == 111
    assert set(REGISTRY) | set(LEFT_OUT) == set(ITEMS)
    assert not set(REGISTRY) & set(LEFT_OUT)
    assert all(len(reason) > 20 for reason in LEFT_OUT.values())


@pytest.mark.parametrize("name", REGISTRY)
def test_item(reference, name):
    found = found_for(name)
    assert found.faults == ()
    assert found.values > 0


def test_a_wrong_value_would_be_found(reference):
    item = ITEMS["mi.rubin.scalar"]
    right = REGISTRY[item["id"]].compute(item["data"], lambda name: None, item["expected"])
    assert compare(item, right).faults == ()
    wrong = copy.deepcopy(right) | {"se": right["se"] * (1 + 1e-9)}
    assert [fault.split(":")[0] for fault in compare(item, wrong).faults] == ["se"]
    assert compare(item, {"no such path": 1.0}).faults == ("no such path is not in the item",)
    assert compare(item, {"se": None}).faults == ("se: one side is missing",)


def test_the_committed_page_lists_every_item(reference):
    text = PAGE.read_text(encoding="utf-8")
    lines = text.splitlines()
    for name in REGISTRY:
        start = row_start(ITEMS[name], found_for(name))
        rows = [line for line in lines if line.startswith(start)]
        assert len(rows) == 1, f"{name}: write the page again (python tests/estimates/evidence_page.py)"
        bound = float(rows[0].removeprefix(start).rstrip(" |"))
        assert found_for(name).worst <= 1000 * bound
    for name, reason in LEFT_OUT.items():
        assert f"| {name} | {ITEMS[name]['title']} | {reason} |" in lines


def test_the_page_is_what_the_script_writes(reference):
    written, committed = page(reference.folder, LEFT_OUT).splitlines(), PAGE.read_text(encoding="utf-8").splitlines()
    assert [line.rsplit("|", 2)[0] for line in written] == [line.rsplit("|", 2)[0] for line in committed]
