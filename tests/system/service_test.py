#!/usr/bin/python3
"""What people tell the running daemon about service: kept over every end of it, and in effect at once.

    service_test.py PROBEKEEPERD
"""
import http.client
import json
import math
import os
import signal
import subprocess
import sys
import tempfile
import time
import unittest

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import end_with_us, free_port, logged_since, until  # noqa: E402

DAEMON = os.path.abspath(sys.argv[1])
HOUR = 3600

CONFIG = """\
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
serial = "GX-0417"
membrane = "cap-25um"
use = "alarm"
t90_s = 40.0
[[probe]]
id = "tank-2"
site = "farm"
serial = "GX/0418"
membrane = "cap-25um"
use = "alarm"
t90_s = 40.0
[limits]
reference_percent = 20.0
"""


def stamp(unix_s):
    return time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(unix_s))


class Daemon(unittest.TestCase):
    maxDiff = None

    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="probekeeper-service-")
        self.addCleanup(folder.cleanup)
        self.folder = folder.name
        self.port = free_port()
        with open(self.at("farm.toml"), "w", encoding="utf-8") as file:
            file.write(CONFIG.format(http=self.port))
        self.began = int(time.time()) // 300 * 300  # a full five minutes: when diagnosis weighs
        self.start()

    def at(self, name):
        return os.path.join(self.folder, name)

    def start(self):
        log = open(self.at("log"), "a", encoding="utf-8")
        self.addCleanup(log.close)
        before = log.tell()
        daemon = subprocess.Popen([DAEMON, "run", "--config", self.at("farm.toml")], stderr=log,
                                  preexec_fn=end_with_us)
        self.daemon = daemon
        self.addCleanup(lambda: (daemon.kill(), daemon.wait()))
        until("the API answers", lambda: self.ask("GET", "/v1/probes/tank-1/diagnosis")[0] == 200)
        until("it has caught up", lambda: logged_since(log.name, before, "caught_up"))

    def ask(self, method, path, body=None, **headers):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if body is not None and not isinstance(body, str):
            sent["Content-Type"], body = "application/json", json.dumps(body)
        try:
            connection.request(method, path, body, sent)
            answer = connection.getresponse()
            text = answer.read().decode()
            return answer.status, json.loads(text) if text else None
        except OSError:
            return None, None
        finally:
            connection.close()

    def get(self, path):
        status, document = self.ask("GET", path)
        self.assertEqual(status, 200, document)
        return document

    def items(self, path):
        return self.get(path)["items"]

    def post(self, path, body, expected=None, **headers):
        status, document = self.ask("POST", path, body, **headers)
        self.assertIn(status, (expected,) if expected else (200, 201), document)
        return document

    def feed(self, from_h, to_h, shows, every=30):
        """Readings of both tanks from so many hours on from the beginning; shows(probe, hours) in mg/L."""
        rows = ["time,probe,do_mg_l,temperature_c"]
        for at in range(int(self.began + from_h * HOUR), int(self.began + to_h * HOUR), every):
            for probe in ("tank-1", "tank-2"):
                rows.append(f"{stamp(at)},{probe},{shows(probe, (at - self.began) / HOUR):.3f},15.0")
        before = os.path.getsize(self.at("log"))  # the time of a diagnosis does not tell whether it knows these
        answer = self.post("/v1/readings", "\n".join(rows + [""]), Content_Type="text/csv")
        self.assertEqual(answer["accepted"], len(rows) - 1, answer)
        until("it has been diagnosed", lambda: logged_since(self.at("log"), before, "diagnosis_remade"))


def without_days(document):
    """A life that goes on grows by the clock."""
    if isinstance(document, dict):
        return {name: without_days(value) for name, value in document.items() if name != "days"}
    return [without_days(item) for item in document] if isinstance(document, list) else document


def moving(_, hours):
    return 9.0 + 0.4 * math.sin(hours * 6.0) + 0.02 * math.sin(hours * 611.0)


