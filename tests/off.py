#!/usr/bin/python3
"""Whatever dies, the load goes off: bruntd, brunt-guard and brunt are killed and stopped at random moments of a run on a pseudo-terminal and on TCP.

usage: /usr/bin/python3 tests/off.py [FOLDER-OF-BINARIES [MOMENTS [SEED]]]
As root it does all of it a second time as an ordinary user. What is true is asked of the simulated bench, not of the programs under test. How long
an off takes is printed, never judged beyond 15 s. Exit status 1 if a check failed.
"""
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import traceback

sys.dont_write_bytecode = True
from processes import PATIENCE_S, PROGRAMS, SOURCE, Bench, Checks, Follower, Watch, find_programs, running, until  # noqa: E402

NOBODY = 65534
PROFILE = """profile = { name = "long"; stages = ( { kind = "idle"; dwell = "100 ms"; },
    { kind = "hold"; name = "rated"; rated_percent = 100.0; dwell = "1 h"; } ); };
"""
HALVES = ("INP ON", "CURR 500 MA")
checks = Checks()
benches = []


class Tally:
    """What went wrong at which moment, and how long each off took."""

    def __init__(self):
        self.troubles, self.times_s, self.conducting, self.moments, self.at = [], [], 0, 0, ""

    def that(self, good, what):
        if not good:
            self.troubles.append("%s: %s" % (self.at, what))
        return good

    def figure(self, name):
        ms = sorted(t * 1000.0 for t in self.times_s)
        if not ms:
            return "figure: %s: %d moments, the load was never on" % (name, self.moments)
        return "figure: %s: %d moments, load on at %d; time to off: median %.1f ms, 90 %% %.1f ms, longest %.1f ms" % (
            name, self.moments, len(ms), ms[len(ms) // 2], ms[min(len(ms) - 1, len(ms) * 9 // 10)], ms[-1])


def begin(bench):
    """A run that holds the load at rated current for an hour."""
    answer = bench.brunt("start", os.path.join(bench.profiles, "supply-sample.cfg"), bench.write("long.cfg", PROFILE), "--contract", "5", "--detach")
    run = until(bench.run_id, 3.0)
    if answer.returncode or not run:
        raise AssertionError("the run did not start: %s" % answer.stderr)
    return run


def goes_off(bench, tally, since, was_on, quiet_s=0.25):
    """Off within patience, and off it stays."""
    off = until(lambda: not bench.control.on(), PATIENCE_S, 0.0003)
    if was_on:
        tally.times_s.append(time.monotonic() - since)
    tally.that(off, "the load is still on after %g s" % PATIENCE_S)
    watch = Watch(os.path.join(bench.dir, "control"))
    time.sleep(quiet_s)
    tally.that(not watch.end(), "the load went on again")


def stop(bench, tally, run):
    """Ends a run by order and gives how its record ends."""
    bench.brunt("stop")
    tally.that(until(bench.idle), "the run did not end at brunt stop")
    tally.that(not bench.control.on(), "the load is on after brunt stop")
    return bench.finished(run)


def next_daemon(bench, tally, run, ends):
    """The next start closes the record; before it is ready the load never goes on."""
    watch = Watch(os.path.join(bench.dir, "control"))
    bench.start_daemon()
    tally.that(not watch.end(), "the load was on while the next daemon started")
    tally.that(bench.finished(run) == ends, "the record ends as %r, not %r" % (bench.finished(run), ends))
    tally.that(until(lambda: not os.path.exists(os.path.join(bench.state, "armed"))), "the armed file still stands")


def numbers_up_to(bench, run, seq):
    return bench.record(run, "SELECT (SELECT count(*) FROM reading WHERE seq <= %d) + (SELECT count(*) FROM event WHERE seq <= %d)" % (seq, seq))[0][0]


# ---- one moment each ----

def kill_daemon(bench, tally, moment):
    follower = Follower(bench.socket)
    run = begin(bench)
    time.sleep(moment)
    was_on, since = bench.control.on(), time.monotonic()
    bench.daemon.kill()
    goes_off(bench, tally, since, was_on)
    bench.daemon.wait()
    follower.end()
    next_daemon(bench, tally, run, "crashed")
    kept = numbers_up_to(bench, run, follower.stored)
    tally.that(kept == follower.stored, "%d were said to be stored, %d of them are in the record" % (follower.stored, kept))


def stop_and_continue_daemon(bench, tally, moment):
    run = begin(bench)
    time.sleep(moment)
    bench.daemon.send_signal(signal.SIGSTOP)
    was_on, since, last_on = bench.control.on(), time.monotonic(), None
    while time.monotonic() - since < 1.8:
        if bench.control.on():
            last_on = time.monotonic()
        time.sleep(0.0005)
    if last_on:
        tally.times_s.append(last_on - since)
    tally.that(not bench.control.on(), "the load is on though its daemon stands still")
    bench.daemon.send_signal(signal.SIGCONT)
    dead = until(lambda: bench.daemon.poll() is not None, PATIENCE_S if was_on or last_on else 0.5)
    if not dead:  # stopped before it was armed: then it may go on, and is no danger
        tally.that(not was_on and not last_on, "the daemon woke up alive though its load had been on")
        tally.that(stop(bench, tally, run) == "stopped", "the record ends as %r" % bench.finished(run))
        return
    goes_off(bench, tally, since, False)
    next_daemon(bench, tally, run, "crashed")


def kill_client(bench, tally, moment):
    client = bench.brunt_begin("start", os.path.join(bench.profiles, "supply-sample.cfg"), bench.write("long.cfg", PROFILE), "--contract", "5")
    run = until(bench.run_id)
    time.sleep(moment)
    client.kill()
    client.wait()
    if tally.that(until(bench.control.on), "the load did not go on: the run did not go on without its client"):
        time.sleep(0.1)
        tally.that(bench.run_id() == run, "the run is %s, not %s" % (bench.run_id(), run))
    since = time.monotonic()
    bench.ask("stop")
    goes_off(bench, tally, since, True, 0.05)
    tally.that(until(bench.idle), "the run did not end")
    tally.that(bench.finished(run) == "stopped", "the record ends as %r" % bench.finished(run))


def kill_guard(bench, tally, moment):
    run = begin(bench)
    time.sleep(moment)
    guards = bench.guards()
    if not tally.that(len(guards) == 1, "there are %d guards" % len(guards)):
        return
    was_on, since = bench.control.on(), time.monotonic()
    os.kill(guards[0], signal.SIGKILL)
    if was_on:
        goes_off(bench, tally, since, True)
        tally.that(until(bench.idle), "the run did not end")
    guarded = until(lambda: bench.idle() or (bench.guards() and bench.control.on()))
    tally.that(guarded, "the run neither ended nor got another guard")
    if bench.idle():
        tally.that(not bench.control.on(), "the run is over and the load is on")
        tally.that(bench.finished(run) == "fault", "the record ends as %r" % bench.finished(run))
    else:
        status = bench.ask("status")
        tally.that(status["armed"] and bench.ask("bench")["guard"]["up"], "the load is on without a guard: %s" % status)
        stop(bench, tally, run)
    tally.that(until(bench.ready), "no guard came back")


def terminate_daemon(bench, tally, moment):
    run = begin(bench)
    time.sleep(moment)
    was_on, since = bench.control.on(), time.monotonic()
    bench.daemon.terminate()
    goes_off(bench, tally, since, was_on)
    status = bench.daemon.wait(PATIENCE_S)
    tally.that(status == 0, "it ended with %s" % status)
    tally.that(bench.finished(run) == "stopped", "the record ends as %r" % bench.finished(run))
    tally.that(not os.path.exists(os.path.join(bench.state, "armed")), "the armed file still stands")
    bench.start_daemon()


def kill_both(bench, tally, moment):
    """Nobody is left to turn the load off, and half an order stands in its buffer; the next start comes without even a bench file."""
    run = begin(bench)
    if not tally.that(until(bench.control.on), "the load did not go on"):
        return
    time.sleep(moment * 0.2)
    guard = bench.guards()[0]
    os.kill(guard, signal.SIGSTOP)  # both stand still before either dies, or one would notice the other's death
    bench.daemon.send_signal(signal.SIGSTOP)
    os.kill(guard, signal.SIGKILL)
    bench.daemon.kill()
    bench.daemon.wait()
    until(lambda: not running(guard))
    tally.that(bench.control.on(), "the load is off though nobody could turn it off: this moment shows nothing")
    leave_half(bench.links["load1"], "INP ON"[:1 + int(moment * 1000) % 6])
    since = time.monotonic()
    if int(moment * 1e6) % 2:
        command, expected = bench.daemon_command("--off"), 0
    else:
        command, expected = bench.daemon_command(bench=os.path.join(bench.dir, "no-such-file.cfg")), 2
    ending = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    bench.children.append(ending)
    goes_off(bench, tally, since, True)
    said = ending.communicate(timeout=60)[1]
    tally.that(ending.returncode == expected, "%s ended with %d: %s" % (command[-1], ending.returncode, said))
    next_daemon(bench, tally, run, "crashed")


def leave_half(link, text):
    """Writes bytes as a dying program would: no line end, then the link is closed."""
    kind, _, where = link.partition(":")
    if kind == "tcp":
        host, _, port = where.partition(":")
        with socket.create_connection((host, int(port)), PATIENCE_S) as writer:
            writer.sendall(text.encode())
    else:
        fd = os.open(where, os.O_WRONLY | os.O_NOCTTY)
        os.write(fd, text.encode())
        os.close(fd)
    time.sleep(0.03)


MOMENTS = (
    ("kill -9 of the daemon at any moment leaves the load off and the record whole", kill_daemon, 0.0, 2.0),
    ("a daemon that was stopped while armed is dead before it can wake up", stop_and_continue_daemon, 0.6, 2.0),
    ("kill -9 of the client at any moment leaves the run alone", kill_client, 0.0, 1.5),
    ("kill -9 of the guard at any moment ends the run with the load off or finds another guard", kill_guard, 0.0, 2.0),
    ("SIGTERM to the daemon at any moment ends in good order with the load off", terminate_daemon, 0.0, 2.0),
    ("after the death of daemon and guard together the next start turns the load off before it reads the bench", kill_both, 0.0, 1.0),
)


# ---- half messages ----

def halves_matter(bench):
    """Without spoil bytes the halves would be finished by the next writer: otherwise this test shows nothing."""
    leave_half(bench.links["load1"], "INP ")
    leave_half(bench.links["load1"], "ON\n")
    seen = until(bench.control.on, 3.0)
    leave_half(bench.links["load1"], "!\nINP:ALL OFF\n")
    return seen and until(lambda: not bench.control.on(), 3.0)


def half_messages(bench, sentence):
    bench.end_daemon()
    checks.that("two writers' halves make one order, unless somebody spoils them (%s)" % sentence, halves_matter(bench))
    for whole in HALVES:
        troubles = []
        for length in range(1, len(whole) + 1):
            leave_half(bench.links["load1"], whole[:length])
            watch = Watch(os.path.join(bench.dir, "control"))
            bench.start_daemon()
            time.sleep(0.1)
            if watch.end():
                troubles.append("after %r the input went on" % whole[:length])
            if bench.end_daemon() != 0:
                troubles.append("after %r the daemon ended badly: %s" % (whole[:length], bench.log_text()[-500:]))
        checks.that("a daemon that starts behind a half '%s' of any length never turns the input on (%s)" % (whole, sentence), not troubles, troubles)


# ---- all of it ----

def worker(programs, link, who, share, count, seed):
    """One bench, its share of the kinds of death, one after the other."""
    name = "%s, %s" % (link, who)
    bench = None
    try:
        bench = Bench(programs, link)
        benches.append(bench)
        bench.start_daemon()
        for sentence, one, first, last in share:
            chance, tally = random.Random("%s %s %d" % (one.__name__, link, seed)), Tally()
            for _ in range(count):
                moment = chance.uniform(first, last)
                tally.at, tally.moments = "%.3f s" % moment, tally.moments + 1
                if len(tally.troubles) < 5:
                    one(bench, tally, moment)
            checks.that("%s (%s)" % (sentence, name), not tally.troubles, "; ".join(tally.troubles) + "\n" + bench.log_text()[-1200:])
            print(tally.figure("%s, %s" % (one.__name__.replace("_", " "), name)), flush=True)
        if kill_both in [one for _, one, _, _ in share]:
            half_messages(bench, name)
    except Exception:  # whatever it is, it is a failed check, and the other benches go on
        log = bench.log_text()[-1500:] if bench else ""
        checks.that("the bench works to the end (%s, %s)" % (name, ", ".join(one.__name__ for _, one, _, _ in share)), False, traceback.format_exc() + log)
    finally:
        if bench:
            bench.close()


def as_ordinary_user(programs, count, seed):
    """The same once more as nobody, from copies that he may read; prints his lines and takes his sums over."""
    place = tempfile.mkdtemp(prefix="brunt-off-")
    os.chmod(place, 0o755)
    try:
        os.makedirs(os.path.join(place, "bin"))
        for name in PROGRAMS:
            shutil.copy(os.path.join(programs, name), os.path.join(place, "bin", name))
        shutil.copytree(os.path.join(SOURCE, "profiles"), os.path.join(place, "profiles"))
        os.makedirs(os.path.join(place, "tests"))
        for name in ("off.py", "processes.py"):
            shutil.copy(os.path.join(SOURCE, "tests", name), os.path.join(place, "tests", name))
        os.makedirs(os.path.join(place, "tmp"))
        os.chown(os.path.join(place, "tmp"), NOBODY, NOBODY)
        subprocess.run(["chmod", "-R", "a+rX", place], check=True)
        child = subprocess.Popen(["setpriv", "--reuid=%d" % NOBODY, "--regid=%d" % NOBODY, "--clear-groups", sys.executable,
                                  os.path.join(place, "tests", "off.py"), os.path.join(place, "bin"), str(count), str(seed)],
                                 stdout=subprocess.PIPE, text=True, cwd="/", env={"PATH": os.environ["PATH"], "HOME": place, "TMPDIR": os.path.join(place, "tmp")})
        try:
            finished = False
            for line in child.stdout:
                if " passed, " in line and line[0].isdigit():
                    words = line.split()
                    checks.passed, checks.failed, finished = checks.passed + int(words[0]), checks.failed + int(words[2]), True
                else:
                    print(line, end="", flush=True)
            checks.that("the ordinary user's part ends by itself", child.wait() in (0, 1) and finished, child.returncode)
        finally:
            if child.poll() is None:
                child.terminate()
                child.wait()
    finally:
        shutil.rmtree(place, ignore_errors=True)


def main(words):
    programs = find_programs(words)
    count = int(words[1]) if len(words) > 1 else 10
    seed = int(words[2]) if len(words) > 2 else random.SystemRandom().randrange(1000000)
    who = "root" if os.geteuid() == 0 else "ordinary user"
    print("seed %d, %d moments each, as %s" % (seed, count, who), flush=True)
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(143))
    shares = (MOMENTS[0:2], MOMENTS[2:4], MOMENTS[4:6])
    threads = [threading.Thread(target=worker, args=(programs, link, who, share, count, seed), daemon=True) for link in ("pty", "tcp") for share in shares]
    try:
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        if os.geteuid() == 0:
            as_ordinary_user(programs, count, seed)
        else:
            print("not root: only as this user", flush=True)
    finally:
        for bench in benches:
            bench.close()
    return checks.close()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
