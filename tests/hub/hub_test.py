#!/usr/bin/python3
"""Twenty sites' daemons, two hubs and a PostgreSQL: connections are cut, daemons, hubs and the database are killed, while
people work at sites and at hubs. In the end every ticket, record and step is there exactly once, everywhere, and no site
missed a poll but while its own daemon was dead.

    hub_test.py PROBEKEEPERD [--sites 20] [--seconds 60] [--seed N]
"""
import argparse
import collections
import http.client
import json
import math
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
import uuid

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import FLOATS, CountingDevice, Daemon, end_with_us, free_port, rfc3339, until  # noqa: E402
from hub import cluster as postgres  # noqa: E402
from hub.proxy import Proxy  # noqa: E402

SKIPPED = 77
POLL_S = 1.0
# What a poll may be late on a machine that runs thirty busy processes on two cores.
LATE_MOST_S = 3.0
UNFINISHED = ("open", "acknowledged", "planned")

SITE = """
[store]
path = "store.db"
[http]
listen = "127.0.0.1:{http}"
[[site]]
id = "{site}"
kind = "wastewater"
latitude = 50.0
longitude = {longitude}
altitude_m = 0.0
salinity_psu = 0.0
[[line]]
id = "{site}-line"
site = "{site}"
transport = "tcp"
host = "127.0.0.1"
port = {modbus}
[[probe]]
id = "{site}-polled"
line = "{site}-line"
unit = {unit}
register_map = "floats"
poll_s = {poll}
t90_s = 40.0
[[probe]]
id = "{site}-fed"
site = "{site}"
t90_s = 40.0
[limits]
reference_percent = 20.0
[hub]
postgresql = "{conninfo}"
kilobits_per_s = 10000
""" + FLOATS
HUB = """
[http]
listen = "127.0.0.1:{http}"
[hub]
postgresql = "{conninfo}"
[[depot]]
id = "yard"
latitude = 50.1
longitude = 0.0
[[technician]]
id = "t1"
depot = "yard"
hours = {{ monday = "06:00-20:00", tuesday = "06:00-20:00", wednesday = "06:00-20:00", thursday = "06:00-20:00", friday = "06:00-20:00" }}
"""


class HubProcess(Daemon):
    """As a daemon, by the other verb."""

    def start(self, environment=None):
        with open(self.path("log"), "a", encoding="utf-8") as log:
            self.process = subprocess.Popen([self.executable, "hub", "--config", self.path("c.toml")], stderr=log, stdout=log,
                                            preexec_fn=end_with_us, env=environment)

    def answers(self):
        try:
            return self.ask("GET", "/v1/health", timeout=5)[0] == 200
        except OSError:
            return False


