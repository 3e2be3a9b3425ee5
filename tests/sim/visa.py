#!/usr/bin/python3
"""A generic VISA client drives brunt-sim: over a pseudo-terminal, over TCP, and through its faults.

usage: /usr/bin/python3 tests/sim/visa.py BRUNT-SIM
Needs python3-pyvisa-py and python3-serial. Prints one line a check and "N passed, N failed"; exits non-zero if one failed.
"""
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time

import pyvisa
import serial

BENCH = """
sim = {
    seed = 3;
    world_file = "%s";
    addresses = (
        { name = "load1"; role = "load"; baud = 115200; },
        { name = "load2"; role = "load"; first = 2; count = 1; tcp = 0; answer_delay = "1 ms"; },
        { name = "selector1"; role = "selector"; shape = "terse"; baud = 19200; },
        { name = "thermo1"; role = "thermometer"; tcp = 0; },
        { name = "late1"; role = "load"; shape = "late"; answer_delay = "5 ms"; },
        { name = "strict1"; role = "mains"; baud = 9600; strict_baud = true; },
        { name = "uart1"; role = "load"; unix = "uart1.sock"; }
    );
};
"""
HERE = os.path.dirname(os.path.abspath(__file__))
WORLD = os.path.join(HERE, "..", "..", "profiles", "sim", "demo.cfg")


class Checks:
    def __init__(self):
        self.passed = self.failed = 0

    def that(self, sentence, good, seen=""):
        self.passed += bool(good)
        self.failed += not good
        print("%s %s%s" % ("ok    " if good else "FAILED", sentence, "" if good else ": %r" % (seen,)), flush=True)

    def equal(self, sentence, seen, wanted):
        self.that(sentence, seen == wanted, seen)


class Sim:
    """The program, its links, its control socket."""

    def __init__(self, program, directory):
        self.dir = directory
        path = os.path.join(directory, "bench.cfg")
        with open(path, "w") as file:
            file.write(BENCH % os.path.abspath(WORLD))
        self.process = subprocess.Popen([program, "--dir", directory, path], stdout=subprocess.PIPE, text=True)
        self.links = {}
        for line in self.process.stdout:
            if line == "ready\n":
                break
            name, kind, where = line.split()
            self.links[name, kind] = where
        self.control = socket.socket(socket.AF_UNIX)
        self.control.connect(os.path.join(directory, "control"))
        self.lines = self.control.makefile("r")

    def command(self, line):
        self.control.sendall((line + "\n").encode())
        return self.lines.readline().rstrip("\n")

    def end(self):
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(10)


def open_serial(manager, path, baud=115200):
    return manager.open_resource("ASRL%s::INSTR" % path, baud_rate=baud, read_termination="\n", write_termination="\n", timeout=3000)


def open_tcp(manager, where):
    host, port = where.split(":")
    return manager.open_resource("TCPIP0::%s::%s::SOCKET" % (host, port), read_termination="\n", write_termination="\n", timeout=3000)


def no_answer(instrument, question):
    """True if the question times out."""
    old, instrument.timeout = instrument.timeout, 300
    try:
        instrument.query(question)
        return False
    except pyvisa.errors.VisaIOError:
        return True
    finally:
        instrument.timeout = old


def drive_a_load(checks, how, load, channel):
    identity = load.query("*IDN?").split(",")
    checks.that("%s: the identity has four fields" % how, len(identity) == 4 and identity[0] == "BRUNT-SIM", identity)
    load.write("*CLS")
    load.write("CURR%d 1.5" % channel)
    checks.that("%s: the set-point is read back" % how, abs(float(load.query("CURR%d?" % channel)) - 1.5) < 0.01)
    load.write("INP%d ON" % channel)
    checks.equal("%s: the input is on" % how, load.query("INP%d?" % channel), "1")
    time.sleep(1.0)
    volts, amps = (float(x) for x in load.query("MEAS%d:VOLT?;CURR?" % channel).split(";"))
    checks.that("%s: about 5 V at the port" % how, 4.5 < volts < 5.5, volts)
    checks.that("%s: about 1.5 A flow" % how, abs(amps - 1.5) < 0.1, amps)
    load.write("INP:ALL OFF")
    checks.equal("%s: the input is off" % how, load.query("INP%d?" % channel), "0")
    load.write("NONSENSE")
    checks.that("%s: the error queue says -113" % how, load.query("SYST:ERR?").startswith('-113,"Undefined header'))
    checks.equal("%s: then it is empty" % how, load.query("SYST:ERR?"), '0,"No error"')
    checks.equal("%s: the version is the standard's" % how, load.query("SYST:VERS?"), "1999.0")


