"""The mapping that translates the invented export, and the page that lies beside it."""

from __future__ import annotations

from collections.abc import Iterator

from outcomes.records.synthetic import export
from outcomes.records.synthetic.scenario import DENSITY_INDEX, DEVICES

README = """# The invented clinic

Nobody and nothing here is real: two sites, seven practitioners, their patients and every record were made by
`outcomes synthesize`, from the scenario in `outcomes/records/synthetic/scenario.py`. `outcomes audit` without an
export runs on these files.

| file | what it is |
|---|---|
| treatments.csv | one row a zone treated (UTF-8 with byte-order mark, commas) |
| sessions.csv | one row a session: anaesthesia, consent (semicolons) |
| layers.csv | zones treated with two settings, one over the other |
| visits.csv | one row a follow-up contact, or one a zone where zones differed |
| mapping.toml | the clinic's headers, codes and units, in the contract's words |
| truth.json | what is truly so: coefficients, risks, which rows were spoiled and how |
| actions.csv | the register of actions from earlier audits: some closed, some overdue |

The files are those of a record system of its own: its headers, dd/mm/yyyy, yes and no, local codes, a density
index on machine M3. About one row in a hundred is spoiled on purpose; `planted_faults` in truth.json lists them.

Made again, byte for byte, from the top of the repository:

    outcomes synthesize data/synthetic

A test compares the bytes. Change the scenario, not these files.
"""


def readme_text() -> str:
    """Return the page that lies beside the files."""
    return README


_COLUMNS: dict[str, dict[str, str]] = {
    "zones": {
        "record_id": "Treatment ref", "patient_id": "Patient no", "session_id": "Episode no",
        "treated_on": "Date treated", "practitioner_id": "Clinician", "device_id": "Machine", "zone": "Zone",
        "side": "Side", "skin_type": "Skin type", "pulse_energy_mj": "Energy (mJ)", "density_pct": "Density",
        "passes": "Passes", "stacks": "Stacks", "spot_um": "Spot (mm)", "power_w": "Power (W)",
        "pulse_us": "Pulse (ms)", "scan_shape": "Scan", "scan_size_mm": "Scan size (mm)", "area_cm2": "Area (cm2)",
        "indication": "Reason", "age_years": "Age", "sex": "Sex", "smoking": "Smoking", **export.HISTORY,
        "isotretinoin_months_since": "Isotretinoin months ago", "course_no": "Course", "eye_shield": "Eye cover",
        **export.COVER, "dressing": "Dressing", "severity_before": "Grade before", "severity_after": "Grade after",
        "improvement_grade": "Improvement", "graded_by": "Graded by", "satisfaction": "Satisfaction",
    },
    "sessions": {
        "session_id": "Episode no", "site_id": "Site", "weight_kg": "Weight (kg)", "topical_agent": "Cream",
        "topical_pct": "Cream strength (%)", "topical_g": "Cream (g)", "topical_min": "Cream time (min)",
        "blocks": "Blocks", "injected_pct": "Injection strength (%)", "injected_ml": "Injection (ml)",
        "with_adrenaline": "Adrenaline", "injected_at": "Injected at", "laser_start": "Laser start",
        "sedation": "Sedation", "pain_score": "Pain score", "consent_on": "Consent signed",
        "photos_before": "Photos before", "written_advice": "Leaflet given",
    },
    "layers": {
        "record_id": "Treatment ref", "layer_no": "Layer", "device_id": "Machine", "pulse_energy_mj": "Energy (mJ)",
        "density_pct": "Density", "passes": "Passes", "stacks": "Stacks", "spot_um": "Spot (mm)",
        "power_w": "Power (W)", "pulse_us": "Pulse (ms)",
    },
    "visits": {
        "record_id": "Treatment ref", "session_id": "Episode no", "seen_on": "Date seen", "contact": "How seen",
        "scheduled": "Booked", "healed": "Healed", "redness": "Red", **export.FINDINGS,
        **{f"{name}_severity": f"{header} grade" for name, header in export.FINDINGS.items()},
        **export.OF_THE_DAY, "unplanned_contact": "Came unplanned", "complaint": "Complaint",
        "infection_assessed": "Checked for infection", "photos": "Photos",
    },
}  # fmt: skip
_UNITS: dict[str, str] = {"spot_um": "mm", "pulse_us": "ms"}
_CODES: dict[tuple[str, str], dict[str, str]] = {
    ("zones", "zone"): export.ZONE_CODES,
    ("zones", "side"): export.SIDE_CODES,
    ("zones", "skin_type"): export.SKIN_CODES,
    ("zones", "indication"): export.REASON_CODES,
    ("zones", "sex"): export.SEX_CODES,
    ("zones", "smoking"): export.SMOKING_CODES,
    ("zones", "eye_shield"): export.SHIELD_CODES,
    ("zones", "graded_by"): export.GRADER_CODES,
    ("sessions", "blocks"): export.BLOCK_CODES | {"none": export.NO_BLOCK},
    ("visits", "contact"): export.CONTACT_CODES,
}

_HEAD = """# How the invented clinic's record system writes its export, in the contract's words.

[file]
date_format = "dd/mm/yyyy"
decimal = "."
encoding = "utf-8"

[drop]
columns = ["Room"]
"""


def mapping_text() -> str:
    """Return the mapping that translates the clinic's export: headers, units, codes, the density index."""
    lines = [_HEAD]
    for table, columns in _COLUMNS.items():
        if table == "sessions":
            lines.append('[sessions]\ndelimiter = ";"\n')
        plain = {name: header for name, header in columns.items() if not _special(table, name)}
        lines.append("\n".join([f"[{table}.columns]", *(f'{name} = "{header}"' for name, header in plain.items()), ""]))
        lines += _special_columns(table, columns)
    for device, (_, _, step, _) in DEVICES.items():
        if step is None:
            table_lines = (f'"{index}" = {percent:g}' for index, percent in DENSITY_INDEX.items())
            lines.append("\n".join([f"[density_index.{device}]", *table_lines, ""]))
    return "\n".join(lines)


def _special(table: str, name: str) -> bool:
    return name in _UNITS or (table, name) in _CODES


def _special_columns(table: str, columns: dict[str, str]) -> Iterator[str]:
    for name, header in columns.items():
        if not _special(table, name):
            continue
        section = [f"[{table}.columns.{name}]", f'from = "{header}"']
        if name in _UNITS:
            section.append(f'unit = "{_UNITS[name]}"')
        if codes := _CODES.get((table, name)):
            pairs = ", ".join(f'"{theirs}" = "{ours}"' for ours, theirs in codes.items() if theirs)
            section.append(f"codes = {{ {pairs} }}")
        if name == "blocks":
            section.append(f'separator = "{export.BLOCK_JOINT}"')
        yield "\n".join([*section, ""])
