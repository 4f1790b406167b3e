"""What a question answers with: a `Finding`, and the exhibits it may carry.

Exhibits hold numbers that are already computed. Figures draw them and recompute nothing; alt text is made
from them. Every exhibit has a claim as its title and says how many records and patients it rests on.
"""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.estimates.estimate import Answer, Estimate

CRITERION_VERDICTS = ("met", "not met", "not shown", "cannot say")
SETTING_VERDICTS = ("associated", "not shown", "cannot say")
PRACTITIONER_VERDICTS = ("within limits", "worth a look", "outside 95 %", "outside 99.8 %", "too few to judge")
VERDICTS = frozenset({*CRITERION_VERDICTS, *SETTING_VERDICTS, *PRACTITIONER_VERDICTS, "described"})


@dataclass(frozen=True, slots=True)
class Row:
    """One line of an in-table forest: a label, an answer, its counts and a verdict word.

    Attributes
    ----------
    label : str
    answer : Estimate or NotEstimable
    cells : tuple of str
        Further text cells between label and estimate, already worded.
    verdict : str
        A verdict word, empty where none is passed.
    group : str
        Heading that the row stands under, empty for none.
    """

    label: str
    answer: Answer
    cells: tuple[str, ...] = ()
    verdict: str = ""
    group: str = ""


@dataclass(frozen=True, slots=True)
class Forest:
    """A table whose rows carry an interval drawn in place.

    Attributes
    ----------
    title : str
        The claim.
    headers : tuple of str
        Header of the label column and of each further cell.
    rows : tuple of Row
    scale : str
        ``proportion`` (drawn in %), ``ratio`` (log axis, line at 1), ``days`` or ``difference``.
    reference : float or None
        Line drawn through all rows (1 for ratios).
    note : str
        What to know when reading it: method, who is left out.
    detail : bool
        Whether it only supports the answer: such a table stands in the full tables, not on paper.
    """

    title: str
    headers: tuple[str, ...]
    rows: tuple[Row, ...]
    scale: str
    reference: float | None = None
    note: str = ""
    detail: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """A plain table of already worded cells; ``number_columns`` are set right-aligned, ``detail`` as in `Forest`."""

    title: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    groups: tuple[str, ...] = ()
    number_columns: tuple[int, ...] = ()
    note: str = ""
    detail: bool = False


