"""A reading that stands still, told from one whose last digit is coarse."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.forecast.preprocess import Preprocessor

FloatArray = NDArray[np.float64]


def stuck_at(lye: FloatArray, tick_s: float) -> list[float]:
    """When bins of 20 s were held to be stuck."""
    preprocessor = Preprocessor(20.0)
    found = []
    for i, value in enumerate(lye.tolist()):
        made = preprocessor.add(i * tick_s, 10.0, 130.0, value, None, None)
        if made is not None and made.stuck:
            found.append(made.t_s)
    return found


def read(true: FloatArray, noise: float, digit: float, seed: int) -> FloatArray:
    """What a sensor with this noise and last digit says."""
    rng = np.random.default_rng(seed)
    return np.round((true + noise * rng.standard_normal(len(true))) / digit) * digit


@pytest.mark.parametrize("tick_s", [1.0, 2.0, 5.0])
def test_a_reading_that_used_to_change_is_stuck_after_as_many_ticks_at_any_pace(tick_s: float) -> None:
    """A share of 0.84 of ticks with another value: 12 ticks alike come by chance less often than 1e-9."""
    rise: FloatArray = np.linspace(30.0, 30.0 + tick_s * 999.0 / 600.0, 1000)
    lye = read(rise, 0.05, 0.01, 1)
    lye[600:] = lye[600]
    found = stuck_at(lye, tick_s)
    assert 600.0 * tick_s + 10.0 * tick_s <= found[0] <= 600.0 * tick_s + 20.0 * tick_s + 20.0


@pytest.mark.parametrize("tick_s", [2.0, 5.0])
@pytest.mark.parametrize("noise", [0.003, 0.01, 0.03, 0.06])
def test_a_digit_that_settles_is_not_stuck(tick_s: float, noise: float) -> None:
    """A rise of 40 K that ends, by a DS18B20's sixteenth of a degree: in the end no digit changes at all."""
    t = np.arange(0.0, 7200.0, tick_s)
    for seed in range(4):
        true = 20.0 + (40.0 + 0.02 * seed) * -np.expm1(-t / 1200.0)
        assert stuck_at(read(true, noise, 0.0625, seed), tick_s) == [], seed


def test_a_reading_that_never_changed_is_stuck_some_minutes_after_it_should_have() -> None:
    preprocessor = Preprocessor(20.0)
    found = []
    for t in np.arange(0.0, 2000.0, 5.0).tolist():
        made = preprocessor.add(t, 0.0 if t < 1000.0 else 10.0, 0.0, 30.0, None, None)
        if made is not None and made.stuck:
            found.append(made.t_s)
    assert 1200.0 < found[0] < 1300.0


@pytest.mark.parametrize(
    ("noise", "digit", "sd"), [(0.01, 0.5, 0.5 / 12**0.5), (0.05, 0.01, 0.05 / 2.0), (0.3, 0.5, 0.166)]
)
def test_a_digit_too_coarse_for_the_noise_does_not_average_away(
    noise: float, digit: float, sd: float
) -> None:
    """Quantisation of a steady input is a constant error, evenly spread over the digit: its standard
    deviation is digit / sqrt(12) (GUM, F.2.2.1), and dither makes it white (B. Widrow, I. Kollar,
    Quantization Noise, 2008). Four readings a bin.
    """
    preprocessor = Preprocessor(20.0)
    made = [
        preprocessor.add(5.0 * i, 10.0, 130.0, v, None, None)
        for i, v in enumerate(read(np.linspace(30.0, 45.0, 2000), noise, digit, 2).tolist())
    ]
    last = [b.lye_var for b in made if b is not None][-50:]
    assert np.sqrt(np.mean(last)) == pytest.approx(sd, rel=0.3)
