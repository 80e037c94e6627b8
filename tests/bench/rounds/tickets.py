#!/usr/bin/env python3
"""How long a week of 500 tickets takes, and how much memory, by command and over HTTP.

    tickets.py PROBEKEEPERD [SITES] [--busy-core]        200 sites, ten technicians, 500 probes with a ticket each

Processor time and wall time are both told: the machine may have others. Memory is the most that was resident.
With --busy-core something else takes the whole of one core meanwhile.
"""
import contextlib
import json
import os
import pathlib
import random
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request

BUSY_CORE = "--busy-core" in sys.argv
ARGUMENTS = [argument for argument in sys.argv[1:] if argument != "--busy-core"]
PROGRAM, SITES, PROBES = ARGUMENTS[0], int(ARGUMENTS[1]) if len(ARGUMENTS) > 1 else 200, 500
TICK = os.sysconf("SC_CLK_TCK")


def stamp(unix_s):
    return time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(unix_s))


def write_estate(folder, port, now):
    chance = random.Random(7)
    text = [f'[store]\npath = "store.db"\n[http]\nlisten = "127.0.0.1:{port}"\n']
    for depot in range(2):
        text.append(f'[[depot]]\nid = "depot-{depot}"\nlatitude = {53.5 + depot * 0.5}\nlongitude = -2.5\n')
    hours = ", ".join(f'{day} = "08:00-17:00"' for day in ("monday", "tuesday", "wednesday", "thursday", "friday"))
    for t in range(10):
        text.append(f'[[technician]]\nid = "t{t}"\nname = "T{t}"\ndepot = "depot-{t % 2}"\nhours = {{ {hours} }}\n')
    for site in range(SITES):
        text.append(f'[[site]]\nid = "s{site}"\nname = "Site {site}"\nkind = "aquaculture"\n'
                    f'latitude = {53.2 + chance.random():.4f}\nlongitude = {-3.2 + chance.random() * 1.5:.4f}\n')
        if chance.random() < 0.3:
            text.append('[site.access]\nwindows = { monday = ["08:00-12:00"], tuesday = ["13:00-17:00"], '
                        'wednesday = ["08:00-17:00"], friday = ["08:00-17:00"] }\n')
    for probe in range(PROBES):
        text.append(f'[[probe]]\nid = "p{probe}"\nsite = "s{probe % SITES}"\nuse = "{chance.choice(["alarm", "monitor"])}"\n')
    (folder / "config.toml").write_text("".join(text))
    start = now - 36 * 3600
    with open(folder / "readings.csv", "w", encoding="ascii") as out:
        out.write("time,probe,do_mg_l,temperature_c\n")
        for at in range(start, now - 60, 300):
            for probe in range(PROBES):
                out.write(f"{stamp(at)},p{probe},{8.5 + (at // 300 * 37 + probe) % 101 / 400:.3f},12.0\n")
    with open(folder / "service.csv", "w", encoding="ascii") as out:
        out.write("time,probe,kind,reference_mg_l,probe_mg_l,by\n")
        for probe in range(PROBES):
            out.write(f"{stamp(now - 7200)},p{probe},reference_check,3.0,9.0,x\n")


def usage_of(pid):
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    peak = [line for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmHWM")]
    return (int(fields[11]) + int(fields[12])) / TICK, int(peak[0].split()[1]) / 1024


@contextlib.contextmanager
def one_core_busy():
    if not BUSY_CORE:
        yield
        return
    busy = subprocess.Popen([sys.executable, "-c", "while True: pass"],
                            preexec_fn=lambda: os.sched_setaffinity(0, {min(os.sched_getaffinity(0))}))
    try:
        yield
    finally:
        busy.kill()
        busy.wait()


def told(name, wall, cpu, peak, made):
    stops = [stop for t in made["technicians"] for day in t["days"] for stop in day["stops"]]
    jobs = sum(len(stop["jobs"]) for stop in stops)
    print(f"{name:8} {wall:6.2f} s wall {cpu:6.2f} s processor {peak:6.1f} MB; {len(stops)} visits, {jobs} jobs, "
          f"{len(made['not_reached'])} not reached, price {made['price']}")


def main():
    with tempfile.TemporaryDirectory() as name, socket.socket() as s, one_core_busy():
        folder, now = pathlib.Path(name), int(time.time()) // 60 * 60
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
        s.close()
        write_estate(folder, port, now)
        config = ["--config", str(folder / "config.toml")]
        subprocess.run([PROGRAM, "replay", *config, "--readings", str(folder / "readings.csv"), "--service",
                        str(folder / "service.csv"), "--store", str(folder / "store.db")], check=True, stdout=subprocess.DEVNULL)
        week = time.strftime("%G-W%V", time.gmtime(now + 7 * 86400))

        begin = time.monotonic()
        child = subprocess.Popen([PROGRAM, "round", *config, "--week", week, "--to", name], stdout=subprocess.DEVNULL)
        _, status, usage = os.wait4(child.pid, 0)
        assert status == 0, status
        made = json.loads((folder / f"{week}.json").read_text())
        told("command", time.monotonic() - begin, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, made)

        daemon = subprocess.Popen([PROGRAM, "run", *config], stderr=subprocess.DEVNULL)
        base = f"http://127.0.0.1:{port}/v1/"
        try:
            while True:
                try:
                    with urllib.request.urlopen(base + "tickets", timeout=60):
                        break
                except (OSError, urllib.error.HTTPError):
                    time.sleep(0.2)
            time.sleep(3)  # whatever a start does afterwards is not the round's
            before, idle = usage_of(daemon.pid)
            begin = time.monotonic()
            while True:
                try:
                    with urllib.request.urlopen(base + "rounds/" + week, timeout=60) as answer:
                        made = json.loads(answer.read())
                        break
                except urllib.error.HTTPError:
                    pass  # 503: it is being planned
            wall = time.monotonic() - begin
            cpu, peak = usage_of(daemon.pid)
            told("HTTP", wall, cpu - before, peak, made)
            print(f"         the daemon's memory before it: {idle:.1f} MB")
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait()


main()
