"""The clinic as its record system would export it: own headers, own codes, dd/mm/yyyy, one file a table.

Text is written by hand, cell by cell, so that the bytes depend on nothing but the scenario and the seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from outcomes.records.synthetic.clinic import Clinic, Session
from outcomes.records.synthetic.follow_up import Visit
from outcomes.records.synthetic.treatments import Settings, Treatment

ZONE_CODES: dict[str, str] = {
    "forehead": "FH", "glabella": "GLB", "temple": "TMP", "upper_lid": "ULD", "lower_lid": "LLD",
    "crows_feet": "CRF", "nose": "NOS", "medial_cheek": "CKM", "lateral_cheek": "CKL", "cheek": "CK",
    "upper_lip": "ULP", "chin": "CHN", "perioral": "MTH", "jawline": "JAW", "full_face": "FF", "neck": "NCK",
    "chest": "CHS", "hands": "HND", "forearms": "FRM", "scar_other": "SCR",
}  # fmt: skip
SKIN_CODES: dict[str, str] = {"I": "1", "II": "2", "III": "3", "IV": "4", "V": "5", "VI": "6", "not_recorded": "NR"}
REASON_CODES: dict[str, str] = {
    "photoageing": "sun damage", "wrinkles": "lines", "acne_scar": "acne scars", "other_scar": "scar",
    "pigment": "pigment", "lesion": "lesion", "other": "other",
}  # fmt: skip
SMOKING_CODES: dict[str, str] = {"never": "never", "ex": "stopped", "current": "smokes"}
SEX_CODES: dict[str, str] = {"female": "F", "male": "M"}
SIDE_CODES: dict[str, str] = {"L": "left", "R": "right", "both": "both", "": ""}
SHIELD_CODES: dict[str, str] = {"none": "nil", "external": "goggles", "metal_corneal": "metal"}
GRADER_CODES: dict[str, str] = {"treating": "self", "other": "colleague", "blinded": "blind", "": ""}
CONTACT_CODES: dict[str, str] = {"in_person": "clinic", "video": "video", "photo": "photo", "phone": "phone"}
BLOCK_CODES: dict[str, str] = {
    "infraorbital": "IO", "mental": "MN", "supraorbital": "SO", "supratrochlear": "ST",
    "zygomaticotemporal": "ZT", "auriculotemporal": "AT", "infiltration": "INF",
}  # fmt: skip
NO_BLOCK = "nil"
BLOCK_JOINT = "+"

HISTORY: dict[str, str] = {
    "herpes_history": "Cold sores ever", "keloid_history": "Keloid ever", "pih_history": "Dark marks ever",
    "melasma": "Melasma", "tan_4w": "Tan last 4 weeks", "diabetes": "Diabetes",
    "immunosuppressed": "Immune suppressed", "radiotherapy": "Radiotherapy here",
}  # fmt: skip
COVER: dict[str, str] = {
    "antiviral": "Antiviral", "antibiotic": "Antibiotic", "antifungal": "Antifungal",
    "plume_extraction": "Smoke extractor", "test_patch": "Test patch",
}  # fmt: skip
FINDINGS: dict[str, str] = {
    "bacterial_infection": "Infection bacterial", "viral_infection": "Infection viral",
    "fungal_infection": "Infection fungal", "blister_burn": "Blister or burn",
    "contact_dermatitis": "Contact rash", "acne_milia": "Acne or milia", "hyperpigmentation": "Dark patches",
    "hypopigmentation": "Pale patches", "scarring": "Scar", "ectropion": "Lid pulled down",
    "synechia": "Skin bridge",
}  # fmt: skip
OF_THE_DAY: dict[str, str] = {
    "corneal_injury": "Eye injury", "block_complication": "Block problem",
    "anaesthetic_toxicity": "Anaesthetic reaction", "faint": "Fainted",
}  # fmt: skip

TREATMENT_HEADERS: tuple[str, ...] = (
    "Treatment ref", "Patient no", "Episode no", "Date treated", "Clinician", "Machine", "Zone", "Side",
    "Skin type", "Energy (mJ)", "Density", "Passes", "Stacks", "Spot (mm)", "Power (W)", "Pulse (ms)", "Scan",
    "Scan size (mm)", "Area (cm2)", "Reason", "Age", "Sex", "Smoking", *HISTORY.values(),
    "Isotretinoin months ago", "Course", "Eye cover", *COVER.values(), "Dressing", "Grade before",
    "Grade after", "Improvement", "Graded by", "Satisfaction", "Room",
)  # fmt: skip
SESSION_HEADERS: tuple[str, ...] = (
    "Episode no", "Site", "Weight (kg)", "Cream", "Cream strength (%)", "Cream (g)", "Cream time (min)",
    "Blocks", "Injection strength (%)", "Injection (ml)", "Adrenaline", "Injected at", "Laser start", "Sedation",
    "Pain score", "Consent signed", "Photos before", "Leaflet given",
)  # fmt: skip
VISIT_HEADERS: tuple[str, ...] = (
    "Episode no", "Treatment ref", "Date seen", "How seen", "Booked", "Healed", "Red", *FINDINGS.values(),
    *(f"{header} grade" for header in FINDINGS.values()), *OF_THE_DAY.values(), "Came unplanned", "Complaint",
    "Checked for infection", "Photos",
)  # fmt: skip
LAYER_HEADERS: tuple[str, ...] = (
    "Treatment ref", "Layer", "Machine", "Energy (mJ)", "Density", "Passes", "Stacks", "Spot (mm)", "Power (W)",
    "Pulse (ms)",
)  # fmt: skip

Rows = list[list[str]]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One file of the export before it becomes text.

    Attributes
    ----------
    table : str
        The contract's table.
    file : str
    headers : tuple of str
    rows : list of list of str
    delimiter : str
    byte_order_mark : bool
    """

    table: str
    file: str
    headers: tuple[str, ...]
    rows: Rows
    delimiter: str = ","
    byte_order_mark: bool = False

    def column(self, header: str) -> int:
        """Position of a header."""
        return self.headers.index(header)

    def content(self) -> bytes:
        """Return the file's bytes: UTF-8, one line a row."""
        lines = [self.delimiter.join(_cell(c, self.delimiter) for c in row) for row in (self.headers, *self.rows)]
        text = ("\ufeff" if self.byte_order_mark else "") + "\n".join(lines) + "\n"
        return text.encode("utf-8")


