"""A gauge that sends lines of text, of which nobody is told anything, in plain Python.

Usage: hidden_talker.py PORT REQUEST OFF ON FLIPS FORMAT. REQUEST is its ASCII text with \\r for the key, or `-` to send by itself; FORMAT
one of Python's, such as `P={:+.2f} kPa`. The number changes between OFF and ON after every three lines, FLIPS times in all, and
stays then. Prints `ready`.
"""

import os
import select
import sys

port, request, off, on, flips, form = sys.argv[1:]
request = b"" if request == "-" else request.replace("\\r", "\r").encode()
off, on, flips = float(off), float(on), int(flips)
line = os.open(port, os.O_RDWR | os.O_NOCTTY)
said, heard = 0, b""
print("ready", flush=True)
while True:
    if request:
        heard = (heard + os.read(line, 256))[-64:]
        if not heard.endswith(request):
            continue
        heard = b""
    elif select.select([line], [], [], 0.1)[0]:
        os.read(line, 256)
    number = on if min(said // 3, flips) % 2 else off
    said += 1
    os.write(line, form.format(number).encode() + b"\r\n")
