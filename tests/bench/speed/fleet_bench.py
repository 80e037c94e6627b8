#!/usr/bin/python3
"""The whole daemon with 100, 1,000 and 10,000 probes of 20 a line, polled every two seconds, on devices in another process.

    fleet_bench.py PROBEKEEPERD DEVICES [--small] [--seconds N]      a line of JSON for each figure
"""
import math
import os
import re
import subprocess
import sys
import tempfile
import time

from outside import SITE, SMALL, Daemon, figure

DEVICES = os.path.abspath(sys.argv[2])
SIZES = (40, 80) if SMALL else (100, 1000, 10_000)
PROBES_A_LINE = 20
SECONDS = 4 if SMALL else 60
if "--seconds" in sys.argv:
    SECONDS = int(sys.argv[sys.argv.index("--seconds") + 1])

MAP = """
[[register_map]]
id = "two-floats"
dissolved_oxygen = { table = "holding", address = 0, type = "float32", order = "ABCD", unit = "mg/L" }
temperature      = { table = "holding", address = 2, type = "float32", order = "ABCD", unit = "degC" }
cleaning         = { table = "discrete", address = 0 }
aeration         = { table = "discrete", address = 1 }
hold             = { table = "discrete", address = 2 }
"""
LINE = SITE + """
[[line]]
id = "l{n}"
site = "s{n}"
transport = "tcp"
host = "127.0.0.1"
port = {port}
"""
PROBE = """
[[probe]]
id = "s{n}-p{unit}"
line = "l{n}"
unit = {unit}
register_map = "two-floats"
poll_s = 2.0
t90_s = 40.0
"""


def config(ports):
    return MAP + "".join(LINE.format(n=n, port=port) +
                         "".join(PROBE.format(n=n, unit=unit) for unit in range(1, PROBES_A_LINE + 1))
                         for n, port in enumerate(ports))


def polls(daemon):
    text = daemon.ask("GET", "/metrics")[1].decode()
    sums = dict.fromkeys(("good", "failed", "missed", "spared"), 0.0)
    for result, value in re.findall(r'^probekeeper_polls_total\{.*result="(\w+)"\} (\S+)', text, re.M):
        sums[result] += float(value)
    return sums


def until_all_poll(daemon, probes):
    before, since = polls(daemon), time.monotonic()
    for _ in range(600):
        time.sleep(2)
        now = polls(daemon)
        rate = (now["good"] - before["good"]) / (time.monotonic() - since)
        if rate >= 0.95 * probes / 2:
            return
        before, since = now, time.monotonic()
    raise AssertionError("not all probes are polled")


def run(probes):
    """(processor time a second, peak memory) of the daemon."""
    devices = subprocess.Popen([DEVICES, str(probes // PROBES_A_LINE)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                               text=True)
    ports = [int(devices.stdout.readline()) for _ in range(probes // PROBES_A_LINE)]
    with tempfile.TemporaryDirectory(prefix="probekeeper-bench-") as folder:
        daemon = Daemon(folder, config(ports))
        try:
            until_all_poll(daemon, probes)
            before, cpu, begun = polls(daemon), daemon.cpu_s(), time.monotonic()
            time.sleep(SECONDS)
            cpu, took, after = daemon.cpu_s() - cpu, time.monotonic() - begun, polls(daemon)
            memory = daemon.memory_mb("VmHWM")
        finally:
            daemon.stop()
            devices.stdin.close()
            devices.wait()
    grown = {result: after[result] - before[result] for result in after}
    wanted = probes * took / 2
    missed = grown["missed"] + grown["failed"] + grown["spared"]
    figure(f"polls missed of {probes} probes in {took:.0f} s", missed, "polls", "0", missed == 0, "polls due", wanted)
    figure(f"processor of {probes} probes", cpu / took, "cores", "<= 1", cpu / took <= 1)
    figure(f"memory of {probes} probes, at most", memory, "MB", "<= 300", memory <= 300)
    return cpu / took


def main():
    # A small fleet may take less than the tick in which the system counts processor time.
    least = 1.0 / os.sysconf("SC_CLK_TCK") / SECONDS
    cores = [max(run(probes), least) for probes in SIZES]
    for (few, cost_of_few), (many, cost_of_many) in zip(zip(SIZES, cores), list(zip(SIZES, cores))[1:]):
        exponent = math.log(cost_of_many / cost_of_few) / math.log(many / few)
        figure(f"exponent of cost from {few} to {many} probes", exponent, "", "<= 1.05", exponent <= 1.05)


main()
