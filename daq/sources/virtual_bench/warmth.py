"""Where the virtual bench's heat is: stack, reservoir and bubbler, each a lump with an exact step."""

from __future__ import annotations

import math

from daq.sources.virtual_bench.parameters import ThermalParameters

__all__ = ["Warmth", "relax"]


def relax(
    t_c: float, room_c: float, loss_w_per_k: float, heat_w: float, capacity_j_k: float, dt_s: float
) -> tuple[float, float]:
    """Exact step of ``C dT/dt = heat - loss (T - room)`` with everything but T held.

    Parameters
    ----------
    t_c, room_c : float
        Temperature of the lump, and of what it loses heat to [degC].
    loss_w_per_k : float
        Above 0 [W/K].
    heat_w : float
        What goes into it [W].
    capacity_j_k : float
        Its heat capacity, above 0 [J/K].
    dt_s : float
        Length of the step [s].

    Returns
    -------
    tuple of float
        The new temperature [degC], and the heat lost to the room meanwhile, as a mean [W].
    """
    settled = room_c + heat_w / loss_w_per_k
    after = t_c + (settled - t_c) * -math.expm1(-loss_w_per_k / capacity_j_k * dt_s)
    return after, heat_w - capacity_j_k * (after - t_c) / dt_s


class Warmth:
    """Temperatures of the lumps.

    Parameters
    ----------
    thermal : ThermalParameters
    start_c : float
        Of stack and reservoir [degC].
    room_c : float
        Of the bubbler at the start [degC].

    Attributes
    ----------
    lye_c, reservoir_c, bubbler_c : float
        [degC]; with no reservoir of its own the first two are one.
    """

    __slots__ = ("_thermal", "bubbler_c", "lye_c", "reservoir_c")

    def __init__(self, thermal: ThermalParameters, start_c: float, room_c: float) -> None:
        self._thermal = thermal
        self.lye_c = self.reservoir_c = start_c
        self.bubbler_c = room_c

    def step(
        self,
        *,
        stack_w: float,
        reservoir_w: float,
        bubbler_w: float,
        stack_j_k: float,
        reservoir_j_k: float,
        loss_w_per_k: float,
        room_c: float,
        dt_s: float,
    ) -> float:
        """Advance all lumps by `dt_s` [s]; returns the mean loss of stack and reservoir to the room [W].

        The lumps are advanced one after another. Each step is exact by itself and keeps its heat, so that no
        step is too long to be stable; the splitting is of first order in `dt_s`.

        Parameters
        ----------
        stack_w, reservoir_w, bubbler_w : float
            Heat into each [W]; what the vapour takes is negative and the reservoir's.
        stack_j_k, reservoir_j_k : float
            Heat capacities [J/K]; a `reservoir_j_k` of 0 makes one lump of both.
        loss_w_per_k : float
            Of stack and reservoir together [W/K].
        room_c : float
            [degC]
        dt_s : float
            Length of the step [s].
        """
        thermal = self._thermal
        self.bubbler_c, _ = relax(
            self.bubbler_c, room_c, thermal.bubbler_w_per_k, bubbler_w, thermal.bubbler_j_per_k, dt_s
        )
        if reservoir_j_k <= 0.0:
            heat = stack_w + reservoir_w
            self.lye_c, loss = relax(self.lye_c, room_c, loss_w_per_k, heat, stack_j_k, dt_s)
            self.reservoir_c = self.lye_c
            return loss
        outside = thermal.reservoir_loss_share * loss_w_per_k
        inside = max(loss_w_per_k - outside, 1e-9)
        self.lye_c, loss = relax(self.lye_c, room_c, inside, stack_w, stack_j_k, dt_s)
        self.reservoir_c, more = relax(
            self.reservoir_c, room_c, max(outside, 1e-9), reservoir_w, reservoir_j_k, dt_s
        )
        # The lye that the gas lifts round: the difference fades, the heat of both together stays.
        both = 1.0 / stack_j_k + 1.0 / reservoir_j_k
        moved = (
            (self.lye_c - self.reservoir_c) * -math.expm1(-thermal.circulation_w_per_k * both * dt_s) / both
        )
        self.lye_c -= moved / stack_j_k
        self.reservoir_c += moved / reservoir_j_k
        return loss + more
