#!/usr/bin/python3
"""The running daemon against its own /openapi.json: every path, every status it can be brought to, every field.

    contract_test.py PROBEKEEPERD      exit 77: what it needs of other programs is not here

Answers are held to the schemas more strictly than clients should hold them: a member that no schema names is a
failure here, because it would be a promise that nobody wrote down.
"""
import gzip
import http.client
import json
import math
import os
import re
import signal
import socket
import sqlite3
import ssl
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import free_port, until  # noqa: E402

SKIPPED = 77
HERE = os.path.dirname(os.path.abspath(__file__))
DAEMON = os.path.abspath(sys.argv[1])

try:
    import jsonschema
    from prometheus_client.openmetrics import parser as openmetrics
except ImportError as missing:
    print(f"{missing}: python3-jsonschema and python3-prometheus-client are needed")
    sys.exit(SKIPPED)

CONFIG = """
[store]
path = "store.db"
[http]
listen = "127.0.0.1:{http}"
tokens_file = "tokens"
tls_certificate_file = "certificate.pem"
tls_key_file = "key.pem"
allow_origins = ["https://panel.example"]
[[site]]
id = "site"
kind = "wastewater"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
[[site]]
id = "other"
kind = "aquaculture"
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
[[probe]]
id = "probe-1"
line = "line"
unit = 1
register_map = "floats"
poll_s = 0.5
t90_s = 40.0
[[probe]]
id = "by-csv"
site = "site"
serial = "S-1"
t90_s = 40.0
[limits]
reference_percent = 20.0
[[depot]]
id = "yard"
latitude = 50.1
longitude = 0.0
[[technician]]
id = "t1"
depot = "yard"
hours = {{ monday = "08:00-17:00", wednesday = "08:00-17:00", friday = "08:00-17:00" }}
"""


