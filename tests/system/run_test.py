#!/usr/bin/python3
"""Every verb of the real executable, against a Modbus server that is not ours and read with curl.

    run_test.py PROBEKEEPERD      exit 77: python3-pymodbus or curl is not here
"""
import datetime
import http.client
import json
import math
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import unittest
from xml.etree import ElementTree

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import end_with_us, free_port, until  # noqa: E402

SKIPPED = 77
HERE = os.path.dirname(os.path.abspath(__file__))
DAEMON = os.path.abspath(sys.argv[1])

CONFIG = """\
[store]
path = "var/store.db"
[http]
listen = "127.0.0.1:{http}"
[[site]]
id = "site"
name = "A site"
kind = "wastewater"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
[[line]]
id = "line"
site = "site"
transport = "tcp"
host = "127.0.0.1"
port = {modbus}
[[register_map]]
id = "floats"
dissolved_oxygen = {{ table = "holding", address = 0, type = "float32", order = "ABCD", unit = "mg/L" }}
temperature = {{ table = "holding", address = 2, type = "float32", order = "ABCD", unit = "degC" }}
cleaning = {{ table = "discrete", address = 0 }}
aeration = {{ table = "discrete", address = 1 }}
[[register_map]]
id = "scaled"
dissolved_oxygen = {{ table = "input", address = 0, type = "int16", scale = 0.01, unit = "mg/L" }}
temperature = {{ table = "input", address = 1, type = "int16", scale = 0.1, unit = "degC" }}
[[probe]]
id = "probe-1"
line = "line"
unit = 1
register_map = "floats"
location = "Inlet"
poll_s = 0.5
t90_s = 40.0
[[probe]]
id = "probe-2"
line = "line"
unit = 2
register_map = "scaled"
location = "Outlet"
poll_s = 0.5
t90_s = 40.0
[limits]
reference_percent = 60.0
"""


def start_devices():
    process = subprocess.Popen(["/usr/bin/python3", os.path.join(HERE, "modbus_server.py")], text=True,
                               stdin=subprocess.PIPE, stdout=subprocess.PIPE, preexec_fn=end_with_us)
    port = process.stdout.readline()
    if not port:
        sys.exit(process.wait())
    return process, int(port)


def probekeeperd(*arguments):
    return subprocess.run([DAEMON, *arguments], capture_output=True, text=True, timeout=60, check=False,
                          preexec_fn=end_with_us)


class Answer:
    def __init__(self, text):
        head, self.body = text.split("\r\n\r\n", 1)
        status, *fields = head.split("\r\n")
        self.status = int(status.split()[1])
        self.fields = {name.lower(): value.strip() for name, value in (f.split(":", 1) for f in fields)}

    def json(self):
        return json.loads(self.body)


def curl(url, *options):
    """The answer, or None where nobody answers."""
    done = subprocess.run(["curl", "-s", "-i", "--max-time", "10", *options, url], capture_output=True,
                          timeout=20, check=False)
    return Answer(done.stdout.decode()) if done.returncode == 0 else None


class InFolder(unittest.TestCase):
    maxDiff = None

    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="probekeeper-system-")
        self.addCleanup(folder.cleanup)
        self.folder = folder.name
        self.http = free_port()
        self.text = CONFIG.format(http=self.http, modbus=MODBUS)
        self.config = self.write("site.toml", self.text)

    def at(self, name):
        return os.path.join(self.folder, name)

    def write(self, name, text):
        with open(self.at(name), "w", encoding="utf-8") as file:
            file.write(text)
        return self.at(name)

    def changed(self, old, new):
        self.assertIn(old, self.text)
        return self.text.replace(old, new, 1)


