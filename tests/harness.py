"""What tests of the running daemon share: a Modbus TCP device of our own that remembers what it answered, and a daemon that is
started, killed and asked."""
import contextlib
import ctypes
import http.client
import json
import os
import shutil
import signal
import socket
import socketserver
import sqlite3
import struct
import subprocess
import threading
import time


# A register map as ModbusDevice and what derives from it answer; for str.format, as the configurations it is added to.
FLOATS = """
[[register_map]]
id = "floats"
dissolved_oxygen = {{ table = "holding", address = 0, type = "float32", order = "ABCD", unit = "mg/L" }}
temperature = {{ table = "holding", address = 2, type = "float32", order = "ABCD", unit = "degC" }}
"""


# A site of its own beside what a test adds: UNITS probes on one line, polled every 0.2 s. For str.format(http, modbus).
POLLED = """
[store]
path = "store.db"
keep_raw_days = 3650
keep_summary_days = 3650
[http]
listen = "127.0.0.1:{http}"
[[site]]
id = "polled"
kind = "wastewater"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
[[line]]
id = "line"
site = "polled"
transport = "tcp"
host = "127.0.0.1"
port = {modbus}
""" + FLOATS
POLLED_PROBE = """
[[probe]]
id = "polled-{unit}"
line = "line"
unit = {unit}
register_map = "floats"
poll_s = 0.2
t90_s = 40.0
"""
UNITS = (1, 2, 3, 4)


def end_with_us():
    """Linux's prctl(PR_SET_PDEATHSIG, SIGKILL): a test that is killed leaves nothing running."""
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def until(what, holds, seconds=60, every=0.02):
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        result = holds()
        if result:
            return result
        time.sleep(every)
    raise AssertionError(f"{what}: not within {seconds} s")


def rfc3339(unix_s):
    return time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(unix_s))


def exactly(sock, count):
    data = b""
    while len(data) < count:
        more = sock.recv(count - len(data))
        if not more:
            raise ConnectionError("the other end closed")
        data += more
    return data


class ModbusDevice:
    """A Modbus TCP server on a free port. `answer(transaction, unit, address, words)` gives what it sends for a request:
    parts with a pause between them; None closes the connection."""

    def __init__(self, answer):
        connected = self.connected = set()
        functions = self.functions = set()  # that were asked for

        class Handler(socketserver.BaseRequestHandler):
            def handle(self):
                connected.add(self.request)
                self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                try:
                    while True:
                        transaction, _, _, unit, function, address, words = struct.unpack(
                            ">HHHBBHH", exactly(self.request, 12))
                        functions.add(function)
                        for i, part in enumerate(answer(transaction, unit, address, words)):
                            if part is None:
                                return
                            time.sleep(0.01 if i else 0.0)
                            self.request.sendall(part)
                except OSError:
                    pass
                connected.discard(self.request)

        class Server(socketserver.ThreadingTCPServer):
            daemon_threads = True

        self.server = Server(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def drop(self):
        """Ends every connection."""
        for connection in list(self.connected):
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)


def frame(transaction, unit, pdu, protocol=0, length=None):
    return struct.pack(">HHHB", transaction, protocol, (len(pdu) + 1 if length is None else length) & 0xFFFF, unit) + pdu


def holding(data, function=3):
    """The answer to a read of holding registers."""
    return bytes([function, len(data)]) + data


class CountingDevice(ModbusDevice):
    """Holding registers 0..3 of every unit: dissolved oxygen as float32, another value at each poll, and 15 degC.

    `served` maps (unit, value in units of 1e-4 mg/L) to when it went out, by time.time().
    """

    def __init__(self):
        self.served = {}
        self.lock = threading.Lock()
        self.count = {}
        super().__init__(lambda transaction, unit, address, words: [
            frame(transaction, unit, holding(self.registers(unit)[2 * address:2 * (address + words)]))])

    def registers(self, unit):
        with self.lock:
            n = self.count[unit] = self.count.get(unit, 0) + 1
            self.served[unit, n] = time.time()
        return struct.pack(">ff", n * 1e-4, 15.0)


def logged_since(path, at, event):
    """Whether the log at `path` tells of `event` behind its byte `at`."""
    with open(path, "rb") as log:
        log.seek(at)
        return f"event={event} ".encode() in log.read()


