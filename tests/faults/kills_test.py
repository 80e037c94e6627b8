#!/usr/bin/python3
"""The daemon killed at random moments, while it polls, takes uploads, steps and records, remakes diagnosis and moves
readings into blocks. Afterwards everything that was answered is there once, and the diagnosis is what it would have been.

    kills_test.py PROBEKEEPERD JUDGE [--kills 200] [--seed N]

JUDGE makes the recording that is uploaded (tests/bench/backtest).
"""
import argparse
import datetime
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
import uuid

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import POLLED, POLLED_PROBE, UNITS, CountingDevice, Daemon, free_port, rfc3339, store_faults  # noqa: E402

FINISHED = ("closed", "withdrawn", "verified")
CHUNK = 3000  # rows of an upload: some hours of two probes
# A group of readings is written a second after its first one came. On a machine that does nothing else its writing takes
# a moment; the rest of this is for one that is busy. What was really lost is printed.
LOST_MOST_S = 3.0


def brought_to_now(rows):
    """The rows moved in time, so that they end some minutes ago."""
    def time_of(row):
        return moment(row.split(",", 1)[0])
    shift = datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(minutes=5) - time_of(rows[-1])
    return [(time_of(row) + shift).strftime("%Y-%m-%dT%H:%M:%S.%fZ")[:-4] + "Z," + row.split(",", 1)[1] for row in rows]


class Recording:
    """A fleet of the judge's, in parts as a historian would send them."""

    def __init__(self, judge, folder, seed):
        made = os.path.join(folder, "fleet")
        subprocess.run([judge, "make", "--seed", str(seed), "--fleet", "intermittent", "--probes", "2", "--days", "20",
                        "--out", made], check=True, capture_output=True)
        with open(os.path.join(made, "config.toml"), encoding="utf-8") as file:
            self.config = file.read()
        with open(os.path.join(made, "readings.csv"), encoding="utf-8") as file:
            header, *rows = file.readlines()
        rows = brought_to_now(rows)
        self.parts = [header + "".join(rows[at:at + CHUNK]) for at in range(0, len(rows), CHUNK)]


class Traffic:
    """What people and historians do meanwhile. Everything that was not answered is sent again under the same key."""

    def __init__(self, daemon, recording):
        self.daemon, self.recording = daemon, recording
        self.uploaded = 0
        self.records = {}     # note -> True where the daemon has said that it is kept
        self.steps = {}       # (ticket, note) -> likewise
        self.going = False
        self.problems = []
        self.pending_record = self.pending_step = None

    def run(self, seconds_until):
        """Until the daemon dies under it."""
        self.going = True
        threads = [threading.Thread(target=self.loop, args=(work,)) for work in (self.upload, self.record, self.step)]
        for thread in threads:
            thread.start()
        time.sleep(max(0.0, seconds_until - time.monotonic()))
        self.daemon.kill()
        killed = time.time()
        self.going = False
        for thread in threads:
            thread.join()
        return killed

    def loop(self, work):
        try:
            while self.going:
                work()
        except OSError:
            pass  # killed
        except Exception as error:  # pylint: disable=broad-except
            self.problems.append(f"{work.__name__}: {type(error).__name__} {error}")

    def upload(self):
        if self.uploaded == len(self.recording.parts):
            time.sleep(0.05)
            return
        status, answer = self.daemon.ask("POST", "/v1/readings", self.recording.parts[self.uploaded],
                                         {"Content-Type": "text/csv"}, timeout=120)
        if status != 200 or answer["bad"]:
            raise AssertionError(f"{status} {answer}")
        self.uploaded += 1

    def record(self):
        self.pending_record = self.pending_record or str(uuid.uuid4())
        note = self.pending_record
        self.records.setdefault(note, False)
        status, answer = self.daemon.ask("POST", "/v1/probes/polled-1/service-records",
                                         {"kind": "inspection", "by": "tester", "note": note}, {"Idempotency-Key": note})
        if status != 201:
            raise AssertionError(f"{status} {answer}")
        self.records[note] = True
        self.pending_record = None
        time.sleep(0.02)

    def step(self):
        if self.pending_step is None:
            tickets = [t for t in self.daemon.get("/v1/tickets")["items"] if t["state"] not in FINISHED]
            if not tickets:
                time.sleep(0.05)
                return
            ticket = random.choice(tickets)
            plan = ticket["state"] in ("open", "acknowledged")
            self.pending_step = (ticket["id"], str(uuid.uuid4()), "plan" if plan else "postpone")
        ticket, who, step = self.pending_step
        self.steps.setdefault((ticket, who), False)
        body = {"date": "2030-01-02"} if step == "plan" else {"until": "2030-01-02T06:00:00Z", "why": "harvest"}
        status, answer = self.daemon.ask("POST", f"/v1/tickets/{ticket}/{step}", {"by": who, **body},
                                         {"Idempotency-Key": who})
        if status == 200:
            self.steps[ticket, who] = True
        elif status in (404, 409, 422):  # meanwhile withdrawn, or a failure, by readings that came later
            del self.steps[ticket, who]
        else:
            raise AssertionError(f"{status} {answer}")
        self.pending_step = None
        time.sleep(0.02)