class CommandLine(InFolder):
    def test_version_and_help_are_results(self):
        version = probekeeperd("--version")
        self.assertEqual(version.returncode, 0)
        self.assertRegex(version.stdout, r"^probekeeperd \d+\.\d+\.\d+\n$")
        for arguments in (["--help"], *([verb, "--help"] for verb in
                                        ("run", "check", "loop-check", "replay", "backup"))):
            asked = probekeeperd(*arguments)
            self.assertEqual(asked.returncode, 0, arguments)
            self.assertIn("--help", asked.stdout, arguments)

    def test_wrong_usage_is_2_and_says_so_on_stderr(self):
        for arguments in ([], ["no-such-verb"], ["check"], ["check", "--config", self.config, "--no-such-option"],
                          ["replay", "--config", self.config], ["backup", "--config", self.config]):
            asked = probekeeperd(*arguments)
            self.assertEqual(asked.returncode, 2, arguments)
            self.assertNotEqual(asked.stderr, "", arguments)
            self.assertEqual(asked.stdout, "", arguments)

    def test_check_passes_a_good_configuration(self):
        good = probekeeperd("check", "--config", self.config)
        self.assertEqual((good.returncode, good.stderr), (0, ""), good.stdout)

    def test_check_names_file_line_and_what_would_be_right_of_every_problem_at_once(self):
        text = self.changed("poll_s", "pol_s").replace('site = "site"', 'site = "sight"', 1)
        broken = self.write("broken.toml", text)
        told = probekeeperd("check", "--config", broken)
        self.assertEqual(told.returncode, 2)
        for wrong, right in (("pol_s", "poll_s"), ('site = "sight"', "site")):
            line = next(n for n, words in enumerate(text.splitlines(), 1) if words.startswith(wrong))
            self.assertRegex(told.stdout, rf"(?m)^{re.escape(broken)}:{line}: .*{right}")

    def test_a_configuration_that_is_not_there_is_2(self):
        for arguments in (["check"], ["run"], ["loop-check"], ["backup", "--to", self.at("copy.db")]):
            self.assertEqual(probekeeperd(*arguments, "--config", self.at("none.toml")).returncode, 2, arguments)


class LoopCheck(InFolder):
    def test_it_prints_raw_registers_and_decoded_values(self):
        read = probekeeperd("loop-check", "--config", self.config)
        self.assertEqual(read.returncode, 0, read.stdout + read.stderr)
        # IEEE 754: 8.25 is 0x41040000 and 14.5 is 0x41680000; -15 in 16 bits is 0xFFF1.
        for part in ("holding 0..3: 4104 0000 4168 0000", "input 0..1: 02D5 FFF1", "dissolved_oxygen = 8.25 mg/L",
                     "temperature = 14.5 degC", "aeration = 1", "cleaning = 0", "dissolved_oxygen = 7.25 mg/L",
                     "temperature = -1.5 degC"):
            self.assertIn(part, read.stdout)

    def test_one_probe_can_be_named_and_a_misspelt_one_is_2(self):
        read = probekeeperd("loop-check", "--config", self.config, "--probe", "probe-2")
        self.assertEqual(read.returncode, 0, read.stdout + read.stderr)
        self.assertIn("probe-2", read.stdout)
        self.assertNotIn("probe-1", read.stdout)
        misspelt = probekeeperd("loop-check", "--config", self.config, "--probe", "prob-2")
        self.assertEqual(misspelt.returncode, 2)
        self.assertIn("probe-2", misspelt.stderr)

    def test_a_unit_that_is_absent_is_named_with_its_fault_and_the_others_are_read(self):
        config = self.write("absent.toml", self.changed("unit = 2", "unit = 77"))
        read = probekeeperd("loop-check", "--config", config)
        self.assertEqual(read.returncode, 1, read.stdout + read.stderr)
        self.assertRegex(read.stdout, r"probe-2 .*unit 77.*FAULT")
        self.assertIn("dissolved_oxygen = 8.25 mg/L", read.stdout)
        # This server keeps silent for a unit that it has not.
        self.assertRegex(read.stdout, r"timed_out: .*unit identifier")

    def test_a_line_on_which_nobody_listens_is_1(self):
        config = self.write("deaf.toml", self.changed(f"port = {MODBUS}", f"port = {free_port()}"))
        read = probekeeperd("loop-check", "--config", config)
        self.assertEqual(read.returncode, 1, read.stdout + read.stderr)
        self.assertRegex(read.stdout, r"probe-1 .*FAULT")


