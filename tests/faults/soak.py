#!/usr/bin/python3
"""A day and more of the daemon's life in minutes: probes are polled at the shortest period instead of every ten seconds,
on lines whose devices fail at random; a historian sends weeks of two simulated tanks; people take steps, listen, read
charts and reload; a SCADA system polls. Memory and descriptors must stay flat, and polls where they belong.

    soak.py PROBEKEEPERD JUDGE [--polls 8640] [--poll-s 0.2] [--seed N] [--log FILE]

8,640 polls a probe are a day of polls every ten seconds. JUDGE makes the recording that is sent (tests/bench/backtest).
"""
import argparse
import concurrent.futures
import os
import random
import re
import signal
import socket
import statistics
import struct
import sys
import tempfile
import threading
import time
import uuid

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import (FLOATS, Daemon, ModbusDevice, descriptors, frame, free_port, holding, memory_bound, resident_kb,  # noqa: E402
                     rfc3339, sanitized, status_kb, store_faults, until)
from kills_test import Recording  # noqa: E402

SITES, UNITS = 5, 4  # a line a site, units a line; the last site's device never fails
HEAD = """
[store]
path = "store.db"
[http]
listen = "127.0.0.1:{http}"
[scada]
listen = "127.0.0.1:{scada}"
""" + FLOATS
SITE = """
[[site]]
id = "s{n}"
kind = "wastewater"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
[[line]]
id = "l{n}"
site = "s{n}"
transport = "tcp"
host = "127.0.0.1"
port = {port}
timeout_ms = 100
"""
PROBE = """
[[probe]]
id = "p{n}-{unit}"
line = "l{n}"
unit = {unit}
register_map = "floats"
poll_s = {poll_s}
t90_s = 40.0
"""
# Warm-up ends where caches and queues have seen all that there is: memory that stays is no leak.
WARM = 0.3
DRIFT_MOST_POLLS = 1.0
LISTENERS_GONE = 10  # at most so many of ours have left within a heartbeat of the events (15 s), which finds it out


class Device(ModbusDevice):
    """Water that moves a little, and faults that come and go: each lasts some polls."""

    def __init__(self, chance, faulty):
        self.chance, self.faulty, self.mood, self.left = chance, faulty, "well", 0
        self.times = {}
        self.lock = threading.Lock()
        self.faults = 0
        super().__init__(self.answer)

    def next_mood(self):
        if self.left > 0:
            self.left -= 1
            return self.mood
        fails = self.faulty and self.chance.random() < 0.004
        self.mood = self.chance.choice(["silent", "closes", "exception", "short", "rubbish", "nan", "late", "unit"]) if fails else "well"
        self.left = self.chance.randrange(12) if fails else 0
        self.faults += fails
        return self.mood

    def answer(self, transaction, unit, address, words):
        now = time.monotonic()
        with self.lock:
            self.times.setdefault(unit, []).append(now)
            mood = self.next_mood()
            value = 8.0 + 0.5 * self.chance.random()
        good = frame(transaction, unit, holding(struct.pack(">ff", value, 15.0)[2 * address:2 * (address + words)]))
        if mood == "late":
            time.sleep(0.15)
        return {"well": [good], "late": [good], "silent": [], "closes": [None], "exception": [frame(transaction, unit, b"\x83\x06")],
                "short": [good[:9], None], "rubbish": [bytes(range(200))], "unit": [frame(transaction, unit + 7, good[7:])],
                "nan": [frame(transaction, unit, holding(struct.pack(">ff", float("nan"), 15.0)))]}[mood]


class Life(threading.Thread):
    """Work that is done again and again, with a pause, until the end; what it could not do is a problem."""

    def __init__(self, work, pause_s):
        super().__init__(daemon=True)
        self.work, self.pause_s, self.ending, self.done, self.problems = work, pause_s, threading.Event(), 0, []

    def run(self):
        while not self.ending.wait(self.pause_s):
            try:
                self.work()
                self.done += 1
            except Exception as error:  # pylint: disable=broad-except
                self.problems.append(f"{self.work.__name__}: {type(error).__name__} {error}")

    def end(self):
        self.ending.set()
        self.join(120)


