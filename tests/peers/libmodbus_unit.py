"""A gauge and relays in one unit, played by the general-purpose C library libmodbus 3.1.

Usage: libmodbus_unit.py PORT UNIT. Prints `ready`, then a line `coils UNIT 0 STATES` for each change of the coils.
Ends with code 77 if the library is not there.
"""

import ctypes
import struct
import sys


class Mapping(ctypes.Structure):
    """The head of `modbus_mapping_t`, version 3.1."""

    _fields_ = [
        ("nb_bits", ctypes.c_int),
        ("start_bits", ctypes.c_int),
        ("nb_input_bits", ctypes.c_int),
        ("start_input_bits", ctypes.c_int),
        ("nb_input_registers", ctypes.c_int),
        ("start_input_registers", ctypes.c_int),
        ("nb_registers", ctypes.c_int),
        ("start_registers", ctypes.c_int),
        ("tab_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_registers", ctypes.POINTER(ctypes.c_uint16)),
        ("tab_registers", ctypes.POINTER(ctypes.c_uint16)),
    ]


try:
    library = ctypes.CDLL("libmodbus.so.5")
except OSError as missing:
    print(missing, file=sys.stderr)
    sys.exit(77)

library.modbus_new_rtu.restype = ctypes.c_void_p
library.modbus_new_rtu.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_char, ctypes.c_int, ctypes.c_int]
library.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
library.modbus_set_slave.argtypes = [ctypes.c_void_p, ctypes.c_int]
library.modbus_connect.argtypes = [ctypes.c_void_p]
library.modbus_receive.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
library.modbus_reply.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(Mapping)]
port, unit = sys.argv[1], int(sys.argv[2])
context = library.modbus_new_rtu(port.encode(), 19_200, b"N", 8, 1)
if context is None or library.modbus_set_slave(context, unit) or library.modbus_connect(context):
    sys.exit(f"{port}: cannot be opened")

mapping = library.modbus_mapping_new(16, 0, 60, 60)
data = mapping.contents


def hold(address: int, form: str, number, high_first: bool) -> None:
    """Puts a number into two registers; its form is one of Python's `struct`."""
    words = struct.unpack(">HH", struct.pack(form, number))
    data.tab_registers[address], data.tab_registers[address + 1] = words if high_first else words[::-1]


data.tab_registers[40] = 321
hold(42, ">f", 123.456, True)
hold(44, ">f", -0.8125, False)
hold(46, ">i", -100_000, True)
hold(48, ">I", 3_000_000_000, False)
data.tab_input_registers[10] = 65_336
print("ready", flush=True)

request = ctypes.create_string_buffer(260)
shown = ""
while True:
    length = library.modbus_receive(context, request)
    if length > 0:
        library.modbus_reply(context, request, length, mapping)
    states = "".join(str(data.tab_bits[coil]) for coil in range(16))
    if states != shown:
        shown = states
        print("coils", unit, 0, states, flush=True)
