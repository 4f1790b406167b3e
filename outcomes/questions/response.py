"""How does the adjusted risk run along a setting, where there is data?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.estimates.design import Numeric, Spline, Term, build
from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.firth import ladder, penalised
from outcomes.estimates.splines import knots_at_quantiles
from outcomes.estimates.standardise import standardised_risks
from outcomes.findings import Response
from outcomes.protocol import Protocol, Setting
from outcomes.questions.settings_model import Modelled
from outcomes.wording import capital, count, estimate_text, level_percent, plural, quantity

_BINS = {"density_pct": 2.0, "pulse_energy_mj": 2.5}
_KNOTS = 3


def response_curve(modelled: Modelled, setting: Setting, protocol: Protocol) -> tuple[str, str, Response] | None:
    """How does the adjusted risk run along a setting, where there is data?

    The setting enters as a restricted cubic spline with three knots; the risk is standardised over all zones
    in the model at each bin's middle, and drawn over the longest run of bins that hold enough patients.

    Returns
    -------
    (outcome name, setting column, Response) or None
        None where the outcome's model or the setting cannot say, or the setting takes too few values to bend.
    """
    width = _BINS.get(setting.column)
    effect = modelled.effects[setting.column]
    if width is None or modelled.fit is None or isinstance(effect, NotEstimable):
        return None
    frame = modelled.population.frame
    values = frame[setting.column].astype(float).to_numpy()
    knots = knots_at_quantiles(values, _KNOTS)
    if len(np.unique(knots)) < _KNOTS:
        return None
    terms: list[Term] = [
        Spline(t.column, knots=tuple(float(k) for k in knots), label=setting.label)
        if isinstance(t, Numeric) and t.column == setting.column
        else t
        for t in modelled.terms
    ]
    design = build(frame, terms)
    if ladder(design.matrix.shape[1] - 1, modelled.patients_with_events, int(modelled.event.sum())).rung != "penalised":
        return None
    fit = penalised(design, modelled.event.astype(int), cluster=modelled.cluster, level=protocol.level, profile=())
    if isinstance(fit, NotEstimable):
        return None
    edges = np.arange(np.floor(values.min() / width), np.floor(values.max() / width) + 2) * width
    zones, patients = support(frame, setting.column, edges)
    start, stop = longest_run(patients >= protocol.fewest_in_support)
    if stop - start < 3:
        return None
    shown = slice(max(0, start - 1), min(len(zones), stop + 2))
    x = (edges[start:stop] + edges[start + 1 : stop + 1]) / 2
    designs = [design.evaluate(frame.assign(**{setting.column: float(v)})) for v in x]
    risks = standardised_risks(fit, designs, tuple(quantity(float(v)) for v in x), level=protocol.level).risks
    drawn = [(float(v), r) for v, r in zip(x, risks, strict=True) if isinstance(r, Estimate)]
    first, last = drawn[0][1], drawn[-1][1]
    response = Response(
        title=f"{capital(modelled.outcome.label)} along {setting.label}: {estimate_text(first)} at "
        f"{quantity(drawn[0][0], setting.unit)}, {estimate_text(last)} at {quantity(drawn[-1][0], setting.unit)}",
        x_label=capital(setting.heading),
        y_label="Adjusted risk among zones seen (%)",
        x=tuple(v for v, _ in drawn),
        value=tuple(r.value for _, r in drawn),
        low=tuple(r.value if r.low is None else r.low for _, r in drawn),
        high=tuple(r.value if r.high is None else r.high for _, r in drawn),
        histogram_edges=tuple(float(e) for e in edges[shown.start : shown.stop + 1]),
        histogram_zones=tuple(int(z) for z in zones[shown]),
        histogram_patients=tuple(int(p) for p in patients[shown]),
        n=len(frame),
        patients=modelled.population.patients,
        events=int(modelled.event.sum()),
        reading=f"The line is the risk that the {plural(len(frame), 'zone')} would average in this model at each "
        f"{setting.label}; the band holds pointwise {level_percent(protocol.level)} limits, the bars count zones.",
        note=f"Drawn where each bin holds at least {count(protocol.fewest_in_support)} patients. It describes patients "
        "treated and does not predict what a change of setting would do.",
    )
    return modelled.outcome.name, setting.column, response


def support(frame: pd.DataFrame, column: str, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Zones and patients in each bin ``[edge, next edge)`` of a setting."""
    bins = np.digitize(frame[column].astype(float).to_numpy(), edges) - 1
    size = len(edges) - 1
    zones = np.bincount(bins, minlength=size)[:size]
    pairs = pd.DataFrame({"bin": bins, "patient": frame["patient_id"].to_numpy(dtype=str)}).drop_duplicates()
    return zones, np.bincount(pairs["bin"].to_numpy(), minlength=size)[:size]


def longest_run(enough: np.ndarray) -> tuple[int, int]:
    """First and one-past-last index of the longest run of True; the earlier of two equals.

    Examples
    --------
    >>> longest_run(np.array([True, False, True, True, False]))
    (2, 4)
    """
    best, start = (0, 0), None
    for i, value in enumerate([*enough.tolist(), False]):
        if value and start is None:
            start = i
        elif not value and start is not None:
            if i - start > best[1] - best[0]:
                best = (start, i)
            start = None
    return best
