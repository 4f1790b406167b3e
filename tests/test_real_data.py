"""Three real data sets that nobody here wrote, through the same public functions as a clinic's records.

- Breast cosmesis: Finkelstein DM, Wolfe RA (1985) Biometrics 41:933-945; masses printed in Fay MP, Shaw PA (2010)
  J Stat Softw 36(2). Interval-censored times: the healing question's estimator and figure.
- Endometrial cancer: Heinze G, Schemper M (2002) Stat Med 21:2409-2419. Separation: Firth with profile limits.
- Contagious bovine pleuropneumonia by herd: Lesnoff M et al. (2004) Prev Vet Med 64:27-40, the table typed below;
  estimates by lme4 1.1 ``glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), nAGQ = 25)``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.accelerated import accelerated_failure_time
from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.firth import penalised
from outcomes.estimates.funnel import binomial_limits, exact_tail
from outcomes.estimates.interval_censored import interval_curve
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.mixed import random_intercept
from outcomes.figures.draw import draw
from outcomes.findings import Curve, Curves, Funnel, FunnelPoint

PRINTED_MASSES = {  # Fay and Shaw (2010), four decimals
    "Rad": [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656],
    "RadChem": [0.0433, 0.0433, 0.0692, 0.1454, 0.1411, 0.1157, 0.0999, 0.0709, 0.1608, 0.0552, 0.0552],
}
MONTHS = tuple(float(m) for m in range(0, 49, 4))

HERD = [
    1, 1, 1, 1, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5, 6, 6, 6, 6, 7, 7, 7, 7, 8, 9, 9, 9, 9, 10, 10, 10,
    10, 11, 11, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15, 15, 15, 15,
]  # fmt: skip
PERIOD = [
    1, 2, 3, 4, 1, 2, 3, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 1, 2, 3, 4, 1, 2, 3, 4,
    1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4,
]  # fmt: skip
INCIDENCE = [
    2, 3, 4, 0, 3, 1, 1, 8, 2, 0, 2, 2, 0, 2, 0, 5, 0, 0, 1, 3, 0, 0, 1, 8, 1, 3, 0, 12, 2, 0, 0, 0, 1, 1, 0,
    2, 0, 5, 3, 1, 2, 1, 0, 0, 1, 2, 0, 0, 11, 0, 0, 0, 1, 1, 1, 0,
]  # fmt: skip
SIZE = [
    14, 12, 9, 5, 22, 18, 21, 22, 16, 16, 20, 10, 10, 9, 6, 18, 25, 24, 4, 17, 17, 18, 20, 16, 10, 9, 5, 34, 9,
    6, 8, 6, 22, 22, 18, 22, 25, 27, 22, 22, 10, 8, 6, 5, 21, 24, 19, 23, 19, 2, 3, 2, 19, 15, 15, 15,
]  # fmt: skip


@pytest.fixture
def cosmesis(reference):
    frame = reference.frame("bcos")
    frame["patient"] = np.arange(len(frame)).astype(str)
    return frame


def test_cosmesis_curves_are_those_printed_and_are_drawn(cosmesis):
    drawn = []
    for treatment, printed in PRINTED_MASSES.items():
        arm = cosmesis.loc[cosmesis["treatment"] == treatment]
        curve = interval_curve(arm["left"], arm["right"], arm["patient"], MONTHS, replicates=200, unit="months")
        assert curve.estimate.mass.round(4).tolist() == printed
        assert curve.estimate.gap < 1e-6
        drawn.append(
            Curve(
                treatment,
                MONTHS,
                tuple(curve.value),
                curve.low,
                curve.high,
                tuple(int(n) for n in curve.under_observation),
                curve.n,
                curve.patients,
            )
        )
    figure = draw(Curves("Cosmetic deterioration", "Months", "Free of it (%)", tuple(drawn), MONTHS))
    assert "RadChem" in figure.svg
    assert "RadChem" in figure.alt


def test_cosmesis_time_ratio_agrees_with_survreg(cosmesis, reference):
    frame = cosmesis.assign(radchem=(cosmesis["treatment"] == "RadChem").astype(float))
    fit = accelerated_failure_time(
        build(frame, [Numeric("radchem")]), frame["left"], frame["right"], family="loglogistic"
    )
    assert isinstance(fit, Fit)
    expected = reference.item("surv.interval.bcos.aft")["expected"]["loglogistic"]
    assert fit.coefficients.tolist() == pytest.approx(list(expected["coef"].values()), rel=1e-4)
    assert fit.log_likelihood == pytest.approx(expected["loglik"], rel=1e-6)


def test_endometrial_separation_is_said_and_firth_gives_the_published_limits(reference):
    frame = reference.frame("endometrial")
    design = build(frame, [Numeric("NV"), Numeric("PI"), Numeric("EH")])
    refused = maximum_likelihood(design, frame["HG"])
    assert isinstance(refused, NotEstimable)
    assert "separation" in refused.reason
    fit = penalised(design, frame["HG"])
    assert isinstance(fit, Fit)
    published = {"NV": (2.929, 0.61, 7.85), "PI": (-0.035, -0.124, 0.040), "EH": (-2.604, -4.365, -1.233)}
    for name, (value, low, high) in published.items():
        answer = fit.term(name)
        assert isinstance(answer, Estimate)
        digits = 2 if name == "NV" else 3
        assert round(float(np.log(answer.value)), 3) == pytest.approx(value)
        assert [round(float(np.log(limit)), digits) for limit in (answer.low, answer.high)] == [low, high]


def test_herds_spread_and_funnel():
    frame = pd.DataFrame({"herd": HERD, "period": PERIOD, "incidence": INCIDENCE, "size": SIZE})
    frame["period"] = frame["period"].astype(str)
    design = build(frame, [Category("period", "1")])
    fit = random_intercept(design, frame["incidence"], trials=frame["size"], group=frame["herd"])
    assert isinstance(fit, Fit)
    # lme4, nAGQ = 25
    assert fit.coefficients.tolist() == pytest.approx(
        [-1.39923049594597, -0.991403621374885, -1.12781950221397, -1.57947067965901], rel=1e-4
    )
    assert fit.details["between_sd"].value == pytest.approx(0.647518471341935, rel=1e-4)
    herds = frame.groupby("herd")[["incidence", "size"]].sum()
    overall = float(herds["incidence"].sum() / herds["size"].sum())
    assert overall == pytest.approx(0.117577197149644, rel=1e-12)
    sizes = np.sort(herds["size"].to_numpy())
    limits = binomial_limits(overall, sizes)
    points = []
    for herd, row in herds.iterrows():
        low, high = exact_tail(int(row["incidence"]), int(row["size"]), overall)
        verdict = "outside 99.8 %" if min(low, high) < 0.001 else "within limits"
        share = float(row["incidence"] / row["size"])
        points.append(
            FunnelPoint(
                str(herd), float(row["size"]), Estimate("share", share, None, 1.0, "counted", int(row["size"])), verdict
            )
        )
    # herd 8: 12 of 34 at 0.1176; the binomial terms from 12 on add to 0.00031
    assert {p.label for p in points if p.verdict == "outside 99.8 %"} >= {"8"}
    drawn = draw(
        Funnel(
            "Herds",
            "Animals",
            "Incidence (%)",
            tuple(points),
            overall,
            tuple(float(s) for s in sizes),
            (("99.8 %", tuple(limits[:, 0]), tuple(limits[:, 3])),),
        )
    )
    assert "<svg" in drawn.svg
