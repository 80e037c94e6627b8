#!/usr/bin/python3
"""The life of the package on a bare Debian 12: installed, run, upgraded, removed, purged, and the first hour of a new
owner as it is written.

    package_test.py BUILD_FOLDER      exit 77: no root, debootstrap or mirror; or a build with sanitizers

The bare system is made once by debootstrap and kept in /var/tmp/probekeeper-bookworm, or where
PROBEKEEPER_BARE_ROOT says; each run works on a layer of its own above it.
"""
import csv
import json
import os
import re
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import tempfile
import unittest

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
BUILD = os.path.abspath(sys.argv[1])
DAEMON = os.path.join(BUILD, "daemon", "probekeeperd")
sys.argv[1] = DAEMON  # for run_test, whose helpers are used here
sys.path.insert(0, os.path.join(ROOT, "tests", "system"))
import run_test  # noqa: E402
from bare import BareMachine, make_bare_system, pack, run, skip_sanitizers  # noqa: E402
from run_test import curl, free_port, until  # noqa: E402

CONFIG = "/etc/probekeeper/probekeeper.toml"
STORE = "/var/lib/probekeeper/probekeeper.db"


def packed(folder):
    """The package of the build, and one of an older version with the same contents."""
    package = pack(BUILD, folder)
    older = os.path.join(folder, "older")
    run("dpkg-deb", "--raw-extract", package, older)
    with open(os.path.join(older, "DEBIAN", "control"), encoding="utf-8") as file:
        control = file.read()
    with open(os.path.join(older, "DEBIAN", "control"), "w", encoding="utf-8") as file:
        file.write(re.sub(r"(?m)^Version: .*$", "Version: 0.0.1", control))
    run("dpkg-deb", "--root-owner-group", "--build", older, older + ".deb")
    return package, older + ".deb"


