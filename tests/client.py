#!/usr/bin/python3
"""Every verb of brunt against real programs: exit status, sentence, --json; and what a bench can do wrong.

usage: /usr/bin/python3 tests/client.py [FOLDER-OF-BINARIES]
Exit status 1 if a check failed.
"""
import csv
import io
import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import traceback

sys.dont_write_bytecode = True
from processes import LOAD, SELECTOR, Bench, Checks, Client, Watch, find_programs, until  # noqa: E402

SHORT = """profile = { name = "short"; each = "contract"; on_trip = "next"; stages = (
    { kind = "idle"; name = "no load"; dwell = "400 ms"; settle = "100 ms"; },
    { kind = "step"; name = "steps"; rated_percent = [ 50.0, 100.0 ]; dwell = "400 ms"; settle = "150 ms"; },
    { kind = "hold"; name = "rated"; rated_percent = 100.0; dwell = "500 ms"; settle = "150 ms"; } ); };
"""
DEEP = """profile = { name = "deep"; each = "stage"; on_trip = "next"; stages = (
    { kind = "idle"; dwell = "400 ms"; settle = "100 ms"; },
    { kind = "hold"; name = "rated"; rated_percent = 100.0; dwell = "500 ms"; settle = "150 ms"; },
    { kind = "capacity"; dwell = "300 ms"; settle = "100 ms"; cap_percent = 130.0; resolution_percent = 5.0; slew_amps_per_s = 20.0; trips_max = 1; },
    { kind = "recover"; } ); };
"""
LONG = """profile = { name = "long"; stages = ( { kind = "idle"; dwell = "200 ms"; settle = "50 ms"; },
    { kind = "hold"; name = "rated"; rated_percent = 100.0; dwell = "1 h"; } ); };
"""
TIRED = """supply = { name = "Ember 45"; total_watts = 45.0; ports = ( { name = "C"; connector = "usb-c"; contracts = (
    { volts = 5.0; amps = 3.0; }, { volts = 15.0; amps = 3.0; } ); } ); };
"""
RATINGS = """ratings = { max_volts = 60.0; max_amps = 15.0; max_watts = 150.0; min_volts = 1.0; };
    accuracy = { volts = { percent_of_reading = 0.05; percent_of_range = 0.02; }; amps = { percent_of_reading = 0.1; percent_of_range = 0.05; }; };"""
NEED_DAEMON = (("check", "SUPPLY"), ("characterise", "SUPPLY"), ("start", "SUPPLY", "PROFILE"), ("follow",), ("stop",), ("hold",), ("resume",),
               ("note", "x"), ("answer", "x"), ("runs",), ("judge", "20260101-000000-aaaa"), ("export", "20260101-000000-aaaa"), ("bench",), ("drill",))
VERBS = sorted({words[0] for words in NEED_DAEMON} | {"probe"})
checks = Checks()
benches = []


def open_bench(programs, **how):
    bench = Bench(programs, **how)
    benches.append(bench)
    bench.supply = os.path.join(bench.profiles, "supply-sample.cfg")
    for name, text in (("short", SHORT), ("deep", DEEP), ("long", LONG), ("tired", TIRED)):
        setattr(bench, name, bench.write(name + ".cfg", text))
    return bench


def as_json(text):
    """The one document on standard output; None if it isn't one."""
    try:
        return json.loads(text)
    except ValueError:
        return None


def seen(answer):
    return "status %s, out %r, err %r" % (answer.returncode, answer.stdout[-500:], answer.stderr[-700:])


def ends_with(sentence, answer, status, *words):
    """A sentence on standard error with these words, and this exit status."""
    return checks.that(sentence, answer.returncode == status and all(word in answer.stderr for word in words), "expected %d and %s; %s" % (status, words, seen(answer)))


def start(bench, profile, *more):
    answer = bench.brunt("start", bench.supply, profile, "--contract", "5", "--detach", "--json", *more)
    document = as_json(answer.stdout)
    return (document or {}).get("run"), answer


def stop(bench):
    bench.brunt("stop")
    return until(bench.idle)