class Contract:
    def __init__(self, folder):
        self.folder = folder
        self.met = set()      # (method, pattern, status)
        self.failures = []
        self.spec = None
        self.keys = 0
        self.secrets = []     # what no log may show

    def path(self, name):
        return os.path.join(self.folder, name)

    # -- setting up ------------------------------------------------------------------------------------------------

    def certificate(self):
        subprocess.run(["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
                        "-keyout", self.path("key.pem"), "-out", self.path("certificate.pem"), "-days", "2",
                        "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"],
                       check=True, capture_output=True)
        os.chmod(self.path("key.pem"), 0o600)

    def token(self, name, role, *more):
        done = subprocess.run([DAEMON, "token", "add", name, "--role", role, *more, "--config", self.path("c.toml")],
                              capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout.strip()

    def start(self):
        self.devices = subprocess.Popen(["/usr/bin/python3", os.path.join(HERE, "modbus_server.py")], text=True,
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        modbus = self.devices.stdout.readline()
        if not modbus:
            sys.exit(self.devices.wait())
        self.port = free_port()
        with open(self.path("c.toml"), "w", encoding="utf-8") as file:
            file.write(CONFIG.format(http=self.port, modbus=int(modbus)))
        self.certificate()
        self.tokens = {role: self.token(role, role) for role in ("read", "operate", "admin")}
        self.tokens["limited"] = self.token("limited", "operate", "--site", "other")
        self.tokens["greedy"] = self.token("greedy", "admin")
        self.log = open(self.path("log"), "w", encoding="utf-8")
        self.launch()

    def launch(self):
        self.daemon = subprocess.Popen([DAEMON, "run", "--config", self.path("c.toml")], stderr=self.log)
        until("the daemon answers", self.answers)
        until("it has begun", lambda: self.raw("GET", "/v1/probes")[0] == 200)

    def stop(self):
        self.daemon.send_signal(signal.SIGTERM)
        code = self.daemon.wait(60)
        self.devices.kill()
        self.log.close()
        return code

    # -- asking ----------------------------------------------------------------------------------------------------

    def connect(self):
        context = ssl.create_default_context(cafile=self.path("certificate.pem"))
        return http.client.HTTPSConnection("localhost", self.port, timeout=30, context=context)

    def raw(self, method, target, role="admin", body=None, headers=None):
        connection = self.connect()
        sent = dict(headers or {})
        if role:
            sent.setdefault("Authorization", "Bearer " + self.tokens.get(role, role))
        if body is not None and not isinstance(body, (bytes, str)):
            body = json.dumps(body)
            sent.setdefault("Content-Type", "application/json")
        try:
            connection.request(method, target, body, sent)
        except (BrokenPipeError, ConnectionResetError, ssl.SSLError):
            pass  # refused by the header alone; the answer is there
        answer = connection.getresponse()
        text = answer.read()
        connection.close()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, text

    def answers(self):
        try:
            return self.raw("GET", "/v1/health")[0] == 200
        except OSError:
            return False

    # -- judging ---------------------------------------------------------------------------------------------------

    def pattern_of(self, method, target):
        path = target.split("?")[0]
        for pattern, operations in self.spec["paths"].items():
            shape = re.sub(r"\\\{[a-z_]+\\\}", "[A-Za-z0-9-]+", re.escape(pattern))
            if method.lower().replace("head", "get") in operations and re.fullmatch(shape, path):
                return pattern
        return None

    def fail_unless(self, holds, what):
        if not holds:
            self.failures.append(what)

    def ask(self, expected, method, target, role="admin", body=None, headers=None):
        pattern = self.pattern_of(method, target)
        names = [p["name"] for p in self.spec["paths"][pattern]["post"]["parameters"]] if pattern and method == "POST" else []
        if expected // 100 == 2 and "Idempotency-Key" in names:
            self.keys += 1
            headers = {"Idempotency-Key": f"contract-{self.keys}", **(headers or {})}
        status, fields, text = self.raw(method, target, role, body, headers)
        what = f"{method} {target} as {role}: {status}"
        if status // 100 == 2 and "Idempotency-Key" in (headers or {}):
            self.ask_again(what, status, text, method, target, role, body, headers)
        if status != expected:
            self.failures.append(f"{what}, expected {expected}: {text[:300]!r}")
        pattern = self.pattern_of(method, target)
        if pattern:
            self.met.add((method, pattern, status))
            self.judge(what, self.spec["paths"][pattern][method.lower().replace("head", "get")], status, fields, text,
                       method)
        return text

    def ask_again(self, what, status, text, method, target, role, body, headers):
        """The same under the same key is done once, and another body under it is refused."""
        again = self.raw(method, target, role, body, headers)
        self.fail_unless(again[0] == status and again[1].get("idempotency-replayed") == "true" and again[2] == text,
                         f"{what}: again under its key: {again}, at first {text[:200]!r}")
        if body is not None:
            other = body if isinstance(body, str) else json.dumps(body)
            media = headers if isinstance(body, str) else {"Content-Type": "application/json", **headers}
            refused = self.raw(method, target, role, other + "\n", media)
            self.fail_unless(refused[0] == 422 and b"key-reused" in refused[2],
                             f"{what}: another body under its key: {refused}")

    def judge(self, what, operation, status, fields, text, method):
        for name in ("x-content-type-options", "content-security-policy", "referrer-policy", "cache-control", "vary"):
            if name not in fields:
                self.failures.append(f"{what}: no {name}")
        answer = operation["responses"].get(str(status)) or operation["responses"]["default"]
        if status == 304 or method == "HEAD":
            if text:
                self.failures.append(f"{what}: has a body")
            return
        (media, content), = answer["content"].items()
        if fields.get("content-type") != media:
            self.failures.append(f"{what}: is {fields.get('content-type')}, described as {media}")
        if "json" not in media:
            return
        schema = dict(content["schema"])
        schema["components"] = self.strict
        validator = jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker())
        for error in validator.iter_errors(json.loads(text)):
            self.failures.append(f"{what}: {error.json_path}: {error.message[:300]}")

    def close_schemas(self):
        strict = json.loads(json.dumps(self.spec["components"]))
        for name, schema in strict["schemas"].items():
            if "properties" in schema and name != "Problem":
                schema["additionalProperties"] = False
        self.strict = strict


def drive(c):
    c.spec = json.loads(c.raw("GET", "/openapi.json", role=None)[2])
    assert c.spec["openapi"] == "3.1.0"
    c.close_schemas()
    until("a reading and a diagnosis", lambda: json.loads(c.raw("GET", "/v1/probes/probe-1")[2])["last_reading"])
    until("a diagnosis", lambda: c.raw("GET", "/v1/probes/probe-1/diagnosis")[0] == 200)
    feed(c)
    # A reference check far off opens a ticket.
    c.ask(201, "POST", "/v1/probes/by-csv/service-records", body={
        "time": stamp(time.time() - 7200), "kind": "reference_check", "reference_mg_l": 3.0, "probe_mg_l": 9.0, "by": "t"})
    until("a ticket", lambda: json.loads(c.raw("GET", "/v1/tickets")[2])["items"])
    tickets = json.loads(c.ask(200, "GET", "/v1/tickets"))["items"]
    ids = {"site": "site", "probe": "probe-1", "ticket": tickets[0]["id"],
           "problem": "not-found", "week": week_ahead(), "serial": "S-1"}
    ids["record"] = json.loads(c.ask(201, "POST", "/v1/probes/probe-1/service-records", body={
        "kind": "inspection"}))["record"]
    winter = {"from": "2030-01-01T00:00:00Z", "why": "ice"}  # far off: it changes nothing here
    parked = {at: json.loads(c.ask(201, "POST", f"/v1/{at}/out-of-use", body=winter))["number"]
              for at in ("probes/probe-1", "sites/site")}

    def fill(pattern, **other):
        number = parked["sites/site" if pattern.startswith("/v1/sites") else "probes/probe-1"]
        return re.sub(r"\{([a-z_]+)\}", lambda m: str({"number": number, **ids, **other}[m[1]]), pattern)

    sheet(c)
    bodies = {"/v1/probes/{probe}/service-records": {"kind": "inspection"},
              "/v1/rounds/{week}/publish": {"by": "x"}, "/v1/rounds/{week}/replan": {},
              "/v1/service-records": sheet_of([(time.time() - 60, "by-csv", "inspection")]),
              "/v1/probes/{probe}/service-records/{record}/void": {"why": "typed twice"},
              "/v1/probes/{probe}/out-of-use": winter, "/v1/sites/{site}/out-of-use": winter,
              "/v1/probes/{probe}/out-of-use/{number}/end": {"until": "2030-02-01T00:00:00Z"},
              "/v1/sites/{site}/out-of-use/{number}/end": {"until": "2030-02-01T00:00:00Z"},
              "/v1/links": {"path": "/v1/probes"}, "/v1/readings": csv_of([(time.time() - 60, "by-csv", 9.0)])}
    for pattern, operations in c.spec["paths"].items():
        for verb, operation in operations.items():
            method, described = verb.upper(), operation["responses"]
            target = fill(pattern)
            if "text/event-stream" in described.get("200", {}).get("content", {}):
                stream(c, target)
            elif method == "GET":
                answer = c.raw("GET", target)
                if answer[0] == 200:
                    c.ask(200, "GET", target)
                    page(c, target, operation)
                    packed(c, target)
                    c.ask(200, "HEAD", target)
                    c.ask(304, "GET", target, headers={"If-None-Match": "*"})
                else:
                    c.failures.append(f"GET {target}: {answer[0]} {answer[2][:200]!r}")
            elif pattern in bodies:
                c.ask(operation_status(described), "POST", target, body=bodies[pattern], headers=media_of(operation))
            c.ask(400, method, target + "?nonsense=1", body=plausible_body(c, operation) if method == "POST" else None,
                  headers=media_of(operation))
            if method == "POST":
                refuse_posts(c, target, operation)
            if "401" in described:
                c.ask(401, method, target, role=None, body={} if method == "POST" else None)
            if operation["x-role"] == "operate":
                c.ask(403, method, target, role="read", body={})
            if operation["x-role"] == "admin":
                c.ask(403, method, target, role="operate")
            if "403" in described and (method == "GET" or "{" in pattern) and not any(p["name"] == "site" and p["in"] == "query" for p in operation["parameters"]):
                c.ask(403, method, target, role="limited", body={} if method == "POST" else None)
            elif "403" in described and method == "GET":
                c.ask(403, "GET", target + "?site=site", role="limited")
            if "404" in described:
                missing = fill(pattern, site="nosuch", probe="nosuch", ticket="nosuch-1", problem="nosuch",
                               serial="nosuch", week="2026-W00")
                c.ask(404, method, missing, body=plausible_body(c, operation) if method == "POST" else None)
            c.ask(405, "DELETE", target)
            status, fields, _ = c.raw("OPTIONS", target)
            if status != 204 or method not in fields["allow"]:
                c.failures.append(f"OPTIONS {target}: {status} {fields}")
    c.ask(409, "POST", f"/v1/probes/probe-1/service-records/{ids['record']}/void", body={"why": "again"})
    walk_ticket(c, ids["ticket"])
    metrics(c)
    any_request(c)
    reload(c)
    restart(c)
    rates(c)


def page(c, target, operation):
    """Pages of a list have all of it once, in its order; and a position that no page gave is refused."""
    names = {p["name"] for p in operation["parameters"]}
    whole = json.loads(c.raw("GET", target)[2]) if {"limit", "after"} <= names else {}
    if "limit" in names:
        for wrong in ("0", "1000000", "x"):
            c.ask(400, "GET", f"{target}?limit={wrong}")
    if "after" in names:
        c.ask(400, "GET", target + "?after=no%20position")
    if not whole.get("items") or whole["next"]:
        return
    limit = max(1, len(whole["items"]) // 3)
    items, after = [], ""
    while after is not None and len(items) <= len(whole["items"]):
        got = json.loads(c.raw("GET", f"{target}?limit={limit}&after={after}")[2])
        items += got["items"]
        after = got["next"]
        c.fail_unless(len(got["items"]) <= limit, f"{target}: a page of {len(got['items'])}, limit {limit}")
    ids = [[item.get(name) for name in ("id", "record", "time", "code")] for item in items]
    wanted = [[item.get(name) for name in ("id", "record", "time", "code")] for item in whole["items"]]
    c.fail_unless(ids == wanted, f"{target}: pages of {limit} have {ids}, the whole {wanted}")


def packed(c, target):
    """A large answer comes compressed to who takes it, with a tag of its own that is honoured too."""
    plain = c.raw("GET", target)
    _, fields, text = c.raw("GET", target, headers={"Accept-Encoding": "gzip"})
    c.fail_unless((fields.get("content-encoding") == "gzip") == (len(plain[2]) >= 1400) or len(plain[2]) < 3000,
                  f"{target}: {len(plain[2])} bytes, {fields.get('content-encoding')}")
    if fields.get("content-encoding") != "gzip":
        return
    c.fail_unless(abs(len(gzip.decompress(text)) - len(plain[2])) < 3000, f"{target}: compressed it is another answer")
    if gzip.decompress(text) == plain[2]:
        c.fail_unless(fields["etag"] != plain[1]["etag"], f"{target}: compressed or not, the tag is {fields['etag']}")


def any_request(c):
    """What is described as the default: what any request may meet."""
    def met(expected, request, more=b""):
        context = ssl.create_default_context(cafile=c.path("certificate.pem"))
        with socket.create_connection(("localhost", c.port), timeout=30) as plain:
            with context.wrap_socket(plain, server_hostname="localhost") as s:
                s.sendall(request.replace(b"\n", b"\r\n") + more)
                answer = http.client.HTTPResponse(s)
                answer.begin()
                problem = json.loads(answer.read())
        what = f"{request[:40]!r}: {answer.status} {problem}"
        c.fail_unless(answer.status == expected == problem["status"], f"{what}, expected {expected}")
        c.fail_unless(answer.getheader("Content-Type") == "application/problem+json", what)
        validator = jsonschema.Draft202012Validator(
            {"$ref": "#/components/schemas/Problem", "components": c.strict})
        c.failures.extend(f"{what}: {error.message}" for error in validator.iter_errors(problem))
        c.fail_unless(c.raw("GET", problem["type"], role=None)[0] == 200, f"{what}: its type does not resolve")
        default.discard(expected)

    default = {int(status) for status in re.findall(
        r"\d{3}", c.spec["paths"]["/v1/health"]["get"]["responses"]["default"]["description"])}
    token = f"Host: localhost\nAuthorization: Bearer {c.tokens['admin']}\n".encode()
    met(408, b"GET /v1/health HTTP/1.1\nHost: loc")
    met(417, b"POST /v1/links HTTP/1.1\n" + token +
        b"Content-Type: application/json\nContent-Length: 2\nExpect: a miracle\n\n")
    met(421, b"GET /v1/health HTTP/1.1\nHost: evil.example\n\n")
    met(431, b"GET /v1/health HTTP/1.1\n" + token + b"X: ", b"x" * 20_000)
    met(505, b"GET /v1/health HTTP/3.0\n" + token + b"\n")
    with sqlite3.connect(c.path("store.db"), timeout=30, isolation_level=None) as db:
        # Whoever holds the file open for writing: commands are refused for now, and nothing has changed.
        db.execute("BEGIN IMMEDIATE")
        met(503, b"POST /v1/probes/by-csv/service-records HTTP/1.1\n" + token +
            b"Content-Type: application/json\nContent-Length: 21\n\n", b'{"kind":"inspection"}')
        db.execute("ROLLBACK")
        # A probe of before, of which the file holds what nobody can have written there.
        db.execute("INSERT INTO probes (probe_id, site_id, first_seen_ms) VALUES ('damaged', 'site', 0)")
        db.execute("INSERT INTO newest_diagnoses SELECT probe_key, 0, 'good', '{' FROM probes WHERE probe_id = 'damaged'")
        met(500, b"GET /v1/probes/damaged/suitability HTTP/1.1\n" + token + b"\n")
    db.close()
    c.fail_unless(not default, f"described as what any request may meet, and not met: {default}")


def reload(c):
    """SIGHUP rereads certificate and tokens; connections and answers under way go on."""
    def certificate():
        return ssl.get_server_certificate(("localhost", c.port))

    c.tokens["late"] = c.token("late", "read")
    subprocess.run([DAEMON, "token", "revoke", "limited", "--config", c.path("c.toml")], check=True, capture_output=True)
    known = c.raw("GET", "/v1/health", role="late")[0], c.raw("GET", "/v1/health", role="limited")[0]
    c.fail_unless(known == (401, 200), f"tokens before SIGHUP: {known}")
    before = certificate()
    c.certificate()
    c.daemon.send_signal(signal.SIGHUP)
    until("another certificate", lambda: certificate() != before)
    until("a token that was added", lambda: c.raw("GET", "/v1/health", role="late")[0] == 200)
    until("a token that was revoked", lambda: c.raw("GET", "/v1/health", role="limited")[0] == 401)


def restart(c):
    """What was done under a key is done, tags hold, and links end: a restart is no second chance."""
    target, key = "/v1/probes/by-csv/service-records", {"Idempotency-Key": "before-and-after"}
    noted = notes_of(c, target)
    first = c.raw("POST", target, body={"kind": "inspection", "by": "t"}, headers=key)
    tag = c.raw("GET", target)[1]["etag"]
    link = json.loads(c.raw("POST", "/v1/links", body={"path": "/v1/probes"})[2])["path"]
    c.secrets.append(link.split("link=")[1])
    c.fail_unless(c.raw("GET", link, role=None)[0] == 200, "a link that does not open")
    c.daemon.send_signal(signal.SIGTERM)
    c.fail_unless(c.daemon.wait(60) == 0, "the daemon did not end well")
    c.launch()
    again = c.raw("POST", target, body={"kind": "inspection", "by": "t"}, headers=key)
    c.fail_unless(again[2] == first[2] and again[1].get("idempotency-replayed") == "true", f"after a restart: {again}")
    c.fail_unless(c.raw("GET", target, headers={"If-None-Match": tag})[0] == 304, "a tag does not outlive a restart")
    c.fail_unless(c.raw("GET", link, role=None)[0] == 401, "a link outlives a restart")
    c.fail_unless(notes_of(c, target) == noted + 1, "who made a record is noted once, whatever comes again")


def notes_of(c, target):
    """How many changes at that address are noted."""
    changes = json.loads(c.raw("GET", "/v1/changes?limit=1000")[2])["items"]
    return sum(change["path"] == target for change in changes)


def operation_status(described):
    return min(int(s) for s in described if s.startswith("2"))


# A value for every field that a step may ask for.
STEP = {"by": "x", "found": "not_looked", "kind": "moved", "date": "2030-01-02", "until": "2030-01-02T06:00:00Z",
        "why": "harvest", "outcome": "no_access"}


def media_of(operation):
    """The content type of its body, where it is not JSON."""
    media = list(operation.get("requestBody", {}).get("content", {}))
    return {"Content-Type": media[0]} if media and media[0] != "application/json" else {}


def plausible_body(c, operation):
    (media, content), = operation["requestBody"]["content"].items()
    if media == "text/csv":
        return csv_of([(time.time() - 60, "by-csv", 9.0)])
    name = content["schema"].get("$ref", "/").rsplit("/", 1)[1]
    members = c.spec["components"]["schemas"].get(name, {}).get("properties", {})
    return {k: v for k, v in STEP.items() if k in members}


def refuse_posts(c, target, operation):
    (media, _), = operation["requestBody"]["content"].items()
    c.ask(415, "POST", target, body="x", headers={"Content-Type": "image/png"})
    c.ask(403, "POST", target, body="{}", headers={"Content-Type": media, "Origin": "https://evil.example"})
    if media == "application/json":
        c.ask(400, "POST", target, body="{", headers={"Content-Type": media})
        c.ask(413, "POST", target, body=b" " * 1_100_000, headers={"Content-Type": media})
        c.ask(422, "POST", target, body={"nonsense": 1})
    else:
        c.ask(413, "POST", target, headers={"Content-Type": media, "Content-Length": str(1 << 31)})
        c.ask(422, "POST", target, body="nonsense,header", headers={"Content-Type": media})


def metrics(c):
    """As a parser that is not ours reads them; and the example warnings speak of what there is."""
    families = {family.name: family
                for family in openmetrics.text_string_to_metric_families(c.raw("GET", "/metrics")[2].decode())}
    known = {sample.name for family in families.values() for sample in family.samples}
    for name in known:
        if not name.startswith("probekeeper_"):
            c.failures.append(f"/metrics: {name} is not one of ours")
    stored = sum(sample.value for sample in families["probekeeper_readings_stored"].samples)
    tickets = {(s.labels["state"], s.labels["reason"]): s.value for s in families["probekeeper_tickets"].samples}
    conditions = {s.labels["probe"] for s in families["probekeeper_probe_condition"].samples if s.value == 1}
    if stored < 4000 or conditions != {"probe-1", "by-csv"} or tickets:  # the only ticket has been closed
        c.failures.append(f"/metrics: stored {stored}, conditions of {conditions}, tickets {tickets}")
    with open(os.path.join(HERE, "../../deploy/metrics/warnings.yml"), encoding="utf-8") as file:
        named = set(re.findall(r"probekeeper_\w+", file.read()))
    if not named or not named <= known:
        c.failures.append(f"deploy/metrics/warnings.yml speaks of {named - known}, which /metrics has not")


def week_ahead():
    return time.strftime("%G-W%V", time.gmtime(time.time() + 14 * 86400))


def stamp(unix_s):
    return time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(unix_s))


def csv_of(rows):
    lines = [f"{stamp(at)},{probe},{value:.3f},15.0" for at, probe, value in rows]
    return "\n".join(["time,probe,do_mg_l,temperature_c", *lines, ""])


def feed(c):
    """A day and a half of readings for the probe that is fed by CSV, and what may not be fed."""
    as_csv = {"Content-Type": "text/csv"}
    now = int(time.time())
    rows = [(at, "by-csv", 9.0 + 0.2 * math.sin(at / 600)) for at in range(now - 36 * 3600, now - 60, 30)]
    answer = json.loads(c.ask(200, "POST", "/v1/readings", body=csv_of(rows), headers=as_csv))
    again = json.loads(c.ask(200, "POST", "/v1/readings", body=csv_of(rows), headers=as_csv))
    if (answer["accepted"], again["accepted"], again["repeated"]) != (len(rows), 0, len(rows)):
        c.failures.append(f"an upload of {len(rows)} rows: {answer}, and again: {again}")
    c.ask(409, "POST", "/v1/readings", body=csv_of([(now - 60, "probe-1", 9.0)]), headers=as_csv)
    c.ask(403, "POST", "/v1/readings", role="limited", body=csv_of(rows[:1]), headers=as_csv)
    bad = json.loads(c.ask(200, "POST", "/v1/readings", headers=as_csv,
                           body=csv_of([(now - 30, "nosuch", 9.0), (now + 3600, "by-csv", 9.0)])))
    if bad["bad"] != 2 or [row["line"] for row in bad["bad_rows"]] != [2, 3]:
        c.failures.append(f"bad rows of an upload: {bad}")


def sheet_of(rows):
    lines = [f"{stamp(at) if at else ''},{probe},{kind},week 49" for at, probe, kind in rows]
    return "\n".join(["time,probe,kind,why_now", *lines, ""])


def sheet(c):
    """A round sheet comes back: good rows are kept, the same again does no harm, and each bad one says why."""
    as_csv, now = {"Content-Type": "text/csv"}, time.time()
    rows = [(now - 300, "by-csv", "inspection"), (None, "by-csv", "membrane_wipe"), (now - 200, "nosuch", "inspection"),
            (now + 7200, "by-csv", "inspection")]
    answer = json.loads(c.ask(200, "POST", "/v1/service-records", body=sheet_of(rows), headers=as_csv))
    again = json.loads(c.ask(200, "POST", "/v1/service-records", body=sheet_of(rows), headers=as_csv))
    results = [row["result"] for row in answer["items"]], [row["result"] for row in again["items"]]
    if results != (["kept"] + 3 * ["refused"], ["repeated"] + 3 * ["refused"]):
        c.failures.append(f"a round sheet: {answer}, and again: {again}")
    if answer["items"][0]["record"]["record"] != again["items"][0]["record"]["record"]:
        c.failures.append(f"a repeated row is another record: {again}")
    refused = json.loads(c.ask(200, "POST", "/v1/service-records", role="limited", headers=as_csv,
                               body=sheet_of(rows[:1])))
    if refused["kept"] != 0 or "does not cover" not in refused["items"][0]["message"]:
        c.failures.append(f"another site's row: {refused}")
    once = {**as_csv, "Idempotency-Key": "sheet-1"}
    c.ask(200, "POST", "/v1/service-records", headers=once, body=sheet_of([(now - 100, "by-csv", "inspection")]))
    c.ask(422, "POST", "/v1/service-records", headers=once, body=sheet_of([(now - 90, "by-csv", "inspection")]))
    c.ask(400, "GET", "/v1/sites/site/report?month=2026-13")
    c.ask(400, "GET", "/v1/sites/site/report.html?month=9999-01")


def stream(c, target):
    connection = c.connect()
    connection.request("GET", target, headers={"Authorization": "Bearer " + c.tokens["read"], "Last-Event-ID": "0"})
    answer = connection.getresponse()
    c.met.add(("GET", target, answer.status))
    lines = [answer.fp.readline().decode().rstrip("\n") for _ in range(5)]
    connection.close()
    if answer.status != 200 or lines[0] != "retry: 3000" or not lines[2].startswith("id: "):
        c.failures.append(f"{target}: {answer.status} {lines}")
    else:
        json.loads(lines[4][len("data: "):])


NEEDED = {"plan": ("by", "date"), "postpone": ("by", "until", "why"), "visit": ("by", "outcome"), "close": ("by", "found")}


def walk_ticket(c, ticket):
    at = "/v1/tickets/" + ticket
    curl = listen(c)
    c.ask(200, "POST", at + "/acknowledge", body={"by": "x"})
    c.ask(409, "POST", at + "/acknowledge", body={"by": "x"})
    planned = json.loads(c.ask(200, "POST", at + "/plan", body={"by": "x", "date": "2030-01-02", "assigned_to": "y"}))
    c.ask(422, "POST", at + "/plan", body={"by": "x", "date": "2030-02-30"})
    c.ask(422, "POST", at + "/postpone", body={"by": "x", "until": "2030-01-02T06:00:00Z", "why": ""})
    c.ask(200, "POST", at + "/postpone", body={"by": "x", "until": "2030-01-02T06:00:00Z", "why": "harvest"})
    c.ask(200, "POST", at + "/visit", body={"by": "x", "outcome": "no_access"})
    seen = json.loads(c.ask(200, "POST", at + "/seen", body={}))
    if (planned["planned_for"], planned["assigned_to"]) != ("2030-01-02", "y") or not seen["seen"]:
        c.failures.append(f"planned {planned}, seen {seen}")
    c.ask(200, "POST", at + "/close", body={"by": "x", "found": "not_looked"})
    for step in ("plan", "postpone", "visit", "close"):
        c.ask(409, "POST", f"{at}/{step}", body={k: STEP[k] for k in NEEDED[step]})
    states = [told["state"] for told in hear(curl, "ticket", 6)]
    if (states[:2], states[-1]) != (["acknowledged", "planned"], "closed"):
        c.failures.append(f"curl heard of {states}")


def listen(c):
    """curl on the events, by a link: it carries no token, as an EventSource would not."""
    link = json.loads(c.ask(201, "POST", "/v1/links", body={"path": "/v1/events"}))
    c.secrets.append(link["path"].split("link=")[1])
    curl = subprocess.Popen(["curl", "--silent", "--no-buffer", "--cacert", c.path("certificate.pem"), "--max-time", "60",
                             f"https://localhost:{c.port}{link['path']}"], text=True, stdout=subprocess.PIPE)
    first = curl.stdout.readline()
    assert first == "retry: 3000\n", first
    return curl


def hear(curl, kind, count):
    """The data of the next events of that kind; ends curl."""
    heard, wanted = [], False
    for line in curl.stdout:
        wanted = line == f"event: {kind}\n" or (wanted and line.startswith("data: "))
        if wanted and line.startswith("data: "):
            heard.append(json.loads(line[len("data: "):]))
        if len(heard) == count:
            break
    curl.kill()
    curl.wait()
    return heard


def rates(c):
    """429 last: it uses up one token's leave."""
    for pattern, operations in c.spec["paths"].items():
        for verb, operation in operations.items():
            target = re.sub(r"\{([a-z_]+)\}", "x", pattern.replace("{week}", "2026-W49"))
            if not any(exhaust(c, verb.upper(), target, operation) for _ in range(20)):
                c.failures.append(f"{verb} {pattern}: 429 cannot be reached")
            c.met.add((verb.upper(), pattern, 429))


def exhaust(c, method, target, operation):
    """Uses up the leave on one connection, and asks at once on another, before any of it comes back."""
    open_to_all = operation["x-role"] == "none"  # counted by address then
    greedy = {} if open_to_all else {"Authorization": "Bearer " + c.tokens["greedy"]}
    spender, asker = c.connect(), c.connect()
    asker.connect()
    for _ in range(5000):
        spender.request("HEAD", "/problems" if open_to_all else "/v1/health", headers=greedy)
        answer = spender.getresponse()
        answer.read()
        if answer.status == 429:
            break
    asker.request(method, target, "{}" if method == "POST" else None,
                  {"Content-Type": "application/json", **greedy, **media_of(operation)})
    answer = asker.getresponse()
    spender.close()
    asker.close()
    return answer.status == 429 and answer.getheader("Retry-After")


def main():
    with tempfile.TemporaryDirectory(prefix="probekeeper-contract-") as folder:
        c = Contract(folder)
        c.start()
        try:
            drive(c)
        finally:
            code = c.stop()
        with open(c.path("log"), encoding="utf-8") as file:
            log = file.read()
        for secret in [*c.tokens.values(), *c.secrets]:
            c.fail_unless(secret not in log, "a secret stands in the log")
        if code != 0:
            c.failures.append(f"the daemon ended with {code}: {log[-2000:]}")
    for pattern, operations in c.spec["paths"].items():
        for verb, operation in operations.items():
            for status in (int(s) for s in operation["responses"] if s != "default"):
                reached = (verb.upper(), pattern, status) in c.met
                if not reached:
                    c.failures.append(f"{verb.upper()} {pattern}: {status} is described and was not reached")
    for failure in c.failures:
        print(failure)
    print(f"{len(c.met)} pairs of endpoint and status met, {len(c.failures)} failures")
    return 1 if c.failures else 0


if __name__ == "__main__":
    sys.exit(main())
