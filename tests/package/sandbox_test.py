#!/usr/bin/python3
"""The daemon fits into the sandbox of its unit: the system calls that it makes in its life are those that the unit lets
it make, and the files that it opens for writing lie where the unit lets it write.

    sandbox_test.py PROBEKEEPERD      exit 77: strace, systemd-analyze, curl or python3-pymodbus is not here
"""
import os
import re
import shutil
import signal
import subprocess
import sys
import unittest

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
sys.path.insert(0, os.path.join(ROOT, "tests", "system"))
import run_test  # noqa: E402
from run_test import until  # noqa: E402

SERIAL = """
[[line]]
id = "serial"
site = "site"
transport = "rtu"
device = "{device}"
timeout_ms = 100
[[probe]]
id = "probe-3"
line = "serial"
unit = 1
register_map = "floats"
poll_s = 0.5
[scada]
listen = "127.0.0.1:{scada}"
"""


def call_sets():
    """The sets of systemd, each with what is directly in it."""
    listed = subprocess.run(["systemd-analyze", "syscall-filter", "--no-pager"], capture_output=True, text=True,
                            check=True).stdout
    sets, name = {}, None
    for line in listed.splitlines():
        if line.startswith(("@", "#")):
            name = line.strip()
            sets[name] = set()
        elif line.strip() and not line.strip().startswith("#") and name:
            sets[name].add(line.strip())
    return sets


def calls_of(word, sets):
    if not word.startswith("@"):
        return {word}
    return set().union(*(calls_of(inner, sets) for inner in sets[word]))


def allowed_by_the_unit():
    with open(os.path.join(ROOT, "deploy", "systemd", "probekeeper.service"), encoding="utf-8") as file:
        filters = re.findall(r"(?m)^SystemCallFilter=(.*)$", file.read())
    sets, allowed = call_sets(), calls_of("@default", call_sets())
    for line in filters:
        take_away = line.startswith("~")
        for word in line.lstrip("~").split():
            allowed = allowed - calls_of(word, sets) if take_away else allowed | calls_of(word, sets)
    return allowed


class Sandbox(run_test.Running):
    def setUp(self):
        super().setUp()
        self.controller, self.device = os.openpty()
        self.addCleanup(os.close, self.device)
        self.addCleanup(os.close, self.controller)
        self.text = self.text.replace("\n[limits]", SERIAL.format(device=os.ttyname(self.device),
                                                                    scada=run_test.free_port()) + "\n[limits]")
        self.config = self.write("site.toml", self.text)

    def start(self):
        log = open(self.at("log"), "w", encoding="utf-8")
        self.addCleanup(log.close)
        self.daemon = subprocess.Popen(["strace", "-f", "-qq", "-o", self.at("calls"), run_test.DAEMON, "run", "--config",
                                        self.config], stderr=log, preexec_fn=run_test.end_with_us)
        self.addCleanup(self.end_traced)
        until("the API answers", self.answers)

    def traced(self):
        with open(f"/proc/{self.daemon.pid}/task/{self.daemon.pid}/children", encoding="ascii") as file:
            return int(file.read().split()[0])

    def end_traced(self):
        if self.daemon.poll() is None:
            os.kill(self.traced(), signal.SIGKILL)
            self.daemon.wait(timeout=10)

    def live_a_life(self):
        self.start()
        self.wait_for_readings()
        posted = self.post("/probes/probe-1/service-records", {"kind": "inspection", "by": "t"})
        self.assertEqual(posted.status, 201, posted.body)
        self.assertEqual(self.get("/probes/probe-1/chart.svg?quantity=do&days=1").status, 200)
        os.kill(self.traced(), signal.SIGHUP)
        until("it has reloaded", lambda: "event=reloaded" in self.log())
        until("the serial line is asked", lambda: os.read(self.controller, 8))
        self.wait_for_a_newer_reading()
        os.kill(self.traced(), signal.SIGTERM)
        self.assertEqual(self.daemon.wait(timeout=60), 0, self.log())
        with open(self.at("calls"), encoding="utf-8", errors="replace") as file:
            return file.read()

    def test_it_makes_only_calls_that_its_unit_lets_it_make_and_writes_only_where_it_may(self):
        trace = self.live_a_life()
        made = set(re.findall(r"(?m)^\d+ +([a-z0-9_]+)\(", trace))
        self.assertGreater(len(made), 40)
        self.assertIn("flock", made)
        # SQLite calls fchown where it runs as root, as this test may; the service does not.
        self.assertEqual(sorted(made - allowed_by_the_unit() - {"fchown"}), [])
        opened = re.findall(r'openat\(AT_FDCWD, "([^"]+)", [^)]*(?:O_WRONLY|O_RDWR|O_CREAT)[^)]*\) += \d', trace)
        own = (self.at("var/"), "/dev/null", "/dev/tty", "/dev/pts/")
        self.assertEqual([path for path in opened if not path.startswith(own)], [])
        self.assertTrue(any(path.startswith("/dev/pts/") for path in opened))


if __name__ == "__main__":
    for tool in ("strace", "systemd-analyze", "curl"):
        if not shutil.which(tool):
            print(f"skipped: {tool} is not here")
            sys.exit(run_test.SKIPPED)
    if subprocess.run(["strace", "-qq", "-o", "/dev/null", "true"], check=False).returncode != 0:
        print("skipped: this system lets no one trace")
        sys.exit(run_test.SKIPPED)
    devices, run_test.MODBUS = run_test.start_devices()
    try:
        result = unittest.TextTestRunner(verbosity=2).run(unittest.TestSuite([Sandbox(
            "test_it_makes_only_calls_that_its_unit_lets_it_make_and_writes_only_where_it_may")]))
    finally:
        devices.stdin.close()
        devices.stdout.close()
        devices.wait(timeout=10)
    sys.exit(0 if result.wasSuccessful() else 1)
