"""What a calibration vessel stands for."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from drift.reference.bowls import bowl_spread, bowl_values
from drift.reference.pairs import check_stated_values
from drift.reference.uncertainty import Budget
from drift.reference.vessel import (
    TYPE_A_FACTOR,
    TYPE_A_REASON,
    USUAL_RELATIVE_U,
    vessel_air_pct,
    vessel_budget,
    water_density,
    why_not_a_vessel,
)
from drift.reference.vessel_record import vessel_values
from drift.store.tables import SESSIONS
from tests.sittings import table


def test_vessel_value() -> None:
    """R = 100·w/W (ASTM C231 A1.4, from memory): 0.355 kg in 7.080 kg is 5.01412 % air."""
    assert vessel_air_pct(0.355, bowl_mass=7.080) == pytest.approx(5.01412, abs=5e-6)
    assert TYPE_A_FACTOR * vessel_air_pct(0.355, bowl_mass=7.080) == pytest.approx(
        4.91384, abs=5e-6
    )


def test_canisters_of_a_state_procedure() -> None:
    """Iowa DOT IM 318 (read): 0.0125 ft³ on a ¼ ft³ bowl is 5 %, two 10 %; of 0.249 ft³ 5.02008."""
    values = vessel_air_pct(0.0125, bowl_mass=[0.25, 0.249], fills=1)
    np.testing.assert_allclose(values, [5.0, 5.02008], atol=5e-6)
    assert vessel_air_pct(0.0125, bowl_mass=0.25, fills=2) == pytest.approx(10.0)


def test_water_density_table() -> None:
    """Tanaka et al. (2001) table, from memory: 999.8428 at 0, 998.2067 at 20, 995.6488 at 30 °C."""
    at = [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0]
    table_values = [
        999.8428, 999.9668, 999.7027, 999.1026, 998.2067, 997.0470, 995.6488, 994.0326, 992.2152,
    ]  # fmt: skip
    np.testing.assert_allclose(water_density(at), table_values, atol=2e-4)


def test_water_density_agrees_with_another_formula() -> None:
    """Kell (1975), J. Chem. Eng. Data 20, 97 (coefficients from memory), agrees to 0.01 kg/m³."""
    t = np.linspace(0.5, 40, 80)
    above = (
        999.83952
        + 16.945176 * t
        - 7.9870401e-3 * t**2
        - 46.170461e-6 * t**3
        + 105.56302e-9 * t**4
        - 280.54253e-12 * t**5
    )
    np.testing.assert_allclose(water_density(t), above / (1 + 16.879850e-3 * t), atol=0.01)
    assert np.isnan(water_density([-1.0, 41.0, np.nan])).all()


def test_temperatures_of_the_two_weighings() -> None:
    """Equal temperatures cancel; a bowl 10 °C warmer held more volume than its mass says."""
    plain = vessel_air_pct(355, bowl_mass=7080)
    same = vessel_air_pct(355, bowl_mass=7080, vessel_water_c=25, bowl_water_c=25)
    assert same == pytest.approx(plain, rel=1e-12)
    warm = vessel_air_pct(355, bowl_mass=7080, vessel_water_c=20, bowl_water_c=30)
    assert warm / plain == pytest.approx(995.6488 / 998.2067, abs=1e-6)
    with pytest.raises(ValueError, match="both weighings"):
        vessel_air_pct(355, bowl_mass=7080, vessel_water_c=20)


def test_impossible_masses_give_no_value() -> None:
    """Masses of 0 or below, or unknown, give no air content."""
    values = vessel_air_pct([0, -1, 355, np.nan], bowl_mass=[7080, 7080, 0, 7080])
    assert np.isnan(values).all()


def test_budget_equals_propagation_by_simulation() -> None:
    """The standard uncertainty equals that of 200,000 simulated calibrations (JCGM 101)."""
    rng = np.random.default_rng(1)
    n, w, bowl = 200_000, 355.0, 7080.0
    budget = vessel_budget(vessel_mass=w, bowl_mass=bowl, fills=2, temperature_difference_u=2.0)
    filled = w * (1 + rng.uniform(-0.001, 0.001, n)) + rng.normal(0, 0.0005 * w, (2, n)).mean(
        axis=0
    )
    bowls = bowl * (1 + rng.uniform(-0.001, 0.001, n) + rng.normal(0, 0.0005, n))
    warmth = water_density(20 + rng.normal(0, 2.0, n)) / water_density(20.0)
    simulated = 100 * 2 * filled / bowls * warmth
    assert budget.combined == pytest.approx(simulated.std(), rel=0.01)


def test_one_scale_with_a_wrong_gain_cancels() -> None:
    """The weighing errors of w and W drop out of the ratio where they are one error."""

    def budget(correlation: float) -> Budget:
        return vessel_budget(
            vessel_mass=355,
            bowl_mass=7080,
            scale_correlation=correlation,
            vessel_filling_u=0.0,
            bowl_filling_u=0.0,
            temperature_difference_u=0.0,
        )

    apart, one = budget(0.0), budget(1.0)
    assert apart.combined == pytest.approx(5.01412 * 0.001 / np.sqrt(3) * np.sqrt(2), rel=1e-5)
    assert one.combined == pytest.approx(0, abs=1e-12)


def test_what_cannot_be_a_vessel() -> None:
    """0.5 % and 60 % are mistaken masses or units; 4.914 from these masses is a Type A factor."""
    assert "mistaken" in why_not_a_vessel(0.5)
    assert "mistaken" in why_not_a_vessel(60.0)
    assert "on record" in why_not_a_vessel(None)
    assert why_not_a_vessel(5.01, type_a_air_pct=5.01412) == ""
    assert why_not_a_vessel(4.914, type_a_air_pct=5.01412) == TYPE_A_REASON
    assert "does not follow" in why_not_a_vessel(5.2, type_a_air_pct=5.01412)


def _vessel(name: str, on: date, **values: float) -> dict[str, object]:
    return {"vessel_id": name, "calibrated_on": on, **values}


RECORD = table(
    "vessels",
    [
        _vessel("V1", date(2023, 1, 1), air_pct=5.01, u_air_pct=0.005),
        _vessel("V1", date(2024, 6, 1), air_pct=5.08, u_air_pct=0.005),
        _vessel("V2", date(2023, 1, 1), water_mass_g=340.0, bowl_water_mass_g=7080.0),
        _vessel("V3", date(2023, 1, 1), water_mass_g=35.0, bowl_water_mass_g=7080.0),
        _vessel("V4", date(2023, 1, 1), air_pct=5.0, u_air_pct=0.0),
        _vessel("V5", date(2024, 5, 1), air_pct=5.0, u_air_pct=0.01),
    ],
)


def test_values_on_record() -> None:
    """Masses give R and a budget; an impossible R is unusable; u = 0 is replaced and said."""
    values = {row["vessel_id"]: row for row in vessel_values(RECORD).iter_rows(named=True)}
    assert values["V2"]["air_pct"] == pytest.approx(100 * 340 / 7080)
    budget = vessel_budget(vessel_mass=340, bowl_mass=7080)
    assert values["V2"]["u_air_pct"] == pytest.approx(budget.combined)
    assert not values["V3"]["usable"]
    assert values["V3"]["air_pct"] is None
    assert values["V4"]["u_air_pct"] == pytest.approx(5.0 * USUAL_RELATIVE_U)
    assert "cannot be meant" in values["V4"]["problem"]
    assert values["V1"]["problem"] == ""


def _check(*rows: tuple[str | None, date, float]) -> list[str]:
    sessions = pl.DataFrame(
        [
            {
                "meter_id": "A",
                "visit_id": on.isoformat(),
                "performed_on": on,
                "stage": "as_found",
                "point_pct": float(round(correct)),
                "correct_air_pct": correct,
                "vessel_id": vessel,
            }
            for vessel, on, correct in rows
        ],
        schema=SESSIONS,
    )
    bowls = bowl_values(table("bowls"), table("equipment"))
    spread = bowl_spread(bowls, usual_pct=0.6)
    values = vessel_values(RECORD)
    return check_stated_values(sessions, values, bowls=bowls, spread=spread)["problem"].to_list()


def test_correct_air_is_compared_with_the_vessel_in_force() -> None:
    """One and two fills agree; old values, other vessels, Type A factors and gaps are named."""
    before, after = date(2024, 5, 1), date(2024, 7, 1)
    problems = _check(
        ("V1", before, 5.01),
        ("V1", before, 10.02),
        ("V1", after, 5.08),
        ("V1", after, 5.01),
        ("V1", before, 4.80),
        ("V1", before, 4.91),
        ("V1", before, 5.55),
        ("V9", before, 5.01),
        ("V3", before, 5.01),
        ("V5", date(2024, 4, 1), 5.0),
        ("V1", before, 0.0),
        (None, before, 5.55),
    )
    assert problems[:3] == ["", "", ""]
    assert "old value" in problems[3]
    assert problems[4].endswith("another vessel stands for: V2")
    assert problems[5] == TYPE_A_REASON
    assert "more than the uncertainty" in problems[6]
    assert "not in the vessels table" in problems[7]
    assert "no calibration" in problems[8]
    assert "only after this use" in problems[9]
    assert len(problems) == 10  # the zero point and the unnamed vessel have nothing to compare


def test_rounded_correct_air_agrees_with_its_vessel() -> None:
    """A source that writes every content to tenths may write 5.0 for 5.01, but not for 5.08."""
    problems = _check(("V1", date(2024, 5, 1), 5.0), ("V1", date(2024, 7, 1), 5.0))
    assert problems[0] == ""
    assert "old value" in problems[1]
