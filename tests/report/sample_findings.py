"""Invented findings for every exhibit shape, verdict family and kind of awkward text; no record behind them."""

from __future__ import annotations

import math

from sample_cases import HEADER_WITH_MARKUP

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.findings import (
    Bars,
    Curve,
    Curves,
    Cusum,
    Finding,
    Forest,
    Funnel,
    FunnelPoint,
    Grid,
    Response,
    Row,
    Timeline,
)
from outcomes.records.vocabulary import ZONES

HOSTILE = (
    "dose #2 @ 12 mJ/cm² (50% off) $5 *not bold* _plain_ <label> `code`",
    "= heading? - item + item // comment \\ back\\slash and \"quote\" 'single'",
    HEADER_WITH_MARKUP,
    "≥ 3 passes → stop; naïve café Łódź Ångström",
)
LONG_WORD = "Untersuchungsbehandlungsnachbeobachtungsvollständigkeitsüberprüfungsverfahrenxyz"
RIGHT_TO_LEFT = "שלום עולם"
UNCOVERED = "患者 \x07 one two"


def _share(term: str, events: int, n: int, patients: int, half: float) -> Estimate:
    value = events / n
    return Estimate(
        term,
        value,
        max(0.0, value - half),
        min(1.0, value + half * 1.2),
        "Korn–Graubard",
        n,
        unit="proportion",
        patients=patients,
        events=events,
    )


def _ratio(term: str, value: float, spread: float, p: float) -> Estimate:
    return Estimate(
        term,
        value,
        value / spread,
        value * spread,
        "Firth with scaled profile limits",
        3120,
        unit="odds ratio",
        patients=1204,
        events=151,
        p_value=p,
        p_adjusted=min(1.0, 2 * p),
    )


