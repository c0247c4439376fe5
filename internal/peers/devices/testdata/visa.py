"""Ask an instrument on a TCP socket by PyVISA, with its own SCPI, and print the answers.

    visa.py PORT QUESTION...

The backend is pyvisa-py. A question without a question mark is written and not read.
"""

import sys

import pyvisa

resources = pyvisa.ResourceManager("@py")
instrument = resources.open_resource(
    f"TCPIP::127.0.0.1::{sys.argv[1]}::SOCKET",
    read_termination="\n",
    write_termination="\n",
    timeout=20_000,
)
for question in sys.argv[2:]:
    if "?" in question:
        print(instrument.query(question), flush=True)
    else:
        instrument.write(question)
        print("written", flush=True)
print("values", *instrument.query_ascii_values("MEAS:TEMP?"), flush=True)
instrument.close()
