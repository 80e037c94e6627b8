#!/usr/bin/python3
"""The system's clock steps under the running daemon, an hour and a day, forth and back: polls go on as they were, stamps
never go back, no reading is lost or comes twice, no probe is blamed, and health says how far the clock is behind. A
restart while it is behind changes nothing of that.

    time_test.py PROBEKEEPERD STEPPING_CLOCK      the library of stepping_clock.cpp
"""
import datetime
import os
import sys
import tempfile
import time

from harness import CountingDevice, Daemon, free_port, preloaded, store_faults, until
from kills_test import POLLED, POLLED_PROBE, UNITS

DAEMON = os.path.abspath(sys.argv[1])
CLOCK = os.path.abspath(sys.argv[2])
POLL_S = 0.2  # of the probes
HOUR, DAY = 3600, 86400
STEPS = (HOUR, 0, DAY, 0, -HOUR, -DAY, 2 * DAY)
PART_S = 3.0  # real time between two steps


def moment(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


class Steps:
    def __init__(self, folder):
        self.device = CountingDevice()
        self.daemon = Daemon(DAEMON, folder, free_port())
        self.problems, self.offset, self.highest = [], 0, 0
        with open(self.daemon.path("c.toml"), "w", encoding="utf-8") as file:
            file.write(POLLED.format(http=self.daemon.port, modbus=self.device.port)
                       + "".join(POLLED_PROBE.format(unit=unit) for unit in UNITS))
        self.says(0)

    def says(self, offset):
        with open(self.daemon.path("clock.new"), "w", encoding="ascii") as file:
            file.write(str(offset))
        os.rename(self.daemon.path("clock.new"), self.daemon.path("clock"))
        self.offset, self.highest = offset, max(self.highest, offset)

    def start(self):
        self.daemon.start(preloaded(CLOCK, STEPPING_CLOCK_SAYS=self.daemon.path("clock")))
        self.daemon.ready()

    def check(self, what, holds):
        if not holds:
            self.problems.append(f"clock at {self.offset:+} s: {what}")

    def newest(self):
        last = self.daemon.get("/v1/probes/polled-1")["last_reading"]
        return moment(last["time"]) if last else 0.0

    def health(self):
        behind = self.highest - self.offset
        health = self.daemon.get("/v1/health")
        self.check(f"clock_ahead_s is {health['clock_ahead_s']}, the clock is {behind} s behind",
                   abs(health["clock_ahead_s"] - behind) < 5.0)
        self.check(f"health is {health['status']} {health['warnings']}", health["status"] == ("degraded" if behind else "ok"))

    def step(self, offset):
        before, polls, began = self.newest(), self.polls(), time.monotonic()
        self.says(offset)
        expected = time.time() + self.highest  # by the steady clock from the newest stamp on, or by the system's
        until("a newer reading", lambda: self.newest() > before)
        self.check("stamps do not follow", abs(self.newest() - expected) < 3.0)
        time.sleep(PART_S)
        self.health()
        share = (self.polls() - polls) / ((time.monotonic() - began) / POLL_S * len(UNITS))
        self.check(f"{100 * share:.0f} % of the polls", 0.9 < share < 1.1)

    def polls(self):
        with self.device.lock:
            return sum(self.device.count.values())

    def kept(self, unit):
        """The readings of all that time: stamps that rise, and each value once."""
        found, after = [], ""
        span = f"from=2020-01-01T00:00:00Z&to={time.strftime('%Y-%m-%dT%H:%M:%SZ', time.gmtime(time.time() + 10 * DAY))}"
        while after is not None:
            answer = self.daemon.get(f"/v1/probes/polled-{unit}/readings?{span}&limit=1000{after}")
            found += zip(answer["time"], answer["do_mg_l"])
            after = "&after=" + answer["next"] if answer.get("next") else None
        stamps = [moment(at) for at, _ in found]
        self.check(f"stamps of unit {unit} go back", all(a < b for a, b in zip(stamps, stamps[1:])))
        return [round(value * 1e4) for _, value in found]


def main():
    with tempfile.TemporaryDirectory(prefix="probekeeper-time-") as folder:
        steps = Steps(folder)
        steps.start()
        try:
            until("a reading", steps.newest)
            for offset in STEPS:
                steps.step(offset)
            steps.says(DAY)  # behind again, and over a restart
            steps.check("it does not end well", steps.daemon.stop() == 0)
            stopped = steps.polls()
            steps.start()
            until("polls after the restart", lambda: steps.polls() > stopped + 20)
            steps.health()
            steps.says(2 * DAY + 60)
            until("health again", lambda: steps.daemon.get("/v1/health")["status"] == "ok")
            time.sleep(2.5)
            kept = {unit: steps.kept(unit) for unit in UNITS}
            for unit, values in kept.items():
                missing = set(range(1, values[-1] + 1)) - set(values)
                steps.check(f"of unit {unit} {len(missing)} readings are missing, {len(values) - len(set(values))} twice",
                            len(missing) <= 1 and len(values) == len(set(values)))  # one was under way at the end
            tickets = steps.daemon.pages("/v1/tickets")
            steps.check(f"tickets: {tickets}", not tickets)
            late = steps.daemon.get("/v1/health")["queues"]["diagnosis"]["dropped"]
            steps.check(f"{late} readings were not diagnosed", late == 0)
        finally:
            if steps.daemon.process.poll() is not None:
                steps.problems.append(f"the daemon ended: {steps.daemon.log()[-2000:]}")
            elif steps.daemon.stop() != 0:
                steps.problems.append("the daemon did not end well")
        steps.problems += store_faults(folder)
    for problem in steps.problems:
        print(problem)
    print(f"{len(STEPS)} steps of the clock and a restart: {sum(map(len, kept.values()))} readings kept in order, "
          f"{len(steps.problems)} problems")
    return 1 if steps.problems else 0


if __name__ == "__main__":
    sys.exit(main())
