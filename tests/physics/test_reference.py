"""Reference conditions: names, the user's own, and the vague words that are refused."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import UsageError
from daq.physics.reference import REFERENCE_CONDITIONS, ReferenceCondition, reference_condition


@pytest.mark.parametrize("name", REFERENCE_CONDITIONS)
def test_names_lead_to_themselves(name: str) -> None:
    condition = reference_condition(name)
    assert condition.name == name
    assert condition.origin
    assert str(condition) == condition.words
    assert reference_condition(condition.words) is condition


@pytest.mark.parametrize(
    ("text", "t_c", "p_kpa"),
    [
        ("20C_100kPa", 20.0, 100.0),
        ("20 °C, 1013.25 hPa", 20.0, 101.325),
        ("20 deg C, 1 atm", 20.0, 101.325),
        ("293.15 K 1 bar", 20.0, 100.0),
        ("68F/101325 Pa", 20.0, 101.325),
        ("-10c and 1000 mbar", -10.0, 100.0),
        ("21.1 C; 101.3 kPa", 21.1, 101.3),
    ],
)
def test_the_users_own(text: str, t_c: float, p_kpa: float) -> None:
    got = reference_condition(text)
    assert (got.t_c, got.p_kpa) == pytest.approx((t_c, p_kpa))


def test_the_users_own_is_known_by_its_numbers() -> None:
    assert reference_condition("68F 1 atm") is REFERENCE_CONDITIONS["20C_101.325kPa"]
    assert reference_condition("20C_100kPa").origin == ""


@pytest.mark.parametrize(
    "word", ["STP", "stp", "NTP", "SATP", "standard", "standard conditions", "Nm3", "sccm", "ISA"]
)
def test_vague_words_are_refused(word: str) -> None:
    with pytest.raises(UsageError) as caught:
        reference_condition(word, place="site.reference")
    text = str(caught.value)
    assert "different temperatures and pressures" in text
    assert "site.reference" in text
    assert "0C_101.325kPa" in text


@pytest.mark.parametrize(
    "text", ["", "20", "20C", "100kPa", "warm", "20X_100kPa", "20C_100psi", "20C_100", "nanC_1atm"]
)
def test_unreadable_text_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="no temperature and pressure"):
        reference_condition(text)


@pytest.mark.parametrize("text", ["200C_100kPa", "0C_1000kPa", "20C_1013 kPa", "0K 1 atm", "20C_14.7kPa"])
def test_conditions_no_one_uses_are_refused(text: str) -> None:
    with pytest.raises(UsageError, match="absolute pressure of 50 to 200 kPa"):
        reference_condition(text)


@given(st.floats(-50.0, 100.0).map(lambda x: round(x, 3)), st.floats(50.0, 200.0).map(lambda x: round(x, 3)))
def test_every_name_reads_back(t_c: float, p_kpa: float) -> None:
    condition = ReferenceCondition(t_c + 0.0, p_kpa)
    again = reference_condition(condition.name)
    assert (again.t_c, again.p_kpa) == (condition.t_c, condition.p_kpa)


@given(st.text(max_size=40))
def test_no_text_escapes_as_a_foreign_error(text: str) -> None:
    try:
        got = reference_condition(text)
    except UsageError:
        return
    assert 20.0 < got.molar_volume_l < 65.0


def test_conditions_are_values() -> None:
    condition = REFERENCE_CONDITIONS["0C_100kPa"]
    assert condition == ReferenceCondition(0.0, 100.0, condition.origin)
    with pytest.raises(dataclasses.FrozenInstanceError):
        condition.t_c = 20.0  # type: ignore[misc]
