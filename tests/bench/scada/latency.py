#!/usr/bin/python3
"""From a reading to whoever is told, through the real executable: a JSON line for each way.

    latency.py PROBEKEEPERD [TRIALS]

register, mqtt
          from the instant at which the reading that decides is due in diagnosis: a condition is weighed at each full
          five minutes of reading time, and readings enter behind the watermark of 10 s that puts them in order. Each
          trial starts a daemon whose evidence runs out just before the next weighing, so that conditions change.
webhook   from the request that records a reference check, which opens a ticket at once, to the receiver
"""
import datetime
import json
import os
import shutil
import subprocess
import sys
import threading
import time

TRIALS = int(sys.argv[2]) if len(sys.argv) > 2 else 1
sys.argv = sys.argv[:2]
sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..", "system"))
import notices_test as notices  # noqa: E402
from notices_test import common  # noqa: E402
from pymodbus.client import ModbusTcpClient  # noqa: E402

WATERMARK_S = 10.0
WEIGHED_EVERY_S = 300


def unix(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


class Trial(notices.Notices):
    def runTest(self):
        self.found = {"register": [], "webhook": [], "mqtt": []}
        self.due = float("inf")
        modbus, mqtt = common.free_port(), common.free_port()
        self.broker(mqtt)
        self.hook.start()
        weighed = (int(time.time() + 60) // WEIGHED_EVERY_S + 1) * WEIGHED_EVERY_S
        last_test = unix(common.stamp(days=1, hours=18))
        days = (weighed - 30 - last_test) / 86400
        self.text = self.text.replace("[limits]\n", f"[limits]\nevidence_days = {days:.5f}\n")
        self.run_with(self.webhook() + self.mqtt(mqtt, "5") +
                      f'[scada]\nlisten = "127.0.0.1:{modbus}"\n')
        listener = subprocess.Popen(["mosquitto_sub", "-h", "127.0.0.1", "-p", str(mqtt), "-t",
                                     "plant/probes/condition/#", "-R", "-q", "1"], stdout=subprocess.PIPE, text=True,
                                    preexec_fn=common.end_with_us)
        self.addCleanup(listener.wait)
        self.addCleanup(listener.kill)
        threading.Thread(target=self.hear_mqtt, args=(listener.stdout,), daemon=True).start()
        client = ModbusTcpClient("127.0.0.1", port=modbus)
        self.assertTrue(client.connect())
        self.addCleanup(client.close)
        self.due = weighed + WATERMARK_S
        self.watch_registers(client, self.due + 15)
        before = time.time()
        self.open_a_ticket()
        opened = common.until("the webhook", lambda: [
            arrived for arrived, _, _, _, body in self.hook.taken if json.loads(body).get("step") == "open"])
        self.found["webhook"].append(opened[0] - before)

    def hear_mqtt(self, lines):
        for line in lines:
            if time.time() < self.due + WATERMARK_S and unix(json.loads(line)["at"]) >= self.due - WATERMARK_S:
                self.found["mqtt"].append(time.time() - self.due)

    def watch_registers(self, client, until):
        before = None
        while time.time() < until:
            condition = client.read_holding_registers(101, 1, 1).registers[0]
            if before not in (None, condition) and time.time() >= self.due - WATERMARK_S:
                self.found["register"].append(time.time() - self.due)
            before = condition
            time.sleep(0.01)


if __name__ == "__main__":
    if not shutil.which("mosquitto_sub") or notices.MOSQUITTO is None:
        sys.exit("needs mosquitto and mosquitto-clients")
    found = {}
    for _ in range(TRIALS):
        devices, common.MODBUS = common.start_devices()
        trial = Trial()
        result = trial.run()
        devices.stdin.close()
        devices.wait()
        for failed in result.failures + result.errors:
            sys.exit(failed[1])
        for way, times in trial.found.items():
            found.setdefault(way, []).extend(times)
    for way, times in found.items():
        milliseconds = [round(1000 * t) for t in times]
        print(json.dumps({"bench": "latency", "way": way, "ms": milliseconds, "worst_ms": max(milliseconds, default=None)}))
