#!/usr/bin/python3
"""An independent Modbus TCP server (python3-pymodbus) with the probes that run_test.py reads.

Prints its port and serves on loopback until its standard input ends. Exit code 77: pymodbus is not here.

Unit 1: holding registers 0..3 hold 8.25 mg/L and 14.5 degC as float32 in order ABCD; discrete input 1 is set.
Unit 2: input registers 0..1 hold 725 (0.01 mg/L) and -15 (0.1 degC) as int16. There is no other unit.
"""
import asyncio
import logging
import os
import struct
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
    from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
    from pymodbus.server.async_io import ModbusTcpServer
    from pymodbus.transaction import ModbusSocketFramer
except ImportError as absent:
    print(absent, file=sys.stderr)
    sys.exit(77)


def words(layout, *values):
    raw = struct.pack(layout, *values)
    return [int.from_bytes(raw[i:i + 2], "big") for i in range(0, len(raw), 2)]


def unit(holding, inputs, discrete):
    return ModbusSlaveContext(
        hr=ModbusSequentialDataBlock(0, holding), ir=ModbusSequentialDataBlock(0, inputs),
        di=ModbusSequentialDataBlock(0, discrete), co=ModbusSequentialDataBlock(0, [False]), zero_mode=True)


async def main():
    units = {1: unit(words(">ff", 8.25, 14.5), [0], [False, True, False]),
             2: unit([0], words(">hh", 725, -15), [False])}
    server = ModbusTcpServer(ModbusServerContext(slaves=units, single=False), ModbusSocketFramer,
                             address=("127.0.0.1", 0))
    serving = asyncio.ensure_future(server.serve_forever())
    await server.serving
    print(server.server.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    serving.cancel()
    os._exit(0)


logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # it calls each client that leaves an error
asyncio.run(main())
