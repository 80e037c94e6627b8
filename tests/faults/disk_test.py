#!/usr/bin/python3
"""The disk fails the running daemon: it goes on polling and diagnosing in memory, says so, and recovers by itself. A
damaged store is set aside and a new one begun; one of a newer version is left alone.

    disk_test.py PROBEKEEPERD FAILING_DISK      the library of failing_disk.cpp

One test needs the super-user and a tmpfs, and is skipped without.
"""
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
import unittest

from harness import CountingDevice, Daemon, free_port, preloaded, store_faults, until
from kills_test import POLLED, POLLED_PROBE, UNITS, rfc3339

DAEMON = os.path.abspath(sys.argv[1])
FAILING_DISK = os.path.abspath(sys.argv[2])
INSPECTION = {"kind": "inspection", "by": "tester"}
POLL_S = 0.2  # of the probes
BY_CSV = """
[[probe]]
id = "by-csv"
site = "polled"
"""


class Disk(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="probekeeper-disk-")
        self.addCleanup(folder.cleanup)
        self.folder = folder.name
        self.device = CountingDevice()
        self.addCleanup(self.device.server.shutdown)
        self.daemon = Daemon(DAEMON, self.folder, free_port())
        self.addCleanup(self.end)

    def end(self):
        if self.daemon.process and self.daemon.process.poll() is None:
            self.daemon.kill()

    def configure(self, store, more=""):
        text = POLLED.format(http=self.daemon.port, modbus=self.device.port).replace("store.db", store)
        with open(self.daemon.path("c.toml"), "w", encoding="utf-8") as file:
            file.write(text + "".join(POLLED_PROBE.format(unit=unit) for unit in UNITS) + more)

    def health(self):
        return self.daemon.get("/v1/health")

    def kept(self, since):
        counts = set()
        for unit in UNITS:
            answer = self.daemon.get(f"/v1/probes/polled-{unit}/readings?from={rfc3339(since - 60)}&to={rfc3339(time.time() + 60)}")
            counts |= {(unit, round(value * 1e4)) for value in answer["do_mg_l"] if value is not None}
        return counts

    def start_on_failing_disk(self, more=""):
        """The disk is what self.says() tells it to be."""
        self.configure("store.db", more)
        self.daemon.start(preloaded(FAILING_DISK, FAILING_DISK_FILES="/store.db",
                                    FAILING_DISK_SAYS=self.daemon.path("disk-says")))

    def says(self, mood):
        with open(self.daemon.path("disk-says.new"), "w", encoding="ascii") as file:
            file.write(mood)
        os.rename(self.daemon.path("disk-says.new"), self.daemon.path("disk-says"))

    def metric(self, name):
        found = re.search(rf"^probekeeper_{re.escape(name)} (\S+)$", self.daemon.ask("GET", "/metrics")[1].decode(), re.M)
        return float(found.group(1))

    def all_good(self):
        until("a good start", lambda: self.health()["status"] == "ok")

    def goes_on_until_healed(self, heal):
        """With a disk that fails just now."""
        since = time.time()
        missed = self.metric('polls_total{line="line",result="missed"}')
        until("health that says so", lambda: self.health()["store"]["status"] == "failing")
        self.assertEqual("failing", self.health()["status"])
        self.assertIn("event=store_failing", self.daemon.log())
        status, answer = self.daemon.ask("POST", "/v1/probes/polled-1/service-records", INSPECTION)
        self.assertEqual(503, status, answer)
        # Polling and serving go on: what is shown is of now.
        before = self.daemon.get("/v1/probes/polled-1")["last_reading"]["time"]
        until("a newer reading", lambda: self.daemon.get("/v1/probes/polled-1")["last_reading"]["time"] > before)
        time.sleep(3)
        heal()
        self.all_good()
        status, answer = self.daemon.ask("POST", "/v1/probes/polled-1/service-records", INSPECTION)
        self.assertEqual(201, status, answer)
        healed = time.time()
        self.assertIn("event=store_writes_again", self.daemon.log())
        self.assertLessEqual(self.daemon.log().count("event=store_failing"), 4, "a state is told, not each repetition")
        time.sleep(2.5)
        with self.device.lock:
            served = {key for key, at in self.device.served.items() if since < at < healed}
        self.assertEqual(set(), served - self.kept(since), "readings from the time without a disk are lost")
        self.assertEqual(missed, self.metric('polls_total{line="line",result="missed"}'))
        self.assertEqual(1, len(self.daemon.pages("/v1/probes/polled-1/service-records")))
        self.assertEqual(0, self.daemon.stop())

    def fails_and_heals(self, mood, advice):
        self.start_on_failing_disk()
        self.daemon.ready()
        self.all_good()
        self.says(mood)
        self.goes_on_until_healed(lambda: self.says("well"))
        self.assertIn(advice, self.daemon.log())
        self.assertEqual([], store_faults(self.folder))

    def test_a_disk_without_room_is_told_and_outlived(self):
        self.fails_and_heals("full", "free some room")

    def test_a_store_that_becomes_read_only_is_told_and_outlived(self):
        self.fails_and_heals("read-only", "check the disk and the permissions")

    def test_a_disk_that_breaks_is_told_and_outlived(self):
        self.fails_and_heals("broken", "check the disk and the permissions")

    def test_a_full_disk_is_told_and_outlived(self):
        if os.geteuid() != 0 or not can_mount():
            self.skipTest("the super-user and a tmpfs are needed")
        disk = os.path.join(self.folder, "disk")
        os.mkdir(disk)
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", disk], check=True)
        self.addCleanup(subprocess.run, ["umount", "--lazy", disk], check=True)
        self.configure("disk/store.db")
        self.daemon.start()
        self.daemon.ready()
        self.all_good()
        filler = os.path.join(disk, "filler")
        with open(filler, "wb", buffering=0) as file:
            try:
                while True:
                    file.write(b"x" * 4096)
            except OSError:
                pass
        self.goes_on_until_healed(lambda: os.remove(filler))
        self.assertIn("free some room", self.daemon.log())
        self.assertEqual([], store_faults(disk))

    def test_a_disk_that_syncs_slowly_costs_no_poll(self):
        self.start_on_failing_disk()
        self.daemon.ready()
        self.all_good()
        self.says("slow")
        since = time.time()
        began = time.monotonic()
        status, _ = self.daemon.ask("POST", "/v1/probes/polled-1/service-records", INSPECTION)
        self.assertEqual(201, status)
        self.assertGreater(time.monotonic() - began, 0.9, "it was answered before it was on the disk")
        while time.time() < since + 8:
            self.assertEqual(201, self.daemon.ask("POST", "/v1/probes/polled-1/service-records", INSPECTION)[0])
        until_now = time.time()
        with self.device.lock:
            served = {key: at for key, at in self.device.served.items() if since < at < until_now}
        for unit in UNITS:
            times = sorted(at for (of, _), at in served.items() if of == unit)
            self.assertGreaterEqual(len(times), 0.9 * (until_now - since) / POLL_S)
        self.assertEqual(0, self.metric('polls_total{line="line",result="missed"}'))
        self.assertEqual("ok", self.health()["status"])
        self.says("well")
        time.sleep(2.5)
        self.assertEqual(set(), set(served) - self.kept(since))
        self.assertEqual(0, self.daemon.stop())
        self.assertEqual([], store_faults(self.folder))

    def test_history_that_is_to_be_made_again_waits_for_the_disk(self):
        self.start_on_failing_disk(BY_CSV)
        self.daemon.ready()
        self.all_good()
        now = time.time()
        rows = "".join(f"{rfc3339(now - ago)},by-csv,8.{ago}\n" for ago in (4, 3, 2))
        status, answer = self.daemon.ask("POST", "/v1/readings", "time,probe,do_mg_l\n" + rows, {"Content-Type": "text/csv"})
        self.assertEqual((200, 3), (status, answer["accepted"]), answer)
        self.says("full")  # before these readings are old enough to be diagnosed
        until("history that could not be made", lambda: "event=diagnosis_not_remade" in self.daemon.log())
        self.says("well")
        until("history made", lambda: "event=diagnosis_remade" in self.daemon.log())
        self.all_good()
        self.assertEqual(201, self.daemon.ask("POST", "/v1/probes/by-csv/service-records", INSPECTION)[0])
        self.assertNotIn("event=keeper_failed", self.daemon.log())
        self.assertEqual(0, self.daemon.stop())

    def test_a_start_without_a_store_to_write_to_says_so_and_changes_nothing(self):
        self.configure("store.db")
        self.daemon.start()
        self.daemon.ready()
        self.assertEqual(0, self.daemon.stop())
        self.says("read-only")
        self.start_on_failing_disk()
        self.assertEqual(1, self.daemon.process.wait(30))
        self.assertIn("the store's folder must exist and be writable", self.daemon.log())
        self.says("well")
        self.start_on_failing_disk()
        self.daemon.ready()
        self.all_good()
        self.assertEqual(0, self.daemon.stop())

    def test_a_store_of_a_newer_version_is_left_alone(self):
        self.configure("store.db")
        self.daemon.start()
        self.daemon.ready()
        self.assertEqual(0, self.daemon.stop())
        store = self.daemon.path("store.db")
        with sqlite3.connect(store) as db:
            db.execute("PRAGMA user_version = 1000")
        db.close()
        with open(store, "rb") as file:
            before = file.read()
        self.daemon.start()
        self.assertEqual(1, self.daemon.process.wait(30))
        self.assertIn("newer", self.daemon.log())
        with open(store, "rb") as file:
            self.assertEqual(before, file.read())

    def with_a_record(self):
        self.configure("store.db")
        self.daemon.start()
        self.daemon.ready()
        self.assertEqual(201, self.daemon.ask("POST", "/v1/probes/polled-1/service-records", INSPECTION)[0])
        return self.daemon.path("store.db")

    def set_aside(self):
        """The one file that was, once the daemon is at work again; health and log say so."""
        def warned_of_it():
            try:
                return [w for w in self.health()["warnings"] if "set aside as" in w]
            except OSError:
                return []  # it is beginning again
        warned = until("a store set aside", warned_of_it)
        self.daemon.ready()
        name = re.search(r"set aside as (\S+),", warned[0]).group(1)
        self.assertEqual("degraded", self.health()["status"])
        self.assertRegex(self.daemon.log(), rf"event=store_set_aside file=\S*{re.escape(name)} why=")
        before = self.daemon.get("/v1/probes/polled-1")["last_reading"]
        until("a newer reading", lambda: self.daemon.get("/v1/probes/polled-1")["last_reading"] != before)
        self.assertEqual(201, self.daemon.ask("POST", "/v1/probes/polled-1/service-records", INSPECTION)[0])
        self.assertEqual("ok", self.health()["store"]["status"])
        return self.daemon.path(name)

    def test_a_store_that_is_no_database_any_more_is_set_aside_as_it_is(self):
        store = self.with_a_record()
        self.assertEqual(0, self.daemon.stop())
        with open(store, "r+b") as file:
            file.write(b"This is no store of ours any more" * 100)
        with open(store, "rb") as file:
            damaged = file.read()
        self.daemon.start()
        self.daemon.ready()
        aside = self.set_aside()
        with open(aside, "rb") as file:
            self.assertEqual(damaged, file.read())
        os.rename(aside, self.daemon.path("elsewhere"))
        self.assertEqual("ok", self.health()["status"])
        self.assertEqual(0, self.daemon.stop())
        self.assertEqual([], store_faults(self.folder))

    def test_people_s_records_outlive_a_damaged_page(self):
        store = self.with_a_record()
        self.assertEqual(0, self.daemon.stop())
        with sqlite3.connect(store) as db:
            page = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'events'").fetchone()[0]
        db.close()
        with open(store, "r+b") as file:
            file.seek((page - 1) * 4096)
            file.write(b"\x5a" * 4096)
        with open(store + "-wal", "wb") as file:
            file.write(b"left behind by a kill")
        self.daemon.start()
        self.daemon.ready()
        self.set_aside()
        self.assertEqual(2, len(self.daemon.pages("/v1/probes/polled-1/service-records")))
        self.assertTrue(self.kept(time.time() - 600), "the readings of before")
        self.assertEqual(0, self.daemon.stop())

    def test_damage_that_shows_while_it_runs_is_set_aside_without_a_person(self):
        store = self.with_a_record()
        self.assertEqual(0, self.daemon.stop())
        with sqlite3.connect(store) as db:  # what diagnosis has to read again at the next start
            db.execute("UPDATE blocks SET data = randomblob(length(data))")
            db.execute("DELETE FROM checkpoints")
        db.close()
        starts = self.daemon.log().count("event=started")
        self.daemon.start()
        self.daemon.ready()
        self.set_aside()
        self.assertIn("event=keeper_failed", self.daemon.log())
        self.assertEqual(starts + 2, self.daemon.log().count("event=started"), "once with it, once without")
        self.assertEqual(2, len(self.daemon.pages("/v1/probes/polled-1/service-records")))
        self.assertEqual(0, self.daemon.stop())


def can_mount():
    probe = tempfile.mkdtemp()
    try:
        if subprocess.run(["mount", "-t", "tmpfs", "tmpfs", probe], capture_output=True, check=False).returncode != 0:
            return False
        subprocess.run(["umount", probe], check=True)
        return True
    finally:
        shutil.rmtree(probe)


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1] + sys.argv[3:], verbosity=2, warnings="ignore")