def complications() -> Finding:
    """A forest of proportions over sixty zones in three groups, one cannot say, one far outside the axis."""
    rows: list[Row] = []
    groups = ("Face", "Eyelids", "Off the face")
    names = [label for label, _ in ZONES.values()]
    for i in range(60):
        n = 40 + 7 * (i % 9)
        label = names[i % len(names)] + (("", ", second side", ", third time")[i // len(names)])
        group = groups[i // 20]
        if i == 5:
            answer: Estimate | NotEstimable = NotEstimable(
                label, "2 patients with events, 12 needed", n=31, patients=22, events=2, unit="proportion"
            )
        elif i == 9:
            answer = Estimate(label, 0.12, 0.004, 0.71, "exact", 6, unit="proportion", patients=4, events=1)
        else:
            answer = _share(label, 1 + i % 7, n, n - 9, 0.02 + 0.0012 * i)
        rows.append(Row(label, answer, cells=(f"{answer.events} of {n}", f"{n - 9}"), group=group))
    forest = Forest(
        "Hyperpigmentation by zone, risk by day 180 among those seen",
        ("Zone", "Zones with it", "Patients"),
        tuple(rows),
        "proportion",
        note="Intervals allow for several zones of one patient (Korn–Graubard). Zones "
        "seen before day 60 only are left out.",
    )
    return Finding(
        key="complications",
        brief="Hyperpigmentation followed 4.8 % of zones seen (95 % CI 3.9 to 5.9).",
        title="Complications",
        asks="How often did each complication follow treatment, by zone, and how sure is that?",
        says=(
            "Hyperpigmentation was recorded in 151 of 3,120 zones seen on or after day 60: 4.8 % (95 % CI 3.9 to 5.9).",
            "No corneal injury was recorded in 812 sessions on eyelids; up to 0.45 % "
            "remains compatible with the records.",
            "Counting every zone treated and not seen as free of it, the risk would be 2.9 %; "
            "counting none of them as free is shown beside it.",
        ),
        headlines=(
            ("described", "Hyperpigmentation followed 4.8 % of zones seen (95 % CI 3.9 to 5.9), 151 of 3,120."),
        ),
        estimates=tuple(row.answer for row in rows),
        exhibits=(
            forest,
            Bars(
                "Zones followed up to each day, of those treated early enough",
                (
                    "seen on or after day 7",
                    "seen on or after day 30",
                    "seen on or after day 90",
                    "seen on or after day 180",
                ),
                (0.92, 0.81, 0.57, 0.36),
                ("92.0 % (5,520 of 6,000)", "81.0 %", "57.0 %", "36.0 %"),
                1.0,
                note="Each bar counts the zones treated at least that many days before the data cut-off.",
            ),
        ),
        denominators="3,120 zones of 1,204 patients seen on or after day 60 by a contact that can tell.",
        exclusions=(
            "2,310 zones not seen on or after day 60: neither with nor without it.",
            "41 scars elsewhere, which belong to no region.",
        ),
        methods=(
            "Proportions with Korn–Graubard limits on the effective sample size "
            "(Survey Methodology 24, 1998, 193–201).",
            "At 0 or n events the exact Clopper–Pearson limit is given.",
        ),
        caveats=("Patients who are well return less often, so a rate among those seen overstates the risk.",),
        requests=("Decide whether a photograph at day 90 should be asked of every patient.",),
    )


def settings_and_risk() -> Finding:
    """A ratio forest with verdicts of the settings family, and a response curve."""
    rows = (
        Row(
            "10 mJ more",
            _ratio("pulse energy: hyperpigmentation", 1.12, 1.22, 0.26),
            ("151",),
            "not shown",
            "Hyperpigmentation",
        ),
        Row(
            "5 points denser",
            _ratio("density: hyperpigmentation", 1.38, 1.17, 0.0002),
            ("151",),
            "associated",
            "Hyperpigmentation",
        ),
        Row(
            "one pass more",
            _ratio("passes: hyperpigmentation", 1.21, 1.35, 0.21),
            ("151",),
            "not shown",
            "Hyperpigmentation",
        ),
        Row(
            "10 mJ more", _ratio("pulse energy: redness", 0.97, 3.9, 0.9), ("64",), "not shown", "Redness beyond day 90"
        ),
        Row(
            "5 points denser",
            Estimate("density: redness", 1.9, 0.4, 61.0, "Firth", 900, unit="odds ratio", events=7, patients=300),
            ("7",),
            "not shown",
            "Redness beyond day 90",
        ),
        Row(
            "one pass more",
            NotEstimable("passes: redness", "fewer than 10 patients on one side of the step", n=212, unit="odds ratio"),
            ("7",),
            "cannot say",
            "Redness beyond day 90",
        ),
    )
    xs = tuple(float(v) for v in range(4, 23))
    value = tuple(0.02 + 0.0052 * (x - 4) for x in xs)
    response = Response(
        "Risk of hyperpigmentation rises with density where records lie",
        "density of one pass, %",
        "zones with hyperpigmentation by day 180, %",
        xs,
        value,
        tuple(max(0.004, v - 0.012 - 0.0006 * abs(x - 11)) for x, v in zip(xs, value, strict=True)),
        tuple(v + 0.015 + 0.0011 * abs(x - 11) for x, v in zip(xs, value, strict=True)),
        tuple(float(e) for e in range(2, 27, 2)),
        (12, 60, 240, 410, 530, 610, 420, 300, 190, 80, 21, 3),
        (9, 44, 160, 300, 360, 390, 280, 210, 120, 60, 15, 3),
        n=2876,
        patients=1102,
        events=151,
        reading="Read the ribbon, not the line: every curve that stays inside it fits the records.",
        note="Standardised over the case-mix of all zones in the model.",
    )
    return Finding(
        key="settings_and_risk",
        brief="Zones treated denser had more hyperpigmentation; energy and passes were not shown to matter.",
        title="Settings and risk",
        asks="Were zones treated with more energy, higher density or more passes followed by "
        "more trouble, allowing for who was treated?",
        says=(
            "Zones treated 5 points denser had more hyperpigmentation: odds ratio 1.38 (95 % CI 1.18 to 1.61).",
            "For pulse energy and passes no link was shown; odds ratios from 0.90 to "
            "1.63 remain compatible with the records.",
        ),
        headlines=(
            (
                "associated",
                "Zones treated 5 points denser had more hyperpigmentation: odds ratio 1.38 (95 % CI 1.18 to 1.61).",
            ),
            ("not shown", "Pulse energy and hyperpigmentation: odds ratio 1.12 for 10 mJ more (95 % CI 0.92 to 1.37)."),
            ("cannot say", "Passes and redness beyond day 90: fewer than 10 patients on one side of the step."),
        ),
        estimates=tuple(row.answer for row in rows),
        exhibits=(
            Forest(
                "Adjusted odds ratios of three settings",
                ("Setting", "Events"),
                rows,
                "ratio",
                reference=1.0,
                note="Allowing for region, skin type, age and indication, and for the other settings.",
            ),
            response,
        ),
        denominators="3,120 zones of 1,204 patients treated with a narrow spot.",
        exclusions=("212 zones with more than one layer of settings.", "88 zones without a recorded density."),
        methods=(
            "Firth logistic regression with scaled profile limits by patient (Firth, Biometrika 80, 1993, 27–38).",
            "Standardised risks by g-computation over all zones in the model, limits on the logit scale.",
        ),
        caveats=("Settings are chosen for a reason that the records do not hold.",),
        requests=("Ask each practitioner to record why a density above their usual one was chosen.",),
    )


def healing() -> Finding:
    """Step curves of three regions, one with open limits."""

    def curve(label: str, median: float, n: int) -> Curve:
        days = tuple(float(d) for d in range(0, 29))
        value = tuple(1.0 if d < 2 else 1 / (1 + (d / median) ** 4.2) for d in days)
        low: tuple[float | None, ...] = tuple(
            max(0.0, v - 0.06) if d < 24 else None for d, v in zip(days, value, strict=True)
        )
        high: tuple[float | None, ...] = tuple(
            min(1.0, v + 0.06) if d < 24 else None for d, v in zip(days, value, strict=True)
        )
        ticks = (0, 5, 10, 15, 20, 25)
        return Curve(
            label, days, value, low, high, tuple(round(n / (1 + (t / median) ** 4.2)) for t in ticks), n, n // 2
        )

    exhibit = Curves(
        "Healing took longer off the face",
        "days after treatment",
        "zones not yet healed, %",
        (curve("eyelids", 5.1, 640), curve("face", 6.3, 2980), curve("off the face", 9.8, 1010)),
        (0.0, 5.0, 10.0, 15.0, 20.0, 25.0),
        reading="Where a line crosses 50 %, half of the zones had healed.",
        note="Healing falls between two contacts and is estimated so; bands are pointwise, from patients resampled.",
    )
    days = tuple(
        Row(
            name,
            Estimate(name, value, value - 0.4, high, "Turnbull", n, unit="days", patients=n // 2),
            cells=(str(n),),
            group="",
        )
        for name, value, high, n in (
            ("eyelids", 5.1, 5.6, 640),
            ("face", 6.3, 6.6, 2980),
            ("off the face", 9.8, None, 1010),
        )
    )
    return Finding(
        key="healing",
        brief="Half of the zones on the face had healed by day 6.3.",
        title="Healing",
        asks="How many days did the skin take to heal, by region, and does it depend on the settings?",
        says=("Half of the zones off the face had healed by day 9.8; on the face by day 6.3 (95 % CI 5.9 to 6.6).",),
        headlines=(("described", "Median days to heal: face 6.3 (95 % CI 5.9 to 6.6), off the face 9.8."),),
        estimates=tuple(row.answer for row in days),
        exhibits=(exhibit, Forest("Median days to heal", ("Region", "Zones"), days, "days")),
        denominators="4,630 zones of 2,315 patients with at least one healing assessment.",
        methods=("Turnbull's estimator for interval-censored times (J R Stat Soc B 38, 1976, 290–295).",),
        caveats=("A zone last seen unhealed is only known to heal later.",),
    )


def practitioners() -> Finding:
    """A funnel with every practitioner verdict, and an empty exhibit that says why."""
    sizes = tuple(float(s) for s in range(5, 701, 5))

    def limit(z: float, sign: int) -> tuple[float, ...]:
        return tuple(min(1.0, max(0.0, 0.05 + sign * z * math.sqrt(0.05 * 0.95 / s))) for s in sizes)

    data = (
        ("P1", 612.0, 0.043, "within limits"),
        ("P2", 540.0, 0.058, "within limits"),
        ("P3", 433.0, 0.079, "outside 95 %"),
        ("P4", 390.0, 0.112, "outside 99.8 %"),
        ("P5", 300.0, 0.049, "within limits"),
        ("P6", 210.0, 0.021, "within limits"),
        ("P7", 8.0, 0.125, "too few to judge"),
    )
    points = tuple(
        FunnelPoint(
            label,
            size,
            Estimate(label, v, v / 2, v * 1.5, "Wilson", int(size), unit="proportion", events=round(v * size)),
            verdict,
        )
        for label, size, v, verdict in data
    )
    funnel = Funnel(
        "One practitioner lies outside the wider limits",
        "zones seen on or after day 60",
        "zones with hyperpigmentation, %",
        points,
        0.05,
        sizes,
        (("95 %", limit(1.96, -1), limit(1.96, 1)), ("99.8 %", limit(3.09, -1), limit(3.09, 1))),
        reading="A point outside is a reason to look, not a verdict on a person.",
        note="Flags come from exact tails with Holm's correction, not from the drawn line.",
    )
    return Finding(
        key="practitioners",
        brief="One of seven practitioners recorded more hyperpigmentation than case-mix and chance explain.",
        title="Practitioners",
        asks="Do practitioners differ by more than chance once case-mix is allowed for?",
        says=(
            "P4 recorded more hyperpigmentation than expected: 44 of 390. 0.2 such "
            "signals are expected by chance in a year.",
        ),
        headlines=(("outside 99.8 %", "P4: more hyperpigmentation than expected, 44 of 390; review records first."),),
        estimates=tuple(point.answer for point in points),
        exhibits=(
            funnel,
            Grid(
                "Right of reply",
                ("Practitioner", "Data", "Case-mix", "Equipment"),
                (
                    ("P3", "asked", "asked", ""),
                    ("P4", HOSTILE[0], LONG_WORD, RIGHT_TO_LEFT),
                    (HOSTILE[1], HOSTILE[2], HOSTILE[3], UNCOVERED),
                ),
                note="In this order: data, case-mix, equipment, process, person.",
            ),
            Forest(
                "Shrunken estimates",
                ("Practitioner",),
                (),
                "ratio",
                note="Seven practitioners are too few to estimate the spread between them.",
            ),
        ),
        denominators="2,493 zones of 1,020 patients.",
        exclusions=("0 zones without a practitioner.",),
        methods=("Funnel limits at 95 % and 99.8 % from the exact binomial distribution.",),
        caveats=("Case-mix that is not recorded is not allowed for.",),
        requests=("Review P4's records in the order given.",),
    )


def settings_in_use() -> Finding:
    """A grid with groups and many rows, to break over pages."""
    rows, groups = [], []
    for group in ("Face", "Eyelids", "Off the face"):
        for i in range(14):
            rows.append(
                (f"zone {i + 1}", f"{100 + i}", "18 (15 to 22)", "12 (10 to 14)", "2 (1 to 2)", "17 (14 to 22)")
            )
            groups.append(group)
    return Finding(
        key="settings_in_use",
        title="Settings in use",
        asks="Which settings were used in each zone, this period beside the baseline?",
        says=("Density off the face fell from 9.1 % to 7.8 % of the skin in one pass.",),
        exhibits=(
            Grid(
                "Settings by zone: median (quarter to three quarters)",
                ("Zone", "Zones", "Energy, mJ", "Density, %", "Passes", "Energy, baseline, mJ"),
                tuple(rows),
                tuple(groups),
                number_columns=(1, 2, 3, 4, 5),
            ),
        ),
        denominators="512 zones in the period, 2,040 in the baseline.",
    )


def trend() -> Finding:
    """A timeline with a gap, a cut interval, an immature quarter and a device mark; a chart that signals both ways."""
    answers = (
        _share("2025Q3", 12, 300, 140, 0.02),
        NotEstimable("2025Q4", "fewer than 20 patients seen", n=31, unit="proportion"),
        Estimate("2026Q1", 0.05, 0.01, 0.6, "exact", 12, unit="proportion", patients=9, events=1),
        _share("2026Q2", 20, 310, 150, 0.03),
        NotEstimable("2026Q3", "not yet mature", n=0, unit="proportion"),
    )
    up = tuple(min(5.0, 0.09 * i) if i < 56 else 0.05 * (i - 56) for i in range(90))
    down = tuple(-0.06 * (i % 60) for i in range(90))
    return Finding(
        "trend",
        "Trend",
        "Is it changing?",
        (HOSTILE[0],),
        estimates=answers[:1],
        exhibits=(
            Timeline(
                "Acne by quarter",
                "Acne, of all treated (%)",
                ("2025Q3", "2025Q4", "2026Q1", "2026Q2", "2026Q3"),
                answers,
                ("12 / 300", "held back", "1 / 12", "20 / 310", ""),
                (False, False, False, False, True),
                band=_share("2024Q3–2025Q2", 40, 1200, 500, 0.01),
                marks=((2, f"first use of {LONG_WORD}"),),
                reading="Each mark is a quarter.",
            ),
            Cusum(
                "Acne: two signals",
                "Evidence for a change",
                up,
                down,
                5.0,
                -3.5,
                (55,),
                (59,),
                ((0, "2025Q3"), (30, "2025Q4"), (60, "2026Q1")),
                n=90,
                patients=80,
                events=9,
                note=UNCOVERED,
            ),
        ),
    )


def findings() -> tuple[Finding, ...]:
    """Every sample finding in report order."""
    return (settings_in_use(), complications(), settings_and_risk(), healing(), practitioners(), trend())