def only_once(what, expected, found):
    """What was answered is there, and nothing is there twice."""
    problems = [f"{what} {key} was answered and is lost" for key, answered in expected.items() if answered and key not in found]
    return problems + [f"{what} {key} is there {count} times" for key, count in found.items() if count > 1]


def tally(keys):
    counts = {}
    for key in keys:
        counts[key] = counts.get(key, 0) + 1
    return counts


def people_kept(daemon, traffic):
    notes = tally(record["note"] for record in daemon.pages("/v1/probes/polled-1/service-records"))
    steps = tally((ticket["id"], step["by"]) for ticket in daemon.pages("/v1/tickets") for step in ticket["history"]
                  if step["by"] != "probekeeperd")
    return only_once("record", traffic.records, notes) + only_once("step", traffic.steps, steps)


def seconds_lost(daemon, device, since, killed):
    """How far before the kill the oldest reading lies that went out after `since` and was not kept."""
    lost = 0.0
    for unit in UNITS:
        answer = daemon.get(f"/v1/probes/polled-{unit}/readings?from={rfc3339(since - 60)}&to={rfc3339(killed + 60)}")
        kept = {round(value * 1e4) for value in answer["do_mg_l"] if value is not None}
        with device.lock:
            missing = [at for (of, n), at in device.served.items() if of == unit and since < at < killed and n not in kept]
        lost = max([lost, *(killed - at for at in missing)])
    return lost


def outcome_after_restart(daemon):
    """The outcome once it stands for some seconds. A start shows what is known by then, and not of the last full quarter of
    an hour."""
    daemon.start()
    daemon.ready()
    daemon.caught_up()
    found, since = None, time.monotonic()
    while time.monotonic() - since < 3.0:
        now = outcome(daemon)
        if now != found:
            found, since = now, time.monotonic()
        time.sleep(0.2)
    return found


def outcomes_of(daemons):
    """Of all as of one moment, for what is diagnosed goes on with the clock: they end in order, one right after the other."""
    for daemon in daemons:
        daemon.caught_up()
    for daemon in daemons:
        if daemon.stop() != 0:
            raise AssertionError("the daemon did not end well: " + daemon.log()[-2000:])
    found = []
    for daemon in daemons:
        found.append(outcome_after_restart(daemon))
        daemon.stop()
    return found


def outcome(daemon):
    """What the recording came to: its diagnoses, and the reasons that stand on its tickets. Tickets that came and went on
    the way depend on how many parts a diagnosis found at once."""
    probes = [p["id"] for p in daemon.pages("/v1/probes") if not p["id"].startswith("polled")]
    diagnoses = {probe: daemon.ask("GET", f"/v1/probes/{probe}/diagnosis") for probe in probes}
    reasons = sorted((t["probe"], r["code"], r["raised_at"], r["since"]) for t in daemon.pages("/v1/tickets")
                     if t["site"] != "polled" and t["state"] not in FINISHED for r in t["reasons"] if not r["cleared_at"])
    return diagnoses, reasons


