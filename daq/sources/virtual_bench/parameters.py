"""What a virtual bench is made of: plain frozen dataclasses, one for each table of a scenario file.

Defaults are the six-gap dry cell of a jewellery workshop's water torch. None of them is a published value:
they are of the size that such benches have (common practice, no published source), and are there to be
changed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field

__all__ = [
    "BenchParameters",
    "SensorParameters",
    "SiteParameters",
    "StackParameters",
    "SupplyParameters",
    "ThermalParameters",
]

_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
_Finite = Annotated[float, Field(allow_inf_nan=False)]

# Read by pydantic when a scenario file is loaded; a plain construction in code is not validated by it.
_STRICT = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True)
class StackParameters:
    """``[stack]``: plates, lye and electrodes.

    Attributes
    ----------
    cells : int
        Gaps in series between the powered plates.
    plate_area_cm2 : float
        Wetted area of one plate's face [cm2].
    gap_mm : float
        Distance between neighbouring plates [mm].
    electrolyte : "KOH" or "NaOH"
    mass_fraction : float
        Mass of hydroxide to mass of solution at the start [1].
    litres : float
        Lye in stack, hoses and reservoir together at the start, at 25 degC [L].
    litres_min : float
        Below this much lye the plates' tops stand dry, and the wetted area shrinks with the lye [L].
    steel_kg : float
        Mass of plates and end plates [kg].
    contact_mohm : float
        Plates, bolts and lugs: a resistance for each cell that no temperature changes [mohm].
    exchange_ma_cm2 : float
        Exchange current density of both electrodes, lumped, at 25 degC [mA/cm2].
    transfer : float
        Transfer coefficient of both electrodes, lumped [1]: the Tafel slope is ``2.303 R T / (transfer F)``.
    activation_kj_mol : float
        Activation energy of the exchange current [kJ/mol].
    void_max : float
        Share of the gap that bubbles fill at high current density [1].
    void_half_ma_cm2 : float
        Current density at which half of `void_max` is reached [mA/cm2].
    kappa_25_s_cm : float or None
        Conductivity of the lye at 25 degC [S/cm]; None takes KOH's from its concentration. NaOH needs it.
    kappa_per_k : float
        Its relative rise with temperature [1/K], where `kappa_25_s_cm` is given.
    leak_siemens : float
        Conductance of the paths through ports and slots around a plate, for each cell, at 25 degC and the
        lye of the start [S]; it follows the lye's conductivity.
    double_layer_f : float
        Charge that an electrode pair holds when the supply opens [F]; it leaks away by the same paths.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    cells: Annotated[int, Field(ge=1, le=500)] = 6
    plate_area_cm2: _Positive = 150.0
    gap_mm: _Positive = 3.0
    electrolyte: Literal["KOH", "NaOH"] = "KOH"
    mass_fraction: Annotated[float, Field(gt=0, le=0.45)] = 0.20
    litres: _Positive = 1.1
    litres_min: _NotNegative = 0.7
    steel_kg: _NotNegative = 2.0
    contact_mohm: _NotNegative = 2.0
    exchange_ma_cm2: _Positive = 1.3e-3
    transfer: _Positive = 0.36
    activation_kj_mol: _NotNegative = 50.0
    void_max: Annotated[float, Field(ge=0, lt=0.95)] = 0.35
    void_half_ma_cm2: _Positive = 60.0
    kappa_25_s_cm: _Positive | None = None
    kappa_per_k: _NotNegative = 0.02
    leak_siemens: _NotNegative = 0.5
    double_layer_f: _Positive = 4.0


