#!/usr/bin/python3
"""A site's daemon and the database of a hub, cut from each other and killed at random moments: what people did at either
end is there once, at both, and the site's polls notice nothing.

    site_test.py PROBEKEEPERD MIGRATE [--rounds N] [--seed N]
"""
import argparse
import http.client
import json
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
import unittest

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import POLLED, POLLED_PROBE, UNITS, CountingDevice, Daemon, free_port, rfc3339, until  # noqa: E402
from hub import cluster as postgres  # noqa: E402
from hub.proxy import Proxy  # noqa: E402

PARSER = argparse.ArgumentParser()
PARSER.add_argument("daemon")
PARSER.add_argument("migrate")
PARSER.add_argument("--rounds", type=int, default=12)
PARSER.add_argument("--seed", type=int, default=1)
ARGUMENTS = PARSER.parse_args()

FED = """
[[site]]
id = "fed"
kind = "aquaculture"
altitude_m = 0.0
[[probe]]
id = "fed-1"
site = "fed"
"""
HUB = """
[hub]
postgresql = "{conninfo}"
kilobits_per_s = {rate}
"""
MINUTES = 180


def quoted(text):
    return "'" + text.replace("'", "''") + "'"


class Site(unittest.TestCase):
    maxDiff = None

    @classmethod
    def setUpClass(cls):
        cls.cluster = postgres.Cluster()
        cls.databases = 0

    @classmethod
    def tearDownClass(cls):
        cls.cluster.close()

    def setUp(self):
        type(self).databases += 1
        self.database = f"hub{self.databases}"
        self.cluster.sql("postgres", f"CREATE DATABASE {self.database}")
        subprocess.run([ARGUMENTS.migrate, self.cluster.conninfo(self.database)], check=True)
        self.device = CountingDevice()
        self.proxy = Proxy(self.cluster.port, ARGUMENTS.seed)
        self.addCleanup(self.proxy.close)

    def site(self, rate=20000):
        folder = tempfile.TemporaryDirectory(prefix="probekeeper-hub-")
        self.addCleanup(folder.cleanup)
        port = free_port()
        daemon = Daemon(os.path.abspath(ARGUMENTS.daemon), folder.name, port)
        with open(daemon.path("c.toml"), "w", encoding="utf-8") as file:
            file.write(POLLED.format(http=port, modbus=self.device.port) +
                       "".join(POLLED_PROBE.format(unit=unit) for unit in UNITS) + FED +
                       HUB.format(conninfo=self.cluster.conninfo(self.database, port=self.proxy.port), rate=rate))
        self.addCleanup(lambda: daemon.process and daemon.process.poll() is None and daemon.kill())
        return daemon

    def sql(self, statement):
        return self.cluster.sql(self.database, statement)

    def one(self, expression):
        return self.sql("SELECT " + expression)[0][0]

    def step(self, name, site, path, body):
        """As a hub passes one on."""
        self.sql("WITH s AS (INSERT INTO probekeeper.steps (site_id, id, who, role, method, path, content_type, body) VALUES ("
                 f"{quoted(site)}, {quoted(name)}, 'ada', 'operate', 'POST', {quoted(path)}, 'application/json', "
                 f"{quoted(json.dumps(body))}) RETURNING site_id, seq, id) "
                 "INSERT INTO probekeeper.waiting_steps (site_id, seq, id) SELECT site_id, seq, id FROM s")
        self.sql(f"SELECT pg_notify('probekeeper_steps', {quoted(site)})")

    def caught_up(self, daemon):
        def told():
            hub = daemon.get("/v1/health")["hub"]
            return hub["state"] == "connected" and hub["waiting"] == 0 and hub["hours_waiting"] == 0
        until("the hub has been told everything", told, 120, 0.1)

    def upload(self, daemon, first, value):
        """Three hours of a fed probe, two readings a minute."""
        begin = int(time.time()) // 3600 * 3600 - 12 * 3600 + first * 3600
        rows = "".join(f"{rfc3339(begin + 30 * i)},fed-1,{value + 0.01 * i:.2f}\n" for i in range(2 * MINUTES))
        status, answer = daemon.ask("POST", "/v1/readings", "time,probe,do_mg_l\n" + rows, {"Content-Type": "text/csv"})
        self.assertEqual((status, answer["accepted"]), (200, 2 * MINUTES), answer)
        return begin

    def same_at_both(self, daemon):
        """What people did, and minutes, as the daemon answers them and as the hub has them."""
        for probe in ["fed-1", *(f"polled-{unit}" for unit in UNITS)]:
            there = [json.loads(row[0]) for row in self.sql(
                f"SELECT document FROM probekeeper.records WHERE probe_id = '{probe}' ORDER BY time, number")]
            here = daemon.pages(f"/v1/probes/{probe}/service-records")
            self.assertEqual(there, here)
        here = daemon.pages("/v1/tickets")
        there = [json.loads(row[0]) for row in self.sql(
            "SELECT document FROM probekeeper.tickets ORDER BY opened_at, site_id, number")]
        self.assertEqual(there, here)
        for probe in daemon.pages("/v1/probes"):
            document = json.loads(self.one(f"document FROM probekeeper.probes WHERE probe_id = '{probe['id']}'"))
            self.assertEqual((document["condition"], document["serial"]), (probe["condition"], probe["serial"]))

    def test_minutes_and_sites_are_as_the_daemon_answers_them(self):
        daemon = self.site()
        daemon.start()
        daemon.ready()
        begin = self.upload(daemon, 0, 5.0)
        self.upload(daemon, 3, 6.0)  # so that all three hours of the first are over
        until("the hours are there",
              lambda: int(self.one("count(*) FROM probekeeper.summaries WHERE probe_id = 'fed-1'")) >= 5, 60, 0.2)
        steps = daemon.get(f"/v1/probes/fed-1/readings?from={rfc3339(begin)}&to={rfc3339(begin + 3 * 3600)}&step_s=60"
                           "&limit=1000")
        rows = self.sql("SELECT extract(epoch FROM hour)::bigint + 60 * minutes[i], counts[i], do_mg_l_min[i], "
                        "do_mg_l_sum[i] / do_mg_l_count[i], do_mg_l_max[i] FROM probekeeper.summaries, "
                        f"generate_subscripts(minutes, 1) AS i WHERE probe_id = 'fed-1' AND hour < '{rfc3339(begin + 3 * 3600)}' "
                        "ORDER BY 1")
        self.assertEqual(len(rows), MINUTES)
        self.assertEqual([rfc3339(int(row[0])) for row in rows], steps["time"])
        self.assertEqual([int(row[1]) for row in rows], steps["count"])
        for column, name in ((2, "do_mg_l_min"), (3, "do_mg_l_mean"), (4, "do_mg_l_max")):
            for row, step in zip(rows, steps[name]):
                self.assertAlmostEqual(float(row[column]), step, 4)
        # A late reading changes its hour.
        status, _ = daemon.ask("POST", "/v1/readings", f"time,probe,do_mg_l\n{rfc3339(begin + 7)},fed-1,1.0\n",
                               {"Content-Type": "text/csv"})
        self.assertEqual(status, 200)
        until("the hour is told again", lambda: self.one(
            f"do_mg_l_min[1] FROM probekeeper.summaries WHERE probe_id = 'fed-1' AND hour = '{rfc3339(begin)}'") == "1",
            60, 0.2)
        self.assertEqual(self.sql("SELECT site_id FROM probekeeper.sites ORDER BY 1"), [["fed"], ["polled"]])
        self.assertIn('id = "polled-1"', "\n".join(
            row[0] for row in self.sql("SELECT configuration FROM probekeeper.sites")))
        metrics = daemon.ask("GET", "/metrics")[1].decode()
        self.assertIn("probekeeper_hub_connected 1", metrics)

    def test_what_people_did_is_there_once_whatever_is_cut_and_killed(self):
        chance = random.Random(ARGUMENTS.seed)
        daemon = self.site()
        self.cluster.stop()  # it begins without a hub
        daemon.start()
        daemon.ready()
        self.assertEqual(daemon.ask("POST", "/v1/probes/polled-1/service-records",
                                    {"kind": "inspection", "note": "before", "by": "t1"})[0], 201)
        self.cluster.start()
        self.caught_up(daemon)
        self.assertEqual(self.one("document ->> 'note' FROM probekeeper.records"), "before")

        stopping = threading.Event()
        here = ["before"]

        def work_at_the_site():
            number = 0
            while not stopping.is_set():
                number += 1
                note = f"here {number}"
                while True:  # under its key until it is answered
                    try:
                        status, _ = daemon.ask("POST", f"/v1/probes/polled-{1 + number % 4}/service-records",
                                               {"kind": "inspection", "note": note, "by": "t1"},
                                               {"Idempotency-Key": note.replace(" ", "-")}, timeout=20)
                        if status == 201:
                            here.append(note)
                            break
                    except (OSError, http.client.HTTPException):
                        pass
                    time.sleep(0.05)
                time.sleep(0.1)

        worker = threading.Thread(target=work_at_the_site)
        worker.start()
        restarts = []
        there = []
        try:
            for number in range(ARGUMENTS.rounds):
                for part in range(3):
                    note = f"there {number}.{part}"
                    self.step(note.replace(" ", "-"), "polled", f"/v1/probes/polled-{1 + part}/service-records",
                              {"kind": "inspection", "note": note, "by": "ada"})
                    there.append(note)
                self.proxy.cut_after = chance.randrange(1, 30_000)
                time.sleep(chance.uniform(0.0, 1.0))
                what = number % 4
                if what == 0:
                    self.proxy.cut()
                elif what == 1:
                    daemon.kill()
                    killed = time.time()
                    daemon.start()
                    daemon.ready()
                    restarts.append((killed, time.time() + 2.0))
                elif what == 2:
                    self.cluster.stop()
                    time.sleep(chance.uniform(0.0, 0.5))
                    self.cluster.start()
                else:
                    self.sql("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'probekeeperd'")
        finally:
            stopping.set()
            worker.join()
        self.proxy.cut_after = None
        until("every step has an outcome", lambda: self.one("count(*) FROM probekeeper.waiting_steps") == "0", 120, 0.2)
        self.caught_up(daemon)
        self.assertEqual(self.sql("SELECT status, count(*) FROM probekeeper.outcomes GROUP BY status"),
                         [["201", str(len(there))]])
        notes = sorted(row[0] for row in self.sql("SELECT document ->> 'note' FROM probekeeper.records"))
        self.assertEqual(notes, sorted(here + there))
        self.same_at_both(daemon)
        self.undisturbed(restarts)

    def undisturbed(self, restarts):
        """No poll was late by more than a second but where the daemon itself was killed."""
        times = {}
        for (unit, _), at in self.device.served.items():
            times.setdefault(unit, []).append(at)
        for unit, at in times.items():
            at.sort()
            for before, after in zip(at, at[1:]):
                if after - before > 1.5 and not any(begin <= after and before <= end for begin, end in restarts):
                    self.fail(f"unit {unit} was not polled for {after - before:.1f} s")

    def test_a_database_that_was_emptied_is_told_everything_again(self):
        daemon = self.site()
        daemon.start()
        daemon.ready()
        self.upload(daemon, 0, 5.0)
        self.upload(daemon, 3, 6.0)
        for number in range(5):
            self.assertEqual(daemon.ask("POST", "/v1/probes/polled-1/service-records",
                                        {"kind": "inspection", "note": f"n{number}", "by": "t1"})[0], 201)
        self.caught_up(daemon)
        hours = "count(*) FROM probekeeper.summaries WHERE probe_id = 'fed-1'"
        until("all its hours are there", lambda: self.one(hours) == "6", 90, 0.2)
        tables = ("feeds sites probes diagnoses response_tests summaries tickets records out_of_use events steps "
                  "waiting_steps outcomes").split()
        self.sql("TRUNCATE " + ", ".join(f"probekeeper.{table}" for table in tables))
        self.proxy.cut()
        until("it is told again", lambda: "event=hub_told_again" in daemon.log(), 60)
        until("its hours too", lambda: self.one(hours) == "6", 90, 0.2)
        self.caught_up(daemon)
        self.assertEqual(self.one("count(*) FROM probekeeper.records"), "5")
        self.same_at_both(daemon)

    def test_two_daemons_cannot_have_one_site(self):
        first, second = self.site(), self.site()
        first.start()
        first.ready()
        self.caught_up(first)
        second.start()
        second.ready()
        until("it is refused", lambda: "event=hub_site_refused" in second.log(), 60)
        self.assertTrue(any("another daemon has" in warning for warning in second.get("/v1/health")["warnings"]))
        self.assertEqual(second.ask("POST", "/v1/probes/polled-2/service-records",
                                    {"kind": "inspection", "note": "second", "by": "t1"})[0], 201)
        self.assertEqual(self.one("count(DISTINCT daemon) FROM probekeeper.sites"), "1")
        self.assertEqual(self.one("count(*) FROM probekeeper.records"), "0")
        # The administrator hands it over: the machine was replaced.
        self.sql("UPDATE probekeeper.sites SET daemon = (SELECT daemon FROM probekeeper.feeds f WHERE daemon <> "
                 "(SELECT min(daemon) FROM probekeeper.sites)) WHERE site_id = 'polled'")
        until("the second one tells", lambda: self.one("count(*) FROM probekeeper.records") == "1", 120, 0.2)
        until("the first one is refused", lambda: "event=hub_site_refused" in first.log(), 120)


if __name__ == "__main__":
    if not postgres.there():
        print("skipped: no PostgreSQL")
        sys.exit(77)
    unittest.main(argv=sys.argv[:1])