class People:
    def __init__(self, daemon, scada, recording, chance):
        self.daemon, self.scada, self.recording, self.chance, self.sent = daemon, scada, recording, chance, 0

    def upload(self):
        if self.sent < len(self.recording.parts):
            status, answer = self.daemon.ask("POST", "/v1/readings", self.recording.parts[self.sent], {"Content-Type": "text/csv"},
                                             timeout=120)
            if status not in (200, 503):  # 503: it takes a changed configuration just now
                raise AssertionError(f"{status} {answer}")
            self.sent += status == 200

    def record(self):
        status, answer = self.daemon.ask("POST", f"/v1/probes/p0-{self.chance.randint(1, UNITS)}/service-records", {
            "kind": "inspection", "by": "soak"}, {"Idempotency-Key": str(uuid.uuid4())})
        if status not in (201, 503):  # 503: it takes a changed configuration just now
            raise AssertionError(f"{status} {answer}")

    def step(self):
        status, found = self.daemon.ask("GET", "/v1/tickets?limit=1000")
        # Nobody postpones a ticket a thousand times, and each event of it tells all its history.
        for ticket in [t for t in found["items"] if len(t["history"]) < 20] if status == 200 else []:
            self.daemon.ask("POST", f"/v1/tickets/{ticket['id']}/postpone", {
                "by": "soak", "until": rfc3339(time.time() + 3600), "why": "soak"})

    def look(self):
        for target in ("/v1/probes", "/v1/health", "/metrics", "/v1/findings", "/v1/probes/p0-1/chart.svg?quantity=do&days=1",
                       "/v1/probes/p4-1/readings?from=" + rfc3339(time.time() - 600), "/openapi.json", "/v1/sites/s0/report"):
            if self.daemon.ask("GET", target)[0] not in (200, 503):
                raise AssertionError(target)

    def listen(self):
        with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=10) as client:
            client.sendall(b"GET /v1/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
            if b"200 OK" not in client.recv(4096):
                return  # reloading
            time.sleep(self.chance.uniform(0.0, 2.0))

    def poll(self):
        with socket.create_connection(("127.0.0.1", self.scada), timeout=10) as client:
            for n in range(20):
                client.sendall(frame(n, 1, struct.pack(">BHH", 3, 0, 100)))
                if len(client.recv(4096)) < 9:
                    raise AssertionError("no answer")

    def open_all_readers(self):
        """The daemon keeps what it opens for as many as ask at once."""
        with concurrent.futures.ThreadPoolExecutor(16) as pool:
            list(pool.map(lambda n: self.daemon.ask("GET", f"/v1/probes/p{n % SITES}-1/readings?from=" + rfc3339(0)), range(200)))

    def reload(self):
        self.daemon.process.send_signal(signal.SIGHUP)


class Watch:
    """Samples of (time, resident kB, descriptors, threads, kB of it that the store's caches hold)."""

    def __init__(self, daemon):
        self.daemon, self.pid, self.samples = daemon, daemon.process.pid, []

    def look(self):
        text = self.daemon.ask("GET", "/metrics")[1].decode()
        cached = float(re.search(r"^probekeeper_store_memory_bytes (\S+)$", text, re.M).group(1)) / 1024
        self.samples.append((time.monotonic(), resident_kb(self.pid), descriptors(self.pid), int(status_kb(self.pid, "Threads")), cached))

    def judge(self, began, until_s):
        """The lowest and middle figures just after the warm-up, and at the end."""
        warm = [s for s in self.samples if s[0] > began + WARM * until_s]
        part = max(3, len(warm) // 6)
        early, late = warm[:part], warm[-part:]

        def middle(samples, place):
            return statistics.median(s[place] for s in samples)
        return {"rss_kb": (middle(early, 1), middle(late, 1), max(s[1] for s in self.samples)),
                "cached_kb": (middle(early, 4), middle(late, 4), max(s[4] for s in self.samples)),
                "own_kb": tuple(statistics.median(s[1] - s[4] for s in part) for part in (early, warm[len(warm) // 2:][:len(early)], late)),
                "descriptors": (min(s[2] for s in early), min(s[2] for s in late), max(s[2] for s in self.samples)),
                "threads": (middle(early, 3), middle(late, 3), max(s[3] for s in self.samples))}


def drift(times, poll_s):
    """By how many polls the last one lies beside its slot of the first, and the longest gap in seconds."""
    slots = [round((at - times[0]) / poll_s) for at in times]
    off = [(at - times[0]) / poll_s - slot for at, slot in zip(times, slots)]
    part = max(5, len(off) // 10)
    return statistics.median(off[-part:]) - statistics.median(off[:part]), max(b - a for a, b in zip(times, times[1:]))


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("daemon")
    parser.add_argument("judge")
    parser.add_argument("--polls", type=int, default=8640)
    parser.add_argument("--poll-s", type=float, default=0.2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--growth-mb", type=float, default=3.0, help="of resident memory beside the store's caches, behind the warm-up, at most")
    parser.add_argument("--log", help="samples of memory, descriptors and threads as CSV")
    chosen = parser.parse_args()
    chance, problems = random.Random(chosen.seed), []
    duration = chosen.polls * chosen.poll_s
    with tempfile.TemporaryDirectory(prefix="probekeeper-soak-") as folder:
        recording = Recording(os.path.abspath(chosen.judge), folder, chosen.seed)
        devices = [Device(random.Random(chosen.seed + n), n < SITES - 1) for n in range(SITES)]
        daemon, scada = Daemon(os.path.abspath(chosen.daemon), folder, free_port()), free_port()
        text = HEAD.format(http=daemon.port, scada=scada) + recording.config
        for n, device in enumerate(devices):
            text += SITE.format(n=n, port=device.port)
            text += "".join(PROBE.format(n=n, unit=unit, poll_s=chosen.poll_s) for unit in range(1, UNITS + 1))
        with open(daemon.path("c.toml"), "w", encoding="utf-8") as file:
            file.write(text)
        daemon.start()
        daemon.ready()
        people = People(daemon, scada, recording, chance)
        people.open_all_readers()
        watch = Watch(daemon)
        began = time.monotonic()
        upload_every = max(0.2, 0.25 * duration / len(recording.parts))
        lives = [Life(people.upload, upload_every), Life(people.record, 5.0), Life(people.step, 7.0), Life(people.look, 3.0),
                 Life(people.listen, 0.5), Life(people.poll, 1.0), Life(watch.look, min(5.0, duration / 60))]
        # A reload begins the lines' schedules anew, so there is one early and one in the middle, and drift is told between.
        reloads = [began + 0.1 * duration, began + 0.5 * duration]
        for life in lives:
            life.start()
        marks = []
        while time.monotonic() < began + duration:
            if reloads and time.monotonic() > reloads[0]:
                reloads.pop(0)
                people.reload()
                marks.append(time.monotonic())
            if daemon.process.poll() is not None:
                problems.append(f"the daemon ended with {daemon.process.returncode}: {daemon.log()[-2000:]}")
                break
            time.sleep(0.2)
        for life in lives:
            life.end()
            problems += life.problems[:3]
        if daemon.process.poll() is None:
            found = watch.judge(began, duration)
            steady, last = devices[-1], time.monotonic()
            drifts = []
            for times in steady.times.values():
                for a, b in zip(marks, marks[1:] + [last]):
                    part = [at for at in times if a + 2.0 < at < b]
                    if len(part) > 20:
                        drifts.append((*drift(part, chosen.poll_s), len(part) / ((part[-1] - part[0]) / chosen.poll_s + 1)))
            worst, gap, share = max(abs(d) for d, _, _ in drifts), max(g for _, g, _ in drifts), min(s for _, _, s in drifts)
            own = found["own_kb"]
            if own[2] - own[0] > memory_bound(1024 * chosen.growth_mb):
                problems.append(f"resident memory beside the store's caches: {own} kB")
            if found["descriptors"][1] > found["descriptors"][0] + LISTENERS_GONE:
                problems.append(f"descriptors: {found['descriptors']}")
            if found["threads"][1] > found["threads"][0]:
                problems.append(f"threads: {found['threads']}")
            if worst > DRIFT_MOST_POLLS or share < 0.98:
                problems.append(f"polls of the good line drifted by {worst:.2f} polls; {100 * share:.1f} % of them came")
            if people.sent < len(recording.parts) / 2 and not sanitized():
                problems.append(f"only {people.sent} of {len(recording.parts)} uploads went through")
            until("what is in flight", lambda: daemon.get("/v1/health")["store"]["status"] == "ok")
            size = os.path.getsize(daemon.path("store.db"))
            if daemon.stop() != 0:
                problems.append("the daemon did not end well: " + daemon.log()[-2000:])
            problems += store_faults(folder)
            if chosen.log:
                with open(chosen.log, "w", encoding="ascii") as file:
                    file.write("s,rss_kb,descriptors,threads,cached_kb\n")
                    file.writelines(f"{at - began:.0f},{rss},{fds},{threads},{cached:.0f}\n" for at, rss, fds, threads, cached in watch.samples)
            good = max(len(times) for times in devices[-1].times.values())
            polls = sum(len(times) for device in devices for times in device.times.values())
            print(f"{duration / 60:.1f} min: {polls} polls, {good} a probe of the good line ({good / 360:.1f} h at "
                  f"10 s), {sum(d.faults for d in devices)} faults begun, {people.sent} uploads, "
                  f"{sum(life.done for life in lives)} turns of clients; resident {found['rss_kb'][0] / 1024:.1f} MB after warm-up, "
                  f"{found['rss_kb'][1] / 1024:.1f} MB at the end, {found['rss_kb'][2] / 1024:.1f} MB at most, of it in the store's caches "
                  f"{' then '.join(f'{kb / 1024:.1f}' for kb in found['cached_kb'][:2])} MB, beside them {', '.join(f'{kb / 1024:.1f}' for kb in own)} MB "
                  f"after warm-up, in the middle and at the end; descriptors {found['descriptors'][0]}, "
                  f"{found['descriptors'][1]}, {found['descriptors'][2]} at most; threads {found['threads'][1]:.0f}; drift {worst:.2f} polls, longest "
                  f"gap {gap:.2f} s, {100 * share:.1f} % of the good line's polls; store {size / 1e6:.1f} MB; {len(problems)} problems")
    for problem in problems:
        print(problem)
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