class Kept(Daemon):
    PATHS = ("/v1/tickets", "/v1/probes/tank-1/service-records", "/v1/probes/tank-2/service-records",
             "/v1/probes/tank-1/out-of-use", "/v1/sites/farm/out-of-use", "/v1/instruments", "/v1/instruments/GX-0417",
             "/v1/instruments/GX%2F0418", "/v1/probes/tank-1/membranes", "/v1/findings", "/v1/probes")

    def kept(self):
        return {path: without_days(self.get(path)) for path in self.PATHS}

    def work(self):
        """Some of everything that a person can tell, under a key each; gives the answers."""
        answers = []

        def tell(path, body):
            key = f"key-{len(answers)}"
            answers.append((path, body, key, self.post(path, body, Idempotency_Key=key)))
            return answers[-1][3]

        tell("/v1/probes/tank-1/service-records", {
            "time": stamp(self.began - 4 * HOUR), "kind": "reference_check", "reference_mg_l": 3.0, "probe_mg_l": 9.0})
        ticket = until("a ticket", lambda: self.items("/v1/tickets?probe=tank-1"))[0]["id"]
        tell(f"/v1/tickets/{ticket}/acknowledge", {"by": "ada", "note": "tomorrow"})
        tell(f"/v1/tickets/{ticket}/plan", {"by": "ada", "date": "2030-01-02", "assigned_to": "bo"})
        tell(f"/v1/tickets/{ticket}/postpone", {"by": "ada", "until": "2030-01-02T06:00:00Z", "why": "harvest"})
        tell(f"/v1/tickets/{ticket}/seen", {})
        tell(f"/v1/tickets/{ticket}/visit", {"by": "bo", "outcome": "no_access"})
        tell(f"/v1/tickets/{ticket}/close", {"by": "ada", "found": "as_diagnosed"})
        tell("/v1/probes/tank-1/service-records", {
            "time": stamp(self.began - 2 * HOUR), "kind": "membrane_change", "by": "bo", "visit": "v1"})
        wrong = tell("/v1/probes/tank-2/service-records", {
            "time": stamp(self.began - 2 * HOUR), "kind": "membrane_wipe", "by": "bo"})
        tell(f"/v1/probes/tank-2/service-records/{wrong['record']}/void", {"why": "other tank", "by": "bo"})
        tell("/v1/probes/tank-2/service-records", {
            "time": stamp(self.began - 1 * HOUR), "kind": "probe_swap", "serial": "GX-0500"})
        parked = tell("/v1/probes/tank-1/out-of-use", {
            "from": stamp(self.began + 100 * HOUR), "why": "fallow", "by": "ada"})
        tell(f"/v1/probes/tank-1/out-of-use/{parked['number']}/end", {"until": stamp(self.began + 200 * HOUR)})
        tell("/v1/sites/farm/out-of-use", {"from": stamp(self.began + 300 * HOUR), "why": "ice"})
        return answers

    def test_everything_is_there_after_a_kill_and_after_an_orderly_end(self):
        self.feed(-36, 0, moving)
        answers = self.work()
        before = self.kept()
        self.assertEqual(before["/v1/findings"]["items"][0]["as_diagnosed"], 1)
        self.assertEqual([life["end"] for life in before["/v1/probes/tank-1/membranes"]["items"]], [None])
        self.assertEqual([stay["probe"] for stay in before["/v1/instruments/GX%2F0418"]["stays"]], ["tank-2", None])
        for ending in (signal.SIGKILL, signal.SIGTERM):
            self.daemon.send_signal(ending)
            self.daemon.wait(60)
            self.start()
            self.assertEqual(self.kept(), before, ending)
            for path, body, key, answer in answers:
                self.assertEqual(self.post(path, body, Idempotency_Key=key), answer, path)
                self.post(path, {**body, "note": "another body"}, 422, Idempotency_Key=key)
            self.assertEqual(self.kept(), before, "done twice")


class OutOfUse(Daemon):
    def test_a_drained_tank_that_was_told_of_opens_no_ticket_and_its_return_asks_for_a_check(self):
        def shows(probe, hours):
            drained = -30 <= hours < -8 and probe == "tank-1" or -30 <= hours < -18 and probe == "tank-2"
            return 0.0 if drained else moving(probe, hours)

        parked = self.post("/v1/probes/tank-1/out-of-use", {"from": stamp(self.began - 30 * HOUR), "why": "drained"})
        self.assertIsNone(parked["until"])
        self.feed(-100, -20, shows)
        self.assertEqual(self.get("/v1/probes/tank-1")["service_state"], "out_of_use")
        self.assertEqual(self.items("/v1/tickets?probe=tank-1"), [])
        until("a ticket of the other tank", lambda: "no_signal" in [
            reason["code"] for ticket in self.items("/v1/tickets?probe=tank-2") for reason in ticket["reasons"]])
        self.feed(-20, -10, shows)

        # Told afterwards that the other was drained too: its ticket was for nothing.
        self.post("/v1/probes/tank-2/out-of-use", {
            "from": stamp(self.began - 30 * HOUR), "until": stamp(self.began - 18 * HOUR), "why": "drained"})
        unjustified = until("withdrawn", lambda: [t for t in self.items("/v1/tickets?probe=tank-2")
                                                  if "no_signal" in [r["code"] for r in t["reasons"]]
                                                  and t["state"] == "withdrawn"])
        self.assertEqual(len(unjustified), 1)

        # Full again, and back in use, by a word of somebody and over a restart.
        self.daemon.send_signal(signal.SIGKILL)
        self.daemon.wait(60)
        self.start()
        ended = self.post(f"/v1/probes/tank-1/out-of-use/{parked['number']}/end",
                          {"until": stamp(self.began - 8 * HOUR), "by": "ada"})
        self.assertEqual((ended["until"], ended["ended_by"]), (stamp(self.began - 8 * HOUR), "ada"))
        self.feed(-10, 0, shows)
        diagnosis = self.get("/v1/probes/tank-1/diagnosis")
        self.assertEqual((diagnosis["service_state"], diagnosis["condition"]), ("in_service", "unknown"))
        self.assertEqual(diagnosis["next_evidence"], "lift five minutes into air and put back")
        asked = self.items("/v1/tickets?probe=tank-1")
        self.assertEqual([[reason["code"] for reason in ticket["reasons"]] for ticket in asked],
                         [["verification_due"]])

    def test_what_cannot_be_is_refused_with_the_field_that_is_wrong(self):
        def refused(path, body, status, field=None):
            problem = self.post(path, body, status)
            self.assertEqual(problem.get("field"), field, problem)

        at = "/v1/probes/tank-1/out-of-use"
        refused(at, {}, 422, "why")
        refused(at, {"why": " "}, 422, "why")
        refused(at, {"why": "x", "from": stamp(self.began), "until": stamp(self.began - 1)}, 422, "until")
        refused("/v1/probes/tank-9/out-of-use", {"why": "x"}, 404)
        refused("/v1/sites/nowhere/out-of-use", {"why": "x"}, 404)
        number = self.post(at, {"why": "x"})["number"]
        refused(f"/v1/probes/tank-2/out-of-use/{number}/end", {}, 404)
        refused(f"/v1/sites/farm/out-of-use/{number}/end", {}, 404)
        refused(f"{at}/{number}/end", {"until": stamp(self.began - HOUR)}, 422, "until")


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1] + sys.argv[2:])
