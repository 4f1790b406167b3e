"""Which energy, density and passes are in use: this period, the baseline, each practitioner beside peers?"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from outcomes.estimates.estimate import Answer, Estimate
from outcomes.estimates.mean import clustered_mean_difference
from outcomes.findings import Finding, Forest, Grid, Row
from outcomes.protocol import SETTINGS, Protocol, Setting
from outcomes.questions.disclosure import (
    HELD_CELL,
    Sum,
    held,
    held_back,
    is_small,
    shows_small_counts,
    small_reason,
)
from outcomes.questions.population import Population, everyone, treated_between
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import REGIONS
from outcomes.wording import (
    capital,
    cell_text,
    count,
    decapital,
    level_text,
    listing,
    plural,
    quantity,
)


def settings_in_use(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """Which energy, density and passes are in use: this period, the baseline, each practitioner beside peers?

    Settings are compared within one spot class only; a zone treated in layers is counted and left out, since
    no one setting describes it.
    """
    span = Population(treated_between(everyone(cases).frame, scope.baseline_start, scope.end))
    compared = comparable_settings(span, protocol)
    frame = compared.frame
    now = frame["treated_on"] >= pd.Timestamp(scope.start)
    answers: list[Answer] = []
    forests: list[Forest] = []
    overview: list[tuple[str, Row]] = []
    changed: list[str] = []
    differing: dict[str, list[str]] = {}
    for setting in SETTINGS:
        regions = _by_region(frame, now, setting, protocol)
        people = _by_practitioner(frame, setting, protocol)
        answers += [row.answer for row in (*regions, *people)]
        overview += [(capital(setting.heading), row) for row in regions]
        forests += [
            _forest(setting, regions, f"{capital(setting.heading)} by region", scope.label, scope.baseline_label),
            _forest(setting, people, f"{capital(setting.heading)} by practitioner", "own", "all peers pooled"),
        ]
        changed += [f"{setting.label}, {decapital(row.label)}" for row in regions if _apart(row.answer)]
        for row in people:
            if _apart(row.answer):
                differing.setdefault(f"{row.label}, {decapital(row.group)}", []).append(setting.label)
    practitioners = int(frame["practitioner_id"].nunique())
    return Finding(
        key="settings_in_use",
        title="Settings in use",
        asks="Which energy, density and passes are used, by region and by practitioner, and have they changed?",
        says=_sentences(compared, scope, protocol, changed, differing, practitioners),
        estimates=tuple(answers),
        exhibits=(_overview(overview, scope, protocol), *forests),
        denominators=f"{plural(len(compared), 'zone')} of {plural(compared.patients, 'patient')} treated with a "
        f"{protocol.spot_class} beam, {scope.baseline_label} and {scope.label}.",
        exclusions=compared.left_out,
        methods=(
            "Means are compared by their linearised variance with the patient as cluster, referred to t "
            "(Cochran 1977, section 6.3); quartiles are those of the zones.",
        ),
        caveats=(
            "A difference from peers says that choices differ, not that either is better; patients differ too.",
            "No allowance is made for the number of comparisons in these tables.",
        ),
    )


def comparable_settings(population: Population, protocol: Protocol) -> Population:
    """Zones whose settings can be compared: one layer, a recorded spot in the protocol's class."""
    kept = population.keep(~population.frame["layered"].fillna(False), "zones treated in more than one layer")
    spot = kept.frame["spot_class"].astype("string")
    if not spot.notna().any():
        return kept
    kept = kept.keep(spot.notna(), "zones without a recorded spot size")
    spot = kept.frame["spot_class"].astype("string")
    return kept.keep(spot == protocol.spot_class, f"zones treated with another beam than {protocol.spot_class}")


def _by_region(frame: pd.DataFrame, now: pd.Series, setting: Setting, protocol: Protocol) -> list[Row]:
    parts = [(frame.loc[frame["region"] == region], capital(label), "") for region, label in REGIONS.items()]
    sides = [_Sides(part, now.loc[part.index], setting, label, group) for part, label, group in parts]
    return _rows(sides, 0, setting, protocol)


def _by_practitioner(frame: pd.DataFrame, setting: Setting, protocol: Protocol) -> list[Row]:
    """Own zones beside all peers', on the face and off it, where a practitioner has enough zones to be judged."""
    rows = []
    for region in ("face", "off_face"):
        part = frame.loc[frame["region"] == region]
        sizes = part["practitioner_id"].value_counts()
        shown = [who for who in sorted(part["practitioner_id"].unique()) if int(sizes[who]) >= protocol.fewest_judged]
        sides = [
            _Sides(part, part["practitioner_id"] == who, setting, str(who), capital(REGIONS[region])) for who in shown
        ]
        rows += _rows(sides, len(part) - sum(int(sizes[who]) for who in shown), setting, protocol)
    return rows


