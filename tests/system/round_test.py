#!/usr/bin/env python3
"""A week's round out of a real store: `replay` fills it, `round` plans beside nobody, and parsers that are not ours
read the papers.

    round_test.py PROBEKEEPERD
"""
import csv
import datetime
import html.parser
import io
import json
import os
import pathlib
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import unittest
import urllib.error
import urllib.request

import icalendar

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import free_port  # noqa: E402

try:
    import vobject
except ImportError:
    vobject = None

PROGRAM = sys.argv.pop(1)

CONFIG = """
[store]
path = "store.db"

[[depot]]
id = "yard"
latitude = 54.0
longitude = -3.0
time_zone = "Europe/London"

[[technician]]
id = "t1"
name = "First; technician, <one>"
depot = "yard"
hours = { monday = "08:00-17:00", tuesday = "08:00-17:00" }

[[site]]
id = "pond"
name = "Pond & mill, über den Teich, mit einem Namen der auf einer Zeile keinen Platz hat"
kind = "aquaculture"
latitude = 54.1
longitude = -3.0
time_zone = "Europe/London"
address = "1 Mill Lane; by the weir"
access_notes = "Ask for the key"
[site.access]
notice_hours = 2

[[probe]]
id = "pond-a"
site = "pond"
use = "alarm"
location = "inlet <north>"
serial = "GX-1"
membrane = "cap-25um"

[[probe]]
id = "pond-b"
site = "pond"
use = "alarm"
"""


def readings(file):
    """Five days of two probes; the first falls silent after three."""
    start = datetime.datetime(2026, 11, 20, tzinfo=datetime.timezone.utc)
    with open(file, "w", newline="") as out:
        out.write("time,probe,do_mg_l,temperature_c\n")
        for minute in range(0, 5 * 1440):
            time = (start + datetime.timedelta(minutes=minute)).isoformat().replace("+00:00", "Z")
            wave = 8.0 + ((minute * 37) % 101) / 200.0
            if minute < 3 * 1440:
                out.write(f"{time},pond-a,{wave:.3f},12.0\n")
            out.write(f"{time},pond-b,{wave + 0.1:.3f},12.0\n")


class Texts(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.text = ""
        self.tags = []

    def handle_data(self, data):
        self.text += data

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)


