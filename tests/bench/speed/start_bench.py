#!/usr/bin/python3
"""How long a start takes with many stored readings, beside one with none: to the first answer of the API.

    start_bench.py PROBEKEEPERD [--small] [--readings N] [--keep FOLDER]      a line of JSON for each figure

The store is made by a replay of readings at 5 s of 20 probes, so it holds whatever the daemon keeps beside readings:
diagnoses, tests, checkpoints. --keep leaves it in FOLDER, and uses the one that is there.
"""
import os
import subprocess
import sys
import tempfile
import threading
import time

from outside import DAEMON, SMALL, Daemon, figure

PROBES = 20
POLL_S = 5


def argument(name, default):
    return sys.argv[sys.argv.index(name) + 1] if name in sys.argv else default


READINGS = int(argument("--readings", 50_000 if SMALL else 100_000_000))
TURNS = 1 if SMALL else 5

SITE = """
[[site]]
id = "s"
kind = "wastewater"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
"""
CONFIG = SITE + "".join(f'[[probe]]\nid = "p{p}"\nsite = "s"\nt90_s = 40.0\n' for p in range(PROBES))


def write_rows(path):
    """An hour's course again and again, with the times of each."""
    import random
    draw = random.Random(1)
    beats = 3600 // POLL_S
    course = [[f"p{p},{8 + 0.02 * draw.gauss(0, 1):.2f},{14.5 + 0.01 * draw.gauss(0, 1):.2f}\n" for p in range(PROBES)]
              for _ in range(beats)]
    begin = int(time.time()) - READINGS // PROBES * POLL_S - 60
    with open(path, "w", encoding="utf-8") as file:
        file.write("time,probe,do_mg_l,temperature_c\n")
        left = READINGS // PROBES
        at = 0
        while left > 0:
            piece = []
            for beat in course[:left]:
                when = f"{1000 * (begin + at * POLL_S)},"
                piece.append("".join([when + row for row in beat]))
                at += 1
            file.write("".join(piece))
            left -= beats


def make_store(folder):
    config, pipe, store = (os.path.join(folder, name) for name in ("made.toml", "rows", "s.db"))
    with open(config, "w", encoding="utf-8") as file:
        file.write('[store]\npath = "s.db"\nkeep_raw_days = 4000\nkeep_summary_days = 4000\n' + CONFIG)
    os.mkfifo(pipe)
    writer = threading.Thread(target=write_rows, args=(pipe,))
    writer.start()
    subprocess.run([DAEMON, "replay", "--config", config, "--readings", pipe, "--store", store], check=True,
                   stdout=sys.stderr)
    writer.join()


def starts(folder):
    took = []
    for _ in range(TURNS):
        daemon = Daemon(folder, CONFIG, store="keep_raw_days = 4000\nkeep_summary_days = 4000")
        took.append(daemon.answered_after_s)
        daemon.stop()
    return sorted(took)[len(took) // 2]


def main():
    with tempfile.TemporaryDirectory(prefix="probekeeper-bench-") as made:
        full, empty = argument("--keep", os.path.join(made, "full")), os.path.join(made, "empty")
        os.makedirs(full, exist_ok=True)
        os.makedirs(empty)
        if not os.path.exists(os.path.join(full, "s.db")):
            make_store(full)
        figure("store of the start below", os.path.getsize(os.path.join(full, "s.db")) / 1e6, "MB", "none", True)
        bare, took = starts(empty), starts(full)
        figure(f"start with {READINGS} readings, first answer", took, "s", "<= 2 s more", took <= bare + 2,
               "start with none", bare)


main()