def break_a_serial_line(checks, sim, manager, load):
    checks.equal("a fault is accepted", sim.command("wire load1 drop next"), "ok")
    checks.that("a dropped answer never comes", no_answer(load, "*OPC?"))
    checks.equal("the next one does", load.query("*OPC?"), "1")
    sim.command("wire load1 nan next")
    checks.equal("not-a-number is sent", load.query("MEAS:VOLT?"), "9.91E37")
    sim.command("wire load1 hang-up")
    checks.that("a pulled plug takes the link away", not os.path.lexists(sim.links["load1", "pty"]))
    try:
        load.query("*OPC?")
        checks.that("a pulled plug is an error for who holds it", False, "answered")
    except Exception:  # the library lets pyserial's and the system's own errors through
        checks.that("a pulled plug is an error for who holds it", True)
    try:
        load.close()
    except Exception:
        pass
    checks.equal("it comes back", sim.command("wire load1 return-as load9"), "ok")
    again = open_serial(manager, os.path.join(sim.dir, "load9"))
    checks.equal("it comes back under the new name", again.query("*OPC?"), "1")
    again.close()


def leave_half_a_message(checks, load):
    load.write_raw(b"INP1 ON")
    time.sleep(0.1)
    load.write_raw(b"!\n")
    checks.equal("a spoil byte keeps half a message from acting", load.query("INP1?"), "0")
    checks.that("and says so", load.query("SYST:ERR?").startswith("-101"))
    load.write_raw(b"INP1 ON")
    time.sleep(0.1)
    load.write_raw(b"\n")
    checks.equal("a bare newline completes it", load.query("INP1?"), "1")
    load.write("INP:ALL OFF")


def ask_the_others(checks, sim, manager):
    selector = open_serial(manager, sim.links["selector1", "pty"], 19200)
    selector.read_termination = "\r\n"
    checks.that("the terse one tells who it is", selector.query("ID?").startswith("BRUNT-SIM,selector1"))
    selector.write("C1 9")
    time.sleep(2.0)
    checks.equal("the terse one takes a contract", selector.query("C1?"), "9.000")
    selector.close()
    thermo = open_tcp(manager, sim.links["thermo1", "tcp"])
    celsius = [float(x) for x in thermo.query("MEAS:TEMP?").split(",")]
    checks.that("the thermometer gives a room's temperatures", all(10 < c < 60 or c > 9e37 for c in celsius), celsius)
    thermo.close()
    late = open_serial(manager, sim.links["late1", "pty"])
    late.write("*OPC?")
    checks.that("the late one echoes", late.read().strip("\r\n") == "*OPC?")
    checks.that("and answers then", late.read().strip("\r\n") == "1")
    late.close()
    uart = socket.socket(socket.AF_UNIX)
    uart.connect(sim.links["uart1", "unix"])
    uart.settimeout(3)
    uart.sendall(b"*OPC?\n")
    checks.equal("a Unix socket carries the same bytes", uart.recv(16), b"1\n")
    uart.close()


def listen_at_the_wrong_speed(checks, sim):
    path = sim.links["strict1", "pty"]
    with serial.Serial(path, 115200, timeout=0.5) as port:
        port.write(b"*OPC?\n")
        checks.that("at the wrong speed nothing sensible comes", b"1" not in port.read(16))
    with serial.Serial(path, 9600, timeout=2) as port:
        port.write(b"\n*OPC?\n")
        checks.equal("at the right one it answers", port.read(2), b"1\n")


def main():
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    checks = Checks()
    manager = pyvisa.ResourceManager("@py")
    with tempfile.TemporaryDirectory() as directory:
        sim = Sim(sys.argv[1], directory)
        try:
            load = open_serial(manager, sim.links["load1", "pty"])
            drive_a_load(checks, "serial", load, 1)
            leave_half_a_message(checks, load)
            sim.command("wire load2 off")
            other = open_tcp(manager, sim.links["load2", "tcp"])
            selector = open_serial(manager, sim.links["selector1", "pty"], 19200)
            selector.write("G2 1")
            time.sleep(2.0)
            selector.close()
            drive_a_load(checks, "TCP", other, 1)
            other.close()
            ask_the_others(checks, sim, manager)
            listen_at_the_wrong_speed(checks, sim)
            break_a_serial_line(checks, sim, manager, load)
            checks.that("the truth is told", '"contract_volts":9' in sim.command("truth 1"), sim.command("truth 1"))
            checks.that("a wrong command is refused", sim.command("wire nobody drop").startswith("error: no address nobody"))
            second = subprocess.run([sys.argv[1], "--dir", directory, os.path.join(directory, "bench.cfg")], capture_output=True, text=True)
            checks.that("a second one in the same place is refused", second.returncode == 4 and "another brunt-sim" in second.stderr, second)
        finally:
            status = sim.end()
        checks.equal("it ends cleanly when told to", status, 0)
        checks.equal("and leaves nothing behind", sorted(os.listdir(directory)), ["bench.cfg"])
    print("%d passed, %d failed" % (checks.passed, checks.failed))
    return 1 if checks.failed else 0


if __name__ == "__main__":
    sys.exit(main())
