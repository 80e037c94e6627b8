#!/usr/bin/python3
"""An independent Modbus TCP server (python3-pymodbus) with every type and order in all four tables.

Prints its port and serves on loopback until its standard input ends. Numbers are laid out by pymodbus' own
BinaryPayloadBuilder, so that their bytes come from code that is not ours. Exit code 77: pymodbus is not here.

Registers (holding and input alike), seven for each order ABCD, CDAB, BADC, DCBA, from 7 * order on:
  +0 uint16 54321   +1 int16 -12345   +2 uint32 3000000123   +4 int32 -2000000123   +6 unused
and floats from 100 + 10 * order on: 123.456, -0.0625, 9.092. A 16-bit number keeps its bytes in every order here.
Coil n is set where n % 3 == 0, discrete input n where n % 5 == 0.
"""
import asyncio
import os
import sys
import types

for name in ("serial", "serial_asyncio"):
    # pymodbus imports these for serial lines even in a TCP server; Debian only recommends them.
    try:
        __import__(name)
    except ImportError:
        stand_in = types.ModuleType(name)
        stand_in.create_serial_connection = None
        sys.modules[name] = stand_in
try:
    from pymodbus.constants import Endian
    from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
    from pymodbus.payload import BinaryPayloadBuilder
    from pymodbus.server.async_io import ModbusTcpServer
    from pymodbus.transaction import ModbusSocketFramer
except ImportError as absent:
    print(absent, file=sys.stderr)
    sys.exit(77)

# (byte order, word order) of each order of ours
ORDERS = ((Endian.Big, Endian.Big), (Endian.Big, Endian.Little), (Endian.Little, Endian.Big),
          (Endian.Little, Endian.Little))


def built(order, add):
    builder = BinaryPayloadBuilder(byteorder=ORDERS[order][0], wordorder=ORDERS[order][1])
    add(builder)
    raw = b"".join(builder.build())
    return [int.from_bytes(raw[i:i + 2], "big") for i in range(0, len(raw), 2)]


def registers():
    words = [0] * 200
    for order in range(4):
        base = 7 * order
        words[base] = 54321
        words[base + 1] = -12345 & 0xFFFF
        words[base + 2:base + 4] = built(order, lambda b: b.add_32bit_uint(3000000123))
        words[base + 4:base + 6] = built(order, lambda b: b.add_32bit_int(-2000000123))
        for i, value in enumerate((123.456, -0.0625, 9.092)):
            at = 100 + 10 * order + 2 * i
            words[at:at + 2] = built(order, lambda b, v=value: b.add_32bit_float(v))
    return words


async def main():
    store = ModbusSlaveContext(
        co=ModbusSequentialDataBlock(0, [n % 3 == 0 for n in range(200)]),
        di=ModbusSequentialDataBlock(0, [n % 5 == 0 for n in range(200)]),
        hr=ModbusSequentialDataBlock(0, registers()),
        ir=ModbusSequentialDataBlock(0, registers()),
        zero_mode=True)
    context = ModbusServerContext(slaves={9: store}, single=False)
    server = ModbusTcpServer(context, ModbusSocketFramer, address=("127.0.0.1", 0))
    serving = asyncio.ensure_future(server.serve_forever())
    await server.serving
    print(server.server.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    serving.cancel()
    os._exit(0)


asyncio.run(main())
