"""A bench scale made of pyserial, as plugins/sheets/bench-scale.yaml describes it.

    scale.py DEVICE

It prints "ready" once the line is open, and begins to speak when it reads a line
on standard input: in the middle of a line, as a scale does that was on before.
Some of its lines are spoiled. Then it waits for a T and tares.
"""

import sys

import serial

line = serial.Serial(sys.argv[1], 9600, timeout=10)
print("ready", flush=True)
sys.stdin.readline()

for piece in [
    b"Y +  10",
    b"0.00 g\r\n",
    b"MOVING +   98.10 g\r\n",
    b"STEADY +",
    b"  152.35 g\r",
    b"\nSTEADY + \x00\xff\xfe152.35 g\r\n",
    b"x" * 5000 + b"\r\n",
    b"OVER\r\n",
    b"STEADY -    0.02 g\r\n",
]:
    line.write(piece)
    line.flush()

if line.read_until(b"\r\n") == b"T\r\n":
    line.write(b"MOVING -    0.01 g\r\nT DONE\r\nSTEADY +    0.00 g\r\n")
    line.flush()
sys.stdin.readline()