class Daemon:
    def __init__(self, executable, folder, port):
        self.executable, self.folder, self.port = executable, folder, port
        self.process = None
        self.log_before = 0  # where that of the last start begins

    def path(self, name):
        return os.path.join(self.folder, name)

    def start(self, environment=None):
        with open(self.path("log"), "a", encoding="utf-8") as log:
            self.log_before = log.tell()
            self.process = subprocess.Popen([self.executable, "run", "--config", self.path("c.toml")], stderr=log,
                                            stdout=log, preexec_fn=end_with_us, env=environment)

    def ready(self, seconds=120):
        def answers():
            if self.process.poll() is not None:
                raise AssertionError(f"the daemon ended with {self.process.returncode}: {self.log()[-2000:]}")
            try:
                return self.ask("GET", "/v1/probes")[0] == 200  # 503 while it starts
            except OSError:
                return False
        until("the daemon answers", answers, seconds)

    def caught_up(self):
        """Once diagnosis has reached the present since the last start."""
        until("it has caught up", lambda: logged_since(self.path("log"), self.log_before, "caught_up"), 120)

    def kill(self):
        self.process.kill()
        self.process.wait()

    def stop(self, seconds=60):
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(seconds)

    def log(self):
        with open(self.path("log"), encoding="utf-8", errors="replace") as file:
            return file.read()

    def ask(self, method, target, body=None, headers=None, timeout=60):
        """Status and JSON (or text); OSError where nobody answers to the end."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout)
        sent = dict(headers or {})
        if body is not None and not isinstance(body, (bytes, str)):
            body = json.dumps(body)
            sent.setdefault("Content-Type", "application/json")
        try:
            connection.request(method, target, body, sent)
            answer = connection.getresponse()
            text = answer.read()
        except http.client.HTTPException as broken:
            raise ConnectionError(str(broken)) from broken
        finally:
            connection.close()
        is_json = "json" in (answer.getheader("Content-Type") or "")
        return answer.status, json.loads(text) if is_json else text

    def get(self, target):
        status, answer = self.ask("GET", target)
        if status != 200:
            raise AssertionError(f"GET {target}: {status} {answer}")
        return answer

    def pages(self, target):
        """The items of all pages."""
        items, after = [], ""
        while after is not None:
            answer = self.get(target + ("&" if "?" in target else "?") + "limit=1000" + after)
            items += answer["items"]
            after = "&after=" + answer["next"] if answer["next"] else None
        return items


def store_faults(folder, name="store.db"):
    """What SQLite finds wrong in a copy of the store as a killed daemon left it; the store itself is not touched."""
    copy = os.path.join(folder, "copy")
    shutil.rmtree(copy, ignore_errors=True)
    os.mkdir(copy)
    for suffix in ("", "-wal"):  # the index of the log is made again from the log
        source = os.path.join(folder, name + suffix)
        if os.path.exists(source):
            shutil.copy(source, os.path.join(copy, name + suffix))
    if not os.path.exists(os.path.join(copy, name)):
        return []  # killed before it was made
    db = sqlite3.connect(os.path.join(copy, name))
    try:
        found = [row[0] for row in db.execute("PRAGMA integrity_check")]
        found += [f"foreign key: {row}" for row in db.execute("PRAGMA foreign_key_check")]
    finally:
        db.close()
        shutil.rmtree(copy)
    return [] if found == ["ok"] else found


def preloaded(library, **more):
    """The environment of a daemon that runs with a library of ours in front."""
    options = os.environ.get("ASAN_OPTIONS", "")  # a daemon built with it wants to be the first
    return {**os.environ, **more, "LD_PRELOAD": library, "ASAN_OPTIONS": f"verify_asan_link_order=0:{options}".strip(":")}


def status_kb(pid, name):
    """A size of the process, such as VmRSS, in kB."""
    with open(f"/proc/{pid}/status", encoding="ascii") as file:
        return next(int(line.split()[1]) for line in file if line.startswith(name + ":"))


def resident_kb(pid):
    return status_kb(pid, "VmRSS")


def sanitized():
    """A sanitizer is in the daemon: it takes memory for itself, holds back what is freed, and makes the daemon slow."""
    return "PROBEKEEPER_SANITIZED" in os.environ


def memory_bound(kb):
    return float("inf") if sanitized() else kb


def descriptors(pid):
    return len(os.listdir(f"/proc/{pid}/fd"))
