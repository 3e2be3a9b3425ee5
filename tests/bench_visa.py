#!/usr/bin/python3
"""The comparison: a plain loop with a generic VISA client, two queries a sample. Prints samples a second and processor time a sample.
bench_visa.py RESOURCE SECONDS"""
import resource
import sys
import time

import pyvisa

rm = pyvisa.ResourceManager("@py")
load = rm.open_resource(sys.argv[1], read_termination="\n", write_termination="\n", timeout=3000)
if sys.argv[1].startswith("ASRL"):
    load.baud_rate = int(sys.argv[3]) if len(sys.argv) > 3 else 115200
load.query("*IDN?")
begin, cpu = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF)
count = 0
while time.monotonic() - begin < float(sys.argv[2]):
    float(load.query("MEAS:VOLT?"))
    float(load.query("MEAS:CURR?"))
    count += 1
took = time.monotonic() - begin
used = resource.getrusage(resource.RUSAGE_SELF)
cpu_s = used.ru_utime + used.ru_stime - cpu.ru_utime - cpu.ru_stime
print(f"{count / took:.3f} {cpu_s / count * 1e6:.1f}")
