#!/usr/bin/python3
"""Requests a second of the daemon's lists, beside a bare Beast server that sends the same bytes, by wrk.

    rate_bench.py PROBEKEEPERD BARE_SERVER [--small]      a line of JSON for each figure

A thousand probes, each with a ticket (of a temperature that cannot be), 64 connections. Every request says by
X-Forwarded-For to come from another of a thousand addresses, for one address alone would soon be refused (429); the bare
server is sent the same. The two take turns; each figure is the median of the turns.
"""
import os
import re
import socket
import statistics
import subprocess
import sys
import tempfile
import time

from outside import SITE, SMALL, Daemon, csv, figure, oxygen, stamp

BARE = os.path.abspath(sys.argv[2])
SITES, PROBES_A_SITE = (2, 20) if SMALL else (20, 50)
CONNECTIONS = 4 if SMALL else 64
SECONDS = 1 if SMALL else 4
TURNS = 1 if SMALL else 7  # the 99th percentile of large answers varies by three from one to the next

PROBE = """
[[probe]]
id = "s{n}-p{p}"
site = "s{n}"
location = "Tank {p}, outlet side"
serial = "GX-{n:03}{p:03}"
t90_s = 40.0
"""
SCRIPT = """
local i = 0
local ready = {{}}
init = function()
    for n = 1, 1000 do
        ready[n] = wrk.format("GET", "{path}", {{["X-Forwarded-For"] = "10.1." .. math.floor(n / 250) .. "." .. n % 250}})
    end
end
request = function()
    i = i % 1000 + 1
    return ready[i]
end
done = function(summary, latency)
    local e = summary.errors
    print(string.format("FIGURES %f %f %d", summary.requests / summary.duration * 1e6, latency:percentile(99) / 1000,
                        e.status + e.connect + e.read + e.write + e.timeout))
end
"""


def config():
    return "".join(SITE.format(n=n) + "".join(PROBE.format(n=n, p=p) for p in range(PROBES_A_SITE))
                   for n in range(SITES))


def open_tickets(daemon):
    """Eight hours a probe, the last seven at 60 degrees."""
    now = int(time.time()) // 300 * 300
    for n in range(SITES):
        daemon.upload(csv(f"{stamp(t)},s{n}-p{p},{oxygen(t)},{15.0 if t < now - 7 * 3600 else 60.0}"
                          for t in range(now - 8 * 3600, now, 300) for p in range(PROBES_A_SITE)))
    wanted = min(1000, SITES * PROBES_A_SITE)
    for _ in range(600):
        if len(daemon.get("/v1/tickets?limit=1000")["items"]) == wanted:
            return
        time.sleep(0.1)
    raise AssertionError("the tickets did not come")


def whole_answer(port, path):
    with socket.create_connection(("127.0.0.1", port)) as s:
        s.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nX-Forwarded-For: 10.1.0.1\r\n\r\n".encode())
        got = b""
        while b"\r\n\r\n" not in got:
            got += s.recv(1 << 16)
        length = int(re.search(rb"(?i)content-length: (\d+)", got).group(1))
        end = got.index(b"\r\n\r\n") + 4 + length
        while len(got) < end:
            got += s.recv(1 << 16)
    assert got.startswith(b"HTTP/1.1 200"), got[:200]
    return got


def load(port, script):
    out = subprocess.run(["wrk", "-t", "1", "-c", str(CONNECTIONS), "-d", f"{SECONDS}s", "-s", script,
                          f"http://127.0.0.1:{port}"], check=True, capture_output=True, text=True).stdout
    rate, p99_ms, errors = re.search(r"FIGURES (\S+) (\S+) (\d+)", out).groups()
    assert int(errors) == 0, out
    return float(rate), float(p99_ms)


def hold_against_bare(daemon, folder, name, path):
    answer = os.path.join(folder, "answer")
    with open(answer, "wb") as file:
        file.write(whole_answer(daemon.port, path))
    script = os.path.join(folder, "ask.lua")
    with open(script, "w", encoding="utf-8") as file:
        file.write(SCRIPT.format(path=path))
    bare = subprocess.Popen([BARE, answer], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    bare_port = int(bare.stdout.readline())
    theirs, ours = [], []
    for _ in range(TURNS):
        theirs.append(load(bare_port, script))
        ours.append(load(daemon.port, script))
    bare.stdin.close()
    bare.wait()
    rate, p99 = (statistics.median(column) for column in zip(*ours))
    bare_rate, bare_p99 = (statistics.median(column) for column in zip(*theirs))
    figure(f"{name}, requests a second", rate, "1/s", ">= 0.80x", rate >= 0.8 * bare_rate,
           "bare Beast server, the same bytes", bare_rate)
    figure(f"{name}, 99th percentile", p99, "ms", "<= 1.25x", p99 <= 1.25 * bare_p99,
           "bare Beast server, the same bytes", bare_p99)


def main():
    with tempfile.TemporaryDirectory(prefix="probekeeper-bench-") as folder:
        daemon = Daemon(folder, config(), http="behind_proxy = true")
        try:
            open_tickets(daemon)
            for what in ("tickets", "probes"):
                for limit in (100, 1000):
                    hold_against_bare(daemon, folder, f"GET /v1/{what} at limit {limit}", f"/v1/{what}?limit={limit}")
        finally:
            daemon.stop()


main()
