#!/usr/bin/python3
"""A client that a general-purpose generator makes out of /openapi.json compiles, and works against the daemon.

    client_test.py PROBEKEEPERD FOLDER      exit 77: node, npm or its registry is not here

FOLDER keeps what npm fetched (client/package-lock.json says what, with hashes), so that later runs need no network.
"""
import fcntl
import json
import os
import shutil
import subprocess
import sys
import time
import unittest

FOLDER = sys.argv[2]
sys.argv = sys.argv[:2]
import run_test as common  # noqa: E402  (reads the daemon's path from the command line)

SOURCES = os.path.join(common.HERE, "client")
CSV_PROBE = '[[probe]]\nid = "by-csv"\nsite = "site"\nt90_s = 40.0\n[limits]'


def command(*words, cwd=FOLDER, seconds=300):
    done = subprocess.run(words, cwd=cwd, capture_output=True, text=True, timeout=seconds, check=False,
                          preexec_fn=common.end_with_us)
    return done.returncode, done.stdout + done.stderr


def install():
    """Why the generator cannot be had, or an empty text."""
    if not all(shutil.which(name) for name in ("node", "npm")):
        return "node and npm are needed"
    os.makedirs(FOLDER, exist_ok=True)
    fcntl.flock(os.open(FOLDER, os.O_RDONLY), fcntl.LOCK_EX)  # one at a time, until this process ends
    with open(os.path.join(SOURCES, "package-lock.json"), encoding="utf-8") as file:
        wanted = file.read()
    mark = os.path.join(FOLDER, "installed.json")
    if os.path.exists(mark) and open(mark, encoding="utf-8").read() == wanted:
        return ""
    for name in ("package.json", "package-lock.json"):
        shutil.copy(os.path.join(SOURCES, name), FOLDER)
    code, told = command("npm", "ci", "--no-audit", "--no-fund", "--ignore-scripts")
    if code != 0:
        return "npm cannot fetch the generator: " + told[-500:]
    with open(mark, "w", encoding="utf-8") as file:
        file.write(wanted)
    return ""


class Client(common.Running):
    def setUp(self):
        super().setUp()
        self.text = self.changed("[http]\n", '[http]\ntokens_file = "tokens"\n').replace(
            "reference_percent = 60.0", "reference_percent = 10.0").replace("[limits]", CSV_PROBE)
        self.write("site.toml", self.text)
        made = common.probekeeperd("token", "add", "client", "--role", "operate", "--config", self.config)
        self.assertEqual(made.returncode, 0, made.stderr)
        self.token = made.stdout.strip()
        self.start()
        common.until("it has begun", lambda: self.get("/probes").status == 200)

    def get(self, path, *options):
        return super().get(path, "-H", "Authorization: Bearer " + self.token, *options)

    def must(self, *words, cwd):
        code, told = command(*words, cwd=cwd)
        self.assertEqual(code, 0, f"{words[0]}: {told[-3000:]}")
        return told

    def csv(self):
        now = int(time.time())
        rows = [time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(t)) + f",by-csv,{9 + t // 30 % 7 * 0.02:.2f},15.0"
                for t in range(now - 36 * 3600, now - 60, 60)]
        return "\n".join(["time,probe,do_mg_l,temperature_c", *rows, ""])

    def test_a_generated_client_compiles_and_works(self):
        work = self.at("work")
        os.mkdir(work)
        for name in ("use.ts", "tsconfig.json", "package.json"):
            shutil.copy(os.path.join(SOURCES, name), work)
        os.symlink(os.path.join(FOLDER, "node_modules"), os.path.join(work, "node_modules"))
        with open(os.path.join(work, "openapi.json"), "w", encoding="utf-8") as file:
            file.write(common.curl(f"http://127.0.0.1:{self.http}/openapi.json").body)
        tools = os.path.join(FOLDER, "node_modules", ".bin")
        self.must(os.path.join(tools, "openapi-ts"), "-i", "openapi.json", "-o", "client", "-c", "@hey-api/client-fetch",
                  cwd=work)
        self.must(os.path.join(tools, "tsc"), "-p", ".", cwd=work)
        told = json.loads(self.must("node", "made/use.js", f"http://127.0.0.1:{self.http}", self.token, self.csv(),
                                    cwd=work))
        self.assertEqual(told["probes"], ["by-csv", "probe-1", "probe-2"])
        self.assertEqual(told["ticket"], "site-1")


if __name__ == "__main__":
    if why := install():
        print("skipped: " + why)
        sys.exit(common.SKIPPED)
    DEVICES, common.MODBUS = common.start_devices()
    result = unittest.TextTestRunner().run(Client("test_a_generated_client_compiles_and_works"))
    DEVICES.stdin.close()
    DEVICES.wait()
    sys.exit(not result.wasSuccessful())
