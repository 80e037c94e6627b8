#!/usr/bin/python3
"""How much a hub's database takes, and how that grows with the sites: a line of JSON a figure.

    run.py LOAD MIGRATE PROBEKEEPERD [--sites 50,500,5000] [--hours 24] [--tickets 60] [--seconds 60]

A PostgreSQL of its own, with fsync on and Debian's settings but for memory; all on this machine, so that clients and server
share its processors. Where PROBEKEEPERD knows the verb `hub`, one is asked over HTTP too.
"""
import argparse
import http.client
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__)))))
from harness import free_port, until  # noqa: E402
from hub import cluster as postgres  # noqa: E402

PARSER = argparse.ArgumentParser()
PARSER.add_argument("load")
PARSER.add_argument("migrate")
PARSER.add_argument("daemon")
PARSER.add_argument("--sites", default="50,500,5000")
PARSER.add_argument("--hours", type=int, default=24)
PARSER.add_argument("--tickets", type=int, default=60)
PARSER.add_argument("--seconds", type=float, default=60.0)
A = PARSER.parse_args()

HUB = """
[http]
listen = "127.0.0.1:{http}"
[hub]
postgresql = "{conninfo}"
[[depot]]
id = "north"
latitude = 53.5
longitude = 8.0
time_zone = "Europe/Berlin"
[[depot]]
id = "south"
latitude = 54.5
longitude = 10.0
time_zone = "Europe/Berlin"
"""
TECHNICIAN = """
[[technician]]
id = "t{number}"
depot = "{depot}"
hours = {{ monday = "08:00-17:00", tuesday = "08:00-17:00", wednesday = "08:00-17:00", thursday = "08:00-17:00", friday = "08:00-16:00" }}
"""


def figure(**what):
    print(json.dumps(what), flush=True)


def milliseconds(work, times):
    took = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        took.append(1000.0 * (time.perf_counter() - began))
    took.sort()
    return took


def queries(cluster, sites):
    """The database alone, by the statements whose plans a test holds: what a list costs before anybody writes JSON."""
    some = sites // 2
    for name, statement in {
            "tickets, first hundred": "SELECT document FROM probekeeper.tickets ORDER BY opened_at, site_id, number LIMIT 101",
            "tickets, a hundred from the middle":
                "SELECT document FROM probekeeper.tickets WHERE (opened_at, site_id, number) > "
                f"('2026-06-01', 'site-{some:05}', 1) ORDER BY opened_at, site_id, number LIMIT 101",
            "unfinished tickets": "SELECT document FROM probekeeper.tickets WHERE state NOT IN ('verified', 'closed', "
                                  "'withdrawn') ORDER BY opened_at, site_id, number LIMIT 101",
            "tickets of a probe": f"SELECT document FROM probekeeper.tickets WHERE site_id = 'site-{some:05}' AND "
                                  f"probe_id = 'site-{some:05}-tank-3' ORDER BY opened_at",
            "a day of a probe": f"SELECT * FROM probekeeper.summaries WHERE site_id = 'site-{some:05}' AND probe_id = "
                                f"'site-{some:05}-tank-3' AND hour >= '2026-11-25' AND hour < '2026-11-26'"}.items():
        script = "\n".join(["\\timing on", "\\o /dev/null"] + [statement + ";"] * 50)
        done = subprocess.run(["psql", "-X", "-q", "-h", cluster.folder, "-p", str(cluster.port), "-U", "postgres", "-d",
                               "hub"], input=script, capture_output=True, text=True, check=True)
        took = sorted(float(line.split()[1]) for line in done.stdout.splitlines() if line.startswith("Time:"))
        figure(figure="hub query", query=name, sites=sites, p50_ms=round(statistics.median(took), 2),
               p98_ms=round(took[-2], 2))


def hub(cluster, sites):
    known = subprocess.run([A.daemon, "--help"], capture_output=True, text=True, check=False).stdout
    if "\n  hub " not in known:
        return
    folder = tempfile.mkdtemp(prefix="probekeeper-benchhub-")
    port = free_port()
    with open(os.path.join(folder, "c.toml"), "w", encoding="utf-8") as file:
        file.write(HUB.format(http=port, conninfo=cluster.conninfo("hub")))
        for number in range(max(4, sites // 25)):
            file.write(TECHNICIAN.format(number=number, depot=("north", "south")[number % 2]))
    with open(os.path.join(folder, "log"), "w", encoding="utf-8") as log:
        process = subprocess.Popen([A.daemon, "hub", "--config", os.path.join(folder, "c.toml")], stderr=log, stdout=log)
    try:
        def ask(target, timeout=600):
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout)
            connection.request("GET", target)
            answer = connection.getresponse()
            body = answer.read()
            connection.close()
            return answer.status, body

        def answers():
            try:
                return ask("/v1/tickets?limit=1")[0] == 200
            except OSError:
                return False
        until("the hub answers", answers, 120)
        took, lock = [], threading.Lock()

        def client(number):
            mine = []
            for i in range(100):
                site = f"site-{(number * 100 + i) % sites:05}"
                mine += milliseconds(lambda s=site: ask(f"/v1/tickets?site={s}&limit=100"), 1)
            with lock:
                took.extend(mine)
        threads = [threading.Thread(target=client, args=(number,)) for number in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        took.sort()
        figure(figure="hub api", request="tickets of a site", sites=sites, p50_ms=round(statistics.median(took), 1),
               p99_ms=round(took[int(0.99 * len(took))], 1))
        took = milliseconds(lambda: ask("/v1/tickets?limit=100"), 200)
        figure(figure="hub api", request="tickets", sites=sites, p50_ms=round(statistics.median(took), 1),
               p99_ms=round(took[197], 1))
        began = time.perf_counter()
        while True:
            status, body = ask("/v1/rounds/2026-W49")
            if status == 200 or time.perf_counter() - began > 600:
                break
            time.sleep(0.5)
        figure(figure="hub round", sites=sites, status=status, seconds=round(time.perf_counter() - began, 1),
               bytes=len(body))
    finally:
        process.terminate()
        process.wait(60)
        shutil.rmtree(folder, ignore_errors=True)


def main():
    for sites in (int(word) for word in A.sites.split(",")):
        cluster = postgres.Cluster(settings="-c fsync=on -c shared_buffers=1GB -c max_wal_size=4GB -c wal_compression=on")
        try:
            cluster.sql("postgres", "CREATE DATABASE hub")
            subprocess.run([A.migrate, cluster.conninfo("hub")], check=True)
            subprocess.run([A.load, cluster.conninfo("hub"), "fill", str(sites), str(A.hours), str(A.tickets)], check=True)
            cluster.sql("hub", "ANALYZE")
            size = int(cluster.sql("hub", "SELECT pg_database_size('hub')")[0][0])
            summaries = int(cluster.sql("hub", "SELECT sum(pg_total_relation_size(inhrelid)) FROM pg_inherits WHERE "
                                        "inhparent = 'probekeeper.summaries'::regclass")[0][0])
            figure(figure="hub size", sites=sites, database_mb=round(size / 1e6),
                   bytes_an_hour_of_a_probe=round(summaries / (sites * 10 * A.hours)) if A.hours else None)
            queries(cluster, sites)
            subprocess.run([A.load, cluster.conninfo("hub"), "live", str(sites), str(A.seconds)], check=True)
            hub(cluster, sites)
        finally:
            cluster.close()


main()