class Running(InFolder):
    def start(self):
        self.launch()
        until("the API answers", self.answers)

    def launch(self):
        log = open(self.at("log"), "w", encoding="utf-8")
        self.addCleanup(log.close)
        self.daemon = subprocess.Popen([DAEMON, "run", "--config", self.config], stderr=log,
                                       preexec_fn=end_with_us)
        self.addCleanup(self.end, self.daemon)

    @staticmethod
    def end(daemon):
        if daemon.poll() is None:
            daemon.kill()
            daemon.wait(timeout=10)

    def answers(self):
        self.assertIsNone(self.daemon.poll(), self.log())
        answer = self.get("/health")
        return answer and answer.status == 200

    def stop(self):
        self.daemon.send_signal(signal.SIGTERM)
        self.assertEqual(self.daemon.wait(timeout=15), 0, self.log())

    def log(self):
        with open(self.at("log"), encoding="utf-8") as file:
            return file.read()

    def get(self, path, *options):
        return curl(f"http://127.0.0.1:{self.http}/v1{path}", *options)

    def post(self, path, body):
        return self.get(path, "-H", "content-type: application/json", "-d", json.dumps(body))

    def probe(self, name="probe-1"):
        return self.get(f"/probes/{name}").json()

    def times(self, name="probe-1"):
        return self.get(f"/probes/{name}/readings?limit=1000").json()["time"]

    def wait_for_readings(self, count=3):
        return until(f"{count} readings", lambda: (lambda t: t if len(t) >= count else None)(self.times()))

    def wait_for_a_newer_reading(self):
        seen = self.probe()["last_reading"]
        return until("a newer reading", lambda: (lambda now: now if now and now != seen else None)(
            self.probe()["last_reading"]))

    def test_it_serves_what_the_devices_hold_and_keeps_it(self):
        self.start()
        self.assertIn(self.get("/health").json()["status"], ("ok", "degraded"))

        def all_read():
            items = self.get("/probes").json()["items"]
            return items if all(p["last_reading"] for p in items) else None

        first, second = until("both probes are read", all_read)
        self.assertEqual([first["id"], second["id"]], ["probe-1", "probe-2"])
        self.assertEqual(first["last_reading"]["do_mg_l"], 8.25)
        self.assertEqual(first["last_reading"]["temperature_c"], 14.5)
        self.assertEqual(first["last_reading"]["flags"], ["aeration"])
        self.assertAlmostEqual(second["last_reading"]["do_mg_l"], 7.25, places=6)
        self.assertAlmostEqual(second["last_reading"]["temperature_c"], -1.5, places=6)
        self.assertEqual(first["condition"], "unknown")  # nothing has been tested yet
        self.assertTrue(self.get("/probes/probe-1/diagnosis").json()["next_evidence"])
        self.assertEqual(self.get("/health").json()["lines"], {"up": 1, "down": 0})
        few = self.wait_for_readings(2)
        more = self.wait_for_readings(len(few) + 2)
        self.assertEqual(more[:len(few)], few)
        self.assertEqual(more, sorted(set(more)))

    def test_a_line_that_is_down_says_why_down_to_what_the_system_said(self):
        with open(self.config, "a", encoding="utf-8") as file:
            file.write('[[line]]\nid = "bus"\nsite = "site"\ntransport = "rtu"\ndevice = "/dev/no-such-adapter"\nbaud = 9600\n'
                       '[[probe]]\nid = "on-bus"\nline = "bus"\nunit = 1\nregister_map = "floats"\npoll_s = 1.0\nt90_s = 40.0\n')
        self.start()
        why = "line bus is down: there is no such serial device"
        until("health tells it", lambda: any(w.startswith(why) for w in self.get("/health").json()["warnings"]))
        self.assertRegex(self.log(), 'event=line_down line=bus fault=open_failed why="there is no such serial device')

    def test_a_service_record_is_created_and_listed(self):
        self.start()
        created = self.post("/probes/probe-1/service-records", {"kind": "membrane_change", "by": "t"})
        self.assertEqual(created.status, 201, created.body)
        listed = self.get("/probes/probe-1/service-records").json()
        self.assertEqual([(r["kind"], r["by"]) for r in listed["items"]], [("membrane_change", "t")])
        self.assertIsNone(listed["next"])
        refused = self.post("/probes/probe-1/service-records", {"kind": "no-such-work"})
        self.assertIn(refused.status, (400, 422))
        self.assertEqual(self.get("/probes/probe-2/service-records").json()["items"], [])

    def test_what_is_not_there_and_what_is_not_done_are_problems(self):
        self.start()
        for path in ("/nothing-here", "/probes/probe-9"):
            absent = self.get(path)
            self.assertEqual(absent.status, 404, path)
            self.assertEqual(absent.fields["content-type"].split(";")[0], "application/problem+json")
            self.assertTrue(absent.json()["type"])
            self.assertEqual(absent.json()["status"], 404)
        wrong = self.get("/health", "-X", "DELETE")
        self.assertEqual(wrong.status, 405)
        self.assertIn("GET", wrong.fields["allow"])
        self.assertEqual(wrong.fields["content-type"].split(";")[0], "application/problem+json")

    def test_a_second_run_on_the_same_store_is_refused_and_the_first_goes_on(self):
        self.start()
        # Another address: what refuses it is the lock of the store.
        other = self.write("other.toml", self.changed(f":{self.http}", f":{free_port()}"))
        second = probekeeperd("run", "--config", other)
        self.assertEqual(second.returncode, 1, second.stderr)
        self.assertIn("store.db", second.stderr)
        self.wait_for_a_newer_reading()

    def test_an_address_that_is_taken_is_1_with_a_message(self):
        self.start()
        other = self.write("other.toml", self.changed("var/store.db", "var/other.db"))
        second = probekeeperd("run", "--config", other)
        self.assertEqual(second.returncode, 1, second.stderr)
        self.assertIn(str(self.http), second.stderr)

    def test_sighup_takes_a_changed_file_and_keeps_serving(self):
        self.start()
        self.wait_for_a_newer_reading()
        self.write("site.toml", self.changed('"Inlet"', '"Elsewhere"'))
        self.daemon.send_signal(signal.SIGHUP)
        until("the log tells of it", lambda: "event=reloaded" in self.log())
        self.assertEqual(self.probe()["location"], "Elsewhere")
        self.wait_for_a_newer_reading()

    def test_sighup_with_a_broken_file_keeps_the_old_configuration_whole(self):
        self.start()
        self.write("site.toml", self.changed('"Inlet"', '"Elsewhere"').replace("poll_s", "pol_s", 1))
        self.daemon.send_signal(signal.SIGHUP)
        until("the log tells of it", lambda: "event=reload_refused" in self.log())
        self.assertRegex(self.log(), r"reload_refused.*site\.toml:\d+: ")
        self.assertEqual(self.probe()["location"], "Inlet")
        self.wait_for_a_newer_reading()
        self.assertEqual(self.probe()["location"], "Inlet")

    def test_sighup_refuses_another_store_and_another_address(self):
        self.start()
        for old, new, key in (("var/store.db", "var/other.db", "store.path"),
                              (f":{self.http}", f":{free_port()}", "listen")):
            self.write("site.toml", self.changed(old, new))
            self.daemon.send_signal(signal.SIGHUP)
            until("the log tells of it", lambda k=key: re.search(rf"reload_refused.*{re.escape(k)}", self.log()))
            self.wait_for_a_newer_reading()
        self.assertFalse(os.path.exists(self.at("var/other.db")))

    def test_after_a_clean_end_and_a_start_everything_is_still_there(self):
        self.start()
        self.assertEqual(self.post("/probes/probe-1/service-records", {"kind": "inspection", "by": "t"}).status, 201)
        self.wait_for_readings()
        self.stop()
        self.assertIn("event=stopped", self.log())
        with sqlite3.connect(self.at("var/store.db")) as store:
            self.assertEqual(store.execute("pragma integrity_check").fetchall(), [("ok",)])
        store.close()
        self.start()
        before = self.times()
        self.assertGreaterEqual(len(before), 3)
        after = self.wait_for_readings(len(before) + 1)
        self.assertEqual(after[:len(before)], before)
        records = self.get("/probes/probe-1/service-records").json()["items"]
        self.assertEqual([r["kind"] for r in records], ["inspection"])
        self.stop()

    def test_a_reading_that_was_served_outlives_a_kill(self):
        self.start()
        seen = self.wait_for_readings()
        self.end(self.daemon)
        self.start()
        self.assertEqual(self.times()[:len(seen)], seen)

    def test_sigint_ends_it_cleanly_too(self):
        self.start()
        self.daemon.send_signal(signal.SIGINT)
        self.assertEqual(self.daemon.wait(timeout=15), 0, self.log())

    def first_answer(self):
        """Of a daemon that starts, the moment that there is one."""
        def asked():
            connection = http.client.HTTPConnection("127.0.0.1", self.http, timeout=30)
            try:
                connection.request("GET", "/v1/probes")
                return connection.getresponse().status
            except ConnectionError:
                return None
            finally:
                connection.close()
        return until("an answer", asked, every=0.0)

    def test_its_first_answer_is_of_a_daemon_that_has_begun_and_an_end_asked_for_then_is_an_orderly_one(self):
        for number in (signal.SIGTERM, signal.SIGINT) * 5:
            self.launch()
            self.assertEqual(200, self.first_answer())
            self.daemon.send_signal(number)
            self.assertEqual(0, self.daemon.wait(30), self.log())
            self.assertIn("event=stopped", self.log())

    def test_a_backup_made_while_it_runs_is_whole(self):
        self.start()
        seen = self.wait_for_readings()
        copied = probekeeperd("backup", "--config", self.config, "--to", self.at("copy.db"))
        self.assertEqual(copied.returncode, 0, copied.stderr)
        store = sqlite3.connect(self.at("copy.db"))
        self.addCleanup(store.close)
        self.assertEqual(store.execute("pragma integrity_check").fetchall(), [("ok",)])
        self.wait_for_a_newer_reading()
        self.stop()
        # The copy serves the same readings.
        self.config = self.write("copy.toml", self.changed("var/store.db", "copy.db"))
        self.start()
        self.assertEqual(self.times()[:len(seen)], seen)


