"""A Modbus server made of pymodbus: the tests' independent counterpart.

    modbus_server.py tcp            prints the port it listens on
    modbus_server.py rtu DEVICE     prints "ready"

It serves, as holding and as input registers from address 0, the same eight values
in the four orders in which devices lay out bytes, one order after the other. After
them there is nothing, so that a request beyond is refused.
"""

import asyncio
import sys

from pymodbus.constants import Endian
from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.payload import BinaryPayloadBuilder
from pymodbus.server.async_io import ModbusSerialServer, ModbusTcpServer

# Byte order within a register, order of the registers: ABCD, CDAB, BADC, DCBA.
ORDERS = [
    (Endian.Big, Endian.Big),
    (Endian.Big, Endian.Little),
    (Endian.Little, Endian.Big),
    (Endian.Little, Endian.Little),
]


def registers():
    out = []
    for byte_order, word_order in ORDERS:
        b = BinaryPayloadBuilder(byteorder=byte_order, wordorder=word_order)
        b.add_16bit_int(-1234)
        b.add_16bit_uint(54321)
        b.add_32bit_int(-123456789)
        b.add_32bit_uint(3234567890)
        b.add_64bit_int(-1234567890123456)
        b.add_64bit_uint(1234567890123456)
        b.add_32bit_float(203.4375)
        b.add_64bit_float(-0.000123456789)
        out += b.to_registers()
    return out


def context():
    def block():
        return ModbusSequentialDataBlock(0, registers())

    return ModbusServerContext(slaves=ModbusSlaveContext(hr=block(), ir=block(), zero_mode=True), single=True)


async def serve_tcp():
    server = ModbusTcpServer(context(), address=("127.0.0.1", 0))
    task = asyncio.ensure_future(server.serve_forever())
    await server.serving
    print(server.server.sockets[0].getsockname()[1], flush=True)
    await task


async def serve_rtu(device):
    server = ModbusSerialServer(context(), port=device, baudrate=115200, timeout=0.01)
    await server.start()
    print("ready", flush=True)
    await server.serve_forever()


if sys.argv[1] == "tcp":
    asyncio.run(serve_tcp())
else:
    asyncio.run(serve_rtu(sys.argv[2]))
