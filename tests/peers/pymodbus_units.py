"""A gauge (unit 5) and a light's relays (unit 9), played by the general-purpose library pymodbus.

Usage: pymodbus_units.py PORT. Prints `ready`, then a line `coils UNIT ADDRESS STATES` for each write of coils.
Ends with code 77 if the library is not there.
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


def registers(numbers: dict[int, tuple]) -> list:
    """Registers from address 0, with these numbers encoded by the library itself."""
    kinds = ModbusClientMixin.DATATYPE
    cells = [0] * 60
    for address, (number, kind, order) in numbers.items():
        words = ModbusClientMixin.convert_to_registers(number, kinds[kind], word_order=order)
        cells[address : address + len(words)] = words
    return [SimData(0, values=cells, datatype=DataType.REGISTERS)]


def device(unit: int, holding: dict, inputs: dict) -> SimDevice:
    """A unit with sixteen coils and these numbers."""
    bits = [SimData(0, count=16, values=False, datatype=DataType.BITS)]
    return SimDevice(unit, (bits, bits, registers(holding), registers(inputs)))


def trace(sending: bool, pdu):
    """Tells what was written."""
    if not sending and pdu.function_code in (5, 15):
        bits = list(pdu.bits) if pdu.function_code == 5 else list(pdu.bits)[: pdu.count]
        states = "".join("1" if bit else "0" for bit in bits[: 1 if pdu.function_code == 5 else None])
        print("coils", pdu.dev_id, pdu.address, states, flush=True)
    return pdu


async def serve(port: str) -> None:
    """Answers until killed."""
    holding = {
        40: (321, "UINT16", "big"),
        42: (123.456, "FLOAT32", "big"),
        44: (-0.8125, "FLOAT32", "little"),
        46: (-100_000, "INT32", "big"),
        48: (3_000_000_000, "UINT32", "little"),
    }
    units = [device(5, holding, {10: (-200, "INT16", "big")}), device(9, {}, {})]
    server = ModbusSerialServer(
        units, framer=FramerType.RTU, port=port, baudrate=19_200, ignore_missing_devices=True, trace_pdu=trace
    )
    print("ready", flush=True)
    await server.serve_forever()


asyncio.run(serve(sys.argv[1]))