@dataclass(frozen=True, slots=True)
class Curve:
    """One line of `Curves` with its band.

    Attributes
    ----------
    label : str
    days, value, low, high : tuple of float
        Equal lengths; share not yet healed (or event-free) at each day, with its pointwise limits, None
        where no limit was found.
    at_risk : tuple of (int or None)
        Number still under observation just before each of the exhibit's ``ticks``; None where it is held back.
    """

    label: str
    days: tuple[float, ...]
    value: tuple[float, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    at_risk: tuple[int | None, ...]
    n: int
    patients: int


@dataclass(frozen=True, slots=True)
class Curves:
    """Share not yet healed by day, one line a group, with the numbers still under observation below."""

    title: str
    x_label: str
    y_label: str
    curves: tuple[Curve, ...]
    ticks: tuple[float, ...]
    reading: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class FunnelPoint:
    """One practitioner: size, observed value with its interval, verdict."""

    label: str
    size: float
    answer: Answer
    verdict: str


@dataclass(frozen=True, slots=True)
class Funnel:
    """Practitioners against limits that narrow with size.

    Attributes
    ----------
    centre : float
        The pooled value that the limits stand around.
    sizes : tuple of float
        Sizes at which the limits are given.
    limits : dict of str to (tuple of float, tuple of float)
        ``"95 %"`` and ``"99.8 %"``: lower and upper limit at each size.
    """

    title: str
    x_label: str
    y_label: str
    points: tuple[FunnelPoint, ...]
    centre: float
    sizes: tuple[float, ...]
    limits: tuple[tuple[str, tuple[float, ...], tuple[float, ...]], ...]
    reading: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Response:
    """Adjusted risk along a setting, with its ribbon, drawn only where there is data.

    Attributes
    ----------
    x, value, low, high : tuple of float
        Setting and standardised risk (proportion) with pointwise limits.
    histogram_edges, histogram_zones, histogram_patients
        Support below the curve: bin edges (one more than bins), zones and patients in each bin.
    """

    title: str
    x_label: str
    y_label: str
    x: tuple[float, ...]
    value: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    histogram_edges: tuple[float, ...]
    histogram_zones: tuple[int, ...]
    histogram_patients: tuple[int, ...]
    n: int
    patients: int
    events: int
    reading: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Bars:
    """Quarter-by-quarter (or stage-by-stage) counts or shares as horizontal bars with their numbers."""

    title: str
    labels: tuple[str, ...]
    values: tuple[float, ...]
    texts: tuple[str, ...]
    maximum: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class Timeline:
    """One rate over successive spans of time, each with its interval, beside the pooled earlier ones.

    Attributes
    ----------
    labels : tuple of str
        The spans, oldest first: ``2025Q4``.
    answers : tuple of Estimate or NotEstimable
        One a span, in one unit; a gap is drawn where nothing can be said.
    counts : tuple of str
        What stands below each span, worded: ``12 / 300``.
    immature : tuple of bool
        Spans whose outcome has not had its time: never drawn as a value.
    band : Estimate or None
        The pooled value of the spans compared with, drawn across.
    marks : tuple of (int, str)
        Changes of device or protocol: before which span, and in words.
    """

    title: str
    y_label: str
    labels: tuple[str, ...]
    answers: tuple[Answer, ...]
    counts: tuple[str, ...]
    immature: tuple[bool, ...]
    band: Estimate | None = None
    marks: tuple[tuple[int, str], ...] = ()
    reading: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Cusum:
    """A two-sided risk-adjusted cumulative-sum chart over cases in the order of their treatment.

    Attributes
    ----------
    up, down : tuple of float
        Path after each case: evidence for higher odds (0 or above) and for lower odds (0 or below).
    limit_up, limit_down : float
        A path that reaches its limit signals and starts again at zero.
    signals_up, signals_down : tuple of int
        Positions (from 0) of the cases at which a path signalled.
    ticks : tuple of (int, str)
        Positions at which quarters begin, with their names.
    n, patients, events : int
    """

    title: str
    y_label: str
    up: tuple[float, ...]
    down: tuple[float, ...]
    limit_up: float
    limit_down: float
    signals_up: tuple[int, ...]
    signals_down: tuple[int, ...]
    ticks: tuple[tuple[int, str], ...]
    n: int
    patients: int
    events: int
    reading: str = ""
    note: str = ""


Exhibit = Forest | Grid | Curves | Funnel | Response | Bars | Timeline | Cusum


@dataclass(frozen=True, slots=True)
class Finding:
    """The answer to one question.

    Attributes
    ----------
    key : str
        Fixed short name, such as ``settings_and_risk``.
    title : str
        Section title.
    asks : str
        The question, as the protocol words it.
    says : tuple of str
        The answer in sentences, each true of the numbers beside it.
    brief : str
        The answer in one sentence, for the summary of the first page; empty where it has no place there.
    headlines : tuple of (str, str)
        (verdict word, sentence) pairs fit for the first page, most important first; may be empty.
    estimates : tuple of Estimate or NotEstimable
        Every number of the answer, written to tables/<key>.csv.
    exhibits : tuple of Exhibit
    denominators : str
        On how many zones and patients the answer rests.
    exclusions : tuple of str
        What was left out, with counts and reasons.
    methods : tuple of str
        How it was computed, each a sentence or two with the formula's name and source.
    caveats : tuple of str
        What it cannot show.
    requests : tuple of str
        What the committee is asked to decide or do because of it; may be empty.
    """

    key: str
    title: str
    asks: str
    says: tuple[str, ...]
    brief: str = ""
    headlines: tuple[tuple[str, str], ...] = ()
    estimates: tuple[Answer, ...] = ()
    exhibits: tuple[Exhibit, ...] = ()
    denominators: str = ""
    exclusions: tuple[str, ...] = ()
    methods: tuple[str, ...] = ()
    caveats: tuple[str, ...] = ()
    requests: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for verdict, _ in self.headlines:
            if verdict not in VERDICTS:
                raise ValueError(f"{self.key}: {verdict!r} is not a verdict word")

    def estimate(self, term: str) -> Estimate:
        """Return one estimate by its term.

        Raises
        ------
        KeyError
            If there is none of that name, or the answer is "cannot say".
        """
        for answer in self.estimates:
            if answer.term == term and isinstance(answer, Estimate):
                return answer
        raise KeyError(term)
