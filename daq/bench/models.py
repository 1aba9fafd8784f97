"""What a bench file says, as typed models. Every table of the file is one class here.

The models are frozen: a bench is read once and then handed to every room.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field, PrivateAttr, model_validator

from daq.bench._table import Name, NotNegative, Positive
from daq.bench._table import Table as _Table
from daq.bench.alarm_models import AlarmsSpec, LimitSpec, NotifySpec, check_delays
from daq.bench.broker_spec import BrokerSpec, MqttSpec
from daq.bench.calibration import Calibration
from daq.bench.channel_spec import ChannelSpec, check_cold_junctions
from daq.bench.gas_spec import GasSpec, SiteSpec
from daq.bench.geometry import GeometrySpec
from daq.bench.ranges import GUESS_U, guessed_litres, guessed_steel_kg, ranges_read
from daq.bench.sources import AnySource, check_cutters
from daq.bench.units import KNOWN_CHANNELS, convert, units_like

__all__ = [
    "Bench",
    "BenchAbout",
    "ChannelSpec",
    "FillSpec",
    "GasSpec",
    "InfluxSpec",
    "RecordingSpec",
    "ServiceSpec",
    "SiteSpec",
    "StackSpec",
    "StoreSpec",
    "SupplySpec",
]

THOUGH_OPEN_S = 1.0
"""Current that flows for so long through a relay that says open is no current that is dying away [s]
(judgement)."""


class BenchAbout(_Table):
    """``[bench]``: the physical set-up's name."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    description: str = ""
    day_sd: Annotated[float, Field(gt=0, le=0.5, strict=True)] | None = None
    """By how much gas per watt of one build scatters from run to run, where no repeats tell it: a standard
    deviation as a share, such as 0.02 for 2 %."""
    simulated: bool = False
    """Whether no real stack stands behind it: page and terminal say so, and explain what is seen."""


class StackSpec(_Table):
    """``[stack]``: the electrolyser under test."""

    name: Annotated[str, Field(min_length=1, max_length=80)] = "stack"
    build: Annotated[str, Field(min_length=1, max_length=80)] = "A"
    cells: Annotated[int, Field(ge=1, le=500, strict=True)]
    """Gaps in series between the powered plates."""
    plate_area_cm2: Positive
    """Wetted area of one plate's face [cm2]."""
    electrolyte: Literal["KOH", "NaOH"]
    mass_fraction: Annotated[float, Field(gt=0, lt=0.6, strict=True)]
    """Mass of hydroxide to mass of solution [1]."""
    mass_fraction_u: Annotated[float, Field(gt=0, lt=0.2, strict=True)] = 0.005
    """Its standard uncertainty [1]: hydroxide is sold at 85 to 99 %, and draws water (judgement)."""
    litres: Positive
    """Lye in stack, hoses and reservoir together, filled at room temperature [L]: a number, a range as
    ``[0.6, 1.0]``, or nothing, and it is guessed from the plates."""
    litres_u: Positive | None = None
    """Its standard uncertainty [L]; 2 % where it is not said (judgement)."""
    steel_kg: NotNegative
    """Mass of plates and end plates, which warms with the lye [kg]: a number, a range, or nothing."""
    steel_kg_u: NotNegative | None = None
    """Its standard uncertainty [kg]; as the forecast takes it where it is not said."""
    litres_min: NotNegative = 0.0
    """Below this much lye the plates run dry [L]; 0 where it is not known."""
    geometry: GeometrySpec | None = None
    """Plates and openings, from which the leak is predicted."""

    @model_validator(mode="before")
    @classmethod
    def _read_ranges(cls, raw: Any) -> Any:
        if not isinstance(raw, Mapping):
            return raw
        table = ranges_read(raw, {"litres": "litres_u", "steel_kg": "steel_kg_u"})
        cells, area = table.get("cells"), table.get("plate_area_cm2")
        if isinstance(cells, int) and isinstance(area, int | float) and cells > 0 and 0.0 < area < math.inf:
            guesses = {"litres": guessed_litres, "steel_kg": guessed_steel_kg}
            for name, guess in guesses.items():
                if table.get(name) is None:
                    table[name] = guess(cells, area)
                    table.setdefault(f"{name}_u", GUESS_U * table[name])
        return table

    @model_validator(mode="after")
    def _geometry_fits(self) -> StackSpec:
        misfit = None if self.geometry is None else self.geometry.misfit(self.cells)
        if misfit is not None:
            raise ValueError(misfit)
        return self


