"""Cutting a supply over Modbus at a trip: off is written, then what flows is read until nothing does."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from daq.bench.modbus_spec import WRITES, ModbusSupply

__all__ = ["ModbusCut"]

_READ_EVERY_NS: Final = 100_000_000
_READ_FOR_NS: Final = 10_000_000_000


class ModbusCut:
    """A cut that was ordered, until what the supply reads has verified it.

    Parameters
    ----------
    spec : ModbusSupply
        What is written, and which field below how many amperes verifies it.

    Attributes
    ----------
    off_due : bool
        Whether it is to be written before the next question.
    amps : float
        The latest reading [A]; NaN before the first.
    """

    def __init__(self, spec: ModbusSupply) -> None:
        self.spec = spec
        self.off_due = False
        self.amps = math.nan
        self._number: int | None = None
        self._written_ns: int | None = None
        self._until_ns = self._read_ns = 0

    @property
    def function(self) -> int:
        """Of the write."""
        return WRITES[self.spec.write]

    @property
    def words(self) -> str:
        """The write, for messages."""
        spec = self.spec
        return f"unit {spec.unit} write {spec.write} {spec.address} = {spec.off}"

    def order(self, number: int, now_ns: int) -> None:
        """Command `number` ordered it."""
        if not self.open(now_ns):
            self._written_ns = None
        self._number, self._until_ns, self.off_due = number, now_ns + _READ_FOR_NS, True

    def open(self, now_ns: int) -> bool:
        """Whether one was ordered and is not verified yet; after ten seconds whoever ordered must again."""
        if self._number is not None and now_ns > self._until_ns:
            self._number, self.off_due = None, False
        return self._number is not None

    def written(self, now_ns: int) -> None:
        """It went out."""
        self.off_due, self._written_ns, self._read_ns = False, now_ns, now_ns

    def read_now(self, now_ns: int) -> bool:
        """Whether it is time to read what flows."""
        return self.open(now_ns) and self._written_ns is not None and now_ns >= self._read_ns

    def asked(self, now_ns: int) -> None:
        """What flows is being asked."""
        self._read_ns = now_ns + _READ_EVERY_NS

    def read(self, fields: Mapping[str, float], asked_ns: int) -> int | None:
        """Take what was read by a question of `asked_ns`; the command's number once it is verified."""
        amps = fields.get(self.spec.current)
        if amps is None or self._number is None or self._written_ns is None or asked_ns < self._written_ns:
            return None
        self.amps = amps
        if not (math.isfinite(amps) and abs(amps) < self.spec.amps_off):
            return None
        number, self._number, self.off_due = self._number, None, False
        return number
