"""``kind = "modbus"``: meters on a Modbus line or behind Modbus/TCP, and the registers that are read.

Only reading functions (1 to 4) are used, but for the one number that cuts a supply at a trip
(`ModbusSupply`).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from daq.bench._table import FieldName, Finite, Positive, Table
from daq.bench.source_base import Baud, Framing, PolledSpec

__all__ = ["FUNCTIONS", "REGISTERS_OF", "WRITES", "ModbusRegister", "ModbusSpec", "ModbusSupply"]

FUNCTIONS = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Function codes of the Modbus Application Protocol V1.1b3, sections 6.1 to 6.4."""

WRITES = {"coil": 5, "holding": 6}
"""Function codes that write one of them, sections 6.5 and 6.6."""

REGISTERS_OF = {"u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2, "u64": 4, "i64": 4, "f64": 4, "bit": 1}
"""Registers that a value of each type fills."""


class ModbusRegister(Table):
    """``[[sources.NAME.registers]]``: one number of one unit."""

    field: FieldName
    """`seq` and `ms` are the device's own count and milliseconds."""
    address: Annotated[int, Field(ge=0, le=65535, strict=True)]
    """As on the wire, from 0: a manual's "40108" is holding register 107."""
    unit: Annotated[int, Field(ge=0, le=255, strict=True)] = 1
    """The device's address on the line, 1 to 247."""
    function: Literal["holding", "input", "coil", "discrete"] = "holding"
    type: Literal["u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bit"] = "u16"
    word_order: Literal["high_first", "low_first"] = "high_first"
    """Which register of several holds the high part; within one the high byte is first."""
    bit: Annotated[int, Field(ge=0, le=15, strict=True)] | None = None
    """Which bit of a register, for type "bit"; 0 is the lowest."""
    scale: Finite = 1.0
    no_value: tuple[Annotated[int, Field(strict=True)], ...] = ()
    """Numbers, before scaling, by which the device says that it has none."""
    period_s: Positive | None = None

    @model_validator(mode="after")
    def _type_fits(self) -> ModbusRegister:
        single = self.function in ("coil", "discrete")
        if single != (self.type == "bit" and self.bit is None):
            raise ValueError(
                f'a {self.function} is one bit: write type = "bit" and no bit number'
                if single
                else "a bit of a register needs its number: write bit = 0 to 15, or another type"
            )
        if self.bit is not None and self.type != "bit":
            raise ValueError('bit is only for type = "bit": leave it out')
        if self.address + REGISTERS_OF[self.type] > 65536:
            raise ValueError(
                "the value ends beyond the last address, 65535: give the address of its first register"
            )
        return self

    @field_validator("scale")
    @classmethod
    def _scale_not_zero(cls, value: float) -> float:
        if value == 0:
            raise ValueError("a scale of 0 makes every value the same: give the factor from raw to unit")
        return value


class ModbusSupply(Table):
    """``[sources.NAME.supply]``: what is written at a trip to cut the output, and how that is verified.

    Nothing switches it on again but a hand at its panel.
    """

    write: Literal["coil", "holding"]
    """What is written to: a coil (function 5) or a holding register (function 6)."""
    address: Annotated[int, Field(ge=0, le=65535, strict=True)]
    """As on the wire, from 0."""
    unit: Annotated[int, Field(ge=0, le=255, strict=True)] = 1
    off: Annotated[int, Field(ge=0, le=65535, strict=True)] = 0
    """What is written; of a coil 0 or 1."""
    current: FieldName
    """The field among the source's registers, in amperes by its scale, that is read after it: only a reading
    below `amps_off` verifies the cut."""
    amps_off: Positive = 0.1
    """[A]"""

    @model_validator(mode="after")
    def _a_coil_is_a_bit(self) -> ModbusSupply:
        if self.write == "coil" and self.off > 1:
            raise ValueError("off: a coil holds 0 or 1: write the one that switches the output off")
        return self


class ModbusSpec(PolledSpec):
    """Units on one Modbus line (RTU) or behind one Modbus/TCP address.

    `port` is a serial port, "socket://HOST:PORT" for RTU frames through a socket, or "tcp://HOST:502" for
    Modbus/TCP.
    """

    kind: Literal["modbus"] = "modbus"
    baud: Baud = 9600
    framing: Framing = "8E1"
    """Even parity is what the serial line specification asks for; many devices come with "8N1"."""
    timeout_s: Annotated[float, Field(ge=0.02, le=30, strict=True)] = 0.5
    registers: Annotated[tuple[ModbusRegister, ...], Field(min_length=1)]
    supply: ModbusSupply | None = None

    def interval_s(self, field: str) -> float:
        read = next((register for register in self.registers if register.field == field), None)
        return self.period_s if read is None or read.period_s is None else read.period_s

    def together(self, field: str, other: str) -> bool:
        groups = {(r.unit, r.function, r.period_s) for r in self.registers if r.field in (field, other)}
        return len(groups) == 1  # asked for with one question, or with two that follow each other

    @property
    def tcp(self) -> bool:
        """Whether it is Modbus/TCP."""
        return self.port.lower().startswith("tcp://")

    @model_validator(mode="after")
    def _fields_differ(self) -> ModbusSpec:
        names = [register.field for register in self.registers]
        twice = next((name for name in names if names.count(name) > 1 and name not in ("seq", "ms")), None)
        if twice is not None:
            raise ValueError(f"the field {twice!r} is read twice: give each number a name of its own")
        supply = self.supply
        if supply is not None and supply.current not in names:
            raise ValueError(
                f"supply.current: no register's field is named {supply.current!r}, so that nothing would "
                f"verify the cut: use one of {', '.join(names)}"
            )
        units = [r.unit for r in self.registers] + ([] if supply is None else [supply.unit])
        wrong = next((unit for unit in units if not 1 <= unit <= 247), None)
        if wrong is not None and not self.tcp:
            raise ValueError(f"unit {wrong} is no address of a device on a line: use 1 to 247")
        return self
