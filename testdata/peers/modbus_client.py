"""Reads registers over RTU with pymodbus, again and again: the master that is
there already in the tests of passive listening.

usage: modbus_client.py DEVICE BAUD PAUSE_SECONDS READS.json

READS.json: [[unit, "input"|"holding"|"coil"|"discrete", address, count], ...]
Prints "ready" after the first round in which all reads were answered, and ends
with the signal that ends it.
"""
import json
import sys
import time

from pymodbus.client import ModbusSerialClient
from pymodbus.transaction import ModbusRtuFramer


def main():
    device, baud, pause = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
    with open(sys.argv[4], encoding="utf-8") as f:
        reads = json.load(f)
    client = ModbusSerialClient(device, framer=ModbusRtuFramer, baudrate=baud,
                                parity="N", stopbits=1, bytesize=8, timeout=1)
    if not client.connect():
        sys.exit("cannot open " + device)
    how = {"input": client.read_input_registers, "holding": client.read_holding_registers,
           "coil": client.read_coils, "discrete": client.read_discrete_inputs}
    said = False
    while True:
        failed = 0
        for unit, table, address, count in reads:
            answer = how[table](address, count, slave=unit)
            if answer.isError():
                failed += 1
                print("failed:", unit, table, address, count, answer, file=sys.stderr, flush=True)
        if not failed and not said:
            said = True
            print("ready", flush=True)
        time.sleep(pause)


main()
