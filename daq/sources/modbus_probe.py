"""Whether Modbus units answer on a port, and which of their registers can be read.

Only functions 3 and 4 are sent (Modbus Application Protocol V1.1b3, sections 6.3 and 6.4), which read.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from typing import Final, Literal

from daq.errors import FrameError, PortError
from daq.sources.modbus_format import Answer, RtuLine, TcpStream, frame_gap_s, query
from daq.sources.recognise import BAUDS, FRAMINGS, Recognised
from daq.sources.serial_port import SerialPort, over_network

__all__ = ["ModbusProbe", "find_units", "read_table"]

Function = Literal["holding", "input"]
_CODES: Final[dict[Function, int]] = {"holding": 3, "input": 4}
_ANSWER_S: Final = 0.25
_BLOCK: Final = 8


class ModbusProbe:
    """A port on which registers are read. Raises PortError when it can not be opened or is lost.

    Parameters
    ----------
    port, baud, framing
        See `ModbusSpec`.
    timeout_s : float
        How long an answer may take [s].
    """

    def __init__(self, port: str, baud: int, framing: str, timeout_s: float = _ANSWER_S) -> None:
        self.tcp = port.lower().startswith("tcp://")
        url = f"socket://{port[len('tcp://') :]}" if self.tcp else port
        self._port = SerialPort(url, baud, framing, place=port)
        # Over a network an answer takes its time; a connection is not made anew for every question.
        self._timeout_s = max(timeout_s, 0.5) if over_network(port) else timeout_s
        self._gap_s = 0.0 if self.tcp else frame_gap_s(baud)
        self._number = 0

    def close(self) -> None:
        """Close the port."""
        self._port.close()

    def read(self, unit: int, function: Function, address: int, count: int) -> Answer | None:
        """The unit's answer, which may be an exception; None for none.

        Parameters
        ----------
        unit : int
            Address of the unit.
        function : {"holding", "input"}
            Which registers.
        address, count : int
            The first register, and how many.
        """
        line: RtuLine | TcpStream = TcpStream() if self.tcp else RtuLine({unit})
        while self._port.read(0.0):
            pass  # what is late belongs to nothing
        time.sleep(self._gap_s)
        question = query(unit, _CODES[function], address, count)
        self._number = self._number % 0xFFFF + 1
        question.transaction_id = self._number
        frame = line.encode(question)
        try:
            self._port.write(frame)
        except PortError:
            return None  # nobody takes the bytes, so nobody answers
        until = time.monotonic() + self._timeout_s
        while time.monotonic() < until:
            chunk = self._port.read()
            try:
                answers = line.feed(chunk) if isinstance(line, TcpStream) else line.feed(chunk, frame)
            except FrameError:
                return None
            for answer in answers:
                if answer is not None and (answer.unit, answer.function) == (unit, _CODES[function]):
                    if not self.tcp or answer.transaction == self._number:
                        return answer
        return None


def find_units(
    port: str, units: Sequence[int], *, bauds: Sequence[int] = BAUDS, framings: Sequence[str] = FRAMINGS
) -> Recognised:
    """Which units answer a read of their first register, be it with an exception. Raises PortError.

    Parameters
    ----------
    port : str
        As in a bench file.
    units : sequence of int
        Addresses to try.
    bauds : sequence of int
        Rates to try, one after another; over a network the first alone.
    framings : sequence of str
        Framings to try at each rate, as "8N1"; over a network the first alone.
    """
    network = over_network(port)
    for baud in bauds[:1] if network else bauds:
        for framing in framings[:1] if network else framings:
            try:
                probe = ModbusProbe(port, baud, framing)
            except PortError:
                if framing == framings[0]:
                    raise
                continue  # a pseudo-terminal or an adapter without parity
            try:
                there = [unit for unit in units if probe.read(unit, "holding", 0, 1) is not None]
            finally:
                probe.close()
            if there:
                about = f"Modbus unit{'s' if len(there) > 1 else ''} {', '.join(map(str, there))}"
                return Recognised(port, "modbus", baud, framing, about=about, keys={"units": there})
    return Recognised(port, "silent", bauds[0])


def read_table(found: Recognised, unit: int, *, last: int = 63) -> dict[tuple[Function, int], int]:
    """The registers that a unit lets be read, by function and address. Raises PortError.

    Parameters
    ----------
    found : Recognised
        The port, as `find_units` found it.
    unit : int
        Address of the unit.
    last : int
        Up to which address to read.
    """
    table: dict[tuple[Function, int], int] = {}
    probe = ModbusProbe(found.port, found.baud, found.framing)
    try:
        for function in _CODES:
            for address in range(0, last + 1, _BLOCK):
                got = _block(probe, unit, function, address, min(_BLOCK, last + 1 - address))
                if got is None:
                    break  # it does not know the function, or is gone
                table |= got
    finally:
        probe.close()
    return table


def _block(
    probe: ModbusProbe, unit: int, function: Function, address: int, count: int
) -> dict[tuple[Function, int], int] | None:
    answer = probe.read(unit, function, address, count)
    if answer is None or answer.exception == 1:
        return None
    if not answer.exception:
        return _values_at(function, address, answer.registers)
    found: dict[tuple[Function, int], int] = {}
    for one in range(address, address + count):
        single = probe.read(unit, function, one, 1)
        if single is not None and not single.exception:
            found |= _values_at(function, one, single.registers)
    return found


def _values_at(function: Function, address: int, words: Iterable[int]) -> dict[tuple[Function, int], int]:
    return {(function, address + i): word for i, word in enumerate(words)}
