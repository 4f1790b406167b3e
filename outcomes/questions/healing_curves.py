"""The curves of *healing*: share not yet healed by day and region, and how much of them may be printed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.interval_censored import IntervalCurve, interval_curve
from outcomes.findings import Curve, Curves, Forest, Row
from outcomes.protocol import Protocol
from outcomes.questions.disclosure import EITHER, Sum, held_back, is_small, shows_small_counts, small_reason
from outcomes.records.vocabulary import DELAYED_HEALING_DAYS, REGIONS
from outcomes.wording import capital, count, days, decapital, level_percent, listing

DRAWN_DAYS = tuple(float(day) for day in range(0, 43))
TICKS = (0.0, 7.0, 14.0, 21.0, 28.0, 35.0, 42.0)


def healing_intervals(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Last day not yet healed, first day healed and patient of each zone."""
    return (
        frame["healed_after_day"].to_numpy(dtype=float),
        frame["healed_by_day"].to_numpy(dtype=float, na_value=np.nan),
        frame["patient_id"].to_numpy(dtype=str),
    )


def region_curve(frame: pd.DataFrame, label: str, protocol: Protocol) -> IntervalCurve:
    """Share not yet healed by day, of the zones of one region."""
    after, by, patient = healing_intervals(frame)
    return interval_curve(
        after,
        by,
        patient,
        DRAWN_DAYS,
        replicates=protocol.replicates,
        seed=protocol.seed,
        level=protocol.level,
        term=f"median days to heal, {label}",
    )


def held_regions(frame: pd.DataFrame, curves: dict[str, IntervalCurve], protocol: Protocol) -> tuple[str, ...]:
    """Regions with so few zones or patients that nothing of them is printed; one more where a subtraction would tell."""
    if shows_small_counts(protocol):
        return ()
    regions = list(curves)
    few = [i for i, curve in enumerate(curves.values()) if is_small(curve.patients, protocol)]
    back = held_back([curve.n for curve in curves.values()], [Sum(tuple(range(len(regions))))], protocol, also=few)
    return tuple(regions[i] for i in sorted(back))


def days_shown(frame: pd.DataFrame, region: str, protocol: Protocol) -> int:
    """How many of the drawn days are printed: up to the first on which 1 to 4 zones were known not to be healed."""
    after = frame.loc[(frame["region"] == region).fillna(False).to_numpy(dtype=bool), "healed_after_day"]
    unhealed = [int((after.to_numpy(dtype=float) >= day).sum()) for day in DRAWN_DAYS]
    if shows_small_counts(protocol):
        return len(DRAWN_DAYS)
    return next((i for i, number in enumerate(unhealed) if is_small(number, protocol)), len(DRAWN_DAYS))


def held_text(few: Sequence[str], protocol: Protocol) -> tuple[str, ...]:
    """Which regions are held back, as a sentence."""
    if not few:
        return ()
    words = listing([REGIONS[region] for region in few])
    return (f"Held back for {words}: {decapital(EITHER.removeprefix('held back: '))}.",)


def drawn_curves(curves: dict[str, IntervalCurve], shown: dict[str, int], protocol: Protocol) -> Curves:
    """The curves as an exhibit, each as far as it may be printed."""
    ticks = [DRAWN_DAYS.index(tick) for tick in TICKS]
    lines = []
    for region, curve in curves.items():
        lines.append(
            Curve(
                label=capital(REGIONS[region]),
                days=DRAWN_DAYS[: shown[region]],
                value=tuple(float(v) for v in curve.value[: shown[region]]),
                low=curve.low[: shown[region]],
                high=curve.high[: shown[region]],
                at_risk=tuple(_observed(int(curve.under_observation[i]), protocol) for i in ticks),
                n=curve.n,
                patients=curve.patients,
            )
        )
    said = [
        f"{REGIONS[region]} {days(curve.median.value)}"
        for region, curve in curves.items()
        if isinstance(curve.median, Estimate)
    ]
    return Curves(
        title=f"Half the zones were healed by day: {listing(said)}" if said else "Share of zones not yet healed",
        x_label="Days after treatment",
        y_label="Not yet healed (%)",
        curves=tuple(lines),
        ticks=TICKS,
        reading=f"Bands hold {level_percent(protocol.level)} of what other patients like these could have shown, day "
        "by day.",
        note="A patient treated in several zones of a region is drawn as a whole." + _drawn_until(shown, protocol),
    )


def _observed(number: int, protocol: Protocol) -> int | None:
    return None if is_small(number, protocol) and not shows_small_counts(protocol) else number


def _drawn_until(shown: dict[str, int], protocol: Protocol) -> str:
    if all(number == len(DRAWN_DAYS) for number in shown.values()):
        return ""
    smallest = count(protocol.disclosure.smallest_count)
    return f" A line ends where fewer than {smallest} zones were known not to be healed; a dash stands for so few."


def share_rows(curves: dict[str, IntervalCurve], shown: dict[str, int], protocol: Protocol) -> Forest:
    """Share not healed by the day that calls it delayed, region by region."""
    rows = []
    for region, curve in curves.items():
        limit = DELAYED_HEALING_DAYS[region]
        i = DRAWN_DAYS.index(float(limit))
        term = f"not healed by day {limit}, {REGIONS[region]}"
        answer: Answer
        if i >= shown[region]:
            reason = small_reason("zones known not to be healed", protocol)
            answer = NotEstimable(term, reason, n=curve.n, patients=curve.patients, unit="proportion")
        else:
            answer = curve.share_at(i, term)
        rows.append(Row(f"{capital(REGIONS[region])}, not healed by day {limit}", answer, (count(curve.n),)))
    return Forest(
        title="Slow healing: share not healed by the day that calls it delayed",
        headers=("", "zones"),
        rows=tuple(rows),
        scale="proportion",
        note="Day 14 on the face and lids, day 21 off the face: common practice, no source.",
    )