def alike(a, b):
    """Equal, but for what a restart some seconds earlier or later projects to another moment."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(alike(a[key], b[key]) for key in a)
    if isinstance(a, (list, tuple)) and isinstance(b, (list, tuple)):
        return len(a) == len(b) and all(alike(x, y) for x, y in zip(a, b))
    if isinstance(a, float) and isinstance(b, (int, float)):
        return abs(a - b) <= 1e-3 * max(abs(a), abs(b))
    if isinstance(a, str) and isinstance(b, str) and a != b:
        try:
            return abs((moment(a) - moment(b)).total_seconds()) < 600
        except ValueError:
            return False
    return a == b


def moment(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))


def write_config(folder, recording, modbus, http):
    text = POLLED.format(http=http, modbus=modbus) + recording.config
    with open(os.path.join(folder, "c.toml"), "w", encoding="utf-8") as file:
        file.write(text + "".join(POLLED_PROBE.format(unit=unit) for unit in UNITS))


def undisturbed(executable, folder, recording, device):
    """A daemon that nobody killed, and that goes on."""
    os.mkdir(folder)
    daemon = Daemon(executable, folder, free_port())
    write_config(folder, recording, device.port, daemon.port)
    daemon.start()
    daemon.ready()
    traffic = Traffic(daemon, recording)
    while traffic.uploaded < len(recording.parts):
        traffic.upload()
    return daemon


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("daemon")
    parser.add_argument("judge")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    chance = random.Random(chosen.seed)
    problems, worst, alive = [], 0.0, 0
    with tempfile.TemporaryDirectory(prefix="probekeeper-kills-") as folder:
        recording = Recording(chosen.judge, folder, chosen.seed)
        device = CountingDevice()
        daemon = Daemon(os.path.abspath(chosen.daemon), folder, free_port())
        write_config(folder, recording, device.port, daemon.port)
        traffic = Traffic(daemon, recording)
        for kill in range(chosen.kills):
            daemon.start()
            if chance.random() < 0.2:  # while it starts and catches up
                time.sleep(chance.uniform(0.0, 0.3))
                daemon.kill()
            else:
                daemon.ready()
                since = time.time()
                killed = traffic.run(time.monotonic() + chance.uniform(0.0, 3.0))
                alive += 1
                daemon.start()
                daemon.ready()
                lost = seconds_lost(daemon, device, since, killed)
                worst = max(worst, lost)
                if lost > LOST_MOST_S:
                    problems.append(f"kill {kill}: a reading of {lost:.2f} s before it is missing")
                problems += people_kept(daemon, traffic)
                daemon.kill()
            problems += [f"kill {kill}: {fault}" for fault in store_faults(folder)]
            if problems or traffic.problems:
                break
            if sys.stdout.isatty():
                print(f"\r{kill + 1}/{chosen.kills} kills, {traffic.uploaded}/{len(recording.parts)} parts", end="", flush=True)
        daemon.start()
        daemon.ready()
        while traffic.uploaded < len(recording.parts):
            traffic.upload()
        problems += traffic.problems + people_kept(daemon, traffic)
        other = undisturbed(os.path.abspath(chosen.daemon), os.path.join(folder, "undisturbed"), recording, device)
        expected, found = outcomes_of([other, daemon])
        for name, a, b in zip(("diagnoses", "standing reasons"), expected, found):
            if not alike(a, b):
                problems.append(f"{name} differ from those of a daemon that nobody killed:\n{a}\n{b}")
    for problem in problems:
        print(problem)
    print(f"{chosen.kills} kills, {alive} of them under traffic: {len(traffic.records)} records and {len(traffic.steps)} steps "
          f"answered or tried, {traffic.uploaded} uploads; the oldest reading lost lay {worst:.2f} s before its kill; "
          f"{len(problems)} problems")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