class Life(unittest.TestCase):
    """In this order; each goes on where the one before left the machine."""
    maxDiff = None

    @classmethod
    def setUpClass(cls):
        cls.machine = BareMachine(FOLDER)
        cls.addClassCleanup(cls.machine.end)
        cls.machine.run("apt-get", "-q", "update")
        cls.http = free_port()
        cls.devices, cls.modbus = run_test.start_devices()
        cls.addClassCleanup(cls.end_devices)

    @classmethod
    def end_devices(cls):
        cls.devices.stdin.close()
        cls.devices.stdout.close()
        cls.devices.wait(timeout=10)

    def get(self, path):
        return curl(f"http://127.0.0.1:{self.http}{path}")

    def start(self):
        """As the unit does, without a service manager: in the foreground, as its own user."""
        log = open(os.path.join(FOLDER, "log"), "w", encoding="utf-8")
        self.addCleanup(log.close)
        self.daemon = subprocess.Popen(["chroot", "--userspec=probekeeper:probekeeper", self.machine.root,
                                        "/usr/bin/probekeeperd", "run", "--config", CONFIG], stderr=log,
                                       preexec_fn=run_test.end_with_us)
        self.addCleanup(run_test.Running.end, self.daemon)
        until("the API answers", self.answers, 60)

    def answers(self):
        if self.daemon.poll() is not None:
            with open(os.path.join(FOLDER, "log"), encoding="utf-8") as log:
                self.fail(log.read())
        answer = self.get("/v1/health")
        return answer and answer.status == 200

    def stop(self):
        self.daemon.send_signal(signal.SIGTERM)
        self.assertEqual(self.daemon.wait(timeout=60), 0)

    def test_it_installs_on_a_bare_debian_with_its_user_folders_and_service(self):
        m = self.machine
        m.install(OLDER)
        self.assertRegex(m.read("/etc/passwd"), r"(?m)^probekeeper:x:\d+:\d+:Probekeeper[^:]*:/var/lib/probekeeper:/usr/sbin/nologin$")
        self.assertEqual(m.owner_and_mode("/var/lib/probekeeper"), "probekeeper:probekeeper 750")
        self.assertEqual(m.owner_and_mode("/etc/probekeeper"), "root:probekeeper 750")
        self.assertEqual(m.owner_and_mode(CONFIG), "root:probekeeper 640")
        self.assertIn("no problem", m.run("probekeeperd", "check", "--config", CONFIG))
        self.assertRegex(m.run("probekeeperd", "--version"), r"^probekeeperd \d")
        self.assertTrue(os.path.lexists(m.at("/etc/systemd/system/multi-user.target.wants/probekeeper.service")))
        for path in ("/usr/share/man/man8/probekeeperd.8.gz", "/usr/share/man/man5/probekeeper.toml.5.gz",
                     "/usr/share/bash-completion/completions/probekeeperd", "/lib/systemd/system/probekeeper.service"):
            listed = m.run("dpkg", "-L", "probekeeper")
            self.assertIn(path + "\n", listed)

    def test_it_starts_as_its_own_user_and_serves_an_empty_estate(self):
        m = self.machine
        m.write(CONFIG, m.read(CONFIG).replace(":8080", f":{self.http}"))
        self.start()
        self.assertEqual(self.get("/v1/health").json()["status"], "ok")
        self.assertEqual(self.get("/v1/probes").json()["items"], [])
        self.stop()
        self.assertEqual(m.owner_and_mode(STORE).split()[0], "probekeeper:probekeeper")

    def test_an_upgrade_keeps_configuration_and_store_and_brings_the_store_to_todays_layout(self):
        m = self.machine
        for name in os.listdir(m.at("/var/lib/probekeeper")):
            os.remove(m.at("/var/lib/probekeeper/" + name))
        with open(os.path.join(ROOT, "tests", "store", "layout_1.sql"), encoding="utf-8") as file:
            store = sqlite3.connect(m.at(STORE))
            store.executescript(file.read())
            store.close()
        m.run("chown", "probekeeper:probekeeper", STORE)
        mine = m.read(CONFIG) + ('[[site]]\nid = "a"\nkind = "aquaculture"\n'
                                 '[[probe]]\nid = "a-1"\nsite = "a"\n[[probe]]\nid = "a-2"\nsite = "a"\n')
        m.write(CONFIG, mine)
        before = m.read("/etc/passwd")
        m.install(PACKAGE)
        self.assertEqual(m.read(CONFIG), mine)
        self.assertEqual(m.owner_and_mode(CONFIG), "root:probekeeper 640")
        self.assertEqual(m.read("/etc/passwd"), before)
        self.assertNotIn("0.0.1", m.run("dpkg-query", "--show", "probekeeper"))
        self.start()
        readings = self.get("/v1/probes/a-1/readings?from=2026-03-01T00:00:00Z&to=2026-03-02T00:00:00Z").json()
        self.assertEqual(readings["do_mg_l"], [7.0, 7.25, 7.5, 7.75][:len(readings["do_mg_l"])])
        self.assertEqual(len(readings["time"]), 4)
        self.assertEqual(self.get("/v1/tickets/a-17").status, 200)
        self.stop()
        store = sqlite3.connect(m.at(STORE))
        layouts = len(re.findall(r"constexpr MigrationStep layout_\d+", self.schema()))
        self.assertEqual(store.execute("PRAGMA user_version").fetchone(), (layouts,))
        store.close()

    @staticmethod
    def schema():
        with open(os.path.join(ROOT, "lib", "store", "schema.cpp"), encoding="utf-8") as file:
            return file.read()

    def test_a_backup_is_made_and_restored_as_the_operations_page_says(self):
        with open(os.path.join(ROOT, "deploy", "operations.md"), encoding="utf-8") as file:
            page = file.read()
        backup = re.sub(r"\\\n\s*", "", re.search(r"(?m)^    (runuser .* backup .*\\\n.*)$", page)[1])
        owner = re.search(r"`(chown probekeeper: \S+)`", page)[1]
        m = self.machine
        self.start()
        m.run("sh", "-c", backup)
        self.assertEqual(m.owner_and_mode("/var/lib/probekeeper/backup.db"), "probekeeper:probekeeper 600")
        self.stop()
        m.run("sh", "-c", f"cp /var/lib/probekeeper/backup.db {STORE} && rm -f {STORE}-wal {STORE}-shm && chown root: {STORE}")
        m.run("sh", "-c", owner)
        self.start()
        self.assertEqual(self.get("/v1/tickets/a-17").status, 200)
        self.stop()

    def test_removal_keeps_all_data_and_a_new_installation_serves_it_again(self):
        m = self.machine
        before = m.read(CONFIG)
        m.run("apt-get", "-q", "remove", "--yes", "probekeeper")
        self.assertFalse(os.path.exists(m.at("/usr/bin/probekeeperd")))
        self.assertEqual(m.read(CONFIG), before)
        self.assertTrue(os.path.exists(m.at(STORE)))
        self.assertIn("probekeeper:", m.read("/etc/passwd"))
        m.install(PACKAGE)
        self.assertEqual(m.read(CONFIG), before)
        self.start()
        self.assertEqual(self.get("/v1/tickets/a-17").status, 200)
        self.stop()

    def test_purging_it_leaves_nothing(self):
        m = self.machine
        m.run("apt-get", "-q", "purge", "--yes", "probekeeper")
        for path in ("/etc/probekeeper", "/var/lib/probekeeper", "/etc/systemd/system/multi-user.target.wants/probekeeper.service",
                     "/usr/share/doc/probekeeper"):
            self.assertFalse(os.path.lexists(m.at(path)), path)
        self.assertNotIn("probekeeper:", m.read("/etc/passwd"))
        self.assertEqual(m.run("dpkg", "--list").count("probekeeper"), 0)

    def test_the_first_hour_of_a_new_owner_goes_as_it_is_written(self):
        with open(os.path.join(ROOT, "deploy", "first-hour.md"), encoding="utf-8") as file:
            page = file.read()
        shell = re.sub(r"\\\n\s*", "", "\n".join(re.findall(r"(?m)^    (\S.*|    \S.*)$", page)))
        commands = [line.strip() for line in shell.splitlines()]
        self.assertGreater(len(commands), 10)
        m = self.machine
        m.write("/root/history.csv", "\n".join(run_test.recording()).replace("probe-1", "saltmarsh-tank-1") + "\n")
        done = []
        for command in commands:
            with self.subTest(command=command):
                self.do_as_written(command)
                done.append(command)
        self.assertEqual(done, commands)

    def do_as_written(self, command):
        m = self.machine
        if command.startswith("apt install ./probekeeper_"):
            m.install(PACKAGE)
            m.write(CONFIG, m.read(CONFIG).replace(":8080", f":{self.http}"))
            self.start()
        elif command == "systemctl status probekeeper":
            self.assertIsNone(self.daemon.poll())  # there is no service manager in here
        elif command == "systemctl stop probekeeper":
            self.stop()
        elif command == "systemctl start probekeeper":
            self.start()
            until("a reading", lambda: self.get("/v1/probes/saltmarsh-tank-1").json()["last_reading"])
        elif command.startswith("curl -s "):
            answer = self.get(command.split(":8080", 1)[1])
            self.assertEqual(answer.status, 200, answer.body)
            if command.endswith("/v1/probes"):
                self.assertEqual(answer.json()["items"][0]["condition"], "unknown")
        elif command.startswith("cp /usr/share/doc"):
            m.run("sh", "-c", command)
            text = m.read(CONFIG)
            text = re.sub(r'(?m)^path = "[^"]*"', f'path = "{STORE}"', text).replace(":8080", f":{self.http}")
            # What is the new owner's: here one line and one probe, the simulated device.
            text = re.sub(r'(?ms)^transport = "rtu"\n.*?(?=^timeout_ms)', f'transport = "tcp"\nhost = "127.0.0.1"\nport = {self.modbus}\n',
                          text, count=1)
            head, *probes = text.split("[[probe]]")
            kept = re.sub(r"(?m)^neighbours.*\n", "", probes[0]).replace("poll_s = 5.0", "poll_s = 0.5")
            m.write(CONFIG, head.replace('hold             = { table = "discrete", address = 2 }', "") + "[[probe]]" + kept)
        elif command.startswith("runuser "):
            m.write(CONFIG, m.read(CONFIG).replace("[http]\n", '[http]\ntokens_file = "/var/lib/probekeeper/tokens"\n'))
            self.assertRegex(m.run("sh", "-c", command), r"\S{20,}")
            self.assertEqual(m.owner_and_mode("/var/lib/probekeeper/tokens"), "probekeeper:probekeeper 600")
        elif command.startswith("probekeeperd "):
            told = m.run("sh", "-c", "cd /root && " + command)
            if " check " in command:
                self.assertIn("no problem", told)
            elif " loop-check " in command:
                self.assertIn("dissolved_oxygen = 8.25 mg/L", told)
            elif " replay " in command:
                verdict = json.loads(m.read("/root/verdicts/saltmarsh-tank-1.json"))
                self.assertAlmostEqual(verdict["t90"]["value_s"], 40.0, delta=10.0)  # as it was made with
                self.assertTrue(os.path.exists(m.at("/root/tickets.jsonl")))
        else:
            self.fail(f"the page has a command that is not tried: {command}")


