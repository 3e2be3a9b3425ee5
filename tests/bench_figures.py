#!/usr/bin/python3
"""Measures what the whole reaches, on this computer, and prints it: nothing is asserted. tests/bench.sh builds, then calls this.

usage: bench_figures.py BIN HELPERS DIR [rate|latency [TRIALS]|check|memory [READINGS]]
BIN: folder of bruntd, brunt, brunt-guard, brunt-sim; HELPERS: of bare_loop, over_volts, slow_disk.so; DIR: empty, for everything that is made.
"""
import contextlib
import json
import os
import random
import signal
import socket
import sqlite3
import statistics
import subprocess
import sys
import threading
import time

HERE = os.path.dirname(os.path.abspath(__file__))
TOP = os.path.dirname(HERE)
SUPPLY = os.path.join(TOP, "profiles", "supply-sample.cfg")
QUERY = "MEAS:VOLT?;CURR?"  # the shortest that the standard dialect allows: short forms, one compound message by the path rule
ROUNDS = 2
OVER_VOLTS = "7.5"          # at 5 V the hard limit is 6 V

SIM = """sim = { seed = 1; world_file = "%s/profiles/sim/demo.cfg";
 addresses = ( { name = "load1"; role = "load"; shape = "standard"; first = 1; count = 1; %s },
               { name = "selector1"; role = "selector"; shape = "standard"; } ); };
"""
BENCH = """bench = { name = "figures"; hardware_cutoff = { description = "simulated: none of this can burn"; };
 instruments = (
  { name = "load1"; role = "load"; link = "%s"; %s dialect = "standard"; channels = 1;
    ratings = { max_volts = 60.0; max_amps = 15.0; max_watts = 150.0; min_volts = 1.0; };
    accuracy = { volts = { percent_of_reading = 0.05; percent_of_range = 0.02; }; amps = { percent_of_reading = 0.1; percent_of_range = 0.05; }; };
    communications_timeout = "5 s"; },
  { name = "selector1"; role = "selector"; link = "pty:./sim/selector1"; line = { baud = 115200; }; dialect = "standard"; } );
 seats = ( { name = "A"; load = "load1"; channel = 1; selector = "selector1"; lead = { sense = "four-wire"; max_volts = 60.0; max_amps = 10.0; }; cable_amps = 5; } ); };
"""
HOLD = """profile = { name = "figures"; stages = ( { kind = "hold"; rated_percent = 50.0; dwell = "%s"; settle = "500 ms"; } ); };
"""


def figure(name, value, unit, asked=""):
    print(f"figure: {name} {value} {unit}" + (f" (asked: {asked})" if asked else ""), flush=True)


def wait_until(what, seconds, test):
    end = time.monotonic() + seconds
    while True:
        got = test()
        if got:
            return got
        if time.monotonic() > end:
            raise RuntimeError(f"waited {seconds} s in vain until {what}")
        time.sleep(0.02)


def write(path, text):
    with open(path, "w", encoding="utf-8") as file:
        file.write(text)