class SupplySpec(_Table):
    """``[supply]``: how the stack is fed, and who can cut it."""

    mode: Literal["constant_voltage", "constant_current", "pwm"]
    volts_set: Positive | None = None
    amps_set: Positive | None = None
    volts_max: Positive
    amps_max: Positive
    trip_source: Name
    """The source whose device holds the relay that cuts the supply."""
    second_cut: Name | None = None
    """Another source that cuts it as well: an instrument with ``[sources.NAME.supply]``."""
    powered_above_amps: Positive = 0.3
    """Current above which the stack counts as powered [A]."""
    lead_milliohms: NotNegative = 0.0
    """Resistance between the point where volts are sensed and the stack [mohm]."""
    volts_at: Literal["stack", "supply"] = "stack"
    """With ``pwm``: whether volts are sensed across the stack or before the switch, where they are steady."""
    off_volts: tuple[NotNegative, NotNegative] | None = None
    """With ``pwm``: between what limits the stack's own volts lie while the switch is open [V]."""

    def flows(self, amps: float) -> bool:
        """Whether a current [A] flows, in whichever direction; False for NaN: not known."""
        return abs(amps) > self.powered_above_amps

    def drives(self, amps: ArrayLike) -> NDArray[np.bool_]:
        """Where the supply drives the stack, of mean currents [A]; False for NaN and for reversed current."""
        return np.nan_to_num(amps) > self.powered_above_amps

    @model_validator(mode="after")
    def _chopped_alone(self) -> SupplySpec:
        if self.off_volts is not None and self.off_volts[0] > self.off_volts[1]:
            raise ValueError("off_volts: the lower limit comes first: write off_volts = [low, high]")
        if self.mode != "pwm" and (self.off_volts is not None or self.volts_at == "supply"):
            raise ValueError('off_volts and volts_at are for mode = "pwm" alone: leave them out')
        return self


class InfluxSpec(_Table):
    """``[store.influxdb]``: the server that keeps sealed samples. Its token is in the environment alone."""

    url: Annotated[str, Field(pattern=r"^https?://[^/\s?#@]+(/[^\s?#@]*)?$")]
    """Such as ``http://127.0.0.1:8086``."""
    bucket: Annotated[str, Field(min_length=1)] = "lyewatch"
    """The bucket; a server 1.x calls it a database."""
    org: str = ""
    """The organisation, which servers 2.x ask for."""


class StoreSpec(_Table):
    """``[store]``: where runs are kept."""

    folder: Path = Path("lyewatch-data")
    archive: Literal["segments", "influxdb"] = "segments"
    seal_every_s: Annotated[float, Field(ge=1, le=86400, strict=True)] = 120.0
    influxdb: InfluxSpec | None = None
    spool_rows: Annotated[int, Field(ge=10_000, le=100_000_000, strict=True)] = 2_000_000
    """How many samples may wait here for the server; beyond it they go to segments."""

    @model_validator(mode="after")
    def _server_is_named(self) -> StoreSpec:
        if self.archive == "influxdb" and self.influxdb is None:
            raise ValueError('archive = "influxdb" needs [store.influxdb] with the url of the server')
        return self