class Round(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory()
        cls.path = pathlib.Path(cls.folder.name)
        (cls.path / "config.toml").write_text(CONFIG)
        readings(cls.path / "readings.csv")
        cls.run_program("replay", "--readings", str(cls.path / "readings.csv"), "--store", str(cls.path / "store.db"))
        cls.run_program("round", "--week", "2026-W49", "--at", "2026-11-27T12:00:00Z", "--to", str(cls.path))

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()

    @classmethod
    def run_program(cls, verb, *arguments, code=0):
        done = subprocess.run([PROGRAM, verb, "--config", str(cls.path / "config.toml"), *arguments],
                              capture_output=True, text=True, timeout=120, check=False)
        assert done.returncode == code, (done.returncode, done.stdout, done.stderr)
        return done

    def paper(self, ending):
        return (self.path / f"2026-W49{ending}").read_bytes()

    def test_the_round_says_who_goes_where_and_why(self):
        made = json.loads(self.paper(".json"))
        self.assertEqual(made["week"], "2026-W49")
        self.assertIsNone(made["published_at"])
        (technician,) = made["technicians"]
        (day,) = technician["days"]
        self.assertEqual(day["date"], "2026-11-30")
        (stop,) = day["stops"]
        self.assertEqual(stop["site"], "pond")
        self.assertGreater(stop["arrive"], "2026-11-30T08:00:00.000Z")
        job = stop["jobs"][0]
        self.assertEqual(job["probe"], "pond-a")
        self.assertTrue(job["ticket"].startswith("pond-"))
        self.assertIn("have failed", job["why_now"])
        self.assertFalse(job["pulled_forward"])
        self.assertEqual(made["not_reached"], [])
        self.assertEqual(made["price"], made["bound"])

    def test_another_parser_reads_the_calendar(self):
        calendar = icalendar.Calendar.from_ical(self.paper(".ics"))
        (event,) = calendar.walk("VEVENT")
        self.assertEqual(str(event["UID"]), "2026-W49-pond@probekeeper")
        self.assertEqual(int(event["SEQUENCE"]), 0)
        self.assertEqual(str(event["LOCATION"]), "1 Mill Lane; by the weir")
        self.assertTrue(str(event["SUMMARY"]).startswith("First; technician, <one>: Pond & mill, über"))
        self.assertTrue(str(event["SUMMARY"]).endswith("Platz hat"))
        self.assertIn("Ask for the key", str(event["DESCRIPTION"]))
        stop = json.loads(self.paper(".json"))["technicians"][0]["days"][0]["stops"][0]
        begins = event["DTSTART"].dt
        self.assertEqual(begins.strftime("%Y-%m-%dT%H:%M:%S.000Z"), stop["arrive"])
        for line in self.paper(".ics").split(b"\r\n"):
            self.assertLessEqual(len(line), 75)

    @unittest.skipUnless(vobject, "needs python3-vobject")
    def test_a_third_parser_reads_the_same_appointment(self):
        calendar = vobject.readOne(self.paper(".ics").decode("utf-8"))
        event = calendar.vevent
        self.assertEqual(event.uid.value, "2026-W49-pond@probekeeper")
        self.assertEqual(event.location.value, "1 Mill Lane; by the weir")
        stop = json.loads(self.paper(".json"))["technicians"][0]["days"][0]["stops"][0]
        self.assertEqual(event.dtend.value.strftime("%Y-%m-%dT%H:%M:%S.000Z"), stop["leave"])
        calendar.validate()

    def test_the_sheet_is_well_formed_and_holds_the_users_words_as_text(self):
        sheet = Texts()
        sheet.feed(self.paper(".html").decode("utf-8"))
        for part in ("First; technician, <one>", "Pond & mill", "inlet <north>", "GX-1", "1 Mill Lane",
                     "licensed practice", "Record what was done"):
            self.assertIn(part, sheet.text)
        self.assertNotIn("one", sheet.tags)
        self.assertNotIn("script", sheet.tags)

    @unittest.skipUnless(shutil.which("chromium") and shutil.which("pdftotext"), "needs chromium and poppler-utils")
    def test_a_browser_prints_the_sheet_on_a4_with_everything_on_it(self):
        pdf = self.path / "sheet.pdf"
        subprocess.run(["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
                        f"--user-data-dir={self.path / 'browser'}", f"--print-to-pdf={pdf}",
                        (self.path / "2026-W49.html").as_uri()], check=True, capture_output=True, timeout=120)
        self.assertIn("A4", subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout)
        text = " ".join(subprocess.run(["pdftotext", pdf, "-"], check=True, capture_output=True, text=True).stdout.split())
        for part in ("Round 2026-W49", "First; technician, <one>, Monday 2026-11-30", "Access: Ask for the key",
                     "inlet <north>, serial GX-1", "readings that somebody relies on have failed", "percent"):
            self.assertIn(part, text)

    def test_the_form_has_the_columns_of_the_service_csv_and_no_times(self):
        rows = list(csv.DictReader(self.paper(".csv").decode("utf-8").splitlines()))
        self.assertGreaterEqual(len(rows), 1)
        self.assertEqual({row["probe"] for row in rows}, {"pond-a"})
        self.assertTrue(all(row["time"] == "" and row["kind"] for row in rows))

    def test_the_same_store_gives_the_same_round(self):
        before = self.paper(".json")
        self.run_program("round", "--week", "2026-W49", "--at", "2026-11-27T12:00:00Z", "--to", str(self.path))
        self.assertEqual(self.paper(".json"), before)

    def test_a_published_round_stays_until_it_is_planned_anew(self):
        with tempfile.TemporaryDirectory() as folder:
            def made(*flags):
                self.run_program("round", "--week", "2026-W49", "--at", "2026-11-27T12:00:00Z", "--to", folder, *flags)
                return json.loads((pathlib.Path(folder) / "2026-W49.json").read_text())
            first = made("--publish")
            self.assertEqual(first["published_at"], "2026-11-27T12:00:00.000Z")
            again = made()
            self.assertEqual((again["revision"], again["moved"]), (1, []))
            self.assertEqual(again["published_at"], first["published_at"])
            self.assertEqual(again["technicians"], first["technicians"])
            anew = made("--replan")
            self.assertEqual((anew["revision"], anew["published_at"]), (2, None))

    def test_wrong_use_says_what_would_be_right(self):
        for week in ("2026-49", "2027-W53"):
            done = self.run_program("round", "--week", week, "--to", str(self.path), code=2)
            self.assertIn("2026-W49", done.stderr)
        done = self.run_program("round", "--week", "2026-W49", "--to", str(self.path / "nowhere"), code=1)
        self.assertIn("cannot be written", done.stderr)


class Served:
    """The daemon over a copy of the store, with a port of its own."""

    def __init__(self, folder, store, config=CONFIG):
        self.path = pathlib.Path(folder)
        shutil.copy(store, self.path / "store.db")
        self.port = free_port()
        (self.path / "config.toml").write_text(config + f'[http]\nlisten = "127.0.0.1:{self.port}"\n')
        self.start()

    def start(self):
        self.log = open(self.path / "log", "a", encoding="utf-8")
        self.daemon = subprocess.Popen([PROGRAM, "run", "--config", str(self.path / "config.toml")], stderr=self.log)
        self.until(lambda: self.ask("/v1/probes"))  # 503 while it starts

    def stop(self):
        self.daemon.send_signal(signal.SIGTERM)
        code = self.daemon.wait(60)
        self.log.close()
        assert code == 0, code

    @staticmethod
    def until(holds, seconds=60):
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            try:
                if result := holds():
                    return result
            except (OSError, urllib.error.HTTPError):
                pass
            time.sleep(0.05)
        raise AssertionError("not within a minute")

    def raw(self, path, body=None, media="application/json"):
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}{path}", body, {"Content-Type": media} if body else {})
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.read()

    def ask(self, path, body=None, media="application/json"):
        return json.loads(self.raw(path, body, media))


