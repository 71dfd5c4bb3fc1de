"""A gauge of which nobody is told anything, played by the general-purpose library pymodbus.

Usage: hidden_gauge.py PORT UNIT input|holding ADDRESS KIND big|little OFF ON FLIPS. Around its number stand a serial number, a
temperature and a count of requests. The number changes between OFF and ON after every three requests for it, FLIPS times in all, and
stays then. Prints `ready`. Ends with code 77 if the library is not there.
"""

import asyncio
import sys

try:
    from pymodbus import FramerType
    from pymodbus.client.mixin import ModbusClientMixin
    from pymodbus.server import ModbusSerialServer
    from pymodbus.simulator import DataType, SimData, SimDevice
    import serial  # noqa: F401  the server opens its port with it
except ImportError as missing:
    print(missing, file=sys.stderr)
    sys.exit(77)

port, unit, table, address, kind, order, off, on, flips = sys.argv[1:]
unit, address, off, on, flips = int(unit), int(address), float(off), float(on), int(flips)
asked = 0


def words(number: float) -> list[int]:
    """The number as the library itself encodes it."""
    kind_of = ModbusClientMixin.DATATYPE[kind]
    value = number if kind == "FLOAT32" else round(number)
    return ModbusClientMixin.convert_to_registers(value, kind_of, word_order=order)


async def change(function: int, start: int, first: int, count: int, registers: list, written) -> None:
    """Lets the number, and the count of requests, go on."""
    global asked
    if written is None and function == (4 if table == "input" else 3) and first <= address < first + count:
        asked += 1
        number = on if min(asked // 3, flips) % 2 else off
        now = words(number)
        registers[address - start : address - start + len(now)] = now
        registers[6 - start] = asked & 0xFFFF


async def serve() -> None:
    """Answers until killed."""
    cells = [0] * 40
    cells[2], cells[3], cells[4], cells[5] = 0x2F1C, 0x0007, 214, 1
    cells[address : address + 2] = words(off)
    numbers = [SimData(0, values=cells, datatype=DataType.REGISTERS)]
    other = [SimData(0, values=[0, 0], datatype=DataType.REGISTERS)]
    bits = [SimData(0, count=16, values=False, datatype=DataType.BITS)]
    tables = (bits, bits, other, numbers) if table == "input" else (bits, bits, numbers, other)
    server = ModbusSerialServer(
        [SimDevice(unit, tables, action=change)],
        framer=FramerType.RTU,
        port=port,
        baudrate=19_200,
        ignore_missing_devices=True,
    )
    print("ready", flush=True)
    await server.serve_forever()


asyncio.run(serve())
