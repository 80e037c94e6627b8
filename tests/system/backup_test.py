#!/usr/bin/python3
"""The restore drill: copies are made while devices are polled, files come in and people write; then the machine is
lost, a copy is started elsewhere, and everything that was acknowledged before the copy began is asked for.

    backup_test.py PROBEKEEPERD      exit 77: python3-pymodbus or curl is not here
"""
import datetime
import os
import shutil
import sqlite3
import stat
import sys
import threading
import unittest

import run_test
from run_test import probekeeperd, until

LOGGER = """
[[probe]]
id = "logger"
site = "site"
location = "Fed by files"
"""


class Load:
    """Somebody who does `work` again and again until it is told to end, and keeps what was acknowledged."""

    def __init__(self, work):
        self.acknowledged = []
        self.failure = None
        self.ending = threading.Event()
        self.thread = threading.Thread(target=self.go_on, args=(work,))
        self.thread.start()

    def go_on(self, work):
        try:
            number = 0
            while not self.ending.is_set():
                self.acknowledged.append(work(number))
                number += 1
        except Exception as failure:  # told where the test looks
            self.failure = failure

    def more_than(self, count):
        if self.failure:
            raise self.failure
        return len(self.acknowledged) > count

    def end(self):
        self.ending.set()
        self.thread.join(timeout=60)


