#!/usr/bin/python3
"""A daemon on a recording, and the panel's page served, at the bidding of panel_test.mjs.

    works.py PROBEKEEPERD PANEL_FOLDER

Reads commands from stdin, a line each, and answers each by a line of JSON: `ticket` opens one, `stop` and `start` are
the daemon's, `ticket-of ID` gives a ticket as the API does. The first line, unasked, tells where the page is. Ends
with its stdin.
"""
import functools
import http.server
import json
import os
import sys
import threading
import unittest

daemon, panel = sys.argv[1:3]
sys.argv = sys.argv[:2]
sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "system"))
import run_test as common  # noqa: E402  (reads the daemon's path from the command line)


class Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_):
        pass


class Works(common.Running):
    hours = 3

    def runTest(self):
        csv = self.write("readings.csv", "\n".join(common.recording()) + "\n")
        done = common.probekeeperd("replay", "--config", self.config, "--readings", csv, "--store",
                                   self.at("var/store.db"))
        self.assertEqual(done.returncode, 0, done.stderr)
        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Quiet, directory=panel))
        threading.Thread(target=server.serve_forever, daemon=True).start()
        self.addCleanup(server.server_close)
        self.addCleanup(server.shutdown)
        origin = f"http://127.0.0.1:{server.server_address[1]}"
        text = self.changed("[http]\n", f'[http]\nallow_origins = ["{origin}"]\n')
        self.write("site.toml", text.replace("reference_percent = 60.0", "reference_percent = 10.0"))
        self.start()
        self.say({"page": f"{origin}/?api=http://127.0.0.1:{self.http}"})
        for line in sys.stdin:
            name, *rest = line.split()
            self.say({"ticket": self.open_ticket, "ticket-of": self.ticket, "stop": self.halt,
                      "start": self.go_on}[name](*rest))

    @staticmethod
    def say(answer):
        print(json.dumps(answer), flush=True)

    def open_ticket(self):
        posted = self.post("/probes/probe-1/service-records", {
            "kind": "reference_check", "time": common.stamp(days=1, hours=self.hours), "by": "t",
            "reference_mg_l": 6.0, "probe_mg_l": 4.0})
        self.assertEqual(posted.status, 201, posted.body)
        self.hours += 3
        return common.until("a ticket", lambda: self.get("/tickets?state=open&probe=probe-1").json()["items"])[0]

    def ticket(self, name):
        return self.get(f"/tickets/{name}").json()

    def halt(self):
        self.stop()
        return {}

    def go_on(self):
        self.start()
        return {}


if __name__ == "__main__":
    devices, common.MODBUS = common.start_devices()
    result = unittest.TextTestRunner(stream=sys.stderr).run(Works())
    devices.stdin.close()
    devices.wait()
    sys.exit(not result.wasSuccessful())
