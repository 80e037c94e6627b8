#!/usr/bin/env python3
"""A small fixed backtest with floors: fails where the diagnosis, or the proof after service, has become worse than it was.

    floors_test.py DAEMON JUDGE [services]

The floors lie somewhat below what was reached when they were set; raise them with the diagnosis, never lower them for it.
Figures to quote come from the reporting seeds (RESULTS.md), not from here.
"""
import json
import subprocess
import sys
import tempfile
from pathlib import Path

SEEDS = ["31", "32"]
SERVICE_SEEDS = ["33"]
SERVICES_RIGHT = 0.9
FLOORS = [  # name in the summary, the sense, the floor
    ("recall", ">=", 0.85),
    ("false_tickets_per_probe_year", "<=", 0.5),
    ("wrong_reasons", "<=", 3),
    ("t90_error_median", "<=", 0.07),
    ("t90_coverage", ">=", 0.85),
]


def backtest(daemon: str, judge: str, *arguments: str) -> list:
    """What the judge said, a line of JSON each; the summary of all fleets last."""
    run = Path(__file__).with_name("run")
    with tempfile.TemporaryDirectory() as out:
        done = subprocess.run(
            [run, "--daemon", daemon, "--judge", judge, "--probes", "8", "--out", out, *arguments],
            capture_output=True, text=True)
        print(done.stdout, done.stderr, sep="\n")
        if done.returncode != 0:
            sys.exit(f"the backtest itself failed with exit code {done.returncode}")
        return [json.loads(line) for line in Path(out, "score.jsonl").read_text().splitlines()]


def prove(daemon: str, judge: str) -> None:
    said = backtest(daemon, judge, "--services", "--days", "30", "--fleets", "fish continuous", *SERVICE_SEEDS)
    services = [line for line in said if line["type"] == "service"]
    ticketed = [line for line in services if line["ticketed"]]
    right = sum(line["right"] for line in ticketed) / len(ticketed)
    by_handling = sum(line["opened_by_handling"] for line in services)
    if len(ticketed) < 8 or right < SERVICES_RIGHT or by_handling > 0:
        sys.exit(f"of {len(services)} services {len(ticketed)} had a ticket, should be 8 or more; {right:.0%} of those "
                 f"were proved right, should be {SERVICES_RIGHT:.0%}; {by_handling} tickets by handling, should be none")


def main() -> None:
    if "services" in sys.argv[3:]:
        prove(*sys.argv[1:3])
        return
    said = backtest(*sys.argv[1:3], "--days", "40", *SEEDS)
    reached = next(line for line in said if line["type"] == "summary" and line["fleet"] == "all")
    worse = [f"{name} is {reached[name]:.3g}, should be {sense} {floor}" for name, sense, floor in FLOORS
             if not (reached[name] >= floor if sense == ">=" else reached[name] <= floor)]
    if worse:
        sys.exit("\n".join(worse))


main()
