#!/usr/bin/python3
"""What the daemon tells a service manager, seen from a socket as the manager's (sd_notify(3)).

    service_manager_test.py PROBEKEEPERD      exit 77: python3-pymodbus or curl is not here
"""
import ctypes
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import unittest

import run_test
from run_test import until

WATCHDOG_S = 3.0
PTRACE_SEIZE, PTRACE_INTERRUPT, PTRACE_DETACH = 0x4206, 0x4207, 17


class Manager:
    """The other end of NOTIFY_SOCKET: every message with the moment of its coming."""

    def __init__(self, path):
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(path)
        self.heard = []
        self.hook = {}
        self.thread = threading.Thread(target=self.listen, daemon=True)
        self.thread.start()

    def listen(self):
        while True:
            message = self.socket.recv(4096).decode().split("\n")[0]
            self.heard.append((time.monotonic(), message))
            if message in self.hook:
                self.hook.pop(message)()
            if message == "end of the test":
                return

    def words(self):
        return [message for _at, message in self.heard if message != "WATCHDOG=1"]

    def signs_of_life(self):
        return [at for at, message in self.heard if message == "WATCHDOG=1"]


def thread_named(pid, name):
    for task in os.listdir(f"/proc/{pid}/task"):
        with open(f"/proc/{pid}/task/{task}/comm", encoding="ascii") as file:
            if file.read().strip() == name:
                return int(task)
    raise AssertionError(f"no thread {name}")


class ToldToTheManager(run_test.Running):
    def setUp(self):
        super().setUp()
        self.manager = Manager(self.at("notify"))
        self.addCleanup(self.hang_up)

    def hang_up(self):
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as last:
            last.connect(self.at("notify"))
            last.send(b"end of the test")
        self.manager.thread.join(timeout=10)
        self.manager.socket.close()

    def start(self, config=None):
        log = open(self.at("log"), "w", encoding="utf-8")
        self.addCleanup(log.close)
        # WATCHDOG_PID is left out: it need not be given (sd_watchdog_enabled(3)).
        told = dict(os.environ, NOTIFY_SOCKET=self.at("notify"), WATCHDOG_USEC=str(int(WATCHDOG_S * 1e6)))
        self.daemon = subprocess.Popen([run_test.DAEMON, "run", "--config", config or self.config], stderr=log,
                                       env=told, preexec_fn=run_test.end_with_us)
        self.addCleanup(self.end, self.daemon)

    def test_it_is_ready_when_the_api_answers_from_an_open_store_and_not_before(self):
        seen = {}
        self.manager.hook["READY=1"] = lambda: seen.update(health=self.get("/health"),
                                                           store=os.path.exists(self.at("var/store.db")))
        self.start()
        until("it is ready", lambda: "READY=1" in self.manager.words() and seen)
        self.assertEqual(seen["health"].status, 200)
        self.assertTrue(seen["store"])
        self.stop()
        self.assertEqual(self.manager.words(), ["READY=1", "STOPPING=1"])

    def test_it_says_when_it_reloads_and_when_it_has_also_where_the_file_is_broken(self):
        self.start()
        until("it is ready", lambda: "READY=1" in self.manager.words())
        for text in (self.changed('"Inlet"', '"Elsewhere"'), "broken"):
            count = len(self.manager.words())
            self.write("site.toml", text)
            self.daemon.send_signal(signal.SIGHUP)
            until("it has reloaded", lambda c=count: len(self.manager.words()) == c + 2)
            self.assertEqual(self.manager.words()[count:], ["RELOADING=1", "READY=1"])

    def test_a_start_that_fails_is_never_ready(self):
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            taken.listen()
            port = taken.getsockname()[1]
            self.start(self.write("taken.toml", self.changed(f":{self.http}", f":{port}")))
            self.assertEqual(self.daemon.wait(timeout=30), 1, self.log())
        self.assertEqual(self.manager.words(), [])

    def test_it_gives_signs_of_life_as_often_as_wanted_and_none_when_diagnosis_stands_still(self):
        self.start()
        signs = until("signs of life", lambda: (lambda s: s if len(s) >= 5 else None)(self.manager.signs_of_life()))
        self.assertLess(max(b - a for a, b in zip(signs, signs[1:])), WATCHDOG_S)

        # Only the thread that diagnoses is stopped; the rest of the daemon goes on.
        keeper = thread_named(self.daemon.pid, "keeper")
        libc = ctypes.CDLL(None, use_errno=True)
        libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
        if libc.ptrace(PTRACE_SEIZE, keeper, None, None) != 0:
            self.skipTest(f"this system lets no one trace: {os.strerror(ctypes.get_errno())}")
        self.assertEqual(libc.ptrace(PTRACE_INTERRUPT, keeper, None, None), 0)
        os.waitpid(keeper, 0x40000000)  # __WALL: a thread, not a child of ours
        self.assertEqual(self.get("/health").status, 200)
        before = len(self.manager.signs_of_life())
        time.sleep(WATCHDOG_S)  # an absence can only be waited for
        self.assertEqual(self.get("/health").status, 200)
        self.assertEqual(len(self.manager.signs_of_life()), before)
        libc.ptrace(PTRACE_DETACH, keeper, None, None)
        until("it lives again", lambda: len(self.manager.signs_of_life()) > before)
        self.stop()


def load_tests(loader, _tests, _pattern):
    return unittest.TestSuite(ToldToTheManager(name) for name in loader.getTestCaseNames(ToldToTheManager)
                              if name in ToldToTheManager.__dict__)


if __name__ == "__main__":
    if not shutil.which("curl"):
        print("skipped: curl is not here")
        sys.exit(run_test.SKIPPED)
    devices, run_test.MODBUS = run_test.start_devices()
    try:
        unittest.main(argv=[sys.argv[0], *sys.argv[2:]], verbosity=2)
    finally:
        devices.stdin.close()
        devices.stdout.close()
        devices.wait(timeout=10)