@dataclass(frozen=True, slots=True)
class SupplyParameters:
    """``[supply]``: a supply holds its volts until its amps limit is reached, and then its amps.

    Attributes
    ----------
    volts : float
        Voltage setting, or voltage limit of a current-held supply [V].
    amps : float
        Current limit, or current setting [A]; while the switch conducts, where the supply is chopped.
    duty : float
        Share of the time that the switch conducts [1]; 1 is no chopping.
    lead_mohm : float
        Resistance of the leads, both ways, outside the point of measurement [mohm].
    sense : "stack" or "supply"
        Where the volts are measured: at the stack's terminals, or at the supply's, ahead of lead and switch.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    volts: _NotNegative = 13.2
    amps: _NotNegative = 30.0
    duty: Annotated[float, Field(ge=0, le=1)] = 1.0
    lead_mohm: _NotNegative = 0.0
    sense: Literal["stack", "supply"] = "stack"


@dataclass(frozen=True, slots=True)
class ThermalParameters:
    """``[thermal]``: where the heat goes.

    Attributes
    ----------
    start_c : float or None
        Temperature of lye and steel at the start [degC]; None is the room's.
    loss_w_per_k : float
        Heat lost to the room, fan running [W/K].
    loss_no_fan_w_per_k : float
        The same with the fan stopped [W/K].
    reservoir_share : float
        Share of the lye that stands in the reservoir as a node of its own [1]; 0 is one node for all.
    circulation_w_per_k : float
        Heat carried between stack and reservoir by the lye that the gas lifts round [W/K].
    reservoir_loss_share : float
        Share of the loss that leaves by the reservoir [1], where there is one.
    bubbler_w_per_k, bubbler_j_per_k : float
        The bubbler's loss to the room [W/K] and its heat capacity [J/K]; condensing steam warms it.
    bubbler_kpa : float
        Head of water and hose that the gas must push through [kPa].
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    start_c: Annotated[float, Field(ge=1, le=95)] | None = None
    loss_w_per_k: _Positive = 2.2
    loss_no_fan_w_per_k: _Positive = 1.0
    reservoir_share: Annotated[float, Field(ge=0, lt=1)] = 0.0
    circulation_w_per_k: _Positive = 40.0
    reservoir_loss_share: Annotated[float, Field(ge=0, le=1)] = 0.4
    bubbler_w_per_k: _Positive = 3.0
    bubbler_j_per_k: _Positive = 1500.0
    bubbler_kpa: _NotNegative = 1.0


@dataclass(frozen=True, slots=True)
class SiteParameters:
    """``[site]``: the room.

    Attributes
    ----------
    room_c : float
        Mean temperature of the room [degC].
    room_wave_k, room_wave_s : float
        Amplitude [K] and period [s] of its waving; heating that switches on and off.
    pressure_kpa : float
        Air pressure [kPa], as a barometer shows it, not reduced to the sea.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    room_c: Annotated[float, Field(ge=1, le=50)] = 21.0
    room_wave_k: Annotated[float, Field(ge=0, le=15)] = 0.0
    room_wave_s: _Positive = 3600.0
    pressure_kpa: Annotated[float, Field(ge=50, le=110)] = 98.5


@dataclass(frozen=True, slots=True)
class SensorParameters:
    """``[sensors]``: what stands between the truth and what is sent.

    Attributes
    ----------
    well_s : float
        Time constant of the thermistor in its well [s].
    flow_s : float
        Time constant of the flow meter with the gas space before it [s].
    meter_factor : float
        True flow to meter reading [1].
    noise : dict of str to float
        Standard deviation of white noise by field, in the field's unit, replacing the default.
    gain, offset : dict of str to float
        Systematic error by field: sent = true * gain + offset [1] and in the field's unit.
    amps_max : float
        Range of the current meter [A]; above it the reading stands still.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    well_s: _NotNegative = 6.0
    flow_s: _NotNegative = 2.5
    meter_factor: _Positive = 1.0
    noise: dict[str, _NotNegative] = field(default_factory=dict)
    gain: dict[str, _Finite] = field(default_factory=dict)
    offset: dict[str, _Finite] = field(default_factory=dict)
    amps_max: _Positive = 60.0


@dataclass(frozen=True, slots=True)
class BenchParameters:
    """All of a bench."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    stack: StackParameters = StackParameters()
    supply: SupplyParameters = SupplyParameters()
    thermal: ThermalParameters = ThermalParameters()
    site: SiteParameters = SiteParameters()
    sensors: SensorParameters = field(default_factory=SensorParameters)
