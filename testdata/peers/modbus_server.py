"""Serves a register layout with pymodbus, the independent peer of the tests.

usage: modbus_server.py tcp PORT LAYOUT.json | rtu-tcp PORT LAYOUT.json |
       rtu DEVICE BAUD LAYOUT.json | ascii DEVICE BAUD LAYOUT.json

LAYOUT.json: {"units": {"1": {"input": {"4": 1034, ...}, "holding": {...},
                              "coil": {...}, "discrete": {...}}}}
Addresses are zero-based. Prints "ready" when it listens. It holds only what the
layout says; any other address is refused with exception 02.
"""
import asyncio
import json
import sys

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.transaction import ModbusAsciiFramer, ModbusRtuFramer


def block(values):
    return ModbusSparseDataBlock({int(a): v for a, v in values.items()} or {65535: 0})


def context(layout):
    units = {}
    for unit, tables in layout["units"].items():
        units[int(unit)] = ModbusSlaveContext(
            di=block(tables.get("discrete", {})),
            co=block(tables.get("coil", {})),
            hr=block(tables.get("holding", {})),
            ir=block(tables.get("input", {})),
            zero_mode=True,
        )
    return ModbusServerContext(slaves=units, single=False)


async def main():
    kind = sys.argv[1]
    with open(sys.argv[-1], encoding="utf-8") as f:
        store = context(json.load(f))
    if kind == "tcp":
        server = StartAsyncTcpServer(store, address=("127.0.0.1", int(sys.argv[2])))
    elif kind == "rtu-tcp":
        server = StartAsyncTcpServer(
            store, framer=ModbusRtuFramer, address=("127.0.0.1", int(sys.argv[2])), ignore_missing_slaves=True)
    else:
        server = StartAsyncSerialServer(
            store, framer=ModbusAsciiFramer if kind == "ascii" else ModbusRtuFramer,
            port=sys.argv[2], baudrate=int(sys.argv[3]),
            parity="N", stopbits=1, bytesize=8, ignore_missing_slaves=True)
    task = asyncio.ensure_future(server)
    await asyncio.sleep(0.5)
    print("ready", flush=True)
    await task


asyncio.run(main())
