"""An invented clinic with known truth: who came, how they were treated, what happened, what was exported.

`synthesize` writes the clinic's export as a record system would give it, the mapping that translates it, and
what an audit of it should find. `scenario` holds every number that it is made from.
"""

from __future__ import annotations

from pathlib import Path

from outcomes.errors import OutcomesError
from outcomes.records.synthetic.clinic import simulate
from outcomes.records.synthetic.export import sheets
from outcomes.records.synthetic.faults import plant
from outcomes.records.synthetic.paperwork import mapping_text, readme_text
from outcomes.records.synthetic.register import register_text
from outcomes.records.synthetic.scenario import PATIENTS, SEED
from outcomes.records.synthetic.truth import truth, truth_text

__all__ = ["FILES", "SEED", "clinic_files", "clinic_folder", "synthesize"]

FILES: dict[str, str] = {
    "zones": "treatments.csv",
    "sessions": "sessions.csv",
    "layers": "layers.csv",
    "visits": "visits.csv",
    "mapping": "mapping.toml",
    "truth": "truth.json",
    "actions": "actions.csv",
}


def synthesize(folder: Path, *, seed: int = SEED, patients: int = PATIENTS, with_faults: bool = True) -> None:
    """Write the invented clinic into a folder: four tables, mapping, truth, a register of actions and a page about them.

    Parameters
    ----------
    folder : Path
        Made if it does not exist; files of the same names are replaced.
    seed : int
        Another seed gives another clinic of the same scenario. The same seed gives the same bytes.
    patients : int
        How many patients; the scenario has 2,200.
    with_faults : bool
        Whether about one row in a hundred is spoiled.

    Raises
    ------
    OutcomesError
        If the folder cannot be written to.
    """
    clinic = simulate(seed, patients)
    tables = sheets(clinic)
    tables, faults = plant(tables, seed) if with_faults else (tables, ())
    contents = {sheet.file: sheet.content() for sheet in tables.values()}
    contents[FILES["mapping"]] = mapping_text().encode("utf-8")
    contents[FILES["truth"]] = truth_text(truth(clinic, tables, faults)).encode("utf-8")
    contents[FILES["actions"]] = register_text().encode("utf-8")
    contents["README.md"] = readme_text().encode("utf-8")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            (folder / name).write_bytes(content)
    except OSError:
        raise OutcomesError(
            f"The folder {folder.name} cannot be written to.", "Choose another folder, or free this one."
        ) from None


def clinic_folder() -> Path:
    """Where the invented clinic that comes with outcomes is: beside the package, or in the repository.

    Raises
    ------
    OutcomesError
        If it is in neither place.
    """
    packaged = Path(__file__).resolve().parents[1] / "invented_clinic"
    in_repository = Path(__file__).resolve().parents[3] / "data" / "synthetic"
    for folder in (packaged, in_repository):
        if (folder / FILES["zones"]).is_file():
            return folder
    raise OutcomesError(
        "The invented clinic that comes with outcomes is missing.",
        "Install the package again, or write the clinic anew with outcomes synthesize.",
    )


def clinic_files() -> dict[str, Path]:
    """Return the files of the invented clinic by what they hold: the four tables, ``mapping``, ``truth`` and ``actions``."""
    folder = clinic_folder()
    return {what: folder / name for what, name in FILES.items()}
