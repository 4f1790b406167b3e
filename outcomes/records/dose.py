"""What dose did the settings deliver? Settings → physical dose, each formula in its docstring.

Functions take numbers, arrays or Series and return the same; a missing part makes the answer missing.
The arithmetic is textbook (Niemz MH, Laser-Tissue Interactions, 3rd ed., Springer 2007, definitions of
fluence and irradiance); a spot is taken as a filled circle with even fluence.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.records.vocabulary import SPOT_CLASSES

Quantity = TypeVar("Quantity", float, NDArray[np.float64], pd.Series)

DOSE_COLUMNS: tuple[str, ...] = (
    "spot_class",
    "fluence_j_cm2",
    "coverage_pct",
    "pulse_rate_hz",
    "zones_per_cm2",
    "energy_j_per_cm2",
)


def spot_area_cm2(spot_um: Quantity) -> Quantity:
    """How large is a spot? Area in cm² of a circle ``spot_um`` µm wide: π (d/2)², d in cm.

    Examples
    --------
    >>> round(spot_area_cm2(1000.0), 6)
    0.007854
    """
    return np.pi * (spot_um * 1e-4 / 2.0) ** 2


def fluence_j_cm2(pulse_energy_mj: Quantity, spot_um: Quantity) -> Quantity:
    """How much energy does a pulse put on each cm² of its spot? Fluence = energy (J) / spot area, in J/cm².

    Examples
    --------
    >>> round(fluence_j_cm2(7.0, 120.0), 2)
    61.89
    """
    return pulse_energy_mj / 1000.0 / spot_area_cm2(spot_um)


def pulse_rate_hz(power_w: Quantity, pulse_energy_mj: Quantity) -> Quantity:
    """How many pulses a second? Pulse rate = average power (W) / pulse energy (J), in Hz.

    Examples
    --------
    >>> pulse_rate_hz(12.0, 60.0)
    200.0
    """
    return power_w * 1000.0 / pulse_energy_mj


def coverage_pct(density_pct: Quantity, passes: Quantity) -> Quantity:
    """How much skin is hit at least once after all passes? 100 · (1 − (1 − c)^p), in %.

    `density_pct` is the share c of the skin covered in one pass; the p passes land independently of one
    another, as in coverage by independent random placements (Johnson NL, Kotz S, Urn Models and Their
    Application, Wiley 1977).

    Examples
    --------
    >>> round(coverage_pct(20.0, 2.0), 6)
    36.0
    """
    untouched: Quantity = (1.0 - density_pct / 100.0) ** passes
    return 100.0 * (1.0 - untouched)


def coverage_without_overlap_pct(density_pct: Quantity, passes: Quantity) -> Quantity:
    """How much skin could be hit at most? The no-overlap bound 100 · min(1, p·c), in %.

    Examples
    --------
    >>> coverage_without_overlap_pct(20.0, 2.0), coverage_without_overlap_pct(60.0, 2.0)
    (40.0, 100.0)
    """
    share = density_pct * passes
    return share - (share - 100.0) * (share > 100.0)


def zones_per_cm2(density_pct: Quantity, spot_um: Quantity) -> Quantity:
    """How many microscopic treatment zones on each cm² after one pass? c / spot area, per cm².

    Examples
    --------
    >>> round(zones_per_cm2(7.06858347057704, 120.0), 6)
    625.0
    """
    return density_pct / 100.0 / spot_area_cm2(spot_um)


def grid_density_pct(spot_um: Quantity, pitch_um: Quantity) -> Quantity:
    """Which density does a square grid give? 100 · π (d/2)² / pitch², in %, spots not overlapping.

    Examples
    --------
    >>> round(grid_density_pct(120.0, 400.0), 4)
    7.0686
    """
    return 100.0 * np.pi * (spot_um / 2.0) ** 2 / pitch_um**2


def energy_j_per_cm2(density_pct: Quantity, fluence: Quantity, passes: Quantity, stacks: Quantity) -> Quantity:
    """How much energy did each cm² of treated skin receive? c · fluence · passes · stacks, in J/cm².

    Stacked pulses fall on the same spots: they add energy and no coverage.

    Examples
    --------
    >>> energy_j_per_cm2(10.0, 60.0, 2.0, 1.0)
    12.0
    """
    return density_pct / 100.0 * fluence * passes * stacks


def spot_classes(spot_um: pd.Series) -> pd.Series:
    """Which spot class is each beam width: narrow < 250 µm, medium, wide > 600 µm; missing stays missing.

    Examples
    --------
    >>> list(spot_classes(pd.Series([120.0, 250.0, 600.0, 1000.0], dtype="Float64")))
    ['narrow', 'medium', 'medium', 'wide']
    """
    names = [name for name, _, _ in SPOT_CLASSES]
    edges = [start for _, start, _ in SPOT_CLASSES] + [SPOT_CLASSES[-1][2]]
    width = spot_um.astype("Float64").to_numpy(dtype="float64", na_value=np.nan)
    codes = np.where(np.isnan(width), -1, np.searchsorted(edges, width, side="right") - 1)
    classes = pd.Categorical.from_codes(codes.astype("int8"), categories=pd.Index(names), ordered=True)
    return pd.Series(classes, index=spot_um.index, name="spot_class")


def add_dose(zones: pd.DataFrame) -> pd.DataFrame:
    """Zones with their derived dose.

    Parameters
    ----------
    zones : DataFrame
        With ``pulse_energy_mj, density_pct, passes, spot_um, power_w, stacks``. A layered zone carries the
        settings of layer 1, so its dose is that of layer 1.

    Returns
    -------
    DataFrame
        The same rows with `DOSE_COLUMNS` added. Each is missing where a setting it needs is missing:
        nothing is taken for granted, not even a single stack.
    """
    energy = zones["pulse_energy_mj"].astype("Float64")
    density = zones["density_pct"].astype("Float64")
    passes = zones["passes"].astype("Float64")
    stacks = zones["stacks"].astype("Float64")
    spot = zones["spot_um"].astype("Float64")
    fluence = fluence_j_cm2(energy, spot)
    return zones.assign(
        spot_class=spot_classes(spot),
        fluence_j_cm2=fluence,
        coverage_pct=coverage_pct(density, passes),
        pulse_rate_hz=pulse_rate_hz(zones["power_w"].astype("Float64"), energy),
        zones_per_cm2=zones_per_cm2(density, spot),
        energy_j_per_cm2=energy_j_per_cm2(density, fluence, passes, stacks),
    )
