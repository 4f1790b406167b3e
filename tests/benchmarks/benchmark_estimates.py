"""How fast are the estimates beside general programs? Ratios measured in one run on one machine.

Run it on an otherwise idle machine::

    python tests/benchmarks/benchmark_estimates.py [rows for the logistic model, default 1000000]

Each line gives seconds here, seconds of the other program on the same records one by one, and their ratio. Programs of
R are timed where Rscript and the package are installed (glm, survreg and survfit of survival, brglm2), without the time
to read the file. Memory: statsmodels needs about 6 GB at a million rows and 30 parameters.
"""

from __future__ import annotations

import gc
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm

from outcomes.estimates.accelerated import accelerated_failure_time
from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Fit
from outcomes.estimates.firth import penalised
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.turnbull import turnbull

REGIONS = tuple(f"zone {i}" for i in range(12))
SKIN = ("I", "II", "III", "IV", "V", "VI")


def zones(rows: int, seed: int, risk: float) -> pd.DataFrame:
    """Invented zones with discrete settings and case-mix, and an event that depends on them."""
    draw = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {
            "region": pd.Categorical.from_codes(draw.integers(0, 12, rows), list(REGIONS)),
            "skin": pd.Categorical.from_codes(draw.integers(0, 6, rows), list(SKIN)),
            "practitioner": pd.Categorical.from_codes(draw.integers(0, 10, rows), [f"P{i}" for i in range(10)]),
            "density": draw.choice([5.0, 10.0, 15.0, 20.0], rows),
            "energy": draw.choice([10.0, 15.0, 20.0, 25.0, 30.0], rows),
            "passes": draw.integers(1, 3, rows).astype(float),
        }
    )
    linear = np.log(risk / (1 - risk)) + 0.05 * (frame["density"] - 12) + 0.25 * frame["skin"].cat.codes.to_numpy()
    frame["event"] = (draw.random(rows) < 1 / (1 + np.exp(-linear))).astype(int)
    return frame


def terms(full: bool = True) -> list:
    """Thirty parameters with the intercept; twelve where not full."""
    settings = [Numeric("density", per=5), Numeric("energy", per=10), Numeric("passes")]
    if not full:
        return [Category("skin", "II"), *settings]
    return [Category("region", REGIONS[0]), Category("skin", "II"), Category("practitioner", "P0"), *settings]


def intervals(rows: int, seed: int) -> pd.DataFrame:
    """Healing seen at visits on days from a common set, some never seen healed."""
    draw = np.random.default_rng(seed)
    healed = draw.lognormal(2.0, 0.45, rows)
    schedule = np.array([0, 2, 3, 5, 7, 10, 14, 21, 28, 42])
    kept = draw.random((rows, len(schedule))) < 0.6
    kept[:, 0] = True
    days = np.where(kept, schedule, np.nan)
    before = np.where(days < healed[:, None], days, -1.0)
    after = np.nanmax(before, axis=1)
    later = np.where(days >= healed[:, None], days, np.inf)
    by = np.nanmin(np.where(np.isnan(later), np.inf, later), axis=1)
    wide = draw.integers(0, 2, rows)
    return pd.DataFrame({"after": after, "by": np.where(np.isinf(by), np.nan, by), "wide": wide})


def seconds(run: Callable[[], object], repeats: int = 1) -> tuple[float, object]:
    """Shortest wall time of several runs, and what the last one returned."""
    best, found = float("inf"), None
    for _ in range(repeats):
        gc.collect()
        start = time.perf_counter()
        found = run()
        best = min(best, time.perf_counter() - start)
    return best, found


def in_r(frame: pd.DataFrame, package: str, code: str) -> float | None:
    """Seconds that R takes for one expression on the frame ``d``; None where R or the package is absent."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "records.csv"
        frame.to_csv(path, index=False)
        script = (
            f'if (!requireNamespace("{package}", quietly = TRUE)) quit(status = 3); '
            f'suppressMessages(library({package})); d <- read.csv("{path.as_posix()}", stringsAsFactors = TRUE); '
            f'cat(sprintf("%.6f", system.time({{ {code} }})[["elapsed"]]))'
        )
        done = subprocess.run(["Rscript", "-e", script], capture_output=True, text=True, check=False)
    return float(done.stdout) if done.returncode == 0 and done.stdout else None


def line(what: str, ours: float, other: str, theirs: float | None, wanted: float | None = None) -> None:
    """Print one comparison."""
    if theirs is None:
        print(f"{what:<46} {ours:9.3f} s   {other} is not installed", flush=True)
        return
    aim = "" if wanted is None else f"   (wanted {wanted:g}×)"
    print(f"{what:<46} {ours:9.3f} s   {other} {theirs:.2f} s   {theirs / ours:.1f}×{aim}", flush=True)


def logistic(rows: int) -> None:
    """Maximum likelihood with 30 parameters on grouped records against records one by one."""
    frame = zones(rows, 1, 0.05)
    built, design = seconds(lambda: build(frame, terms()))
    ours, fit = seconds(lambda: maximum_likelihood(design, frame["event"]), 3)
    assert isinstance(fit, Fit)
    what = f"logistic, {rows:,} rows, {len(design.names)} parameters"
    print(f"{'design matrix of these rows':<46} {built:9.3f} s")
    matrix, event = design.matrix, frame["event"].to_numpy(dtype=float)
    theirs, found = seconds(lambda: sm.GLM(event, matrix, family=sm.families.Binomial()).fit())
    assert np.allclose(found.params, fit.coefficients, rtol=1e-6, atol=1e-8)
    line(what, ours, "statsmodels GLM", theirs, 50)
    del found
    formula = "event ~ region + skin + factor(practitioner) + density + energy + passes"
    line(what, ours, "R glm", in_r(frame, "stats", f"glm({formula}, binomial, d)"))


def firth(rows: int) -> None:
    """Penalised likelihood with every profile limit against the fit alone, without limits."""
    frame = zones(rows, 2, 0.01)
    design = build(frame, terms(full=False))
    ours, fit = seconds(lambda: penalised(design, frame["event"]), 3)
    assert isinstance(fit, Fit)
    what = f"Firth with all profile limits, {rows:,} rows, {len(design.names)} par."
    code = 'glm(event ~ skin + density + energy + passes, binomial, d, method = "brglmFit", type = "AS_mean")'
    line(what, ours, "R brglm2, fit alone", in_r(frame, "brglm2", code), 10)


def times(rows: int) -> None:
    """The nonparametric curve and the accelerated failure time model of visit days."""
    frame = intervals(rows, 3)
    ours, curve = seconds(lambda: turnbull(frame["after"], frame["by"]), 3)
    assert curve.gap < 1e-8
    code = 'survfit(Surv(after, by, type = "interval2") ~ 1, d)'
    line(f"NPMLE, {rows:,} visit-day rows", ours, "R survfit", in_r(frame, "survival", code), 50)
    design = build(frame, [Numeric("wide")])
    ours, fit = seconds(lambda: accelerated_failure_time(design, frame["after"], frame["by"]))
    assert isinstance(fit, Fit)
    code = (
        'survreg(Surv(ifelse(after == 0, NA, after), by, type = "interval2") ~ wide, '
        'd[!(d$after == 0 & is.na(d$by)), ], dist = "loglogistic")'
    )
    line(f"log-logistic regression, {rows:,} rows", ours, "R survreg", in_r(frame, "survival", code))


if __name__ == "__main__":
    times(100_000)
    firth(100_000)
    logistic(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
