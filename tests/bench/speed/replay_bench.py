#!/usr/bin/python3
"""Replay from CSV to tickets on one core, with and without a store, and memory over length.

    replay_bench.py PROBEKEEPERD BACKTEST [--small]      a line of JSON for each figure

A pond of eight probes of the judge (seed 12), one reading in 20 s, 40 days; for memory the first quarter of it. Times are processor time.
"""
import itertools
import os
import subprocess
import sys
import tempfile

from outside import DAEMON, SMALL, figure

BACKTEST = os.path.abspath(sys.argv[2])
DAYS = 6 if SMALL else 40
TURNS = 1 if SMALL else 3


def replay(folder, readings, *more):
    """(processor seconds, peak megabytes)"""
    child = subprocess.Popen([DAEMON, "replay", "--config", f"{folder}/config.toml", "--readings", readings, "--service",
                              f"{folder}/service.csv", "--tickets", f"{folder}/t.jsonl", *more],
                             stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    assert status == 0, "the replay failed"
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main():
    with tempfile.TemporaryDirectory(prefix="probekeeper-bench-") as folder:
        subprocess.run([BACKTEST, "make", "--seed", "12", "--fleet", "pond", "--probes", "8", "--days", str(DAYS), "--out",
                        folder], check=True, stdout=subprocess.DEVNULL)
        readings, quarter, store = f"{folder}/readings.csv", f"{folder}/quarter.csv", f"{folder}/s.db"
        # Line by line: what this process has held would count as its children's.
        with open(readings, "rb") as file:
            rows = sum(1 for _ in file) - 1
        with open(readings, "rb") as file, open(quarter, "wb") as first:
            first.writelines(itertools.islice(file, 1 + rows // 4))
        kept, bare = [], []
        for _ in range(TURNS):
            bare.append(replay(folder, readings))
            kept.append(replay(folder, readings, "--store", store))
            os.remove(store)
        for name, runs, goal in (("without a store", bare, 2e6), ("with a store", kept, 1e6)):
            rate = rows / min(runs)[0]
            figure(f"replay {name}, readings a second of a core", rate, "1/s", f">= {goal:.0f}", rate >= goal)
        short = replay(folder, quarter)[1]
        figure("memory of a replay", bare[0][1], "MB", "<= 1.1x", bare[0][1] <= 1.1 * short,
               "a quarter of its length", short)


main()