def sheets(clinic: Clinic) -> dict[str, Sheet]:
    """Lay the clinic out as four sheets, by table, without any fault."""
    treatments: Rows = []
    sessions: Rows = []
    layers: Rows = []
    visits: list[tuple[date, list[str]]] = []
    record = 0
    for number, session in enumerate(clinic.sessions, start=1):
        episode = f"E{number:05d}"
        refs = [f"T{record + k:06d}" for k in range(1, len(session.treatments) + 1)]
        record += len(refs)
        sessions.append(_session_row(session, episode))
        for k, ref in enumerate(refs):
            treatments.append(_treatment_row(session, k, ref, episode))
            layers += _layer_rows(session.treatments[k], ref)
        for visit in session.visits:
            seen_on = session.day + timedelta(days=visit.day)
            visits += [(seen_on, row) for row in _visit_rows(visit, seen_on, episode, refs)]
    visits.sort(key=lambda dated: dated[0])
    return {
        "zones": Sheet("zones", "treatments.csv", TREATMENT_HEADERS, treatments, byte_order_mark=True),
        "sessions": Sheet("sessions", "sessions.csv", SESSION_HEADERS, sessions, delimiter=";"),
        "layers": Sheet("layers", "layers.csv", LAYER_HEADERS, layers),
        "visits": Sheet("visits", "visits.csv", VISIT_HEADERS, [row for _, row in visits]),
    }


