"""What the benchmarks of the running daemon share: its life, its cost, and the line of JSON of a figure."""
import http.client
import json
import math
import os
import signal
import socket
import subprocess
import sys
import time

DAEMON = os.path.abspath(sys.argv[1])
SMALL = "--small" in sys.argv
TICKS_A_S = os.sysconf("SC_CLK_TCK")

# For str.format(n), as the configurations it is put before.
SITE = """
[[site]]
id = "s{n}"
kind = "wastewater"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
"""


def figure(name, value, unit, goal, met, baseline="none", baseline_value=0.0):
    ratio = value / baseline_value if baseline_value else 0.0
    print(json.dumps({"name": name, "value": float(f"{value:.4g}"), "unit": unit, "baseline": baseline,
                      "baseline_value": float(f"{baseline_value:.4g}"), "ratio": float(f"{ratio:.4g}"), "goal": goal,
                      "met": bool(met)}), flush=True)


def stamp(unix_s):
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(unix_s))


def oxygen(t):
    return f"{9 + 0.2 * math.sin(t / 600):.3f}"


def csv(lines):
    return "\n".join(["time,probe,do_mg_l,temperature_c", *lines, ""]).encode()


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


class Daemon:
    """Of a configuration that says nothing of store and HTTP; `http` and `store` add lines to those."""

    def __init__(self, folder, config, http="", store=""):
        self.folder = folder
        self.port = free_port()
        path = os.path.join(folder, "c.toml")
        with open(path, "w", encoding="utf-8") as file:
            file.write(f'[store]\npath = "s.db"\n{store}\n[http]\nlisten = "127.0.0.1:{self.port}"\n{http}\n{config}')
        begun = time.monotonic()
        with open(os.path.join(folder, "log"), "w", encoding="utf-8") as log:
            self.process = subprocess.Popen([DAEMON, "run", "--config", path], stderr=log)
        while time.monotonic() - begun < 300:
            try:
                if self.ask("GET", "/v1/probes?limit=1")[0] == 200:
                    self.answered_after_s = time.monotonic() - begun
                    return
            except OSError:
                pass
            assert self.process.poll() is None, f"the daemon ended: {self.log()[-2000:]}"
            time.sleep(0.01)
        raise AssertionError("the daemon does not answer")

    def log(self):
        with open(os.path.join(self.folder, "log"), encoding="utf-8") as file:
            return file.read()

    def ask(self, method, path, body=None, media="application/json"):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=600)
        connection.request(method, path, body, {"Content-Type": media} if body is not None else {})
        answer = connection.getresponse()
        text = answer.read()
        connection.close()
        return answer.status, text

    def get(self, path):
        status, text = self.ask("GET", path)
        assert status == 200, text
        return json.loads(text)

    def upload(self, body):
        status, text = self.ask("POST", "/v1/readings", body, "text/csv")
        assert status == 200, text
        return json.loads(text)

    def post(self, path, document):
        status, text = self.ask("POST", path, json.dumps(document))
        assert status < 300, text
        return json.loads(text)

    def cpu_s(self):
        with open(f"/proc/{self.process.pid}/stat", encoding="utf-8") as file:
            fields = file.read().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / TICKS_A_S

    def memory_mb(self, name):
        with open(f"/proc/{self.process.pid}/status", encoding="utf-8") as file:
            return next(int(line.split()[1]) / 1024 for line in file if line.startswith(name))

    def forget_peak(self):
        with open(f"/proc/{self.process.pid}/clear_refs", "w", encoding="utf-8") as file:
            file.write("5")

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(120) == 0