# ---- the parts ----

def command_lines(programs):
    """No daemon, wrong words, wrong files."""
    bench = open_bench(programs)
    for words in NEED_DAEMON:
        words = [{"SUPPLY": bench.supply, "PROFILE": bench.short}.get(word, word) for word in words]
        ends_with("without a daemon brunt %s ends with 3 and names the socket" % words[0], bench.brunt(*words), 3, bench.socket)
        answer = bench.brunt(*words, "--json")
        checks.that("without a daemon brunt %s --json keeps standard output clean" % words[0], answer.returncode == 3 and not answer.stdout, seen(answer))
    for verb in VERBS:
        answer = bench.brunt(verb, "--help")
        checks.that("brunt %s --help tells its options" % verb, answer.returncode == 0 and "--json" in answer.stdout, seen(answer))
        answer = bench.brunt(verb, "--no-such-option")
        checks.that("brunt %s refuses an unknown option with 2" % verb, answer.returncode == 2 and answer.stderr, seen(answer))
        answer = bench.brunt(verb, "a", "b", "c")
        checks.that("brunt %s refuses a word too many with 2" % verb, answer.returncode == 2 and "too many" in answer.stderr, seen(answer))
    for words, what in ((("frobnicate",), "an unknown verb"), ((), "no verb"), (("check",), "a missing word"), (("note",), "a missing text")):
        answer = bench.brunt(*words)
        checks.that("%s ends with 2 and a sentence" % what, answer.returncode == 2 and answer.stderr, seen(answer))
    listed = bench.brunt("--help")
    checks.that("brunt --help lists every verb", listed.returncode == 0 and all(re.search(r"^  %s " % verb, listed.stdout, re.M) for verb in VERBS), seen(listed))
    checks.that("no line of brunt --help is longer than 80", max(map(len, listed.stdout.splitlines())) <= 80, max(listed.stdout.splitlines(), key=len))
    wrong_files(bench)
    bench.close()