class World:
    def __init__(self, daemon, sites, seed, folder):
        self.random = random.Random(seed)
        self.cluster = postgres.Cluster()
        self.cluster.sql("postgres", "CREATE DATABASE hub")
        self.proxy = Proxy(self.cluster.port, seed)
        self.device = CountingDevice()
        self.restarts = collections.defaultdict(list)  # site -> when its daemon was dead
        self.sites, self.hubs = {}, []
        for number in range(1, sites + 1):
            name = f"s{number:02}"
            home = os.path.join(folder, name)
            os.mkdir(home)
            site = Daemon(os.path.abspath(daemon), home, free_port())
            with open(site.path("c.toml"), "w", encoding="utf-8") as file:
                file.write(SITE.format(http=site.port, site=name, longitude=0.01 * number, modbus=self.device.port, unit=number,
                                       poll=POLL_S, conninfo=self.cluster.conninfo("hub", port=self.proxy.port)))
            self.sites[name] = site
        for number in range(2):
            home = os.path.join(folder, f"hub{number}")
            os.mkdir(home)
            hub = HubProcess(os.path.abspath(daemon), home, free_port())
            with open(hub.path("c.toml"), "w", encoding="utf-8") as file:
                file.write(HUB.format(http=hub.port, conninfo=self.cluster.conninfo("hub", port=self.proxy.port)))
            self.hubs.append(hub)

    def close(self):
        for process in [*self.sites.values(), *self.hubs]:
            if process.process and process.process.poll() is None:
                process.kill()
        self.proxy.close()
        self.cluster.close()

    def start(self):
        for hub in self.hubs:  # both at once, on an empty database
            hub.start()
        for site in self.sites.values():
            site.start()
        for site in self.sites.values():
            site.ready()
        for hub in self.hubs:
            until("a hub answers", hub.answers, 60)

    def make_tickets(self):
        """A reference check far off opens one at each site."""
        now = int(time.time())
        for name, site in self.sites.items():
            rows = "".join(f"{rfc3339(at)},{name}-fed,{9.0 + 0.2 * math.sin(at / 600):.3f},15.0\n"
                           for at in range(now - 30 * 3600, now - 60, 60))
            status, answer = site.ask("POST", "/v1/readings", "time,probe,do_mg_l,temperature_c\n" + rows,
                                      {"Content-Type": "text/csv"})
            assert status == 200, answer
            status, answer = site.ask("POST", f"/v1/probes/{name}-fed/service-records",
                                      {"time": rfc3339(now - 7200), "kind": "reference_check", "reference_mg_l": 3.0,
                                       "probe_mg_l": 9.0, "by": "t"})
            assert status == 201, answer
        until("a ticket at each site at the hub",
              lambda: len({t["site"] for t in self.hubs[0].pages("/v1/tickets")}) == len(self.sites), 120, 0.5)

    # -- what breaks -----------------------------------------------------------------------------------------------

    def break_something(self):
        what = self.random.choice(["cut", "cut", "cut in the middle", "terminate", "hub", "daemon", "daemon", "database"])
        if what == "cut":
            self.proxy.cut()
        elif what == "cut in the middle":
            self.proxy.cut_after = self.random.randrange(1, 30_000)
        elif what == "terminate":
            try:
                self.cluster.sql("hub", "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name LIKE "
                                 "'probekeeperd%' AND random() < 0.5")
            except RuntimeError:
                pass
        elif what == "hub":
            hub = self.random.choice(self.hubs)
            hub.kill()
            time.sleep(self.random.uniform(0.0, 1.0))
            hub.start()
        elif what == "daemon":
            name = self.random.choice(list(self.sites))
            begin = time.time()
            self.sites[name].kill()
            time.sleep(self.random.uniform(0.0, 1.0))
            self.sites[name].start()
            self.sites[name].ready()
            self.restarts[name].append((begin, time.time() + 2 * POLL_S))
        else:
            self.cluster.stop()
            time.sleep(self.random.uniform(0.0, 2.0))
            self.cluster.start()
        return what


