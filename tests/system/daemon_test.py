#!/usr/bin/python3
"""The real executable against a Modbus server that is not ours, its API read with curl.

    daemon_test.py PROBEKEEPERD      exit 77: python3-pymodbus or curl is not there
"""
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time

SKIPPED = 77
try:
    from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
    from pymodbus.server import StartTcpServer
except ImportError as error:
    print(f"skipped: python3-pymodbus cannot be imported: {error}")
    sys.exit(SKIPPED)
if not shutil.which("curl"):
    print("skipped: curl is not there")
    sys.exit(SKIPPED)

DAEMON = sys.argv[1]


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def serve_devices(port):
    # 8.25 mg/L as float32 ABCD is 0x4104 0x0000 (IEEE 754), 14.5 degC 0x4168 0x0000. The other unit: 725, 145.
    def unit(holding, inputs):
        # Sequential blocks of this server begin at the address after the one on the wire.
        return ModbusSlaveContext(hr=ModbusSequentialDataBlock(1, holding), ir=ModbusSequentialDataBlock(1, inputs),
                                  di=ModbusSequentialDataBlock(1, [0, 1, 0, 0]), co=ModbusSequentialDataBlock(1, [0] * 4))

    context = ModbusServerContext(slaves={1: unit([0x4104, 0, 0x4168, 0], [0] * 4), 2: unit([0] * 4, [725, 145, 0, 0])},
                                  single=False)
    threading.Thread(target=StartTcpServer, kwargs={"context": context, "address": ("127.0.0.1", port)},
                     daemon=True).start()


CONFIG = """
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
poll_s = 1.0
t90_s = 40.0
[[probe]]
id = "probe-2"
line = "line"
unit = 2
register_map = "scaled"
location = "Outlet"
poll_s = 1.0
t90_s = 40.0
"""


def run(*arguments):
    done = subprocess.run([DAEMON, *arguments], capture_output=True, text=True, timeout=60)
    return done.returncode, done.stdout, done.stderr


def curl(url, *options):
    done = subprocess.run(["curl", "-s", "-w", "\n%{http_code} %{content_type}", *options, url], capture_output=True,
                          text=True, timeout=20)
    body, _, tail = done.stdout.rpartition("\n")
    status, _, content_type = tail.partition(" ")
    return int(status or 0), content_type, body


def until(what, holds, seconds=30):
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        result = holds()
        if result:
            return result
        time.sleep(0.1)
    raise AssertionError(f"{what}: not within {seconds} s")


def check(what, holds):
    print(("ok    " if holds else "FAILED ") + what, flush=True)
    if not holds:
        raise AssertionError(what)


def main(folder):
    modbus, http = free_port(), free_port()
    serve_devices(modbus)
    config = os.path.join(folder, "site.toml")
    text = CONFIG.format(http=http, modbus=modbus)
    with open(config, "w") as file:
        file.write(text)
    api = f"http://127.0.0.1:{http}/v1"
    until("the Modbus server listens", lambda: socket.socket().connect_ex(("127.0.0.1", modbus)) == 0)

    code, out, _ = run("check", "--config", config)
    check("check passes a good configuration", code == 0)
    broken = os.path.join(folder, "broken.toml")
    with open(broken, "w") as file:
        file.write(text.replace("poll_s", "pol_s", 1))
    code, out, _ = run("check", "--config", broken)
    check("check names file, line and what would be right", code == 2 and "broken.toml:" in out and "poll_s" in out)

    code, out, _ = run("loop-check", "--config", config)
    check("loop-check shows registers and values", code == 0 and "4104" in out.upper() and "8.25" in out and "7.25" in out)

    daemon = subprocess.Popen([DAEMON, "run", "--config", config], stderr=subprocess.PIPE, text=True)
    try:
        until("the API answers", lambda: curl(api + "/health")[0] == 200)

        def both_read():
            items = json.loads(curl(api + "/probes")[2])["items"]
            return [p for p in items if p["last_reading"]] if all(p["last_reading"] for p in items) else None

        first, second = until("both probes are read", both_read)
        check("values are those of the independent server",
              first["last_reading"]["do_mg_l"] == 8.25 and first["last_reading"]["temperature_c"] == 14.5
              and first["last_reading"]["flags"] == ["aeration"] and second["last_reading"]["do_mg_l"] == 7.25)
        check("without evidence a probe is unknown", first["condition"] == "unknown")
        until("readings are stored", lambda: len(json.loads(curl(api + "/probes/probe-1/readings")[2])["time"]) > 2)

        status, kind, _ = curl(api + "/nothing-here")
        check("an unknown path is a problem", status == 404 and kind.startswith("application/problem+json"))
        status, _, _ = curl(api + "/health", "-X", "DELETE")
        check("an unknown method is refused", status == 405)
        status, _, body = curl(api + "/probes/probe-1/service-records", "-H", "content-type: application/json", "-d",
                               '{"kind": "membrane_change", "by": "t"}')
        check("a service record is taken", status in (200, 201))
        check("and listed", "membrane_change" in curl(api + "/probes/probe-1/service-records")[2])

        code, _, error = run("run", "--config", config)
        check("a second run on the store is refused", code == 1 and error != "")
        with open(config, "w") as file:
            file.write(text.replace('location = "Inlet"', 'location = "Moved"'))
        daemon.send_signal(signal.SIGHUP)
        until("SIGHUP reloads", lambda: "Moved" in curl(api + "/probes/probe-1")[2])
        with open(config, "w") as file:
            file.write(text.replace("poll_s", "pol_s", 1))
        daemon.send_signal(signal.SIGHUP)
        until("a broken file keeps the old configuration", lambda: "Moved" in curl(api + "/probes/probe-1")[2])
        with open(config, "w") as file:
            file.write(text)
        copy = os.path.join(folder, "copy.db")
        code, _, _ = run("backup", "--config", config, "--to", copy)
        check("backup copies while it runs", code == 0 and os.path.getsize(copy) > 0)
        daemon.send_signal(signal.SIGTERM)
        check("SIGTERM ends it cleanly", daemon.wait(timeout=20) == 0)
    finally:
        if daemon.poll() is None:
            daemon.kill()
            daemon.wait()


if __name__ == "__main__":
    work = tempfile.mkdtemp(prefix="probekeeper-system-")
    try:
        main(work)
        code = 0
    except Exception as error:
        print(f"FAILED {error}", flush=True)
        code = 1
    shutil.rmtree(work, ignore_errors=True)
    os._exit(code)  # the Modbus server's thread has no end of its own
