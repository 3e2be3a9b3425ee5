"""A bench of real programs (brunt-sim, bruntd, brunt-guard, brunt) in a folder of its own, for tests/off.py and tests/client.py."""
import glob
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time

PROGRAMS = ("brunt", "bruntd", "brunt-guard", "brunt-sim")
SOURCE = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
PATIENCE_S = 15.0  # nothing here is a matter of speed: what takes longer than this has failed

LOAD = """{ name = "load1"; role = "load"; link = "%s"; %s dialect = "standard"; channels = 2;
      ratings = { max_volts = 60.0; max_amps = 15.0; max_watts = 150.0; min_volts = 1.0;
                  constant_voltage_mode = true; constant_resistance_mode = true; };
      accuracy = { volts = { percent_of_reading = 0.05; percent_of_range = 0.02; range_volts = 60.0; };
                   amps  = { percent_of_reading = 0.1;  percent_of_range = 0.05; range_amps = 15.0; }; }; }"""
SELECTOR = """{ name = "selector1"; role = "selector"; link = "%s"; %s dialect = "standard"; }"""
SEATS = """( { name = "A"; load = "load1"; channel = 1; selector = "selector1";
      lead = { sense = "four-wire"; max_volts = 60.0; max_amps = 10.0; }; cable_amps = 5; } )"""


class Checks:
    """One line a check; safe to use from several threads."""

    def __init__(self):
        self.passed = self.failed = 0
        self.lock = threading.Lock()

    def that(self, sentence, good, why=""):
        with self.lock:
            self.passed += bool(good)
            self.failed += not good
            print("ok %s" % sentence if good else "FAILED %s: %s" % (sentence, str(why)[:2000]), flush=True)
        return bool(good)

    def close(self):
        print("%d passed, %d failed" % (self.passed, self.failed), flush=True)
        return 1 if self.failed else 0


def until(what, limit_s=PATIENCE_S, step_s=0.02):
    """What what() gives as soon as it is true; its last answer if it never is."""
    end = time.monotonic() + limit_s
    while True:
        seen = what()
        if seen or time.monotonic() > end:
            return seen
        time.sleep(step_s)


def running(pid):
    """Neither gone nor a zombie."""
    try:
        with open("/proc/%d/stat" % pid) as file:
            return file.read().rpartition(")")[2].split()[0] not in "ZX"
    except (OSError, IndexError):
        return False


class Control:
    """The control socket of brunt-sim: what is really so."""

    def __init__(self, path):
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(PATIENCE_S)
        self.socket.connect(path)
        self.file = self.socket.makefile("rw")

    def say(self, command):
        self.file.write(command + "\n")
        self.file.flush()
        answer = self.file.readline()
        while answer == "\n":
            answer = self.file.readline()
        return answer.strip()

    def load(self, channel=1):
        return json.loads(self.say("status"))["channels"][channel - 1]

    def on(self):
        """The input is on, or current flows."""
        load = self.load()
        return load["input"] or load["conducts"]

    def close(self):
        self.file.close()
        self.socket.close()


class Watch(threading.Thread):
    """Looks all the time whether an input is on, and remembers it."""

    def __init__(self, path):
        super().__init__(daemon=True)
        self.control = Control(path)
        self.seen_on, self.looks, self.over = False, 0, False
        self.start()

    def run(self):
        while not self.over:
            channels = json.loads(self.control.say("status"))["channels"]
            self.seen_on = self.seen_on or any(c["input"] or c["conducts"] for c in channels)
            self.looks += 1
            time.sleep(0.002)

    def end(self):
        self.over = True
        self.join()
        self.control.close()
        return self.seen_on


class Client:
    """JSON-RPC, one message a line."""

    def __init__(self, path):
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(PATIENCE_S)
        self.socket.connect(path)
        self.file = self.socket.makefile("rb")
        self.id = 0
        self.notices = []

    def send(self, data):
        self.socket.sendall(data)

    def next(self):
        """The next message; None where the daemon has hung up or is dead."""
        try:
            line = self.file.readline()
        except OSError:
            return None
        return json.loads(line) if line.endswith(b"\n") else None

    def call(self, method, **params):
        self.id += 1
        self.send(json.dumps({"jsonrpc": "2.0", "id": self.id, "method": method, "params": params}).encode() + b"\n")
        while True:
            message = self.next()
            if message is None or message.get("id") == self.id:
                return message
            self.notices.append(message)

    def close(self):
        self.file.close()
        self.socket.close()