class People:
    """Each does one thing after the other, and sends what was not answered again under the same key, to the other hub."""

    def __init__(self, world):
        self.world = world
        self.lock = threading.Lock()
        self.here = {}    # note of a record -> its site, once a site said that it is kept
        self.there = {}   # likewise, once a hub said so
        self.taken = {}   # (ticket, by) -> what came of the step that one asked of a hub
        self.going = True
        self.problems = []
        self.threads = []

    def start(self):
        works = [self.record_at_a_site] * 2 + [self.record_at_a_hub] * 3 + [self.step_at_a_hub] * 3 + [self.sheet_at_a_hub]
        self.threads = [threading.Thread(target=self.loop, args=(work, i)) for i, work in enumerate(works)]
        for thread in self.threads:
            thread.start()

    def end(self):
        self.going = False
        for thread in self.threads:
            thread.join()

    def loop(self, work, number):
        chance = random.Random(number)
        try:
            while self.going:
                work(chance)
                time.sleep(chance.uniform(0.0, 0.3))
        except Exception as error:  # pylint: disable=broad-except
            self.problems.append(f"{work.__name__}: {type(error).__name__} {error}")

    def record_at_a_site(self, chance):
        name = chance.choice(list(self.world.sites))
        note = "here " + str(uuid.uuid4())
        while True:
            try:
                status, answer = self.world.sites[name].ask(
                    "POST", f"/v1/probes/{name}-polled/service-records", {"kind": "inspection", "note": note, "by": "t1"},
                    {"Idempotency-Key": note.replace(" ", "-")}, timeout=30)
                if status == 201:
                    with self.lock:
                        self.here[note] = name
                    return
                assert status == 503, answer
            except OSError:
                pass
            time.sleep(0.1)

    def at_a_hub(self, chance, path, body, key, media="application/json"):
        """The status and answer of the site, whatever happens on the way."""
        step = None
        while True:
            hub = chance.choice(self.world.hubs)
            try:
                if step is None:
                    status, answer = hub.ask("POST", path, body, {"Idempotency-Key": key, "Content-Type": media}, timeout=30)
                    if status == 202:
                        step = answer["step"]
                    elif status != 503:
                        return status, answer
                else:
                    status, answer = hub.ask("GET", f"/v1/steps/{step}", timeout=30)
                    assert status in (200, 503), answer
                    if status == 200 and answer["state"] == "done":
                        return answer["status"], answer["answer"]
            except OSError:
                pass
            time.sleep(0.1)

    def record_at_a_hub(self, chance):
        name = chance.choice(list(self.world.sites))
        note = "there " + str(uuid.uuid4())
        status, answer = self.at_a_hub(chance, f"/v1/probes/{name}-polled/service-records",
                                       {"kind": "inspection", "note": note, "by": "ada"}, note.replace(" ", "-"))
        assert status == 201 and answer["note"] == note, answer
        with self.lock:
            self.there[note] = name

    def sheet_at_a_hub(self, chance):
        names = chance.sample(list(self.world.sites), 3)
        notes = {name: "sheet " + str(uuid.uuid4()) for name in names}
        at = rfc3339(int(time.time()) - 60)
        csv = "time,probe,kind,note\n" + "".join(f"{at},{name}-polled,inspection,{note}\n" for name, note in notes.items())
        status, answer = self.at_a_hub(chance, "/v1/service-records", csv, str(uuid.uuid4()), "text/csv")
        assert status == 200 and answer["kept"] == 3, answer
        assert [item["record"]["note"] for item in answer["items"]] == list(notes.values()), answer
        with self.lock:
            self.there.update({note: name for name, note in notes.items()})

    def step_at_a_hub(self, chance):
        try:
            tickets = [t for t in chance.choice(self.world.hubs).pages("/v1/tickets") if t["state"] in UNFINISHED]
        except (OSError, AssertionError):
            return
        if not tickets:
            return
        ticket = chance.choice(tickets)["id"]
        by = str(uuid.uuid4())
        # That somebody takes it fits once; whoever comes later is told so.
        step, body = chance.choice([
            ("acknowledge", {"by": by}),
            ("postpone", {"by": by, "until": rfc3339(int(time.time()) + 86400 * chance.randrange(1, 9)), "why": "waits"})])
        status, answer = self.at_a_hub(chance, f"/v1/tickets/{ticket}/{step}", body, by)
        assert status in (200, 409), answer
        with self.lock:
            self.taken[ticket, by] = status


def check(world, people):
    problems = list(people.problems)
    documents = {}
    for name, site in world.sites.items():
        records = site.pages(f"/v1/probes/{name}-polled/service-records")
        count = collections.Counter(record["note"] for record in records)
        asked = {note for note, at in [*people.here.items(), *people.there.items()] if at == name}
        problems += [f"{name}: {note} is there {count[note]} times" for note in asked if count[note] != 1]
        problems += [f"{name}: {note} was never asked for" for note in count if note not in asked]
        documents[name] = {"records": records, "tickets": site.pages(f"/v1/tickets?site={name}")}
    for (ticket, by), status in people.taken.items():
        site = ticket.rsplit("-", 1)[0]
        entries = [e for t in documents[site]["tickets"] if t["id"] == ticket for e in t["history"] if e["by"] == by]
        if len(entries) != (1 if status == 200 else 0):
            problems.append(f"{ticket}: a step that was answered {status} is there {len(entries)} times")
    for number, hub in enumerate(world.hubs):
        if hub.pages("/v1/tickets") != sorted((t for d in documents.values() for t in d["tickets"]),
                                              key=lambda t: (t["opened_at"], t["site"], t["number"])):
            problems.append(f"hub {number} has other tickets than the sites")
        for name in world.sites:
            if hub.pages(f"/v1/probes/{name}-polled/service-records") != documents[name]["records"]:
                problems.append(f"hub {number} has other records of {name} than the site")
    steps = world.cluster.sql("hub", "SELECT count(*), count(DISTINCT (site_id, id)) FROM probekeeper.steps")[0]
    outcomes = world.cluster.sql("hub", "SELECT count(*), count(DISTINCT (site_id, id)) FROM probekeeper.outcomes")[0]
    if len({*steps, *outcomes}) != 1:
        problems.append(f"steps {steps}, outcomes {outcomes}")
    return problems, int(steps[0])


