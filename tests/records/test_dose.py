"""The dose arithmetic against worked values from outside, and what is missing stays missing.

Worked values: recomputed in R 4.2.2 from the definitions of fluence and irradiance (Niemz MH, Laser-Tissue
Interactions, 3rd ed., Springer 2007) and of coverage by independent random placements (Johnson NL, Kotz S, Urn
Models and Their Application, Wiley 1977). Inputs from memory; the arithmetic is exact.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from outcomes.records import dose


def test_fluence_and_spot_area() -> None:
    # R: a <- pi*(diameter_mm/20)^2; energy_mJ/1000/a
    energy_mj = np.array([50.0, 100.0, 7.0, 250.0])
    spot_um = np.array([1000.0, 2000.0, 120.0, 3000.0])
    area = [0.00785398163397448, 0.0314159265358979, 0.000113097335529233, 0.0706858347057703]
    fluence = [6.36619772367581, 3.18309886183791, 61.8935889801815, 3.53677651315323]
    assert_allclose(dose.spot_area_cm2(spot_um), area, rtol=1e-9)
    assert_allclose(dose.fluence_j_cm2(energy_mj, spot_um), fluence, rtol=1e-9)


def test_pulse_rate_is_the_inverse_of_energy_from_mean_power() -> None:
    # R: 1000*duty_power_W/rate_hz gives 80, 80, 60 mJ at 50, 100, 200 pulses a second.
    rate = dose.pulse_rate_hz(np.array([4.0, 8.0, 12.0]), np.array([80.0, 80.0, 60.0]))
    assert_allclose(rate, [50.0, 100.0, 200.0], rtol=1e-9)


@pytest.mark.parametrize(
    ("density_pct", "expected"),
    [
        # R: outer(c, p, function(a, b) 1 - (1 - a)^b), passes 1, 2, 3, 5
        (5.0, [0.05, 0.0975, 0.142625, 0.2262190625]),
        (10.0, [0.1, 0.19, 0.271, 0.40951]),
        (20.0, [0.2, 0.36, 0.488, 0.67232]),
        (30.0, [0.3, 0.51, 0.657, 0.83193]),
    ],
)
def test_coverage_after_independent_passes(density_pct: float, expected: list[float]) -> None:
    passes = np.array([1.0, 2.0, 3.0, 5.0])
    covered = dose.coverage_pct(density_pct + 0.0 * passes, passes)
    assert_allclose(covered / 100.0, expected, rtol=1e-10, atol=1e-12)


def test_coverage_bound_is_mean_hits_until_the_skin_is_full() -> None:
    # R: outer(c, p): mean hits 0.3, 0.6, 0.9, 1.5 for c = 0.3; a share cannot pass 1.
    passes = np.array([1.0, 2.0, 3.0, 5.0])
    bound = dose.coverage_without_overlap_pct(30.0 + 0.0 * passes, passes)
    assert_allclose(bound, [30.0, 60.0, 90.0, 100.0], rtol=1e-10)


def test_density_of_a_square_grid_and_back_to_zones_per_cm2() -> None:
    # R: 100*pi*(spot_um/2)^2/pitch_um^2 and (1e4/pitch_um)^2
    spot_um, pitch_um = np.array([120.0, 150.0, 300.0]), np.array([400.0, 500.0, 600.0])
    density = dose.grid_density_pct(spot_um, pitch_um)
    assert_allclose(density, [7.06858347057704, 7.06858347057704, 19.6349540849362], rtol=1e-9)
    assert_allclose(dose.zones_per_cm2(density, spot_um), [625.0, 400.0, 277.777777777778], rtol=1e-9)


def test_energy_per_cm2_adds_up_pulses() -> None:
    # By hand: 625 spots a cm² × 7 mJ × 2 passes × 3 stacked pulses = 26.25 J/cm², whatever the spot.
    density = dose.grid_density_pct(120.0, 400.0)
    fluence = dose.fluence_j_cm2(7.0, 120.0)
    assert dose.energy_j_per_cm2(density, fluence, 2.0, 3.0) == pytest.approx(26.25, rel=1e-12)


def test_spot_class_edges() -> None:
    widths = pd.Series([80.0, 249.9, 250.0, 600.0, 600.1, 2000.0, None], dtype="Float64")
    classes = dose.spot_classes(widths)
    assert classes.tolist()[:6] == ["narrow", "narrow", "medium", "medium", "wide", "wide"]
    assert pd.isna(classes.iloc[6])
    assert list(classes.cat.categories) == ["narrow", "medium", "wide"]


def test_add_dose_leaves_missing_what_a_missing_setting_decides() -> None:
    zones = pd.DataFrame(
        {
            "pulse_energy_mj": pd.array([7.0, 50.0, 20.0], dtype="Float64"),
            "density_pct": pd.array([10.0, 50.0, 20.0], dtype="Float64"),
            "passes": pd.array([2, 1, 1], dtype="Int64"),
            "spot_um": pd.array([120.0, 1000.0, None], dtype="Float64"),
            "power_w": pd.array([None, 10.0, 4.0], dtype="Float64"),
            "stacks": pd.array([1, None, 1], dtype="Int64"),
        },
        index=[7, 3, 5],
    )
    done = dose.add_dose(zones)
    assert done.index.tolist() == [7, 3, 5]
    assert done["fluence_j_cm2"].round(4).tolist()[:2] == [61.8936, 6.3662]
    assert done["coverage_pct"].round(6).tolist() == [19.0, 50.0, 20.0]
    assert done["pulse_rate_hz"].isna().tolist() == [True, False, False]
    assert done["pulse_rate_hz"].tolist()[1:] == [200.0, 200.0]
    # 10 % · 61.8936 J/cm² · 2 passes · 1 stack; no stacks recorded and no spot recorded say nothing.
    assert done["energy_j_per_cm2"].isna().tolist() == [False, True, True]
    assert done["energy_j_per_cm2"].iloc[0] == pytest.approx(12.37871779603, rel=1e-9)
    assert done["spot_class"].isna().tolist() == [False, False, True]
    for column in ("fluence_j_cm2", "coverage_pct", "pulse_rate_hz", "zones_per_cm2", "energy_j_per_cm2"):
        assert str(done[column].dtype) == "Float64"
