"""The leads between where the volts are sensed and the stack: volts read too high, and power with them.

References
----------
.. [1] IEC 60028:1925, standard resistivity of annealed copper: 1/58 ohm mm2/m at 20 degC, 0.00393 /K.
"""

from __future__ import annotations

from daq.physics._ranges import Num, plain, within

__all__ = ["lead_resistance_ohm", "stack_power_w", "stack_volts"]

_COPPER_20 = 1.0 / 58.0
_COPPER_ALPHA = 0.00393


def _lead(place: str, lead_ohm: Num) -> Num:
    return within(lead_ohm, 0.0, 10.0, place=place, name="lead_ohm", unit="ohm")


@plain
def lead_resistance_ohm(length_m: Num, area_mm2: Num, t_c: Num = 20.0, contact_ohm: Num = 0.0) -> Num:
    """Resistance of a copper lead, go and return together, and its contacts [ohm], [1].

    Parameters
    ----------
    length_m : float or array
        One way, from the sense point to the stack [m], 0 to 100.
    area_mm2 : float or array
        Copper cross-section of one conductor [mm2], 0.01 to 1000.
    t_c : float or array
        Copper temperature [degC], -50 to 150.
    contact_ohm : float or array
        Terminals, fuse and switch together [ohm], 0 to 1.
    """
    place = "lead_resistance_ohm"
    length = within(length_m, 0.0, 100.0, place=place, name="length_m", unit="m")
    area = within(area_mm2, 0.01, 1000.0, place=place, name="area_mm2", unit="mm2")
    t = within(t_c, -50.0, 150.0, place=place, name="t_c", unit="degC")
    contact = within(contact_ohm, 0.0, 1.0, place=place, name="contact_ohm", unit="ohm")
    return 2.0 * length / area * _COPPER_20 * (1.0 + _COPPER_ALPHA * (t - 20.0)) + contact


@plain
def stack_volts(sensed_volts: Num, amps_mean: Num, lead_ohm: Num) -> Num:
    """Mean volts at the stack [V]: ``V - I R``; right for means under PWM too, the law being linear.

    Parameters
    ----------
    sensed_volts, amps_mean : float or array
        Mean volts at the sense point [V] and mean current [A].
    lead_ohm : float or array
        [ohm], 0 to 10.
    """
    return sensed_volts - amps_mean * _lead("stack_volts", lead_ohm)


@plain
def stack_power_w(sensed_w: Num, amps_rms: Num, lead_ohm: Num) -> Num:
    """True mean power into the stack [W]: ``P - I_rms^2 R``. Under PWM the *RMS* current heats the leads.

    Parameters
    ----------
    sensed_w : float or array
        True mean power at the sense point [W].
    amps_rms : float or array
        RMS current [A], 0 and above; on smooth direct current the mean.
    lead_ohm : float or array
        [ohm], 0 to 10.
    """
    rms = within(amps_rms, 0.0, 1e5, place="stack_power_w", name="amps_rms", unit="A")
    return sensed_w - rms * rms * _lead("stack_power_w", lead_ohm)