def wrong_files(bench):
    supply_text = open(bench.supply).read()
    line = supply_text[:supply_text.index("total_watts")].count("\n") + 1
    unknown = bench.write("unknown.cfg", supply_text.replace("total_watts = 65.0", "totl_watts = 1; total_watts = 65.0"))
    ends_with("an unknown key in a supply file ends with 2, file and line", bench.brunt("check", unknown), 2, "%s:%d" % (unknown, line), "totl_watts")
    kind = bench.write("kind.cfg", supply_text.replace("total_watts = 65.0", 'total_watts = "65"'))
    ends_with("a wrong type in a supply file ends with 2, file and line", bench.brunt("check", kind), 2, "%s:%d" % (kind, line), "total_watts")
    torn = bench.write("torn.cfg", supply_text[:len(supply_text) // 2])
    ends_with("half a supply file ends with 2, file and line", bench.brunt("check", torn), 2, "%s:" % torn)
    broken = bench.write("broken.cfg", SHORT.replace('"500 ms"', '"500"'))
    ends_with("a duration without unit in a profile ends with 2, file and line", bench.brunt("check", bench.supply, "--profile", broken), 2, "%s:4" % broken)
    ends_with("a supply file that is not there ends with 2 and its name", bench.brunt("check", "/no/such.cfg"), 2, "/no/such.cfg")
    ends_with("a profile that is not there ends with 2 and its name", bench.brunt("start", bench.supply, "/no/such.cfg"), 2, "/no/such.cfg")
    ends_with("a port that the supply hasn't ends with 2 and its name", bench.brunt("check", bench.supply, "--port", "Z9"), 2, "Z9")
    ends_with("a contract that the supply hasn't ends with 2 and its volts", bench.brunt("check", bench.supply, "--contract", "7"), 2, "7 V")
    ends_with("a contract that is no number ends with 2", bench.brunt("check", bench.supply, "--contract", "five"), 2, "five")
    ends_with("judging a file that is no record ends with 2", bench.brunt("judge", bench.supply), 2, bench.supply, "no record")
    ends_with("a bench file that is wrong ends bruntd --check with 2, file and line",
              bench.run_daemon("--check", bench=bench.write("b.cfg", open(bench.bench).read().replace("max_amps = 15.0", "max_amps = -15.0", 1))), 2, "b.cfg:6", "max_amps")
    answer = bench.run_daemon("--check")
    checks.that("a right bench file ends bruntd --check with 0", answer.returncode == 0 and "no fault" in answer.stdout, seen(answer))


def records(programs):
    """check to its verdict, and everything that reads records."""
    bench = open_bench(programs)
    bench.start_daemon()
    answer = bench.brunt("runs")
    checks.that("brunt runs says that there are none yet", answer.returncode == 0 and "no finished runs" in answer.stdout, seen(answer))
    check = bench.brunt("check", bench.supply, "--profile", bench.short, "--title", "first")
    table, _, tail = check.stdout.partition("\nRecord: ")
    path = tail.splitlines()[0] if tail else ""
    run = os.path.basename(path)[:-len(".brunt")]
    checks.that("check of the sample supply ends with 0", check.returncode == 0, seen(check))
    checks.that("its table has five contracts that pass", len(re.findall(r"^ *(5|9|12|15|20) V .*pass", table, re.M)) == 5, table)
    checks.that("it warns on standard error, not in the table", "Caution" in check.stderr and "Caution" not in check.stdout, seen(check))
    checks.that("without a terminal its progress has no control bytes", "\033" not in check.stdout + check.stderr and "\r" not in check.stderr, check.stderr[-300:])
    if not checks.that("it names the record", os.path.exists(path), check.stdout[-500:]):
        return
    for word in (run, path):
        again = bench.brunt("judge", word)
        checks.that("judge %s prints the same table" % ("ID" if word == run else "FILE"), again.returncode == 0 and again.stdout.strip() == table.strip(), seen(again))
    again = bench.brunt("judge", run, "--dir", bench.state, "--socket", "/no/socket")
    checks.that("judge --dir needs no daemon", again.returncode == 0 and again.stdout.strip() == table.strip(), seen(again))
    rows = bench.record(run, "SELECT count(*) FROM reading")[0][0]
    exported = bench.brunt("export", run)
    table = list(csv.reader(io.StringIO(exported.stdout)))
    checks.that("export prints one CSV row a reading, all of the same width",
                exported.returncode == 0 and len(table) == rows + 1 and len({len(row) for row in table}) == 1, "%d rows, %d readings" % (len(table) - 1, rows))
    first = bench.record(run, "SELECT seq, volts FROM reading ORDER BY seq LIMIT 1")[0]
    checks.that("the first CSV row is the first reading", int(table[1][0]) == first[0] and abs(float(table[1][table[0].index("volts_V")]) - first[1]) < 1e-6, table[1])
    document = as_json(bench.brunt("export", run, "--json").stdout)
    checks.that("export --json has as many", document is not None and len(document) == rows, document and len(document))
    in_json(bench, run, path)
    tired = bench.brunt("characterise", bench.supply, "--profile", bench.deep, "--contract", "5", "--json")
    document = as_json(tired.stdout)
    checks.that("characterise --json gives a capacity with its interval", tired.returncode in (0, 1) and document and document["contracts"][0]["capacity"]["amps"] > 2.5, seen(tired))
    checks.that("bruntd ends in good order", bench.end_daemon() == 0, bench.log_text()[-800:])
    bench.close()


def in_json(bench, run, path):
    listed = as_json(bench.brunt("runs", "--json").stdout)
    checks.that("runs --json lists the run with its end and its readings", listed and listed[0]["id"] == run and listed[0]["end"] == "done" and listed[0]["readings"] > 100, listed)
    plain = bench.brunt("runs")
    checks.that("runs lists the run", plain.returncode == 0 and plain.stdout.startswith(run) and "done" in plain.stdout, seen(plain))
    judged = bench.brunt("judge", run, "--json")
    document = as_json(judged.stdout)
    checks.that("judge --json says pass for each of five contracts",
                judged.returncode == 0 and document and document["verdict"] == "pass" and [c["verdict"] for c in document["contracts"]] == ["pass"] * 5, seen(judged))
    checks.that("judge --json names run, record, rule", document and document["run"] == run and document["record"] == path and document["decision_rule"], seen(judged))
    for words in (("bench",), ("drill",), ("stop",)):
        until(bench.ready)
        answer = bench.brunt(*words, "--json")
        checks.that("%s --json prints one JSON document" % words[0], answer.returncode == 0 and isinstance(as_json(answer.stdout), dict), seen(answer))
    answer = bench.brunt("bench")
    checks.that("bench shows instruments and the table of ways off", answer.returncode == 0 and "load1" in answer.stdout and "guard" in answer.stdout, seen(answer))
    until(bench.ready)  # the off of the stop above is confirmed
    answer = bench.brunt("drill")
    checks.that("a drill of the bench ends with 0, and each line says what it tried",
                answer.returncode == 0 and answer.stdout and all(re.match(r"works +\w+ +\w+ \w+ .* ms", line) for line in answer.stdout.splitlines()), seen(answer))
    checks.that("the drill leaves the load off", not bench.control.on())
    ends_with("judging a run that isn't there ends with 2 and its id", bench.brunt("judge", "20200101-000000-zzzz"), 2, "20200101-000000-zzzz")
    ends_with("exporting a run that isn't there ends with 2 and its id", bench.brunt("export", "20200101-000000-zzzz"), 2, "20200101-000000-zzzz")


def tired_supply(programs):
    bench = open_bench(programs, world="tired.cfg")
    bench.start_daemon()
    answer = bench.brunt("check", bench.tired, "--profile", bench.short, "--json")
    document = as_json(answer.stdout)
    checks.that("a tired supply ends with 1 and JSON that says which contract fails",
                answer.returncode == 1 and document and document["verdict"] != "pass" and document["contracts"][-1]["verdict"] not in ("pass", "conditional pass"), seen(answer))
    again = bench.brunt("judge", (document or {}).get("run", ""))
    checks.that("judging it again ends with 1 too", again.returncode == 1 and "fail" in again.stdout, seen(again))
    bench.close()


def while_running(programs):
    """Two clients, orders in mid-run, a client that goes away."""
    bench = open_bench(programs)
    bench.start_daemon()
    for words in (("follow",), ("hold",), ("resume",), ("note", "x"), ("answer", "x")):
        ends_with("without a run brunt %s is refused with 3" % words[0], bench.brunt(*words), 3, "no run is under way")
    answer = bench.brunt("stop", "nothing runs")
    checks.that("without a run brunt stop turns every load off and ends with 0", answer.returncode == 0, seen(answer))
    run, answer = start(bench, bench.long)
    checks.that("start --detach --json names the run and how long it takes", answer.returncode == 0 and run and as_json(answer.stdout)["estimate_s"] > 3000, seen(answer))
    first, second = bench.brunt_begin("follow"), bench.brunt_begin("follow", "--json")
    checks.that("the load goes on", until(bench.control.on))
    time.sleep(0.5)
    ends_with("a second start is refused with 3 and names the run", start(bench, bench.long)[1], 3, run)
    answer = bench.brunt("drill")
    checks.that("a drill during the run is refused with 3 and names the run", answer.returncode == 3 and run in answer.stderr, seen(answer))
    ends_with("an answer that nobody asked for is refused", bench.brunt("answer", "yes"), 3)
    checks.that("a note is taken", bench.brunt("note", "smells of varnish").returncode == 0)
    ends_with("a note of 300 bytes is refused", bench.brunt("note", "x" * 300), 3)
    checks.that("hold turns the load off", bench.brunt("hold", "a look").returncode == 0 and until(lambda: not bench.control.on()))
    checks.that("the run is held", until(lambda: bench.ask("status")["state"] == "held"), bench.ask("status"))
    checks.that("resume turns the load on again", bench.brunt("resume").returncode == 0 and until(bench.control.on))
    first.send_signal(signal.SIGINT)
    first.wait(10)
    time.sleep(0.3)
    checks.that("a follower that is interrupted leaves the run alone", bench.run_id() == run and bench.control.on(), bench.ask("status"))
    half = Client(bench.socket)
    half.send(b'{"jsonrpc":"2.0","id":1,"method":"st')
    half.close()
    time.sleep(0.2)
    checks.that("a client that goes away in the middle of a message leaves the run alone", bench.run_id() == run and bench.control.on(), bench.ask("status"))
    long_message(bench, run)
    second_daemon(bench)
    answer = bench.brunt("stop", "seen enough", "--json")
    checks.that("stop ends with 0", answer.returncode == 0 and as_json(answer.stdout) is not None, seen(answer))
    out, err = second.communicate(timeout=20)
    document = as_json(out)
    checks.that("a follower ends with 5 when the run was stopped, with one JSON document", second.returncode == 5 and document and document["end"] == "stopped", (second.returncode, out[-300:], err))
    checks.that("the load is off", until(lambda: not bench.control.on()))
    if checks.that("the record is finished", until(lambda: bench.finished(run)), bench.log_text()[-500:]):
        texts = [text for (text,) in bench.record(run, "SELECT text FROM event WHERE kind IN ('note', 'mark')") if text]
        for word in ("start", "smells of varnish", "a look", "resume", "seen enough"):
            checks.that("the record has the note \"%s\"" % word, any(word in text for text in texts), texts)
    client_dies(bench)
    bench.close()


def client_dies(bench):
    """A client in the foreground is killed: its run goes on, another one takes over and sees the end."""
    starter = bench.brunt_begin("start", bench.supply, bench.short, "--contract", "5", "--contract", "9")
    run = until(bench.run_id)
    starter.kill()
    starter.wait()
    answer = bench.brunt("follow", timeout=60)
    checks.that("a run whose client was killed goes on, and whoever follows it gets the table",
                answer.returncode == 0 and len(re.findall(r"^ *(5|9) V .*pass", answer.stdout, re.M)) == 2, seen(answer))
    checks.that("its record ends as done", bench.finished(run) == "done", bench.finished(run))


def long_message(bench, run):
    client = Client(bench.socket)
    try:
        client.send(b'{"jsonrpc":"2.0","id":1,"method":"note","params":{"text":"' + b"x" * 10_000_000 + b'"}}\n')
    except OSError:
        pass  # the daemon hangs up before it is all out
    answer = client.next()
    checks.that("a message of 10 MB is refused with a sentence, and the connection closed", answer is not None and "1 MiB" in answer["error"]["message"] and client.next() is None, answer)
    client.close()
    checks.that("the daemon and its run live on", bench.run_id() == run and bench.control.on(), bench.ask("status"))


def second_daemon(bench):
    pid = str(bench.daemon.pid)
    ends_with("a second daemon on the same folder is refused with 3 and the number of the first", bench.run_daemon(), 3, pid, "already running")
    other = os.path.join(bench.dir, "other")
    command = bench.daemon_command("--guard", "none", state=other)
    command[command.index(bench.socket)] = bench.socket + "2"
    with open(os.path.join(bench.dir, "other.log"), "w") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
    bench.children.append(process)
    answer = until(lambda: as_json(bench.brunt("bench", "--socket", bench.socket + "2", "--json").stdout))
    busy = until(lambda: "in use" in as_json(bench.brunt("bench", "--socket", bench.socket + "2", "--json").stdout)["not_ready"])
    checks.that("a second daemon on the same lines says that they are in use", busy, answer and answer["not_ready"])
    ends_with("and refuses to run on them, with 4 and the instrument's name", bench.brunt("start", bench.supply, bench.short, "--socket", bench.socket + "2"), 4, "load1")
    process.terminate()
    process.wait(15)
    checks.that("the first one's load is still on", bench.control.on())


def bad_benches(programs):
    """Instruments that aren't there, aren't what the file says, or talk badly."""
    bench = open_bench(programs, more=[("thermo1", "thermometer", "standard"), ("terse1", "load", "terse")])
    selector = SELECTOR % (bench.links["selector1"], bench.line("selector1"))

    def with_load(link, line, sentence, *words):
        bench.write_bench([LOAD % (link, line), selector])
        watch = Watch(os.path.join(bench.dir, "control"))
        bench.start_daemon(wait=False)
        until(lambda: bench.ask("status") is not None)
        told = until(lambda: all(word in bench.ask("status")["not_ready"] for word in ("load1",) + words), 8.0)
        checks.that("%s is named in a sentence" % sentence, told, bench.ask("status"))
        answer = bench.brunt("check", bench.supply, "--profile", bench.short)
        ends_with("a check with %s ends with 4 and names it" % sentence, answer, 4, "load1")
        answer = bench.brunt("bench")
        checks.that("brunt bench with %s says that it is not ready" % sentence, answer.returncode == 0 and "not ready" in answer.stdout, seen(answer))
        checks.that("nothing was switched on with %s" % sentence, not watch.end())
        bench.end_daemon()

    line = bench.line("load1")
    with_load("pty:/no/such/port", line, "a port that is not there", "/no/such/port", "not there")
    with_load("tcp:127.0.0.1:1", "", "a TCP port where nobody listens", "nobody listens")
    with_load(bench.links["thermo1"], line, "a thermometer in the place of a load", "thermo1")
    with_load(bench.links["terse1"], line, "a load of another dialect")
    for fault in ("silence", "garbage", "delay 3000", "truncate"):
        bench.control.say("wire load1 %s" % fault)
        with_load(bench.links["load1"], line, "a load under the fault '%s'" % fault)
        bench.control.say("wire load1 off")
    bench.write_bench()
    bench.start_daemon()
    checks.that("with the line healthy again the same bench gets ready", bench.ready(), bench.ask("status"))
    run, _ = start(bench, bench.long)
    until(bench.control.on)
    bench.control.say("wire load1 hang-up")
    checks.that("a run whose line is pulled ends by itself", until(bench.idle), bench.ask("status"))
    checks.that("its record says so", until(lambda: bench.finished(run)) == "fault" and "load1" in bench.meta(run, "why"), bench.finished(run) and bench.meta(run, "why"))
    bench.control.say("wire load1 off")
    checks.that("once it is plugged in again the load is turned off", until(lambda: not bench.control.on()), bench.control.say("status"))
    bench.close()


def probing(programs, link, shape):
    """brunt probe: what it prints can be pasted, and it switches nothing."""
    bench = open_bench(programs, link=link, shape=shape, more=[("thermo1", "thermometer", shape), ("mains1", "mains", shape)])
    where = "%s on %s" % (shape, link)
    load = bench.links["load1"]
    pieces = {}
    for on in (False, True):
        say_raw(load, {"standard": "INP:ALL OFF\n", "terse": "X\n", "late": "ABS:ALL OFF\n"}[shape])
        if on:
            say_raw(load, {"standard": "CURR 0.5;INP ON\n", "terse": "I1 0.5\nL1 1\n", "late": "LEV:CURR 0.5;:ABS ON\n"}[shape])
        if not until(lambda: bench.control.load()["input"] == on, 5.0):
            checks.that("the input can be set before the probe (%s)" % where, False, bench.control.say("status"))
        before = settings(bench)
        answer = bench.brunt("probe", load, *(() if on else ("--json",)))
        checks.that("the probe of a load changes nothing while its input is %s (%s)" % ("on" if on else "off", where), settings(bench) == before, (before, settings(bench)))
        document = None if on else as_json(answer.stdout)
        checks.that("%s (%s)" % ("a probe finds the load" if on else "probe --json names dialect and link", where), answer.returncode == 0 and (
            'role = "load"' in answer.stdout and load in answer.stdout if on else document and document["dialect"] == shape and document["link"] == load), seen(answer))
        pieces["load"] = answer.stdout
    for name, role in (("selector1", "selector"), ("thermo1", "thermometer"), ("mains1", "mains")):
        before = settings(bench)
        answer = bench.brunt("probe", bench.links[name])
        right = answer.returncode == 0 and 'role = "%s"' % role in answer.stdout and 'dialect = "%s"' % shape in answer.stdout and bench.links[name] in answer.stdout
        checks.that("a probe finds the %s (%s)" % (role, where), right, seen(answer))
        checks.that("and leaves everything as it was (%s, %s)" % (role, where), settings(bench) == before, (before, settings(bench)))
        pieces[role] = answer.stdout
    checks.that("the piece of a load says that ratings and accuracy are missing (%s)" % where, "ratings" in pieces["load"] and "accuracy" in pieces["load"], pieces["load"])
    filled = [fill_in(pieces[role], more) for role, more in (("load", RATINGS), ("selector", ""), ("thermometer", "channels = 2; accuracy = { kelvin = 1.5; };"), ("mains", ""))]
    path = bench.write_bench(filled, name="pasted.cfg")
    answer = bench.run_daemon("--check", bench=path)
    checks.that("what the probes print makes a bench file, with ratings filled in (%s)" % where, answer.returncode == 0, seen(answer) + open(path).read())
    bench.close()


def fill_in(piece, more):
    """A pasted piece with what the manual says, its comments taken out."""
    bare = re.sub(r"#.*", "", piece).strip()
    return bare[:-1] + more + "\n}" if bare.endswith("}") else bare


def settings(bench):
    """What could have been switched or set, without what moves by itself."""
    status = json.loads(bench.control.say("status"))
    return status["mains"], [(c["channel"], c["input"], c["set_amps"], c["trips"]) for c in status["channels"]]


def say_raw(link, text):
    kind, _, where = link.partition(":")
    if kind == "tcp":
        host, _, port = where.partition(":")
        with socket.create_connection((host, int(port)), 10) as writer:
            writer.sendall(text.encode())
            time.sleep(0.3)
    else:
        fd = os.open(where, os.O_WRONLY | os.O_NOCTTY)
        os.write(fd, text.encode())
        time.sleep(0.3)
        os.close(fd)


def no_probe(programs):
    bench = open_bench(programs)
    ends_with("a probe of an unknown kind of line ends with 2", bench.brunt("probe", "load1"), 2, "unknown kind of line")
    ends_with("a probe of a port that is not there ends with 4 and its name", bench.brunt("probe", "pty:/no/such"), 4, "/no/such")
    ends_with("a probe of a serial port that is not there ends with 4 and its name", bench.brunt("probe", "serial:/dev/no-such"), 4, "/dev/no-such")
    ends_with("a probe where nobody listens ends with 4", bench.brunt("probe", "tcp:127.0.0.1:1"), 4, "127.0.0.1:1")
    bench.control.say("wire load1 silence")
    ends_with("a probe of what answers nothing ends with 4 and a sentence", bench.brunt("probe", bench.links["load1"]), 4, bench.links["load1"])
    bench.control.say("wire load1 off")
    bench.start_daemon()
    ends_with("a probe of a line that the daemon holds ends with 4", bench.brunt("probe", bench.links["load1"]), 4, "in use")
    bench.close()


def storage(programs):
    """A disk that is full, and a folder that can't be written."""
    bench = open_bench(programs)
    os.makedirs(bench.state)
    mounted = os.geteuid() == 0 and subprocess.run(["mount", "-t", "tmpfs", "-o", "size=6m,mode=755", "brunt-test", bench.state], capture_output=True).returncode == 0
    try:
        if mounted:
            full_disk(bench)
        else:
            print("SKIPPED a full disk and a read-only one: only root can mount a small tmpfs here", flush=True)
            closed_folder(bench)
    finally:
        bench.end_daemon()
        for pid in bench.guards():
            os.kill(pid, signal.SIGKILL)
        if mounted:
            until(lambda: subprocess.run(["umount", bench.state], capture_output=True).returncode == 0, 5.0, 0.2)
    bench.close()


def full_disk(bench):
    bench.start_daemon()
    run, answer = start(bench, bench.long)
    if not checks.that("a run starts on a small disk", run and until(bench.control.on), seen(answer)):
        return
    time.sleep(2.5)  # a second's readings are stored
    fill(bench.state)
    failing = until(lambda: bench.ask("status")["run"]["record"]["trouble"], 15.0)
    checks.that("the daemon says that the record can't be written, while the run goes on", failing, bench.ask("status"))
    begun = time.monotonic()
    checks.that("a run whose disk stays full ends by itself", until(lambda: not bench.control.on(), 90.0, 0.1), bench.ask("status"))
    print("figure: full disk: the load went off %.1f s after the first complaint" % (time.monotonic() - begun), flush=True)
    checks.that("and says how many rows were lost and where the rest stands", until(lambda: bench.idle() and "could not be stored" in bench.log_text()), bench.log_text()[-800:])
    answer = start(bench, bench.short)[1]
    checks.that("a start on a full disk is refused with 3 and a sentence", answer.returncode == 3 and "full" in answer.stderr and not answer.stdout, seen(answer))
    os.remove(os.path.join(bench.state, "filler"))
    bench.end_daemon()
    bench.start_daemon()
    if checks.that("with room again the next start closes the record", bench.finished(run), bench.log_text()[-800:]):
        checks.that("and keeps what was stored", bench.record(run, "SELECT count(*) FROM reading")[0][0] > 0, bench.finished(run))
    read_only(bench)
    run, answer = start(bench, bench.long)
    checks.that("once it can be written again the next run starts", run is not None, seen(answer))
    stop(bench)


def read_only(bench):
    folder = os.path.join(bench.state, "open")
    if any(subprocess.run(["mount", *words, folder], capture_output=True).returncode for words in (("--bind", folder), ("-o", "remount,bind,ro"))):
        print("SKIPPED a read-only folder: it can't be mounted so here", flush=True)
        return
    try:
        answer = start(bench, bench.short)[1]
        checks.that("a start in a read-only folder is refused with 3 and a sentence", answer.returncode == 3 and bench.state in answer.stderr, seen(answer))
        time.sleep(0.2)
        checks.that("and the load stays off", not bench.control.on())
    finally:
        subprocess.run(["umount", folder], capture_output=True)


def fill(folder):
    """To the last byte."""
    try:
        with open(os.path.join(folder, "filler"), "wb", buffering=0) as file:
            while True:
                file.write(b"x" * 4096)
    except OSError:
        pass


def closed_folder(bench):
    if os.geteuid() == 0:
        print("SKIPPED a folder that can't be written: root may write everywhere", flush=True)
        return
    bench.start_daemon()
    for name in ("open", "records"):
        os.makedirs(os.path.join(bench.state, name), exist_ok=True)
        os.chmod(os.path.join(bench.state, name), 0o555)
    answer = start(bench, bench.short)[1]
    checks.that("a start where the record can't be written is refused with 3 and a sentence", answer.returncode == 3 and bench.state in answer.stderr, seen(answer))
    for name in ("open", "records"):
        os.chmod(os.path.join(bench.state, name), 0o755)


# ---- all of it ----

def part(one, *arguments):
    """A part that breaks is a failed check; the others go on."""
    try:
        one(*arguments)
    except Exception:
        checks.that("%s works to its end" % one.__name__.replace("_", " "), False, traceback.format_exc())


def main(words):
    programs = find_programs(words)
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(143))
    begun = time.monotonic()
    parts = [(one, programs) for one in (storage, bad_benches, while_running, records, tired_supply, no_probe, command_lines)]
    parts += [(probing, programs, link, shape) for shape in ("late", "standard", "terse") for link in ("pty", "tcp")]
    waiting = iter(parts)
    turn = threading.Lock()

    def work():
        """A few benches at a time: many at once on a small machine starve the simulated instruments."""
        while True:
            with turn:
                one = next(waiting, None)
            if one is None:
                return
            part(*one)

    threads = [threading.Thread(target=work, daemon=True) for _ in range(4)]
    try:
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    finally:
        for bench in benches:
            for folder in (os.path.join(bench.state, "open"), bench.state):
                if os.path.ismount(folder):
                    subprocess.run(["umount", "-l", folder], capture_output=True)
            bench.close()
    print("figure: all of it took %.0f s" % (time.monotonic() - begun), flush=True)
    return checks.close()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
