#!/usr/bin/python3
"""From the upload of the readings that open a ticket to the receiver of its webhook, through the real executable.

    webhook.py PROBEKEEPERD [TRIALS]      a line of JSON

Each trial uploads days of a tank that moves, then hours in which it reads zero, as a probe without electrolyte does; it is
timed from the sending of the second upload. The receiver is the example of deploy/scada.
"""
import json
import math
import os
import subprocess
import sys
import tempfile
import time

ROOT = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..", "..")
sys.path.insert(0, os.path.join(ROOT, "tests"))
from harness import Daemon, end_with_us, free_port  # noqa: E402

HOUR = 3600
CONFIG = """
[store]
path = "store.db"
[http]
listen = "127.0.0.1:{http}"
[[site]]
id = "farm"
kind = "aquaculture"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
[[probe]]
id = "tank-1"
site = "farm"
use = "alarm"
t90_s = 40.0
[[notice]]
id = "duty"
by = "webhook"
url = "{url}"
key_file = "duty.key"
"""


def rows(from_s, to_s, shows):
    def stamp(at):
        return time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(at))
    return "\n".join(["time,probe,do_mg_l,temperature_c",
                      *(f"{stamp(at)},tank-1,{shows(at):.3f},15.0" for at in range(from_s, to_s, 30)), ""])


def moving(at):
    return 9.0 + 0.4 * math.sin(at / 600) + 0.02 * math.sin(at / 6)


def trial(executable, folder):
    port, hook = free_port(), free_port()
    url = f"http://127.0.0.1:{hook}/in"
    key = os.path.join(folder, "duty.key")
    with open(os.open(key, os.O_CREAT | os.O_WRONLY, 0o600), "w", encoding="ascii") as file:
        file.write("a" * 64 + "\n")
    with open(os.path.join(folder, "c.toml"), "w", encoding="utf-8") as file:
        file.write(CONFIG.format(http=port, url=url))
    receiver = subprocess.Popen(
        ["/usr/bin/python3", "-u", os.path.join(ROOT, "deploy", "scada", "webhook_receiver.py"), str(hook), key, url],
        stdout=subprocess.PIPE, text=True, preexec_fn=end_with_us)
    daemon = Daemon(executable, folder, port)
    daemon.start()
    try:
        daemon.ready()
        now = int(time.time())
        as_csv = {"Content-Type": "text/csv"}
        daemon.ask("POST", "/v1/readings", rows(now - 100 * HOUR, now - 10 * HOUR, moving), as_csv)
        time.sleep(2)  # what this brings, has come
        began = time.time()
        daemon.ask("POST", "/v1/readings", rows(now - 10 * HOUR, now - 60, lambda _: 0.0), as_csv)
        if "is open" not in receiver.stdout.readline():
            sys.exit("the first message is not of a ticket that opened")
        return time.time() - began
    finally:
        daemon.stop()
        receiver.kill()
        receiver.wait()


if __name__ == "__main__":
    took = []
    for _ in range(int(sys.argv[2]) if len(sys.argv) > 2 else 5):
        with tempfile.TemporaryDirectory(prefix="probekeeper-bench-") as made:
            took.append(round(1000 * trial(os.path.abspath(sys.argv[1]), made)))
    print(json.dumps({"bench": "webhook", "ms": took, "worst_ms": max(took), "goal": "<= 1000", "met": max(took) <= 1000}))
