#!/usr/bin/python3
"""Modbus TCP devices that misbehave, each in a way of its own, on a line of its own, beside a good one: every case is
counted as what it is, no wrong reading is taken, and the good line goes on as if nothing were.

    wire_test.py PROBEKEEPERD
"""
import os
import re
import struct
import sys
import tempfile
import time

from harness import CountingDevice, Daemon, ModbusDevice, frame, free_port, holding, until

DAEMON = os.path.abspath(sys.argv[1])
ANSWER = struct.pack(">ff", 8.25, 15.0)  # what none of them may be believed


# What each sends for a request: a list of bytes (sent with pauses between), or None for closing the connection.
HOSTILE = {
    "silent": (lambda t, u: [], {"timed_out"}),
    "transaction": (lambda t, u: [frame((t + 1) & 0xFFFF, u, holding(ANSWER))], {"wrong_reply"}),
    "protocol": (lambda t, u: [frame(t, u, holding(ANSWER), protocol=7)], {"wrong_reply"}),
    "unit": (lambda t, u: [frame(t, u + 1, holding(ANSWER))], {"wrong_unit"}),
    "function": (lambda t, u: [frame(t, u, holding(ANSWER, function=4))], {"wrong_reply"}),
    "count": (lambda t, u: [frame(t, u, holding(ANSWER[:4]))], {"wrong_reply", "short_frame"}),
    "too-much": (lambda t, u: [frame(t, u, holding(ANSWER * 4))], {"wrong_reply"}),
    "count-lies": (lambda t, u: [frame(t, u, bytes([3, 200]) + ANSWER)], {"wrong_reply", "short_frame"}),
    "huge-length": (lambda t, u: [frame(t, u, holding(ANSWER), length=0xFFFF)], {"wrong_reply", "short_frame"}),
    "zero-length": (lambda t, u: [frame(t, u, holding(ANSWER), length=0)], {"wrong_reply", "short_frame"}),
    "rubbish": (lambda t, u: [bytes(range(256)) * 8], {"wrong_reply"}),
    "http": (lambda t, u: [b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\n\r\nhello"], {"wrong_reply"}),
    "nan": (lambda t, u: [frame(t, u, holding(struct.pack(">ff", float("nan"), 15.0)))], {"decode"}),
    "infinite": (lambda t, u: [frame(t, u, holding(struct.pack(">ff", float("inf"), 15.0)))], {"decode"}),
    "dribbling": (lambda t, u: [bytes([b]) for b in frame(t, u, holding(ANSWER))][:-1], {"short_frame", "timed_out"}),
}
# Every exception code, and a frame cut after each of its bytes with the connection closed.
for code in (1, 2, 3, 4, 5, 6, 8, 10, 11, 0, 255):
    HOSTILE[f"exception-{code}"] = (lambda t, u, code=code: [frame(t, u, bytes([0x83, code]))], {"exception"})
WHOLE = len(frame(1, 1, holding(ANSWER)))
for cut in range(WHOLE):
    HOSTILE[f"cut-{cut}"] = (lambda t, u, cut=cut: [frame(t, u, holding(ANSWER))[:cut], None],
                            {"closed_by_peer", "short_frame"} if cut else {"closed_by_peer"})


class Hostile(ModbusDevice):
    def __init__(self, behave):
        self.asked = 0

        def answer(transaction, unit, *_):
            self.asked += 1
            return behave(transaction, unit)
        super().__init__(answer)


class Late(Hostile):
    """Answers each request only when the next has come: an answer that belongs to the poll before."""

    def __init__(self):
        waiting = []

        def behave(transaction, unit):
            waiting.append(frame(transaction, unit, holding(ANSWER)))
            return [waiting.pop(0)] if len(waiting) > 1 else []
        super().__init__(behave)


HEAD = """
[store]
path = "store.db"
[http]
listen = "127.0.0.1:{http}"
[[site]]
id = "site"
kind = "wastewater"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
[[register_map]]
id = "floats"
dissolved_oxygen = {{ table = "holding", address = 0, type = "float32", order = "ABCD", unit = "mg/L" }}
temperature = {{ table = "holding", address = 2, type = "float32", order = "ABCD", unit = "degC" }}
"""
LINE = """
[[line]]
id = "{name}"
site = "site"
transport = "tcp"
host = "127.0.0.1"
port = {port}
timeout_ms = 300
[[probe]]
id = "{name}"
line = "{name}"
unit = 1
register_map = "floats"
poll_s = 0.2
t90_s = 40.0
"""


def counted(daemon):
    counts = {}
    _, text = daemon.ask("GET", "/metrics")
    for line, fault, count in re.findall(r'probekeeper_faults_total\{line="([^"]+)",fault="([^"]+)"\} (\S+)', text.decode()):
        counts.setdefault(line, {})[fault] = float(count)
    return counts


def main():
    problems = []
    with tempfile.TemporaryDirectory(prefix="probekeeper-wire-") as folder:
        healthy = CountingDevice()
        devices = {name: Hostile(behave) for name, (behave, _) in HOSTILE.items()}
        devices["late"] = Late()
        daemon = Daemon(DAEMON, folder, free_port())
        text = HEAD.format(http=daemon.port) + LINE.format(name="good", port=healthy.port)
        text += "".join(LINE.format(name=name, port=device.port) for name, device in devices.items())
        with open(daemon.path("c.toml"), "w", encoding="utf-8") as file:
            file.write(text)
        daemon.start()
        try:
            daemon.ready()
            began = time.monotonic()
            until("three polls of each", lambda: all(device.asked >= 3 for device in devices.values()), 120)
            until("a count of each", lambda: all(counted(daemon).get(name) for name in devices), 30)
            waited = time.monotonic() - began
            for name, faults in counted(daemon).items():
                expected = HOSTILE[name][1] if name in HOSTILE else {"timed_out", "wrong_reply"}
                # On a busy machine these devices themselves are late now and then.
                other = {fault: count for fault, count in faults.items() if fault not in expected}
                if set(other) - {"timed_out"} or sum(other.values()) > 0.2 * sum(faults.values()):
                    problems.append(f"{name}: counted as {faults}, expected {expected}")
            for name in devices:
                last = daemon.get(f"/v1/probes/{name}")["last_reading"]
                if last is not None and last["do_mg_l"] is not None:
                    problems.append(f"{name}: a reading was taken: {last}")
            asked = set().union(*(device.functions for device in (healthy, *devices.values())))
            if not asked <= {1, 2, 3, 4}:
                problems.append(f"the daemon did not only read: functions {asked}")
            with healthy.lock:
                polled = healthy.count.get(1, 0)
            if polled < 0.5 * waited / 0.2:
                problems.append(f"the good line was polled {polled} times in {waited:.1f} s")
            if daemon.get("/v1/probes/good")["last_reading"] is None:
                problems.append("the good line gave no reading")
        finally:
            if daemon.process.poll() is not None:
                problems.append(f"the daemon ended with {daemon.process.returncode}: {daemon.log()[-2000:]}")
            elif daemon.stop() != 0:
                problems.append("the daemon did not end well")
    for problem in problems:
        print(problem)
    print(f"{len(devices)} ways to misbehave, {len(problems)} problems")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