def stamp(unix_s):
    return time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(unix_s))


def sequences(calendar):
    return {str(event["UID"]): (int(event["SEQUENCE"]), str(event["STATUS"]))
            for event in icalendar.Calendar.from_ical(calendar).walk("VEVENT")}


class OverHttp(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory()
        self.served = Served(self.folder.name, Round.path / "store.db")

    def tearDown(self):
        self.served.stop()
        self.folder.cleanup()

    @classmethod
    def setUpClass(cls):
        Round.setUpClass()

    @classmethod
    def tearDownClass(cls):
        Round.tearDownClass()

    def disagree(self, probe):
        """A reference check far off opens a ticket."""
        served, now = self.served, int(time.time())
        rows = [f"{stamp(at)},{probe},{8.5 + (at * 37 % 101) / 400:.3f},12.0" for at in range(now - 36 * 3600, now - 60, 60)]
        served.raw("/v1/readings", "\n".join(["time,probe,do_mg_l,temperature_c", *rows, ""]).encode(), "text/csv")
        served.ask(f"/v1/probes/{probe}/service-records", json.dumps(
            {"time": stamp(now - 7200), "kind": "reference_check", "reference_mg_l": 3.0, "probe_mg_l": 9.0, "by": "x"}).encode())
        served.until(lambda: {"reference_disagreement"} == {
            reason["code"] for ticket in served.ask(f"/v1/tickets?probe={probe}&state=open")["items"]
            for reason in ticket["reasons"] if not reason["cleared_at"]})

    def test_what_people_were_told_outlives_a_restart_and_gives_way_as_little_as_possible(self):
        served = self.served
        week = "/v1/rounds/" + time.strftime("%G-W%V", time.gmtime(time.time() + 14 * 86400))
        self.disagree("pond-a")
        planned = served.until(lambda: (made := served.ask(week))["planning"] is None and made)
        self.assertEqual((planned["published_at"], planned["revision"], planned["planning"]), (None, 0, None))
        self.assertIn("TENTATIVE", served.raw(week + ".ics").decode())
        published = served.ask(week + "/publish", b'{"by": "office"}')
        self.assertEqual((published["revision"], published["differs"], published["moved"]), (1, False, []))
        self.assertEqual(served.ask(week + "/publish", b"{}"), published)  # nothing new: nothing is published

        served.stop()
        served.start()
        again = served.ask(week)
        for member in ("published_at", "revision", "technicians", "differs", "not_reached"):
            self.assertEqual(again[member], published[member], member)

        self.disagree("pond-b")
        changed = served.until(lambda: (made := served.ask(week))["planning"] is None and made)
        probes = {job["probe"] for t in changed["technicians"] for day in t["days"] for stop in day["stops"] for job in stop["jobs"]}
        self.assertEqual(probes, {"pond-a", "pond-b"})
        self.assertLessEqual(len(changed["moved"]), 2)
        self.assertTrue(changed["differs"] or changed["revision"] == 1)

        anew = served.ask(week + "/replan", b"{}")
        self.assertEqual((anew["published_at"], anew["revision"], anew["differs"]), (None, 2, True))
        told = served.ask(week + "/publish", b"{}")
        self.assertEqual((told["revision"], told["differs"]), (2, False))
        self.assertIsNotNone(told["published_at"])
        states = sequences(served.raw(week + ".ics"))
        self.assertTrue(all(status in ("CONFIRMED", "CANCELLED") for _, status in states.values()), states)
        self.assertIn("pond-b", served.raw(week + ".html").decode())
        self.assertIn("pond-b", served.raw(week + ".csv").decode())


class Disagreeing(unittest.TestCase):
    config = CONFIG

    def setUp(self):
        """A check far off, a day and a half ago, has opened a ticket on one of two probes."""
        self.folder = tempfile.TemporaryDirectory()
        path, self.now = pathlib.Path(self.folder.name), int(time.time())
        (path / "config.toml").write_text(self.config)
        rows = [f"{stamp(at)},{probe},{8.5 + (at * 37 % 101) / 400:.3f},12.0"
                for at in range(self.now - 48 * 3600, self.now - 60, 60) for probe in ("pond-a", "pond-b")]
        (path / "readings.csv").write_text("\n".join(["time,probe,do_mg_l,temperature_c", *rows, ""]))
        (path / "service.csv").write_text("time,probe,kind,reference_mg_l,probe_mg_l,by\n"
                                          f"{stamp(self.now - 36 * 3600)},pond-b,reference_check,3.0,9.0,x\n")
        subprocess.run([PROGRAM, "replay", "--config", str(path / "config.toml"), "--readings", str(path / "readings.csv"),
                        "--service", str(path / "service.csv"), "--store", str(path / "replayed.db")],
                       check=True, stdout=subprocess.DEVNULL, timeout=120)
        self.served = Served(path, path / "replayed.db", self.config)

    def tearDown(self):
        self.served.stop()
        self.folder.cleanup()

    def published(self):
        week = "/v1/rounds/" + time.strftime("%G-W%V", time.gmtime(time.time() + 14 * 86400))
        return week, self.served.ask(week + "/publish", b"{}")


class FormComesBack(Disagreeing):
    @staticmethod
    def filled_in(form, at):
        """What a person writes on it, figures that all differ, and one row left empty."""
        rows = list(csv.DictReader(form.decode().splitlines()))
        written = {"membrane_wipe": {"dry_zero_found_mg_l": "0.21", "dry_zero_mg_l": "-0.02", "note": "slime; \"thick\", über all"},
                   "air_calibration": {"air_percent": "97.5", "pressure_hpa": "1003.2"},
                   "reference_check": {"reference_mg_l": "8.61", "reference_percent": "80.5", "probe_mg_l": "8.58"}}
        for place, row in enumerate(rows):
            row.update(written[row["kind"]], time=stamp(at + 600 * place))
        text = io.StringIO()
        out = csv.DictWriter(text, rows[0].keys(), lineterminator="\r\n")
        out.writeheader()
        out.writerows(rows)
        out.writerow({**rows[0], "time": ""})
        return rows, text.getvalue().encode()

    def test_a_sheet_that_comes_back_filled_in_is_the_work_with_all_its_figures_and_its_proof_begins(self):
        served = self.served
        week, told = self.published()
        (ticket,) = served.ask("/v1/tickets?probe=pond-b&state=open")["items"]
        (job,) = [job for t in told["technicians"] for day in t["days"] for stop in day["stops"] for job in stop["jobs"]
                  if job["probe"] == "pond-b"]
        self.assertEqual(job["ticket"], ticket["id"])
        rows, sheet = self.filled_in(served.raw(week + ".csv?technician=t1"), self.now - 24 * 3600)
        self.assertEqual([row["kind"] for row in rows], ["membrane_wipe", "air_calibration", "reference_check"])

        answer = served.ask("/v1/service-records", sheet, "text/csv")
        self.assertEqual((answer["rows"], answer["kept"], answer["refused"]), (4, 3, 1))
        self.assertIn("time: is empty", answer["items"][3]["message"])
        kept = {record["record"]: record for record in served.ask("/v1/probes/pond-b/service-records")["items"]}
        for row, item in zip(rows, answer["items"]):
            self.assertEqual((item["result"], item["record"]["questions"]), ("kept", []))
            record = kept[item["record"]["record"]]
            for column, cell in row.items():
                value = record[column]
                back = "" if value is None else value if isinstance(value, str) else str(value)
                self.assertEqual(back, cell, column)
            self.assertEqual(record["by"], "t1")
            self.assertTrue(record["visit"].endswith("-pond"))

        serviced = served.ask("/v1/tickets/" + ticket["id"])
        self.assertEqual((serviced["state"], serviced["proof"]), ("serviced", None))
        notes = [entry["note"] for entry in serviced["history"] if entry["state"] == "serviced" and entry["by"] == "t1"]
        self.assertEqual(len(notes), 3)
        # The check of the visit agreed: what the ticket was for is seen to have gone, from the readings since.
        served.until(lambda: all(reason["cleared_at"] for reason in served.ask("/v1/tickets/" + ticket["id"])["reasons"]))
        again = served.ask("/v1/service-records", sheet, "text/csv")  # sent twice it is no work done twice
        self.assertEqual((again["kept"], again["repeated"]), (0, 3))
        # A later check that does not agree is the proof that it did not help, and the ticket is open again.
        at = self.now - 4 * 3600
        served.ask("/v1/service-records", f"time,probe,kind,reference_mg_l,probe_mg_l,by\n{stamp(at)},pond-b,reference_check,3.0,9.0,t1\n"
                   .encode(), "text/csv")
        back = served.until(lambda: (t := served.ask("/v1/tickets/" + ticket["id"]))["state"] == "open" and t)
        self.assertFalse(back["proof"]["restored"])
        self.assertIn("after the work: ", back["history"][-1]["note"])


class TwoTogether(Disagreeing):
    config = CONFIG.replace("[site.access]\n", "[site.access]\ntwo_person = true\n").replace("[[site]]", """[[technician]]
id = "t2"
name = "Second & last"
depot = "yard"
hours = { monday = "08:00-17:00", tuesday = "08:00-17:00" }

[[site]]""")

    def test_who_goes_along_has_papers_of_his_own_that_name_the_other_and_the_form_is_one(self):
        week, told = self.published()
        (lead,) = [t for t in told["technicians"] if t["days"]]
        (day,) = lead["days"]
        (other,) = day["with"]
        self.assertEqual({lead["technician"], other}, {"t1", "t2"})
        names = {t["technician"]: t["name"] for t in told["technicians"]}
        for own, company in ((lead["technician"], other), (other, lead["technician"])):
            paper = {ending: self.served.raw(f"{week}{ending}?technician={own}").decode() for ending in ("", ".html", ".ics", ".csv")}
            (technician,) = json.loads(paper[""])["technicians"]
            self.assertEqual((technician["technician"], technician["days"][0]["with"]), (own, [company]))
            texts = Texts()
            texts.feed(paper[".html"])
            self.assertIn(f"{names[own]}, Monday {day['date']}", texts.text)
            self.assertNotIn(f"{names[company]}, Monday", texts.text)
            self.assertIn(f"Together with {names[company]}.", texts.text)
            (event,) = icalendar.Calendar.from_ical(paper[".ics"]).walk("VEVENT")
            self.assertTrue(str(event["SUMMARY"]).startswith(names[own] + ": "), event["SUMMARY"])
            self.assertIn(f"Together with {names[company]}.", str(event["DESCRIPTION"]))
            rows = list(csv.DictReader(paper[".csv"].splitlines()))
            self.assertEqual({row["probe"] for row in rows}, {"pond-b"} if own == lead["technician"] else set())
        with self.assertRaises(urllib.error.HTTPError) as stranger:
            self.served.raw(week + ".html?technician=t3")
        self.assertEqual(stranger.exception.code, 400)


ESTATE = """
[store]
path = "store.db"
[http]
listen = "127.0.0.1:{port}"
[[depot]]
id = "yard"
latitude = 54.0
longitude = -3.0
"""


class OneMoreTicket(unittest.TestCase):
    """What people were told, when tickets come one at a time."""

    SITES = 14

    def estate(self, path, seed):
        chance = random.Random(seed)
        text = ESTATE.format(port=self.served.port)
        hours = ", ".join(f'{day} = "08:00-17:00"' for day in ("monday", "tuesday", "wednesday"))
        for who in ("t1", "t2"):
            text += f'[[technician]]\nid = "{who}"\nname = "{who}"\ndepot = "yard"\nhours = {{ {hours} }}\n'
        for s in range(self.SITES):
            text += (f'[[site]]\nid = "s{s}"\nname = "s{s}"\nkind = "aquaculture"\n'
                     f'latitude = {53.6 + chance.random():.3f}\nlongitude = {-3.6 + chance.random():.3f}\n'
                     f'[site.access]\nsign_in_minutes = {chance.randrange(0, 90)}\n')
            if chance.random() < 0.4:
                text += 'windows = { monday = ["08:00-12:00"], tuesday = ["12:00-17:00"], wednesday = ["08:00-17:00"] }\n'
            text += f'[[probe]]\nid = "p{s}"\nsite = "s{s}"\nuse = "alarm"\n'
        (path / "config.toml").write_text(text)

    def disagree(self, probes):
        """A reference check far off opens a ticket on each."""
        served, now = self.served, int(time.time())
        rows = [f"{stamp(at)},{probe},{8.5 + (at * 37 % 101) / 400:.3f},12.0"
                for at in range(now - 36 * 3600, now - 60, 300) for probe in probes]
        served.raw("/v1/readings", "\n".join(["time,probe,do_mg_l,temperature_c", *rows, ""]).encode(), "text/csv")
        checks = [f"{stamp(now - 7200)},{probe},reference_check,3.0,9.0,x" for probe in probes]
        served.raw("/v1/service-records", "\n".join(["time,probe,kind,reference_mg_l,probe_mg_l,by", *checks, ""]).encode(),
                   "text/csv")
        served.until(lambda: set(probes) <= {t["probe"] for t in served.ask("/v1/tickets?state=open&limit=500")["items"]})

    @staticmethod
    def visits(made):
        return {stop["site"]: (t["technician"], day["date"], datetime.datetime.fromisoformat(stop["arrive"][:-1]))
                for t in made["technicians"] for day in t["days"] for stop in day["stops"]}

    def test_each_moves_at_most_two_other_visits_of_a_published_plan(self):
        added, most = 0, 0
        for seed in (1, 2, 3):
            with tempfile.TemporaryDirectory() as folder:
                self.served = Served.__new__(Served)
                self.served.path, self.served.port = pathlib.Path(folder), free_port()
                self.estate(self.served.path, seed)
                self.served.start()
                try:
                    week = "/v1/rounds/" + time.strftime("%G-W%V", time.gmtime(time.time() + 14 * 86400))
                    self.disagree([f"p{s}" for s in range(self.SITES - 4)])
                    self.served.ask(week + "/publish", b"{}")
                    for s in range(self.SITES - 4, self.SITES):
                        told = self.served.ask(week)
                        self.disagree([f"p{s}"])
                        made = self.served.until(lambda: (m := self.served.ask(week))["planning"] is None and m)
                        was, now = self.visits(told), self.visits(made)
                        moved = [site for site, visit in was.items() if site not in now or now[site][:2] != visit[:2] or
                                 abs((now[site][2] - visit[2]).total_seconds()) > 1800]
                        with self.subTest(seed=seed, ticket=s):
                            self.assertLessEqual(len(moved), 2)
                            self.assertEqual({m["site"] for m in made["moved"]}, set(moved))
                            reached = f"s{s}" in now or f"p{s}" in {left["probe"] for left in made["not_reached"]}
                            self.assertTrue(reached)
                        added, most = added + 1, max(most, len(moved))
                        published = self.served.ask(week + "/publish", b"{}")
                        self.assertFalse(published["differs"])
                finally:
                    self.served.stop()
        self.assertEqual(added, 12)


if __name__ == "__main__":
    unittest.main()