class Follower(threading.Thread):
    """Keeps the last number that the daemon said is stored, and what else it says."""

    def __init__(self, path):
        super().__init__(daemon=True)
        self.client = Client(path)
        self.client.socket.settimeout(None)
        self.stored, self.kinds = 0, set()
        self.client.call("follow")
        self.start()

    def run(self):
        while True:
            message = self.client.next()
            if message is None:
                return
            self.kinds.add(message.get("method"))
            if message.get("method") == "stored":
                self.stored = message["params"]["seq"]

    def end(self):
        """Only once the daemon is dead, or to hang up on it."""
        try:
            self.client.socket.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass
        self.join(PATIENCE_S)
        self.client.close()


class Bench:
    """brunt-sim now; bruntd as often as asked for. Everything it starts ends with it."""

    def __init__(self, programs, link="pty", world="demo.cfg", shape="standard", more=()):
        self.programs = os.path.abspath(programs)
        self.dir = tempfile.mkdtemp(prefix="brunt-%s-" % link)
        self.state = os.path.join(self.dir, "state")
        self.socket = os.path.join(self.dir, "socket")
        self.bench = os.path.join(self.dir, "bench.cfg")
        self.log = os.path.join(self.dir, "daemon.log")
        self.profiles = os.path.join(SOURCE, "profiles")
        self.children, self.daemon, self.sim = [], None, None
        try:
            self._start_sim(link, world, shape, more)
            self.write_bench()
        except BaseException:
            self.close()
            raise

    def _start_sim(self, link, world, shape, more):
        how = "tcp = 0;" if link == "tcp" else "pty = true;"
        rows = ['{ name = "%s"; role = "%s"; shape = "%s"; %s }' % (n, r, s, how)
                for n, r, s in [("load1", "load", shape), ("selector1", "selector", shape)] + list(more)]
        path = self.write("sim.cfg", 'sim = { seed = 1; world_file = "%s"; addresses = ( %s ); };\n'
                          % (os.path.join(self.profiles, "sim", world), ",\n".join(rows)))
        self.sim = subprocess.Popen([self.program("brunt-sim"), "--dir", self.dir, path], stdout=subprocess.PIPE, text=True)
        self.children.append(self.sim)
        self.links = {}
        for line in self.sim.stdout:
            words = line.split()
            if words[0] == "ready":
                break
            self.links[words[0]] = "%s:%s" % (words[1], words[2])
        self.control = Control(os.path.join(self.dir, "control"))

    def program(self, name):
        return os.path.join(self.programs, name)

    def write(self, name, text):
        path = os.path.join(self.dir, name)
        with open(path, "w") as file:
            file.write(text)
        return path

    def line(self, name):
        return "" if self.links[name].startswith("tcp:") else "line = { baud = 115200; };"

    def write_bench(self, instruments=None, seats=SEATS, name="bench.cfg"):
        """The bench file; instruments: pieces in libconfig."""
        if instruments is None:
            instruments = [LOAD % (self.links["load1"], self.line("load1")), SELECTOR % (self.links["selector1"], self.line("selector1"))]
        return self.write(name, 'bench =\n{\n  name = "rig";\n  instruments = (\n    %s\n  );\n  seats = %s;\n};\n' % (",\n    ".join(instruments), seats))

    # ---- bruntd ----

    def daemon_command(self, *more, bench=None, state=None):
        return [self.program("bruntd"), "--dir", state or self.state, "--socket", self.socket, "--bench", bench or self.bench,
                "--dialects", os.path.join(self.profiles, "dialects"), "--guard", self.program("brunt-guard"), *more]

    def start_daemon(self, wait=True, **how):
        with open(self.log, "a") as log:
            self.daemon = subprocess.Popen(self.daemon_command(**how), stdout=log, stderr=log)
        self.children.append(self.daemon)
        if wait and not until(self.ready):
            raise AssertionError("the daemon did not get ready: %s" % self.log_text()[-1500:])
        return self.daemon

    def run_daemon(self, *more, **how):
        """bruntd until it ends by itself."""
        return subprocess.run(self.daemon_command(*more, **how), capture_output=True, text=True, timeout=60)

    def end_daemon(self):
        """Politely, with a look at how it ended."""
        if self.daemon and self.daemon.poll() is None:
            self.daemon.send_signal(signal.SIGTERM)
        return self.daemon.wait(PATIENCE_S) if self.daemon else None

    def log_text(self):
        return open(self.log).read() if os.path.exists(self.log) else ""

    def ask(self, method, **params):
        """One call over a connection of its own; None if nobody answers."""
        try:
            client = Client(self.socket)
        except OSError:
            return None
        try:
            answer = client.call(method, **params)
            return answer.get("result", answer) if answer else None
        except OSError:
            return None
        finally:
            client.close()

    def ready(self):
        status = self.ask("status")
        bench = self.ask("bench") if status and status.get("ready") else None
        return bench is not None and bench["guard"]["up"]

    def run_id(self):
        status = self.ask("status")
        return status["run"]["id"] if status and status.get("run") else None

    def idle(self):
        status = self.ask("status")
        return status is not None and status.get("run") is None

    # ---- brunt ----

    def environment(self):
        return dict(os.environ, BRUNT_SOCKET=self.socket, BRUNT_PROFILES=self.profiles)

    def brunt(self, *words, timeout=60):
        return subprocess.run([self.program("brunt"), *words], capture_output=True, text=True, timeout=timeout, env=self.environment())

    def brunt_begin(self, *words):
        child = subprocess.Popen([self.program("brunt"), *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=self.environment())
        self.children.append(child)
        return child

    # ---- what stays behind ----

    def guards(self):
        """The guard lives in a session of its own; the folder in its command line is ours alone."""
        found = []
        for path in glob.glob("/proc/[0-9]*/cmdline"):
            try:
                with open(path, "rb") as file:
                    words = file.read().split(b"\0")
            except OSError:
                continue
            pid = int(path.split("/")[2])
            if len(words) > 1 and words[0].endswith(b"brunt-guard") and words[1] == self.state.encode() and running(pid):
                found.append(pid)
        return found

    def record_path(self, run):
        return os.path.join(self.state, "records", run + ".brunt")

    def record(self, run, query):
        connection = sqlite3.connect("file:%s?mode=ro" % self.record_path(run), uri=True)
        try:
            return connection.execute(query).fetchall()
        finally:
            connection.close()

    def meta(self, run, name):
        rows = self.record(run, "SELECT value FROM meta WHERE name = '%s'" % name)
        return rows[0][0] if rows else None

    def finished(self, run):
        return os.path.exists(self.record_path(run)) and self.meta(run, "end")

    def close(self):
        """Ends what was started, the daemon first so that the guard has nothing left to do."""
        for child in reversed(self.children):
            if child.poll() is None:
                child.send_signal(signal.SIGCONT)
                child.send_signal(signal.SIGTERM)
                try:
                    child.wait(6)
                except subprocess.TimeoutExpired:
                    child.kill()
            child.wait()
            for pipe in (child.stdout, child.stderr):
                if pipe:
                    pipe.close()
        for pid in self.guards():
            os.kill(pid, signal.SIGKILL)
        shutil.rmtree(self.dir, ignore_errors=True)


def find_programs(words):
    """The folder of binaries from the command line, or an end with a sentence."""
    folder = os.path.abspath(words[0] if words else os.path.join(SOURCE, "build", "bin"))
    missing = [name for name in PROGRAMS if not os.access(os.path.join(folder, name), os.X_OK)]
    if missing:
        print("%s not in %s: build first, or name the folder of binaries" % (", ".join(missing), folder), file=sys.stderr)
        sys.exit(2)
    return folder
