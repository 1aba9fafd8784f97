"""Stand-ins for daq.physics while that room is being built; they go when it stands."""

from __future__ import annotations

import math

R, F = 8.31446261815324, 96485.33212331001


def psat_kpa(t_c: float) -> float:
    t = t_c + 273.15
    return 100.0 * 10.0 ** (35.4462 - 3343.93 / t - 10.9 * math.log10(t) + 0.0041645 * t)


def vapour_kpa(t_c: float, w: float, electrolyte: str) -> float:
    m = 1000.0 * w / (1.0 - w) / (56.1056 if electrolyte == "KOH" else 39.9971)
    if electrolyte == "KOH":
        a = -0.01508 * m - 0.0016788 * m * m + 2.25887e-5 * m**3
        b = 1.0 - 0.0012062 * m + 5.6024e-4 * m * m - 7.8228e-6 * m**3
    else:
        a = -0.010986 * m - 1.461e-3 * m * m + 2.03528e-5 * m**3
        b = 1.0 - 1.34141e-3 * m + 7.07241e-4 * m * m - 9.5362e-6 * m**3
    return 100.0 * 10.0 ** (a + b * math.log10(psat_kpa(t_c) / 100.0))


def density_kg_m3(t_c: float, w: float, electrolyte: str) -> float:
    water = 1001.53053 - 0.08343 * t_c - 0.00401 * t_c * t_c + 5.51232e-6 * t_c**3 - 8.20994e-10 * t_c**4
    return water * math.exp((0.86 if electrolyte == "KOH" else 1.0) * w)


def conductivity_s_cm(t_c: float, w: float, electrolyte: str) -> float:
    if electrolyte != "KOH":
        return 0.01 * (-45.7 + 1.02 * t_c + 3200.0 * w**3 - 2990.0 * w * w + 784.0 * w)
    t = t_c + 273.15
    m = w * density_kg_m3(t_c, w, electrolyte) / 56.1056
    return (
        -2.041 * m - 0.0028 * m * m + 0.005332 * m * t + 207.2 * m / t + 0.001043 * m**3 - 3e-7 * m * m * t * t
    )


def heat_capacity_j_kg_k(t_c: float, w: float, electrolyte: str) -> float:
    return 4186.0 * (1.0 - 1.05 * w + 0.6 * w * w)


def latent_j_kg(t_c: float) -> float:
    return 2.501e6 - 2380.0 * t_c


def v_rev(t_c: float, w: float, electrolyte: str, p_kpa: float) -> float:
    t = t_c + 273.15
    base = 1.5184 - 1.5421e-3 * t + 9.523e-5 * t * math.log(t) + 9.84e-8 * t * t
    p_w = vapour_kpa(t_c, w, electrolyte)
    act = p_w / psat_kpa(t_c)
    return base + R * t / (2.0 * F) * math.log(max((p_kpa - p_w) / 100.0, 1e-3) ** 1.5 / act)


def v_tn(t_c: float) -> float:
    return 1.4850 - 1.490e-4 * t_c - 9.84e-8 * t_c * t_c
