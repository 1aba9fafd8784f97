"""The bench file's registers as questions: neighbours are read together, an answer gives their numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from pymodbus.client.mixin import ModbusClientMixin

from daq.bench.modbus_spec import FUNCTIONS, REGISTERS_OF, ModbusRegister
from daq.errors import FrameError
from daq.sources.modbus_format import Answer

__all__ = ["MAX_BITS", "MAX_REGISTERS", "ReadBlock", "read_blocks"]

MAX_REGISTERS: Final = 125
MAX_BITS: Final = 2000
"""The most that one question may ask for: V1.1b3, sections 6.1 to 6.4."""

_TYPE: Final = ModbusClientMixin.DATATYPE
_TYPES: Final = {
    "u16": _TYPE.UINT16, "i16": _TYPE.INT16, "u32": _TYPE.UINT32, "i32": _TYPE.INT32,
    "u64": _TYPE.UINT64, "i64": _TYPE.INT64, "f32": _TYPE.FLOAT32, "f64": _TYPE.FLOAT64,
    "bit": _TYPE.UINT16,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ReadBlock:
    """Neighbours of one unit and function that are read with one question."""

    unit: int
    function: int
    address: int
    count: int
    period_s: float
    registers: tuple[ModbusRegister, ...]

    @property
    def words(self) -> str:
        """The question, for messages."""
        kind = next(name for name, code in FUNCTIONS.items() if code == self.function)
        last = self.address + self.count - 1
        return f"unit {self.unit} {kind} {self.address}" + (f" to {last}" if self.count > 1 else "")

    @property
    def size(self) -> int:
        """Bytes of data that the answer must have."""
        return (self.count + 7) // 8 if self.function < 3 else 2 * self.count

    def values(self, answer: Answer) -> dict[str, float]:
        """The numbers by field; NaN where the device says that it has none. Raises FrameError."""
        if answer.size != self.size:
            raise FrameError(
                f"{answer.size} bytes were read where {self.size} were asked for",
                place=self.words,
                remedy="compare the registers with the device's manual",
            )
        return {register.field: self._value(register, answer) for register in self.registers}

    def _value(self, register: ModbusRegister, answer: Answer) -> float:
        first = register.address - self.address
        if self.function < 3:
            return float(answer.bits[first])
        words = answer.registers[first : first + REGISTERS_OF[register.type]]
        order = "big" if register.word_order == "high_first" else "little"
        number = ModbusClientMixin.convert_from_registers(words, _TYPES[register.type], order)  # type: ignore[arg-type]
        assert isinstance(number, int | float)
        if register.bit is not None:
            number = int(number) >> register.bit & 1
        if number in register.no_value or not math.isfinite(number):
            return math.nan
        return number * register.scale


def read_blocks(registers: Iterable[ModbusRegister], period_s: float) -> list[ReadBlock]:
    """Questions for all registers: neighbours together, nothing between them read, no value torn."""
    groups: dict[tuple[int, int, float], list[ModbusRegister]] = {}
    for register in registers:
        key = (register.unit, FUNCTIONS[register.function], register.period_s or period_s)
        groups.setdefault(key, []).append(register)
    blocks = []
    for (unit, function, period), members in groups.items():
        most = MAX_BITS if function < 3 else MAX_REGISTERS
        run: list[ModbusRegister] = []
        end = 0
        for register in sorted(members, key=lambda r: r.address):
            after = register.address + REGISTERS_OF[register.type]
            if run and (register.address > end or after - run[0].address > most):
                blocks.append(_block(unit, function, period, run, end))
                run = []
            end = max(end, after) if run else after
            run.append(register)
        blocks.append(_block(unit, function, period, run, end))
    return blocks


def _block(unit: int, function: int, period: float, run: list[ModbusRegister], end: int) -> ReadBlock:
    first = run[0].address
    return ReadBlock(unit, function, first, end - first, period, tuple(run))