def _treatment_row(session: Session, k: int, ref: str, episode: str) -> list[str]:
    person, zone, grade = session.patient, session.treatments[k], session.grades[k]
    return [
        ref,
        f"{person.number:05d}",
        episode,
        day_text(session.day),
        person.practitioner.code,
        zone.device,
        ZONE_CODES[zone.zone],
        SIDE_CODES[zone.side],
        SKIN_CODES[person.skin_type if person.skin_recorded else "not_recorded"],
        *_settings_cells(zone.settings),
        zone.scan_shape,
        str(zone.scan_size_mm),
        f"{zone.area_cm2:.1f}",
        REASON_CODES[zone.indication],
        str(int(session.age)) if person.age_recorded else "",
        SEX_CODES[person.sex],
        SMOKING_CODES[person.smoking],
        *(_word(name in person.history) for name in HISTORY),
        _number(person.isotretinoin_months),
        str(zone.course_no),
        SHIELD_CODES[zone.eye_shield],
        *(_word(zone.care[name]) for name in COVER),
        zone.dressing,
        _number(grade.severity_before),
        _number(grade.severity_after),
        _number(grade.improvement),
        GRADER_CODES[grade.graded_by],
        _number(grade.satisfaction),
        f"{person.practitioner.site[0]}{1 + person.number % 3}",
    ]


def _settings_cells(settings: Settings) -> list[str]:
    return [
        f"{settings.energy_mj:g}",
        settings.density_shown,
        str(settings.passes),
        str(settings.stacks),
        f"{settings.spot_um / 1000:g}",
        f"{settings.power_w:g}",
        f"{settings.pulse_us / 1000:g}",
    ]


def _layer_rows(zone: Treatment, ref: str) -> Rows:
    if zone.second_layer is None:
        return []
    both = (zone.settings, zone.second_layer)
    return [[ref, str(n), zone.device, *_settings_cells(settings)] for n, settings in enumerate(both, start=1)]


def _session_row(session: Session, episode: str) -> list[str]:
    care = session.care
    return [
        episode,
        session.patient.practitioner.site,
        "" if care.weight_kg is None else f"{care.weight_kg:.1f}",
        care.topical_agent,
        _number(care.topical_pct),
        "" if care.topical_g is None else f"{care.topical_g:.1f}",
        _number(care.topical_min),
        BLOCK_JOINT.join(BLOCK_CODES[block] for block in care.blocks) or NO_BLOCK,
        _number(care.injected_pct),
        "" if care.injected_ml is None else f"{care.injected_ml:.1f}",
        "" if care.with_adrenaline is None else _word(care.with_adrenaline),
        "" if care.injected_at_minute is None else _clock(care.injected_at_minute),
        _clock(care.laser_start_minute),
        care.sedation,
        _number(care.pain_score),
        "" if care.consent_on is None else day_text(care.consent_on),
        _word(care.photos_before),
        _word(care.written_advice),
    ]


def _visit_rows(visit: Visit, seen_on: date, episode: str, refs: Sequence[str]) -> Rows:
    """One row for the session where all its zones gave the same answers, else one a zone."""
    cells = {k: _answer_cells(answers, visit) for k, answers in visit.answers.items()}
    start = [day_text(seen_on), CONTACT_CODES[visit.contact], "Y" if visit.scheduled else "N"]
    alike = len(cells) == len(refs) and all(row == next(iter(cells.values())) for row in cells.values())
    if alike:
        return [[episode, "", *start, *next(iter(cells.values()))]]
    return [[episode, refs[k], *start, *row] for k, row in cells.items()]


def _answer_cells(answers: dict[str, str], visit: Visit) -> list[str]:
    names = (
        "healed", "redness", *FINDINGS, *(f"{name}_severity" for name in FINDINGS), *OF_THE_DAY,
        "unplanned_contact", "complaint", "infection_assessed",
    )  # fmt: skip
    return [*(answers.get(name, "") for name in names), "Y" if visit.photos else "N"]


def day_text(day: date) -> str:
    """A date as the record system writes it: dd/mm/yyyy."""
    return f"{day.day:02d}/{day.month:02d}/{day.year:04d}"


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _word(value: bool) -> str:
    return "yes" if value else "no"


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _cell(text: str, delimiter: str) -> str:
    if delimiter in text or '"' in text or "\n" in text:
        return '"' + text.replace('"', '""') + '"'
    return text