class ServiceSpec(_Table):
    """``[service]``: where the pages are served."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535, strict=True)] = 8737
    window_s: Annotated[float, Field(ge=2, le=3600, strict=True)] = 30.0
    """The window over which the live numbers are averaged [s]."""


class FillSpec(_Table):
    """``[fill]``: the vessel whose level switch times fills by itself."""

    volume_ml: Annotated[float, Field(gt=0, le=1e6, strict=True)]
    """Gas between its two marks, as it stands there [mL]."""
    volume_error_ml: Annotated[float, Field(ge=0, le=1e5, strict=True)] | None = None
    """Its limit of error [mL]."""
    seal: Literal["water", "lye", "dry"] | None = None
    """The liquid that the gas pushes out."""
    head_mm: Annotated[float, Field(ge=-2000, le=2000, strict=True)] | None = None
    """How much higher the liquid stands outside than inside at the second mark [mm]."""


class RecordingSpec(_Table):
    """``[recording]``: what the reader does by itself."""

    autostart: bool = True
    """Start a run when the reader starts and none is open."""


class Bench(_Table):
    """One bench file, whole."""

    bench: BenchAbout
    stack: StackSpec
    supply: SupplySpec
    site: SiteSpec
    gas: GasSpec = GasSpec()
    fill: FillSpec | None = None
    sources: Annotated[dict[Name, AnySource], Field(min_length=1)]
    channels: Annotated[dict[Name, ChannelSpec], Field(min_length=1)]
    limits: dict[Name, LimitSpec] = Field(default_factory=dict)
    alarms: AlarmsSpec = AlarmsSpec()
    notify: NotifySpec = NotifySpec()
    store: StoreSpec = StoreSpec()
    service: ServiceSpec = ServiceSpec()
    recording: RecordingSpec = RecordingSpec()
    broker: BrokerSpec | None = None

    _path: Path = PrivateAttr(default=Path("bench.toml"))
    _text: str = PrivateAttr(default="")
    _calibrations: Mapping[str, Calibration] = PrivateAttr(default_factory=dict)

    @property
    def calibrations(self) -> Mapping[str, Calibration]:
        """The calibrations that stand in place of channels' scales, offsets and accuracies, by channel."""
        return self._calibrations

    def named(self, path: Path) -> Bench:
        """The same bench, as read from another file."""
        copy = self.model_copy()
        copy._path = path
        return copy

    def calibrated(self, found: Mapping[str, Calibration]) -> Bench:
        """The same bench with these calibrations and no others.

        One that was made for another field or unit than the channel has now is left out.
        """
        fitting = {n: c for n, c in found.items() if n in self.channels and c.fits(self.channels[n])}
        copy = self.model_copy()
        copy._calibrations = fitting
        return copy

    @property
    def name(self) -> str:
        """The bench's name."""
        return self.bench.name

    @property
    def path(self) -> Path:
        """The file it was read from."""
        return self._path

    @property
    def text(self) -> str:
        """The file's text, kept with each run so that the run can be understood without the file."""
        return self._text

    @property
    def store_folder(self) -> Path:
        """Where runs are kept; a relative folder is taken from the bench file's own."""
        return (self._path.parent / self.store.folder.expanduser()).resolve()

    @property
    def though_open_after_s(self) -> float | None:
        """For how long current may be read after the relay was seen to open [s]: a contactor and its arc need
        a tenth of a second, a reading of another source comes later. None without a relay or a current."""
        amps, relay = self.channels.get("amps"), self.channels.get("relay")
        if amps is None or relay is None:
            return None
        if amps.source == relay.source:
            return THOUGH_OPEN_S
        source = self.sources[amps.source]
        return THOUGH_OPEN_S + 2.0 * source.interval_s(amps.field) + 1e-3 * source.delay_ms

    def _tell_units(self) -> None:
        """Let sources whose messages name units know what their channels take the numbers for."""
        for name, source in self.sources.items():
            if isinstance(source, MqttSpec):
                plain = [c for c in self.channels.values() if c.source == name and c.takes_raw_as_it_is]
                self.sources[name] = source.with_units({c.field: c.unit for c in plain})

    @model_validator(mode="after")
    def _hangs_together(self) -> Bench:
        check_cold_junctions(self.channels)
        self._tell_units()
        if "fill_level" in self.channels and self.fill is None:
            raise ValueError(
                "fill: channels.fill_level times fills, and nothing says the volume between its marks: add "
                "[fill] with volume_ml"
            )
        for name, channel in self.channels.items():
            if channel.source not in self.sources:
                raise ValueError(
                    f"channels.{name}.source: no source is named {channel.source!r}: "
                    f"use one of {', '.join(self.sources)}"
                )
            source, limit = self.sources[channel.source], self.limits.get(name)
            if limit is not None and (limit.trip is not None or limit.low_trip is not None):
                channel.check_guards(name, source)
            channel = self.channels[name] = channel.timed(source)
            known = KNOWN_CHANNELS.get(name)
            if known is None:
                continue
            turned = convert(channel.unit, known.unit)
            if turned is None:
                raise ValueError(
                    f"channels.{name}.unit: {channel.unit!r} is no unit of {known.words}: "
                    f"use one of {', '.join(units_like(known.unit))}"
                )
            if turned != (1.0, 0.0):
                self.channels[name] = channel.kept_as(*turned, known.unit)
        for name in self.limits:
            if name not in self.channels:
                raise ValueError(
                    f"limits.{name}: no channel is named {name!r}: use one of {', '.join(self.channels)}"
                )
        check_delays(self.limits, self.alarms, {n: c.unit for n, c in self.channels.items()})
        check_cutters(self.supply.trip_source, self.supply.second_cut, self.sources)
        if self.supply.mode == "constant_current" and self.supply.amps_set is None:
            raise ValueError(
                "supply.amps_set: a constant_current supply needs it: write the current that is held"
            )
        return self