# Three days ago, so that nothing is overdue by its age.
BEGIN = datetime.datetime.now(datetime.timezone.utc).replace(hour=0, minute=0, second=0, microsecond=0)
BEGIN -= datetime.timedelta(days=3)


def stamp(**after_begin):
    return (BEGIN + datetime.timedelta(**after_begin)).strftime("%Y-%m-%dT%H:%M:%S.000Z")


def recording(days=2, step_s=10, cleaning_every_s=6 * 3600, cleaning_s=120, t90_s=40.0):
    """CSV rows of probe-1: 4 mg/L, and a blast of air every six hours that it follows as a first-order probe."""
    constant_s = t90_s / math.log(10.0)
    oxygen = 4.0
    yield "time,probe,do_mg_l,temperature_c,cleaning"
    for i in range(days * 86400 // step_s):
        cleaning = (i * step_s) % cleaning_every_s < cleaning_s
        oxygen += ((9.0 if cleaning else 4.0) - oxygen) * (1.0 - math.exp(-step_s / constant_s))
        # 0.01 mg/L of movement: water never stands still.
        yield f"{stamp(seconds=i * step_s)},probe-1,{oxygen + 0.01 * math.sin(i * 0.7):.3f},15.0,{int(cleaning)}"


class Replay(InFolder):
    def setUp(self):
        super().setUp()
        rows = list(recording())
        self.rows = len(rows) - 1
        self.csv = self.write("readings.csv", "\n".join(rows) + "\n")

    def replay(self, *more, csv=None):
        return probekeeperd("replay", "--config", self.config, "--readings", csv or self.csv, *more)

    def outputs(self):
        return ["--store", self.at("replayed.db"), "--tickets", self.at("tickets.jsonl"),
                "--diagnosis", self.at("diagnosis")]

    def test_it_leaves_tickets_and_a_diagnosis_a_probe_and_says_what_it_read(self):
        done = self.replay(*self.outputs())
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn(f"readings: {self.rows} rows, 0 repeated, 0 bad", done.stdout)
        tests = re.search(r"response tests: (\d+)", done.stdout)
        self.assertGreaterEqual(int(tests[1]), 4, done.stdout)  # of eight blasts
        with open(self.at("tickets.jsonl"), encoding="utf-8") as file:
            tickets = [json.loads(line) for line in file]
        self.assertIn(f"tickets: {len(tickets)},", done.stdout)
        self.assertEqual(sorted(os.listdir(self.at("diagnosis"))), ["probe-1.json", "probe-2.json"])
        with open(self.at("diagnosis/probe-1.json"), encoding="utf-8") as file:
            diagnosis = json.load(file)
        self.assertEqual(diagnosis["probe"], "probe-1")
        # An independent figure: the probe of the recording was made with this T90.
        self.assertAlmostEqual(diagnosis["t90"]["value_s"], 40.0, delta=10.0)

    def test_a_store_that_holds_readings_is_refused_and_left_as_it_was(self):
        self.assertEqual(self.replay("--store", self.at("replayed.db")).returncode, 0)
        with open(self.at("replayed.db"), "rb") as file:
            before = file.read()
        again = self.replay("--store", self.at("replayed.db"))
        self.assertEqual(again.returncode, 2)
        self.assertIn("replayed.db", again.stderr)
        with open(self.at("replayed.db"), "rb") as file:
            self.assertEqual(file.read(), before)

    def test_too_many_bad_rows_are_1_and_leave_no_output_behind(self):
        rows = list(recording())
        bad = range(100, 104)
        for i in bad:
            rows[i] = rows[i].replace("probe-1", "probe-9")
        csv = self.write("bad.csv", "\n".join(rows) + "\n")
        before = sorted(os.listdir(self.folder))
        done = self.replay(*self.outputs(), "--max-bad-rows", "3", csv=csv)
        self.assertEqual(done.returncode, 1, done.stdout)
        self.assertEqual(sorted(os.listdir(self.folder)), before)
        for i in bad:
            self.assertRegex(done.stderr, rf"bad\.csv:.*\b{i + 1}: ")  # line 1 is the header
        enough = self.replay(*self.outputs(), "--max-bad-rows", "4", csv=csv)
        self.assertEqual(enough.returncode, 0, enough.stderr)
        self.assertIn("4 bad", enough.stdout)


class RunOnARecording(Running):
    """What replay leaves, run serves."""

    def setUp(self):
        super().setUp()
        csv = self.write("readings.csv", "\n".join(recording()) + "\n")
        done = probekeeperd("replay", "--config", self.config, "--readings", csv, "--store",
                            self.at("var/store.db"))
        self.assertEqual(done.returncode, 0, done.stderr)
        self.start()

    def reference_check(self, **after_begin):
        # The probe stands a third below the portable meter.
        posted = self.post("/probes/probe-1/service-records", {
            "kind": "reference_check", "time": stamp(**after_begin), "by": "t", "reference_mg_l": 6.0,
            "probe_mg_l": 4.0})
        # Backdated, so the diagnosis has been made again from there when the answer comes.
        self.assertEqual(posted.status, 201, posted.body)

    def reasons(self):
        return [reason["code"] for ticket in self.get("/tickets?probe=probe-1").json()["items"]
                for reason in ticket["reasons"]]

    def test_readings_and_tests_of_the_recording_are_served(self):
        served = self.get(f"/probes/probe-1/readings?from={stamp()}&to={stamp(minutes=1)}").json()
        self.assertEqual(served["time"], [stamp(seconds=s) for s in range(0, 60, 10)])
        self.assertEqual(served["flags"], [["cleaning"]] * 6)
        tests = self.get(f"/probes/probe-1/response-tests?from={stamp()}").json()["items"]
        self.assertGreaterEqual(len(tests), 4)  # of eight blasts
        self.assertEqual({test["source"] for test in tests}, {"cleaning"})

    def test_charts_are_images_that_another_parser_reads_and_suitability_knows_the_bits(self):
        probe = self.get("/probes").json()["items"][0]["id"]
        for quantity in ("do", "t90", "background", "fluctuation"):
            chart = self.get(f"/probes/{probe}/chart.svg?quantity={quantity}&days=40")
            self.assertEqual(chart.status, 200, chart.body)
            self.assertEqual(chart.fields["content-type"], "image/svg+xml")
            drawing = ElementTree.fromstring(chart.body)
            self.assertEqual(drawing.tag, "{http://www.w3.org/2000/svg}svg")
            self.assertIn(probe, drawing.findtext("{http://www.w3.org/2000/svg}title"))
        known = self.get(f"/probes/{probe}/suitability").json()
        self.assertEqual(known["probe"], probe)
        self.assertEqual(set(known["bits"]), {"cleaning", "aeration", "hold", "fault"})
        self.assertTrue(all(r["possible"] == (r["why_not"] is None) for r in known["reasons"]))

    def test_a_limit_changed_by_sighup_counts_from_then_on(self):
        self.reference_check(days=1, hours=3)
        self.assertNotIn("reference_disagreement", self.reasons())
        self.write("site.toml", self.changed("reference_percent = 60.0", "reference_percent = 10.0"))
        self.daemon.send_signal(signal.SIGHUP)
        until("the log tells of it", lambda: "event=reloaded" in self.log())
        self.reference_check(days=1, hours=9)
        until("the new limit opens a ticket", lambda: "reference_disagreement" in self.reasons())
        self.stop()


def load_tests(loader, _tests, _pattern):
    suite = unittest.TestSuite()
    for case in (CommandLine, LoopCheck, Running, Replay):
        suite.addTests(loader.loadTestsFromTestCase(case))
    for name in ("test_readings_and_tests_of_the_recording_are_served",
                 "test_charts_are_images_that_another_parser_reads_and_suitability_knows_the_bits",
                 "test_a_limit_changed_by_sighup_counts_from_then_on"):
        suite.addTest(RunOnARecording(name))  # those of its own, not what it inherits
    return suite


if __name__ == "__main__":
    if not shutil.which("curl"):
        print("skipped: curl is not here")
        sys.exit(SKIPPED)
    devices, MODBUS = start_devices()
    try:
        unittest.main(argv=[sys.argv[0], *sys.argv[2:]], verbosity=2)
    finally:
        devices.stdin.close()
        devices.stdout.close()
        devices.wait(timeout=10)