class Contents(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.root = os.path.join(FOLDER, "contents")
        run("dpkg-deb", "--extract", PACKAGE, cls.root)

    def test_packing_again_gives_the_same_bytes(self):
        run("cmp", PACKAGE, pack(BUILD, os.path.join(FOLDER, "again")))

    def test_everything_in_it_is_roots_and_nobody_elses_may_write(self):
        listed = run("dpkg-deb", "--contents", PACKAGE).splitlines()
        self.assertGreater(len(listed), 20)
        for line in listed:
            rights, owner = line.split()[:2]
            self.assertEqual(owner, "root/root", line)
            self.assertNotRegex(rights, r"^.....w|^........w", line)

    def test_the_bill_of_materials_is_sound_and_names_what_the_program_really_loads(self):
        with open(os.path.join(self.root, "usr/share/doc/probekeeper/probekeeper.spdx.json"), encoding="utf-8") as file:
            bill = json.load(file)
        # SPDX 2.3, clauses 6 to 11: what a document and a package must have.
        self.assertEqual((bill["spdxVersion"], bill["dataLicense"], bill["SPDXID"]),
                         ("SPDX-2.3", "CC0-1.0", "SPDXRef-DOCUMENT"))
        self.assertRegex(bill["creationInfo"]["created"], r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$")
        self.assertRegex(bill["creationInfo"]["creators"][0], r"^Tool: \S+")
        self.assertRegex(bill["documentNamespace"], r"^https://[^#]+$")
        ids = [bill["SPDXID"]] + [package["SPDXID"] for package in bill["packages"]]
        self.assertEqual(len(ids), len(set(ids)))
        for package in bill["packages"]:
            self.assertRegex(package["SPDXID"], r"^SPDXRef-[a-zA-Z0-9.-]+$")
            for key in ("name", "versionInfo", "downloadLocation", "licenseConcluded", "licenseDeclared", "copyrightText"):
                self.assertTrue(package[key], package["name"])
        for relation in bill["relationships"]:
            self.assertIn(relation["spdxElementId"], ids)
            self.assertIn(relation["relatedSpdxElement"], ids)
        versions = {package["name"]: package["versionInfo"] for package in bill["packages"]}
        # By another way than the bill was made: what the loader loads, asked of dpkg.
        loaded = re.findall(r"=> (/\S+)", run("ldd", DAEMON))
        for needed in ("libsqlite3", "libmodbus", "libssl", "libsystemd", "libspdlog", "libtomlplusplus", "libboost_json"):
            path = next(path for path in loaded if os.path.basename(path).startswith(needed))
            name = run("dpkg", "-S", os.path.realpath(path)).split(":")[0]
            self.assertEqual(versions.get(name), run("dpkg-query", "-W", "-f", "${Version}", name), name)
        self.assertIn("libcli11-dev", versions)      # headers only
        self.assertIn("libboost1.81-dev", versions)

    def test_every_licence_of_the_bill_is_a_known_expression(self):
        try:
            from license_expression import get_spdx_licensing
        except ImportError:
            self.skipTest("python3-license-expression is not here")
        spdx = get_spdx_licensing()
        with open(os.path.join(ROOT, "deploy/package/licences.csv"), encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                self.assertEqual(spdx.validate(row["licence"]).errors, [], row)

    def test_the_licences_of_what_is_compiled_in_come_with_it(self):
        licences = os.listdir(os.path.join(self.root, "usr/share/doc/probekeeper/licences"))
        for package in ("libcli11-dev", "libboost1.81-dev", "libspdlog-dev", "libfmt-dev"):
            self.assertIn(package + ".gz", licences)

    def test_lintian_finds_no_error_and_no_warning(self):
        if not shutil.which("lintian"):
            self.skipTest("lintian is not here")
        done = subprocess.run(["lintian", "--fail-on", "error,warning", "--allow-root", PACKAGE],
                              capture_output=True, text=True, check=False)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)

    def test_programs_and_folders_have_the_rights_they_need_and_no_more(self):
        for path, mode in (("usr/bin/probekeeperd", 0o755), ("etc/probekeeper/probekeeper.toml", 0o644),
                           ("lib/systemd/system/probekeeper.service", 0o644)):
            self.assertEqual(stat.S_IMODE(os.stat(os.path.join(self.root, path)).st_mode), mode, path)


def load_tests(loader, _tests, _pattern):
    in_order = ("test_it_installs_on_a_bare_debian_with_its_user_folders_and_service",
                "test_it_starts_as_its_own_user_and_serves_an_empty_estate",
                "test_an_upgrade_keeps_configuration_and_store_and_brings_the_store_to_todays_layout",
                "test_a_backup_is_made_and_restored_as_the_operations_page_says",
                "test_removal_keeps_all_data_and_a_new_installation_serves_it_again",
                "test_purging_it_leaves_nothing",
                "test_the_first_hour_of_a_new_owner_goes_as_it_is_written")
    suite = unittest.TestSuite(Life(name) for name in in_order)
    return unittest.TestSuite([suite, loader.loadTestsFromTestCase(Contents)])


if __name__ == "__main__":
    skip_sanitizers(BUILD)
    make_bare_system()
    with tempfile.TemporaryDirectory(prefix="probekeeper-package-", dir="/var/tmp") as FOLDER:
        PACKAGE, OLDER = packed(os.path.join(FOLDER, "packed"))
        unittest.main(argv=[sys.argv[0], *sys.argv[2:]], verbosity=2)
