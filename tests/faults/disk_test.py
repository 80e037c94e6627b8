#!/usr/bin/python3
"""The disk fails the running daemon: it goes on polling and diagnosing in memory, says so, and recovers by itself.

    disk_test.py PROBEKEEPERD      exit 77: not the super-user, or no tmpfs can be mounted here
"""
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
import unittest

from harness import CountingDevice, Daemon, free_port, store_faults, until
from kills_test import POLLED, POLLED_PROBE, UNITS, rfc3339

SKIPPED = 77
DAEMON = os.path.abspath(sys.argv[1])
INSPECTION = {"kind": "inspection", "by": "tester"}


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

    def configure(self, store):
        text = POLLED.format(http=self.daemon.port, modbus=self.device.port).replace("store.db", store)
        with open(self.daemon.path("c.toml"), "w", encoding="utf-8") as file:
            file.write(text + "".join(POLLED_PROBE.format(unit=unit) for unit in UNITS))

    def health(self):
        return self.daemon.get("/v1/health")

    def kept(self, since):
        counts = set()
        for unit in UNITS:
            answer = self.daemon.get(f"/v1/probes/polled-{unit}/readings?from={rfc3339(since - 60)}&to={rfc3339(time.time() + 60)}")
            counts |= {(unit, round(value * 1e4)) for value in answer["do_mg_l"] if value is not None}
        return counts

    def test_a_full_disk_is_told_and_outlived(self):
        disk = os.path.join(self.folder, "disk")
        os.mkdir(disk)
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", disk], check=True)
        self.addCleanup(subprocess.run, ["umount", "--lazy", disk], check=True)
        self.configure("disk/store.db")
        self.daemon.start()
        self.daemon.ready()
        until("a good start", lambda: self.health()["status"] == "ok")
        since = time.time()
        filler = os.path.join(disk, "filler")
        with open(filler, "wb", buffering=0) as file:
            try:
                while True:
                    file.write(b"x" * 4096)
            except OSError:
                pass
        until("health that says so", lambda: self.health()["store"]["status"] == "failing")
        self.assertEqual("failing", self.health()["status"])
        self.assertIn("event=store_failing", self.daemon.log())
        self.assertIn("free some room", self.daemon.log())
        status, answer = self.daemon.ask("POST", "/v1/probes/polled-1/service-records", INSPECTION)
        self.assertEqual(503, status, answer)
        # Polling and serving go on: what is shown is of now.
        before = self.daemon.get("/v1/probes/polled-1")["last_reading"]["time"]
        until("a newer reading", lambda: self.daemon.get("/v1/probes/polled-1")["last_reading"]["time"] > before)
        time.sleep(3)
        os.remove(filler)
        until("health again", lambda: self.health()["status"] == "ok")
        status, answer = self.daemon.ask("POST", "/v1/probes/polled-1/service-records", INSPECTION)
        self.assertEqual(201, status, answer)
        healed = time.time()
        time.sleep(2.5)
        with self.device.lock:
            served = {key for key, at in self.device.served.items() if since < at < healed}
        self.assertEqual(set(), served - self.kept(since), "readings from the time without room are lost")
        self.assertEqual(1, len(self.daemon.pages("/v1/probes/polled-1/service-records")))
        self.assertEqual(0, self.daemon.stop())
        self.assertEqual([], store_faults(disk))

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

    def test_a_damaged_store_is_neither_written_over_nor_deleted(self):
        self.configure("store.db")
        self.daemon.start()
        self.daemon.ready()
        self.assertEqual(201, self.daemon.ask("POST", "/v1/probes/polled-1/service-records", INSPECTION)[0])
        self.assertEqual(0, self.daemon.stop())
        store = self.daemon.path("store.db")
        size = os.path.getsize(store)
        with open(store, "r+b") as file:
            file.seek(0)
            file.write(b"This is no store of ours any more" * 100)
        self.daemon.start()
        self.assertEqual(1, self.daemon.process.wait(30))
        self.assertIn("put a backup in its place", self.daemon.log())
        self.assertEqual(size, os.path.getsize(store))
        with open(store, "rb") as file:
            self.assertEqual(b"This is no store", file.read(16))


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
    if os.geteuid() != 0 or not can_mount():
        print("the super-user and a tmpfs are needed")
        sys.exit(SKIPPED)
    unittest.main(argv=sys.argv[:1], verbosity=2)