def late_polls(world):
    times = collections.defaultdict(list)
    for (unit, _), at in world.device.served.items():
        times[unit].append(at)
    worst, problems = 0.0, []
    for unit, name in enumerate(world.sites, start=1):
        at = sorted(times[unit])
        for before, after in zip(at, at[1:]):
            if any(begin <= after and before <= end for begin, end in world.restarts[name]):
                continue
            worst = max(worst, after - before - POLL_S)
            if after - before > POLL_S + LATE_MOST_S:
                problems.append(f"{name} was not polled for {after - before:.1f} s")
    return worst, problems


def listen(hub, events, stop):
    """All events that a hub tells, going on behind the last one heard, whatever happens to it."""
    last = ""
    while not stop.is_set():
        try:
            connection = http.client.HTTPConnection("127.0.0.1", hub.port, timeout=5)
            connection.request("GET", "/v1/events", headers={"Last-Event-ID": last} if last else {})
            answer = connection.getresponse()
            number = None
            while not stop.is_set():
                raw = answer.fp.readline()
                if not raw:
                    break
                line = raw.decode().rstrip("\n")
                if line.startswith("id: "):
                    number = line[4:]
                elif line.startswith("data: ") and number:
                    events.append((int(number), line[6:]))
                    last = number
        except (OSError, http.client.HTTPException, ValueError):
            time.sleep(0.1)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("daemon")
    parser.add_argument("--sites", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    if not postgres.there():
        print("skipped: no PostgreSQL")
        return SKIPPED
    with tempfile.TemporaryDirectory(prefix="probekeeper-hub-") as folder:
        world = World(arguments.daemon, arguments.sites, arguments.seed, folder)
        stop = threading.Event()
        try:
            world.start()
            world.make_tickets()
            events = [[], []]
            listeners = [threading.Thread(target=listen, args=(hub, heard, stop)) for hub, heard in zip(world.hubs, events)]
            for listener in listeners:
                listener.start()
            people = People(world)
            people.start()
            broken = collections.Counter()
            end = time.monotonic() + arguments.seconds
            while time.monotonic() < end:
                time.sleep(world.random.uniform(0.2, 2.0))
                broken[world.break_something()] += 1
            world.proxy.cut_after = None
            people.end()
            for hub in world.hubs:
                until("a hub answers again", hub.answers, 60)
            until("every step has its outcome",
                  lambda: world.cluster.sql("hub", "SELECT count(*) FROM probekeeper.waiting_steps") == [["0"]], 180, 0.5)
            for name, site in world.sites.items():
                site.caught_up()
                until(f"{name} has told everything", lambda site=site: (
                    lambda hub: hub["state"] == "connected" and hub["waiting"] == 0)(site.get("/v1/health")["hub"]), 180, 0.2)
            problems, steps = check(world, people)
            worst, late = late_polls(world)
            problems += late
            stop.set()
            for listener in listeners:
                listener.join()
            told = [int(row[0]) for row in world.cluster.sql(
                "hub", "SELECT xid::text::bigint * 4096 + row_number() OVER (PARTITION BY xid ORDER BY id) - 1 FROM "
                "probekeeper.events ORDER BY xid, id")]
            for number, heard in enumerate(events):
                numbers = [event[0] for event in heard]
                if numbers and numbers != told[told.index(numbers[0]):told.index(numbers[-1]) + 1]:
                    problems.append(f"hub {number} told events twice, out of order or not at all")
            print(json.dumps({"sites": arguments.sites, "broken": dict(broken), "records_at_sites": len(people.here),
                              "records_at_hubs": len(people.there), "steps_on_tickets": len(people.taken),
                              "of_them_refused": sum(1 for status in people.taken.values() if status == 409),
                              "steps_in_the_log": steps, "events_heard": [len(heard) for heard in events],
                              "latest_poll_s": round(worst, 2)}))
            for problem in problems[:40]:
                print("FAILED:", problem)
            if problems:
                for process in [*world.hubs, *world.sites.values()]:
                    print("---", process.folder, process.log()[-1500:], sep="\n")
            return 1 if problems or not people.there or not people.taken else 0
        finally:
            stop.set()
            world.close()


if __name__ == "__main__":
    sys.exit(main())
