"""Supply and stack as a circuit: what flows, and what meters say of it when the supply is chopped."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["CellCurve", "Means", "chopped", "overpotential_at_current", "overpotential_at_voltage"]

_ENOUGH = 1e-12
_MOST_STEPS = 80


@dataclass(frozen=True, slots=True)
class Means:
    """What meters show, averaged over whole periods of the chopper.

    Attributes
    ----------
    volts, amps : float
        Mean voltage [V] and mean current [A].
    watts : float
        True mean power, the mean of v·i [W]; under chopping not `volts` times `amps`.
    amps_on : float
        Current while the switch conducts [A].
    stack_watts : float
        True mean power that reaches the stack's terminals [W]; less than `watts` by what the leads take,
        where the volts are sensed at the supply.
    limited : bool
        Whether the supply holds its current limit and not its volts.
    """

    volts: float
    amps: float
    watts: float
    amps_on: float
    stack_watts: float
    limited: bool


def chopped(
    volts_on: float,
    duty: float,
    back_emf: float,
    ohms: float,
    *,
    lead_ohms: float = 0.0,
    amps_limit: float = math.inf,
    sense: str = "stack",
) -> Means:
    """Means of a rectangular chopper that feeds a load of back-EMF and resistance.

    The load's EMF stands through the off time: an electrode pair's double layer holds it for far longer than
    a period of any usual chopper. A load with no EMF is a resistor.

    Parameters
    ----------
    volts_on : float
        Supply voltage [V].
    duty : float
        Share of the time that the switch conducts [1], 0 to 1; 1 is no chopping.
    back_emf, ohms : float
        EMF [V] and resistance [ohm] of the load.
    lead_ohms : float
        Resistance of the leads [ohm].
    amps_limit : float
        The supply's current limit while the switch conducts [A]; beyond it the supply lowers its volts.
    sense : "stack" or "supply"
        Where the voltmeter is: across the load, which also sees the EMF in the off time, or across the
        supply, ahead of lead and switch.

    Returns
    -------
    Means

    Notes
    -----
    Over the on time i = (V - E) / (r + r_lead), over the rest none, so mean i = D i_on, mean v of the load =
    D v_on + (1 - D) E, and mean v·i = D v_on i_on.
    """
    wanted = (volts_on - back_emf) / (ohms + lead_ohms) if ohms + lead_ohms > 0.0 else math.inf
    amps_on = min(max(wanted, 0.0), amps_limit)
    limited = wanted > amps_limit
    if duty <= 0.0 or amps_on <= 0.0:
        return Means(volts_on if sense == "supply" else back_emf, 0.0, 0.0, 0.0, 0.0, False)
    load_volts = back_emf + amps_on * ohms
    stack_watts = duty * load_volts * amps_on
    if sense == "supply":
        supply_volts = load_volts + amps_on * lead_ohms
        return Means(
            supply_volts, duty * amps_on, duty * supply_volts * amps_on, amps_on, stack_watts, limited
        )
    volts = duty * load_volts + (1.0 - duty) * back_emf
    return Means(volts, duty * amps_on, stack_watts, amps_on, stack_watts, limited)


@dataclass(slots=True)
class CellCurve:
    """One cell at one temperature: Butler and Volmer's law with equal branches, ohms, a leak past the plate.

    ``i_plate = 2 i0 sinh(eta / b)``, with b = RT / (transfer F): at more than some tens of millivolts this is
    Tafel's law of slope 2.303 b, and through zero it is smooth. The EMF is ``reversible + eta``; the leak
    carries ``siemens * EMF`` beside the plate and makes no gas.

    Attributes
    ----------
    reversible : float
        Reversible voltage [V].
    b : float
        [V]
    exchange : float
        i0 [A].
    ohms : float
        Gap and contacts [ohm].
    siemens : float
        The leak [S].
    """

    reversible: float
    b: float
    exchange: float
    ohms: float
    siemens: float

    def plate_amps(self, eta: float) -> float:
        """Current through the plate at an overpotential [A]; an electrode blocked backwards carries none."""
        return 2.0 * self.exchange * math.sinh(eta / self.b) if eta > 0.0 else 0.0

    def slope(self, eta: float) -> float:
        """Its slope [S]."""
        return 2.0 * self.exchange / self.b * math.cosh(eta / self.b) if eta > 0.0 else 0.0

    def amps(self, eta: float) -> float:
        """Current through plate and leak [A]."""
        return self.plate_amps(eta) + self.siemens * (self.reversible + eta)


def overpotential_at_voltage(
    cell: CellCurve, cells: int, volts: float, duty: float, lead_ohms: float, guess: float
) -> float:
    """Overpotential of each cell where a chopped supply feeds cells in series [V].

    Solves ``cells (E + eta) + (cells ohms + lead) i(eta) / duty = volts``: the electrodes see the mean
    current, the ohms the current of the on time. Newton's iteration on a convex, rising function, from above.

    Parameters
    ----------
    cell : CellCurve
    cells : int
        In series, at least 1.
    volts : float
        While the supply conducts [V].
    duty : float
        Share of the time that it conducts [1], above 0 to 1.
    lead_ohms : float
        Resistance of the leads [ohm].
    guess : float
        Where to begin, such as the last solution [V]; 0 for none.
    """
    series = (cells * cell.ohms + lead_ohms) / duty
    if volts <= cells * cell.reversible + series * cell.siemens * cell.reversible:
        return volts / (cells + series * cell.siemens) - cell.reversible
    top = volts / cells - cell.reversible
    if series > 0.0:
        top = min(top, cell.b * math.asinh(volts / series / (2.0 * cell.exchange)))
    eta = min(max(guess, 0.0), top) or top
    for _ in range(_MOST_STEPS):
        excess = cells * (cell.reversible + eta) + series * cell.amps(eta) - volts
        step = excess / (cells + series * (cell.slope(eta) + cell.siemens))
        eta = min(eta - step, top)
        if abs(step) < _ENOUGH:
            break
    return eta


def overpotential_at_current(cell: CellCurve, amps: float, guess: float) -> float:
    """Overpotential at a mean current [V]; negative where the leak alone takes it all.

    Parameters
    ----------
    cell : CellCurve
    amps : float
        Through plate and leak together [A].
    guess : float
        Where to begin, such as the last solution [V]; 0 for none.
    """
    if amps <= cell.siemens * cell.reversible:
        return amps / cell.siemens - cell.reversible if cell.siemens > 0.0 else 0.0
    top = cell.b * math.asinh(amps / (2.0 * cell.exchange))
    eta = min(max(guess, 0.0), top) or top
    for _ in range(_MOST_STEPS):
        step = (cell.amps(eta) - amps) / (cell.slope(eta) + cell.siemens)
        eta = min(eta - step, top)
        if abs(step) < _ENOUGH:
            break
    return eta