class Daemon:
    """bruntd before a simulated bench, both in a folder of their own; a client that speaks its protocol."""

    def __init__(self, where, bin_dir, name, sim_text, bench_text, preload=None):
        self.dir, self.bin, self.kids, self.logs, self.number, self.answers = os.path.join(where, name), bin_dir, [], [], 0, b""
        self.client = None
        self.preload = preload
        os.makedirs(self.dir)
        write(os.path.join(self.dir, "sim.cfg"), sim_text)
        write(os.path.join(self.dir, "bench.cfg"), bench_text)

    def path(self, *names):
        return os.path.join(self.dir, *names)

    def spawn(self, arguments, log, **more):
        with open(self.path(log), "w", encoding="utf-8") as file:
            kid = subprocess.Popen(arguments, stdout=more.pop("stdout", file), stderr=file, **more)
        self.kids.append(kid)
        self.logs.append(log)
        return kid

    def start_sim(self):
        self.spawn([os.path.join(self.bin, "brunt-sim"), "--dir", self.path("sim"), self.path("sim.cfg")], "sim.log")
        wait_until("the simulated bench is ready", 10, lambda: "ready" in open(self.path("sim.log"), encoding="utf-8").read())

    def tcp_address(self):
        with open(self.path("sim.log"), encoding="utf-8") as file:
            return next(line.split()[2] for line in file if line.startswith("load1 tcp"))

    def start_daemon(self):
        environment = dict(os.environ, **(self.preload or {}))
        self.daemon = self.spawn([os.path.join(self.bin, "bruntd"), "--dir", self.path("state"), "--socket", self.path("socket"), "--bench", self.path("bench.cfg"),
                                  "--dialects", os.path.join(TOP, "profiles", "dialects"), "--guard", os.path.join(self.bin, "brunt-guard")], f"daemon{len(self.kids)}.log",
                                 env=environment)
        wait_until("the daemon listens", 10, self.connect)
        wait_until("the bench is ready", 10, lambda: self.call("status")["ready"])

    def connect(self):
        self.client = socket.socket(socket.AF_UNIX)
        try:
            self.client.connect(self.path("socket"))
            return True
        except OSError:
            self.client.close()
            return False

    def call(self, method, params=None):
        self.number += 1
        self.client.sendall(json.dumps({"jsonrpc": "2.0", "id": self.number, "method": method, "params": params or {}}).encode() + b"\n")
        while True:
            while b"\n" not in self.answers:
                more = self.client.recv(65536)
                if not more:
                    raise RuntimeError("the daemon is gone")
                self.answers += more
            line, self.answers = self.answers.split(b"\n", 1)
            message = json.loads(line)
            if message.get("id") == self.number:
                if "error" in message:
                    raise RuntimeError(message["error"]["message"])
                return message["result"]

    def start_hold(self, dwell):
        write(self.path("hold.cfg"), HOLD % dwell)
        done = subprocess.run([os.path.join(self.bin, "brunt"), "start", "--detach", "--socket", self.path("socket"), "--port", "C1", "--contract", "5", SUPPLY,
                               self.path("hold.cfg")], capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise RuntimeError("brunt start: " + done.stderr)

    def run(self):
        return self.call("status")["run"]

    def input_on(self):
        run = self.run()
        return bool(run and run["progress"] and run["progress"]["input_on"])

    def taken(self):
        return self.run()["record"]["taken"]

    def processor_s(self):
        return time.clock_gettime((~self.daemon.pid << 3) | 2)  # the process's own clock, as clock_getcpuclockid() makes it

    def idle(self):
        return self.call("status")["state"] == "idle"

    def newest_record(self):
        folder = self.path("state", "records")
        return max((os.path.join(folder, name) for name in os.listdir(folder)), key=os.path.getmtime)

    def memory_kib(self):
        with open(f"/proc/{self.daemon.pid}/status", encoding="utf-8") as file:
            rows = dict(line.split(":", 1) for line in file if line.startswith("Vm"))
        return int(rows["VmRSS"].split()[0]), int(rows["VmHWM"].split()[0])

    def stop_daemon(self):
        if self.client:
            self.client.close()
        self.end(self.daemon)

    @staticmethod
    def end(kid):
        if kid.poll() is None:
            kid.send_signal(signal.SIGTERM)
            try:
                kid.wait(10)
            except subprocess.TimeoutExpired:
                kid.kill()
                kid.wait()

    def close(self):
        for kid, log in zip(self.kids, self.logs):
            if kid.poll() not in (None, 0):
                with open(self.path(log), encoding="utf-8") as file:
                    print(f"{kid.args[0]} ended with {kid.returncode}:\n" + file.read()[-2000:], file=sys.stderr)
        for kid in reversed(self.kids):
            self.end(kid)
        with contextlib.suppress(OSError, ValueError), open(self.path("state", "guard.pid"), encoding="utf-8") as file:
            os.kill(int(file.read()), signal.SIGTERM)  # it leaves with the daemon; this is for one that did not


# ---- samples a second ----

def readings_of(record):
    """Times (s) and bytes of the answers while the load was on, without the first second."""
    with contextlib.closing(sqlite3.connect(f"file:{record}?mode=ro&immutable=1", uri=True)) as db:
        rows = db.execute("SELECT at_us, load_volts, amps FROM reading WHERE input_on = 1 ORDER BY seq").fetchall()
    rows = [row for row in rows if row[0] >= rows[0][0] + 1000000]
    return [row[0] / 1e6 for row in rows], statistics.mean(len(f"{row[1]:.4f};{row[2]:.4f}\n") for row in rows)


def other_loop(arguments):
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(" ".join(arguments) + ": " + done.stderr)
    rate, processor_us = done.stdout.split()
    return float(rate), float(processor_us)


def daemon_loop(daemon, seconds):
    """Samples a second, by the median time between two samples too, bytes of an answer, processor time a sample."""
    daemon.start_daemon()
    daemon.start_hold(f"{seconds + 1.5} s")
    wait_until("the load is on", 15, daemon.input_on)
    time.sleep(1)
    begin_s, begin_taken = daemon.processor_s(), daemon.taken()
    time.sleep(seconds)
    used_s, taken = daemon.processor_s() - begin_s, daemon.taken() - begin_taken
    wait_until("the run has ended", 20, daemon.idle)
    times, answer_bytes = readings_of(daemon.newest_record())
    daemon.stop_daemon()
    between = statistics.median(b - a for a, b in zip(times, times[1:]))
    return (len(times) - 1) / (times[-1] - times[0]), 1 / between, answer_bytes, used_s / taken * 1e6


def rounds_on(daemon, helpers, baud, tcp, seconds):
    """All three loops in turn, ROUNDS times: whatever else the computer does falls on all of them."""
    address = daemon.tcp_address() if tcp else daemon.path("sim", "load1")
    link, line = ("tcp:" + address, "") if tcp else ("pty:./sim/load1", f"line = {{ baud = {baud or 115200}; }};")
    resource = f"TCPIP::{address.replace(':', '::')}::SOCKET" if tcp else f"ASRL{address}::INSTR"
    write(daemon.path("bench.cfg"), BENCH % (link, line))
    ours, visa, bare = [], [], []
    for _ in range(ROUNDS):
        ours.append(daemon_loop(daemon, seconds))
        visa.append(other_loop(["/usr/bin/python3", os.path.join(HERE, "bench_visa.py"), resource, str(seconds), str(baud or 115200)]))
        bare.append(other_loop([os.path.join(helpers, "bare_loop"), address, str(2), QUERY]))
    return ours, visa, bare


def rate_on(where, bin_dir, helpers, name, baud, delay_ms, tcp, seconds):
    line = f'baud = {baud}; answer_delay = "{delay_ms} ms";' + (" tcp = 0;" if tcp else "")
    daemon = Daemon(where, bin_dir, name.replace(" ", "-"), SIM % (TOP, line), "")
    try:
        daemon.start_sim()
        ours, visa, bare = rounds_on(daemon, helpers, baud, tcp, seconds)
    finally:
        daemon.close()
    say_rates(name, baud, delay_ms, ours, visa, bare)


def say_rates(name, baud, delay_ms, ours, visa, bare):
    """The best round of each counts: what a round lacks, the computer was doing something else."""
    rate_ours, rate_median, rate_visa, rate_bare = (max(row[0] for row in ours), max(row[1] for row in ours), max(row[0] for row in visa), max(row[0] for row in bare))
    us_ours, us_visa, us_bare = (min(row[-1] for row in rows) for rows in (ours, visa, bare))
    figure(f"{name}: bruntd", f"{rate_ours:.1f}", "samples/s")
    figure(f"{name}: bruntd, by the median time between two samples", f"{rate_median:.1f}", "samples/s")
    figure(f"{name}: plain VISA loop, two queries", f"{rate_visa:.1f}", "samples/s")
    figure(f"{name}: bare C loop, the same query", f"{rate_bare:.1f}", "samples/s")
    if baud:
        answer_bytes = statistics.mean(row[2] for row in ours)
        limit = 1 / ((len(QUERY) + 1 + answer_bytes) * 10 / baud + delay_ms / 1e3)
        figure(f"{name}: limit by {len(QUERY) + 1} + {answer_bytes:.1f} bytes and {delay_ms} ms", f"{limit:.1f}", "samples/s")
        figure(f"{name}: bruntd against the limit", f"{rate_ours / limit * 100:.1f}", "%", "at least 98 %")
        figure(f"{name}: the same by the median time", f"{rate_median / limit * 100:.1f}", "%")
        figure(f"{name}: bare C loop against the limit", f"{rate_bare / limit * 100:.1f}", "%")
    figure(f"{name}: bruntd against the VISA loop", f"{rate_ours / rate_visa:.2f}", "times", "at least 1.1" if baud else "at least 2")
    figure(f"{name}: processor time a sample, bruntd", f"{us_ours:.1f}", "us")
    figure(f"{name}: processor time a sample, VISA loop", f"{us_visa:.1f}", "us")
    figure(f"{name}: processor time a sample, bare C loop", f"{us_bare:.1f}", "us")
    figure(f"{name}: processor time, bruntd against the VISA loop", f"{us_ours / us_visa:.3f}", "times", "at most 0.1")


LINES = (("9600 baud", 9600, 2, False, 5), ("115200 baud", 115200, 2, False, 4), ("unpaced pty", 0, 0, False, 3), ("unpaced TCP", 0, 0, True, 3))


def rate(where, bin_dir, helpers, _argument, lines=LINES):
    for name, baud, delay_ms, tcp, seconds in lines:
        rate_on(where, bin_dir, helpers, name, baud, delay_ms, tcp, seconds)


# ---- from a reading beyond a hard limit to off ----

class Between:
    """over_volts between the daemon and the load; only whole lines come from it."""

    def __init__(self, daemon, helpers):
        self.kid = daemon.spawn([os.path.join(helpers, "over_volts"), daemon.path("sim", "load1.sock"), daemon.path("between")], "between.log",
                                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        wait_until("the go-between is there", 5, lambda: os.path.lexists(daemon.path("between")))

    def strike(self):
        self.kid.stdin.write(OVER_VOLTS + "\n")
        self.kid.stdin.flush()
        latency_us, message = self.kid.stdout.readline().strip().split(" ", 1)
        if "OFF" not in message:
            raise RuntimeError(f"the daemon answered {OVER_VOLTS} V with: {message}")
        return float(latency_us)

    def usual(self):
        self.kid.stdin.close()
        return self.kid.stdout.readline().split()


def strikes(daemon, between, trials, rng, flag):
    """Each trial is a run of its own: such a reading ends it."""
    got = []
    for _ in range(trials):
        daemon.start_hold("60 s")
        wait_until("the load is on", 15, daemon.input_on)
        time.sleep(rng.uniform(0.05, 0.3))
        if flag:
            write(flag, "")
            wait_until("the disk is waited for", 10, lambda: os.path.exists(flag + ".waiting"))
            time.sleep(rng.uniform(0.0, 3.0))
        got.append(between.strike())
        if flag:
            os.unlink(flag)
            os.unlink(flag + ".waiting")
        wait_until("the run has ended", 20, daemon.idle)
        end = sqlite3.connect(f"file:{daemon.newest_record()}?mode=ro&immutable=1", uri=True).execute("SELECT value FROM meta WHERE name = 'end'").fetchone()
        if end != ("tripped",):
            raise RuntimeError(f"a run ended as {end}")
    return got


def say_latencies(name, got):
    got = sorted(got)
    rank = lambda q: got[min(len(got) - 1, int(q * len(got)))]
    figure(f"{name}: trials", len(got), "runs")
    figure(f"{name}: median", f"{rank(0.5):.0f}", "us")
    figure(f"{name}: 99th percentile", f"{rank(0.99):.0f}", "us", "under 1000 us")
    figure(f"{name}: longest", f"{got[-1]:.0f}", "us")


def latency(where, bin_dir, helpers, argument):
    trials = int(argument or 50)
    rng = random.Random(1)
    flag = os.path.join(where, "disk")
    preload = {"LD_PRELOAD": os.path.join(helpers, "slow_disk.so"), "SLOW_DISK": flag}
    daemon = Daemon(where, bin_dir, "latency", SIM % (TOP, 'unix = "load1.sock";'), BENCH % ("pty:./between", "line = { baud = 115200; };"), preload)
    try:
        daemon.start_sim()
        between = Between(daemon, helpers)
        daemon.start_daemon()
        say_latencies("over-voltage to off", strikes(daemon, between, trials, rng, None))
        say_latencies("over-voltage to off, the disk not answering", strikes(daemon, between, max(6, trials // 6), rng, flag))
        count, median, late, longest = between.usual()
        figure(f"the same path for {count} ordinary readings, to the next query: median", median, "us")
        figure("the same path for ordinary readings: 99th percentile", late, "us")
        figure("the same path for ordinary readings: longest", longest, "us")
    finally:
        if os.path.exists(flag):
            os.unlink(flag)
        daemon.close()


# ---- five contracts ----

def check(where, bin_dir, _helpers, _argument):
    with open(os.path.join(TOP, "profiles", "sim", "bench-demo.cfg"), encoding="utf-8") as file:
        sim = file.read().replace('"demo.cfg"', f'"{TOP}/profiles/sim/demo.cfg"')
    with open(os.path.join(TOP, "profiles", "bench-demo.cfg"), encoding="utf-8") as file:
        bench = file.read().replace("pty:./", "pty:./sim/")
    daemon = Daemon(where, bin_dir, "check", sim, bench)
    try:
        daemon.start_sim()
        daemon.start_daemon()
        done = subprocess.run([os.path.join(bin_dir, "brunt"), "check", "--json", "--socket", daemon.path("socket"), "--port", "C1", SUPPLY], capture_output=True,
                              text=True, check=False)
        if done.returncode not in (0, 1):
            raise RuntimeError("brunt check: " + done.stderr)
        with contextlib.closing(sqlite3.connect(f"file:{daemon.newest_record()}?mode=ro&immutable=1", uri=True)) as db:
            meta = dict(db.execute("SELECT name, value FROM meta"))
            contracts = db.execute("SELECT count(DISTINCT contract) FROM event WHERE kind = 'mark' AND name = 'point'").fetchone()[0]
        figure("check at 115200 baud: contracts measured", contracts, "contracts")
        figure("check at 115200 baud: run time", f"{int(meta['end_us']) / 1e6:.1f}", "s", "under 120 s")
        figure("check at 115200 baud: exit status of brunt check", done.returncode, f"(run {meta['end']})")
    finally:
        daemon.close()


# ---- memory ----

def memory(where, bin_dir, _helpers, argument):
    wanted = int(argument or 300000)
    daemon = Daemon(where, bin_dir, "memory", SIM % (TOP, 'tcp = 0; answer_delay = "0 ms";'), "")
    seen = []
    try:
        daemon.start_sim()
        write(daemon.path("bench.cfg"), BENCH % ("tcp:" + daemon.tcp_address(), ""))
        daemon.start_daemon()
        figure("memory: resident before the run", daemon.memory_kib()[0], "KiB")
        daemon.start_hold("1 d")
        wait_until("the load is on", 15, daemon.input_on)
        acknowledged = time.monotonic()
        while not seen or seen[-1][0] < wanted:
            taken = daemon.taken()
            if taken >= len(seen) * wanted / 10:
                seen.append((taken, daemon.memory_kib()[0]))
                figure(f"memory: resident after {taken} readings", seen[-1][1], "KiB")
            if time.monotonic() - acknowledged > 60:
                daemon.call("acknowledge")
                acknowledged = time.monotonic()
            time.sleep(0.2)
        figure("memory: highest resident", daemon.memory_kib()[1], "KiB", "under 16384 KiB")
        late = [kib for taken, kib in seen if taken >= wanted / 5]
        figure("memory: change over the last four fifths", late[-1] - late[0], "KiB", "flat")
        daemon.call("stop", {"text": "enough readings"})
        wait_until("the run has ended", 60, daemon.idle)
    finally:
        daemon.close()


def run_all(where, bin_dir, helpers, argument):
    """The contract check takes its time whatever else goes on, memory is no matter of time, and a slow line leaves the computer idle: these together."""
    beside = threading.Thread(target=check, args=(where, bin_dir, helpers, argument))
    beside.start()
    rate(where, bin_dir, helpers, argument, LINES[:1])
    memory(where, bin_dir, helpers, argument)
    beside.join()
    rate(where, bin_dir, helpers, argument, LINES[1:])
    latency(where, bin_dir, helpers, argument)


def main():
    parts = {"all": run_all, "rate": rate, "latency": latency, "check": check, "memory": memory}
    if not 4 <= len(sys.argv) <= 6 or (len(sys.argv) > 4 and sys.argv[4] not in parts):
        sys.exit(__doc__)
    part = sys.argv[4] if len(sys.argv) > 4 else "all"
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(130))
    parts[part](sys.argv[3], sys.argv[1], sys.argv[2], sys.argv[5] if len(sys.argv) > 5 else None)


if __name__ == "__main__":
    main()