class RestoreDrill(run_test.Running):
    def setUp(self):
        super().setUp()
        self.text = self.changed("\n[limits]", LOGGER + "\n[limits]").replace("= 60.0", "= 10.0")
        self.config = self.write("site.toml", self.text)
        # Half an hour back: not of the future, and not so old that anything expires.
        self.begin = datetime.datetime.now(datetime.timezone.utc).replace(microsecond=0)
        self.begin -= datetime.timedelta(minutes=30)
        csv = self.write("readings.csv", "\n".join(run_test.recording()) + "\n")
        done = probekeeperd("replay", "--config", self.config, "--readings", csv, "--store", self.at("var/store.db"))
        self.assertEqual(done.returncode, 0, done.stderr)

    def stamp(self, seconds):
        return (self.begin + datetime.timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S.000Z")

    def write_a_record(self, number):
        answer = self.post("/probes/probe-2/service-records",
                           {"kind": "inspection", "by": "t", "note": f"drill {number}"})
        self.assertEqual(answer.status, 201, answer.body)
        return answer.json()

    def send_a_file(self, number):
        times = [self.stamp(number * 10 + i) for i in range(10)]
        rows = "\n".join(f"{time},logger,{5 + number % 7}.25,12.5" for time in times)
        answer = self.get("/readings", "-H", "content-type: text/csv", "--data-binary",
                          f"time,probe,do_mg_l,temperature_c\n{rows}\n")
        self.assertEqual(answer.status, 200, answer.body)
        return times

    def make_a_ticket(self):
        # A day into the recording, the probe stands a third below the portable meter.
        posted = self.post("/probes/probe-1/service-records", {
            "kind": "reference_check", "time": run_test.stamp(days=1, hours=9), "by": "t", "reference_mg_l": 6.0,
            "probe_mg_l": 4.0})
        self.assertEqual(posted.status, 201, posted.body)
        items = until("a ticket", lambda: self.get("/tickets?probe=probe-1").json()["items"], 60)
        step = self.post(f"/tickets/{items[0]['id']}/acknowledge", {"by": "drill", "note": "seen to"})
        self.assertEqual(step.status, 200, step.body)
        return step.json()

    def copy_under_load(self, name):
        made = probekeeperd("backup", "--config", self.config, "--to", self.at(name))
        self.assertEqual(made.returncode, 0, made.stderr)
        self.assertEqual(stat.S_IMODE(os.stat(self.at(name)).st_mode), 0o600)
        store = sqlite3.connect(self.at(name))
        self.addCleanup(store.close)
        self.assertEqual(store.execute("pragma integrity_check").fetchall(), [("ok",)])
        store.close()

    def lose_the_machine(self):
        self.end(self.daemon)
        shutil.rmtree(self.at("var"))

    def start_elsewhere(self, copy):
        os.makedirs(self.at("elsewhere/var"))
        shutil.copy(self.at(copy), self.at("elsewhere/var/store.db"))
        old, self.http = self.http, run_test.free_port()
        self.config = self.write("elsewhere/site.toml", self.text.replace(f":{old}", f":{self.http}"))
        checked = probekeeperd("check", "--config", self.config)
        self.assertEqual(checked.returncode, 0, checked.stdout)
        self.start()

    def all_items(self, path):
        items, after = [], ""
        while after is not None:
            page = self.get(f"{path}?limit=1000" + (f"&after={after}" if after else "")).json()
            items += page["items"]
            after = page["next"]
        return items

    def logger_times(self):
        """All that is kept of the logger, in pages of an hour's quarter."""
        times = []
        for quarter in range(0, 4 * 3600, 900):
            page = self.get(f"/probes/logger/readings?from={self.stamp(quarter)}&to={self.stamp(quarter + 900)}"
                            "&limit=1000").json()
            times += page["time"]
        return times

    def test_all_that_was_acknowledged_before_a_copy_began_is_there_where_it_is_restored(self):
        self.start()
        ticket = self.make_a_ticket()
        polled = until("polls", lambda: (lambda t: t if len(t) >= 4 else None)(self.times("probe-2")))
        people, files = Load(self.write_a_record), Load(self.send_a_file)
        self.addCleanup(people.end)
        self.addCleanup(files.end)
        for _copy in range(3):  # each replaces the one before
            records, sent = len(people.acknowledged), len(files.acknowledged)
            until("people and files get through", lambda r=records, s=sent: people.more_than(r + 10) and
                  files.more_than(s + 3))
            records, sent = len(people.acknowledged), len(files.acknowledged)
            self.copy_under_load("copy.db")
        until("the load goes on after the copy", lambda: people.more_than(records + 1) and files.more_than(sent + 1))
        people.end()
        files.end()
        self.lose_the_machine()

        self.start_elsewhere("copy.db")
        kept = {record["record"]: record for record in self.all_items("/probes/probe-2/service-records")}
        for record in people.acknowledged[:records]:
            told = {name: value for name, value in record.items() if name not in ("questions", "still_to_do")}
            self.assertEqual(kept.get(record["record"]), told)
        kept_times = set(self.logger_times())
        missing = [time for times in files.acknowledged[:sent] for time in times if time not in kept_times]
        self.assertEqual(missing, [])
        self.assertEqual(self.times("probe-2")[:len(polled)], polled)
        recorded = self.get(f"/probes/probe-1/readings?from={run_test.stamp()}&to={run_test.stamp(minutes=10)}").json()
        self.assertEqual(len(recorded["time"]), 60)
        restored = self.get(f"/tickets/{ticket['id']}").json()
        self.assertEqual(restored["history"][:len(ticket["history"])], ticket["history"])
        self.assertEqual(restored["opened_at"], ticket["opened_at"])

        # And it is not only a picture of the past.
        self.wait_for_a_newer_reading()
        self.assertNotIn(self.write_a_record(0)["record"], kept)
        self.stop()


if __name__ == "__main__":
    if not shutil.which("curl"):
        print("skipped: curl is not here")
        sys.exit(run_test.SKIPPED)
    devices, run_test.MODBUS = run_test.start_devices()
    try:
        suite = unittest.TestSuite([RestoreDrill(
            "test_all_that_was_acknowledged_before_a_copy_began_is_there_where_it_is_restored")])
        result = unittest.TextTestRunner(verbosity=2).run(suite)
    finally:
        devices.stdin.close()
        devices.stdout.close()
        devices.wait(timeout=10)
    sys.exit(0 if result.wasSuccessful() else 1)
