#!/usr/bin/python3
"""How soon an event is told, what those who listen cost, and what a large upload holds: the real daemon, from outside.

    api_bench.py PROBEKEEPERD [--small]      a line of JSON for each figure, as the other benchmarks print them
"""
import http.client
import json
import socket
import statistics
import tempfile
import threading
import time

from outside import SITE, SMALL, Daemon, csv, figure, oxygen, stamp

SITES = 3 if SMALL else 10
CLIENTS = 20 if SMALL else 200
WATCH_S = 2 if SMALL else 20
EVENTS_A_S = 2
UPLOAD_MB = 10 if SMALL else 200

PROBE = """
[[probe]]
id = "p{n}"
site = "s{n}"
t90_s = 40.0
"""


def rows(probe, begin, end, temperature=15.0):
    return [f"{stamp(t)},{probe},{oxygen(t)},{temperature}" for t in range(begin, end, 30)]


class Listener:
    """Reads a stream in a thread of its own: (moment, kind, data) of each event."""

    def __init__(self, port):
        self.socket = socket.create_connection(("127.0.0.1", port))
        self.socket.sendall(b"GET /v1/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        self.heard, self.changed = [], threading.Condition()
        self.file = self.socket.makefile("rb")
        while self.file.readline() != b"retry: 3000\n":
            pass
        threading.Thread(target=self.read, daemon=True).start()

    def read(self):
        kind = ""
        for line in self.file:
            if line.startswith(b"event: "):
                kind = line[7:-1].decode()
            elif line.startswith(b"data: "):
                with self.changed:
                    self.heard.append((time.monotonic(), kind, json.loads(line[6:])))
                    self.changed.notify_all()

    def moment_of(self, holds, seconds=60):
        with self.changed:
            found = self.changed.wait_for(lambda: next((h[0] for h in self.heard if holds(h)), None), seconds)
        assert found, "the event did not come"
        return found


def told_after_reading(daemon):
    """From the last byte of an upload of seven hours that opens a ticket: of a temperature that cannot be, for six hours."""
    now = int(time.time())
    first, broken = now - 31 * 3600, now - 7 * 3600
    for n in range(SITES):
        daemon.upload(csv(rows(f"p{n}", first, broken)))
    listener = Listener(daemon.port)
    time.sleep(2)  # what those uploads led to is over
    took = []
    for n in range(SITES):
        body = csv(rows(f"p{n}", broken, now - 60, 60.0))
        sending = http.client.HTTPConnection("127.0.0.1", daemon.port)
        sending.request("POST", "/v1/readings", body, {"Content-Type": "text/csv"})
        sent = time.monotonic()
        assert sending.getresponse().read()
        sending.close()
        heard = listener.moment_of(lambda h, site=f"s{n}": h[1] == "ticket" and h[2]["site"] == site)
        took.append(1000 * (heard - sent))
    middle = statistics.median(took)
    figure("event told after the reading that caused it, median", middle, "ms", "<= 100", middle <= 100)
    figure("event told after the reading that caused it, worst of all", max(took), "ms", "<= 100", max(took) <= 100)


def told_after_step(daemon):
    """From a person's step to the event; and how long a step takes, which is a commit."""
    listener = Listener(daemon.port)
    tickets = json.loads(daemon.ask("GET", "/v1/tickets")[1])["items"]
    told, took = [], []
    for ticket in tickets:
        begun = time.monotonic()
        daemon.post(f"/v1/tickets/{ticket['id']}/acknowledge", {"by": "x"})
        took.append(1000 * (time.monotonic() - begun))
        told.append(1000 * (listener.moment_of(lambda h, t=ticket: h[2].get("id") == t["id"]) - begun))
    worst = max(told)
    figure("event told after a person's step, worst", worst, "ms", "<= 100", worst <= 100, "the step's own answer, worst",
           max(took))


def cost_of_listeners(daemon):
    """Of one core, beside the same events with nobody listening."""
    ticket = json.loads(daemon.ask("GET", "/v1/tickets")[1])["items"][0]["id"]
    day = 0

    def run():
        nonlocal day
        begun, cpu = time.monotonic(), daemon.cpu_s()
        for i in range(WATCH_S * EVENTS_A_S):
            day += 1
            daemon.post(f"/v1/tickets/{ticket}/postpone", {"by": "x", "why": "x", "until": stamp(time.time() + 86400 * day)})
            time.sleep(max(0.0, begun + (i + 1) / EVENTS_A_S - time.monotonic()))
        return 100 * (daemon.cpu_s() - cpu) / (time.monotonic() - begun)

    alone = run()
    sockets = []
    for _ in range(CLIENTS):
        s = socket.create_connection(("127.0.0.1", daemon.port))
        s.sendall(b"GET /v1/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        sockets.append(s)
    stop = threading.Event()
    heard = [0]

    def drain():
        for s in sockets:
            s.setblocking(False)
        while not stop.is_set():
            for s in sockets:
                try:
                    heard[0] += s.recv(1 << 20).count(b"event: ticket")
                except BlockingIOError:
                    pass
            time.sleep(0.05)
    reader = threading.Thread(target=drain)
    reader.start()
    together = run()
    time.sleep(0.5)
    stop.set()
    reader.join()
    for s in sockets:
        s.close()
    assert heard[0] == CLIENTS * WATCH_S * EVENTS_A_S, f"{heard[0]} events heard"
    cost = max(0.0, together - alone)
    figure(f"{CLIENTS} event clients at {EVENTS_A_S} events a second, of a core", cost, "%", "< 10", cost < 10,
           "the same with none", alone)


def memory_of_upload(daemon):
    """Of a body that is sent in pieces; all its rows are good, and half a year of one probe."""
    begin = int(time.time()) - 360 * 86400

    def pieces():
        yield b"time,probe,do_mg_l,temperature_c\n"
        sent, at = 0, begin
        while sent < UPLOAD_MB << 20:
            piece = "".join(f"{stamp(t)},p0,{oxygen(t)},15.0\n"
                            for t in range(at, at + 20_000 * 5, 5)).encode()
            at += 20_000 * 5
            sent += len(piece)
            yield piece
    daemon.forget_peak()
    before = daemon.memory_mb("VmRSS")
    begun = time.monotonic()
    connection = http.client.HTTPConnection("127.0.0.1", daemon.port, timeout=3600)
    connection.request("POST", "/v1/readings", pieces(), {"Content-Type": "text/csv"}, encode_chunked=True)
    answer = json.loads(connection.getresponse().read())
    took = time.monotonic() - begun
    grown = daemon.memory_mb("VmHWM") - before
    assert answer["bad"] == 0 and answer["accepted"] > 0, answer
    goal = 64
    figure(f"memory beside an upload of {UPLOAD_MB} MB", grown, "MB", f"<= {goal}", grown <= goal, "before it", before)
    figure("readings of an upload a second", answer["rows"] / took, "1/s", "none", True)


def main():
    with tempfile.TemporaryDirectory(prefix="probekeeper-bench-") as folder:
        daemon = Daemon(folder, "".join((SITE + PROBE).format(n=n) for n in range(SITES)))
        try:
            told_after_reading(daemon)
            told_after_step(daemon)
            cost_of_listeners(daemon)
            memory_of_upload(daemon)
        finally:
            daemon.stop()


main()