class _Sides:
    """Zones of one row on its two sides, where the setting is recorded."""

    __slots__ = ("first", "group", "label", "patient", "values")

    def __init__(self, part: pd.DataFrame, first: pd.Series, setting: Setting, label: str, group: str) -> None:
        recorded = part[setting.column].notna()
        self.values = part.loc[recorded, setting.column].astype(float)
        self.patient = part.loc[recorded, "patient_id"].to_numpy(dtype=str)
        self.first = first.loc[recorded].to_numpy(dtype=bool)
        self.label, self.group = label, group

    def size(self, *, first: bool) -> int:
        """Zones on one side."""
        return int((self.first == first).sum())

    def is_few(self, protocol: Protocol) -> bool:
        """Whether one side holds so few zones or patients that nothing of the row may be printed."""
        return any(
            is_small(self.size(first=side), protocol) or is_small(len(set(self.patient[self.first == side])), protocol)
            for side in (True, False)
        )


def _rows(sides: Sequence[_Sides], left_out: int, setting: Setting, protocol: Protocol) -> list[Row]:
    """Rows whose zones, with those left out, add up to a printed total; small sizes are held back.

    Zones left out count on the first side; how many they are is printed nowhere.
    """
    every = Sum(tuple(range(len(sides) + 1)))
    shown = shows_small_counts(protocol)
    few = [] if shown else [i for i, one in enumerate(sides) if one.is_few(protocol)]
    back: frozenset[int] = frozenset()
    for first, rest in ((True, left_out), (False, 0)):
        sizes = [one.size(first=first) for one in sides]
        unprinted = (len(sides),) if rest else ()
        back |= held_back([*sizes, rest], [every], protocol, unprinted=unprinted, also=few)
    return [_row(one, setting, protocol, hidden=i in few, size_held=i in back) for i, one in enumerate(sides)]


def _overview(rows: Sequence[tuple[str, Row]], scope: Scope, protocol: Protocol) -> Grid:
    """All settings by region in one table: this period, the baseline, and how far their means lie apart."""
    now, before = scope.label, scope.baseline_label
    return Grid(
        title=f"Settings by region, {now} beside {before}",
        headers=("", "zones", f"{now}, median (quartiles)", f"{before}, median (quartiles)", "difference of means"),
        rows=tuple((row.label, *row.cells, _difference_text(row.answer)) for _, row in rows),
        groups=tuple(heading for heading, _ in rows),
        number_columns=(1, 2, 3, 4),
        note=f"Differences are {now} minus {before}, with {level_text(protocol.level)}.",
    )


def _difference_text(answer: Answer) -> str:
    return cell_text(answer) if isinstance(answer, Estimate) else f"cannot say: {answer.reason}"


def _forest(setting: Setting, rows: Sequence[Row], title: str, first: str, second: str) -> Forest:
    return Forest(
        title=title,
        headers=("", "zones", f"{first}, median (quartiles)", f"{second}, median (quartiles)"),
        rows=tuple(rows),
        scale="difference",
        reference=0.0,
        note=f"Difference of means, {setting.unit}: {first} minus {second}.",
        detail=True,
    )


def _row(sides: _Sides, setting: Setting, protocol: Protocol, *, hidden: bool, size_held: bool) -> Row:
    values, side, group = sides.values, sides.first, sides.group
    answer = clustered_mean_difference(
        values.to_numpy(),
        sides.patient,
        side,
        term=f"{setting.label}, {sides.label}{f', {decapital(group)}' if group else ''}: difference of means",
        unit=setting.unit,
        level=protocol.level,
    )
    if hidden:
        reason = small_reason("zones or patients", protocol)
        return Row(sides.label, held(answer, reason), (HELD_CELL, HELD_CELL, HELD_CELL), group=group)
    size = HELD_CELL if size_held else count(int(side.sum()))
    return Row(sides.label, answer, (size, _quartiles(values[side]), _quartiles(values[~side])), group=group)


def _quartiles(values: pd.Series) -> str:
    if values.empty:
        return "no cases"
    low, middle, high = (quantity(float(values.quantile(q))) for q in (0.25, 0.5, 0.75))
    return f"{middle} ({low} to {high})"


def _apart(answer: Answer) -> bool:
    return (
        isinstance(answer, Estimate)
        and answer.low is not None
        and answer.high is not None
        and (answer.low > 0 or answer.high < 0)
    )


def _sentences(
    compared: Population,
    scope: Scope,
    protocol: Protocol,
    changed: Sequence[str],
    differing: dict[str, list[str]],
    practitioners: int,
) -> tuple[str, ...]:
    frame = compared.frame
    face = frame.loc[(frame["region"] == "face") & (frame["treated_on"] >= pd.Timestamp(scope.start))]
    if face.empty:
        return (f"No zone of the face was treated with a {protocol.spot_class} beam in {scope.label}.",)
    parts = [f"{setting.heading} {_quartiles(face[setting.column].dropna().astype(float))}" for setting in SETTINGS]
    says = [f"On the face in {scope.label}, median and quartiles were: {listing(parts)}."]
    says.append(
        f"Against {scope.baseline_label}, the interval of the difference of means leaves out zero for {listing(changed)}."
        if changed
        else f"No mean setting of a region is shown to differ from {scope.baseline_label}."
    )
    if practitioners < 2:
        says.append("With one practitioner there are no peers to stand beside.")
    elif differing:
        says.append(
            "Mean settings lie apart from the pooled peers' by more than the interval allows for "
            + "; ".join(f"{who} ({listing(labels)})" for who, labels in sorted(differing.items()))
            + "."
        )
    else:
        says.append("No practitioner's mean settings are shown to differ from the pooled peers'.")
    return tuple(says)
