#!/usr/bin/python3
"""The worked examples of deploy/scada, run as they are written there, but for the ports.

    papers_test.py PROBEKEEPERD      exit 77: a client or receiver that the papers use is not here

In a paper, an indented block behind <!-- configuration --> is TOML; behind <!-- tried --> it is commands (`$ ...`) and
lines that their output must have in this order, `...` standing for anything.
"""
import os
import re
import shutil
import subprocess
import sys
import unittest

sys.argv = sys.argv[:2]
import run_test as common  # noqa: E402  (reads the daemon's path from the command line)

ROOT = os.path.join(common.HERE, "..", "..")
PAPERS = os.path.join(ROOT, "deploy", "scada")
SITE, PROBE = "saltmarsh", "saltmarsh-tank-1"


def blocks(paper, kind):
    """The indented blocks behind <!-- kind -->, each as its lines."""
    with open(os.path.join(PAPERS, paper), encoding="utf-8") as file:
        text = file.read()
    for found in re.finditer(rf"<!-- {kind} -->\n((?:    .*\n)+)", text):
        yield [line[4:] for line in found[1].splitlines()]


class Papers(common.Running):
    def setUp(self):
        super().setUp()
        self.ports = {word: str(common.free_port()) for word in ("8080", "1602")}
        self.ports["8080"] = str(self.http)
        self.text = re.sub(r'"probe-(\d)"', rf'"{SITE}-tank-\1"', self.text)
        self.text = re.sub(r'(id|site) = "site"', rf'\1 = "{SITE}"', self.text)
        self.text = self.text.replace("reference_percent = 60.0", "reference_percent = 10.0")
        rows = (row.replace("probe-1", PROBE) for row in common.recording())
        csv = self.write("readings.csv", "\n".join(rows) + "\n")
        self.write("site.toml", self.text)
        done = common.probekeeperd("replay", "--config", self.config, "--readings", csv, "--store",
                                   self.at("var/store.db"))
        self.assertEqual(done.returncode, 0, done.stderr)
        os.symlink(os.path.abspath(os.path.join(ROOT, "deploy")), self.at("deploy"))

    def here(self, text):
        for word, port in self.ports.items():
            text = re.sub(rf"\b{word}\b", port, text)
        return text

    def run_as_in(self, paper):
        for lines in blocks(paper, "configuration"):
            self.text += self.here("\n".join(lines)) + "\n"
        self.write("site.toml", self.text)
        self.start()
        common.until("a reading", lambda: self.probe(PROBE)["last_reading"])

    def open_a_ticket(self):
        posted = self.post(f"/probes/{PROBE}/service-records", {
            "kind": "reference_check", "time": common.stamp(days=1, hours=3), "by": "t", "reference_mg_l": 6.0,
            "probe_mg_l": 4.0})
        self.assertEqual(posted.status, 201, posted.body)
        return common.until("a ticket", lambda: self.get("/tickets?state=open").json()["items"])[0]

    def shell(self, command):
        done = subprocess.run(["bash", "-c", self.here(command)], cwd=self.folder, capture_output=True, text=True,
                              timeout=60, check=False)
        return done.stdout + done.stderr

    def agrees(self, expected, output):
        """None, or the line that is not there."""
        place = 0
        for line in expected:
            pattern = ".*".join(re.escape(part) for part in self.here(line).split("..."))
            found = re.compile(pattern).search(output, place)
            if not found:
                return line
            place = found.end()
        return None

    def try_block(self, lines, **words):
        command, expected = None, []
        for line in [*lines, "$ "]:
            if not line.startswith("$ "):
                expected.append(line)
                continue
            if command is not None:
                output = self.shell(command)
                missing = self.agrees(expected, output)
                self.assertIsNone(missing, f"{command}\n{output}\nshould have: {missing}")
            command, expected = line[2:], []
            for word, value in words.items():
                command = command.replace(word, value)

    def try_all(self, paper, least, **words):
        tried = list(blocks(paper, "tried"))
        self.assertGreaterEqual(len(tried), least)
        for lines in tried:
            self.try_block(lines, **words)

    def test_the_modbus_example(self):
        self.run_as_in("modbus.md")
        common.until("Modbus has it", lambda: "8.25" in self.shell(
            "mbpoll -0 -1 -B -m tcp -p 1602 -a 1 -t 4:float -r 120 -c 1 127.0.0.1"))
        self.try_all("modbus.md", 2)

    def test_the_http_example(self):
        self.run_as_in("http.md")
        self.try_all("http.md", 5, TICKET=self.open_a_ticket()["id"])

    def test_the_example_of_events(self):
        self.run_as_in("events.md")
        self.open_a_ticket()
        self.try_all("events.md", 1)

    def test_every_paper_says_what_it_is_not(self):
        for paper in ("README.md", "modbus.md", "http.md", "events.md"):
            with open(os.path.join(PAPERS, paper), encoding="utf-8") as file:
                text = " ".join(file.read().split())
            self.assertIn("replaces the plant's own low-oxygen alarm", text, paper)
            if paper != "README.md":
                self.assertIn("[README.md](README.md)", text, paper)


if __name__ == "__main__":
    missing = [name for name in ("curl", "mbpoll") if not shutil.which(name)]
    if missing:
        print(f"skipped: needs {', '.join(missing)}")
        sys.exit(common.SKIPPED)
    DEVICES, common.MODBUS = common.start_devices()
    suite = unittest.TestSuite(Papers(name) for name in vars(Papers) if name.startswith("test_"))
    result = unittest.TextTestRunner().run(suite)
    DEVICES.stdin.close()
    DEVICES.wait()
    sys.exit(not result.wasSuccessful())
