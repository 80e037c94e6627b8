#!/usr/bin/python3
"""The service under a real service manager: a bare Debian with systemd, started in namespaces of its own, in which the
package is installed as on any machine.

    service_test.py BUILD_FOLDER      exit 77: no root, debootstrap or mirror; or systemd cannot be started in here
"""
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
import unittest

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
BUILD = os.path.abspath(sys.argv[1])
sys.argv[1] = os.path.join(BUILD, "daemon", "probekeeperd")  # for run_test, whose helpers are used here
sys.path.insert(0, os.path.join(ROOT, "tests", "system"))
from bare import BareMachine, make_bare_system, pack, skip, skip_sanitizers  # noqa: E402
from run_test import curl, end_with_us, free_port, until  # noqa: E402

CONFIG = "/etc/probekeeper/probekeeper.toml"

# In a mount namespace of its own: a control group for us alone, then, in further namespaces, the machine's root with
# what a kernel gives (no device but the harmless ones) and its init. pivot_root and not chroot: the kernel lets nobody
# make user namespaces in a chroot, and the unit wants one.
BOOT = """
set -e
root="$1" group="$2"
mount --make-rprivate /
mkdir -p "$group"
mount -t cgroup2 cgroup2 "$group"
mkdir -p "$group/probekeeper-test-$$"
echo $$ > "$group/probekeeper-test-$$/cgroup.procs"
exec unshare --cgroup --pid --fork --kill-child --uts --ipc --mount bash -c '
    set -e
    root="$1"
    mount --rbind "$root" "$root"
    cd "$root"
    mount -t proc proc proc
    mount -t sysfs sysfs sys
    mount -t cgroup2 cgroup2 sys/fs/cgroup || { mount -t tmpfs tmpfs sys/fs; mkdir sys/fs/cgroup;
        mount -t cgroup2 cgroup2 sys/fs/cgroup; }
    mount -t tmpfs tmpfs run
    mount -t tmpfs tmpfs tmp
    mount -t tmpfs tmpfs dev
    for device in null zero full random urandom tty; do cp -a "/dev/$device" dev/; done
    mkdir dev/pts dev/shm oldroot
    mount -t devpts devpts dev/pts -o newinstance,ptmxmode=0666
    ln -s pts/ptmx dev/ptmx
    ln -s /proc/self/fd dev/fd
    pivot_root . oldroot
    cd /
    umount -l oldroot
    exec env -i container=test PATH=/usr/sbin:/usr/bin:/sbin:/bin /lib/systemd/systemd --system --log-target=console \\
        --show-status=no
' boot "$root"
"""


class Machine(BareMachine):
    """One that runs, with systemd as its first process."""

    def __init__(self, folder):
        super().__init__(folder)
        self.init = None
        self.run("apt-get", "-q", "update")
        self.run("apt-get", "-q", "install", "--yes", "--no-install-recommends", "systemd", "systemd-sysv", "dbus")
        for place in ("/dev", "/proc"):  # it makes its own
            if self.at(place) in self.mounts:
                self.mounts.remove(self.at(place))
                subprocess.run(["umount", self.at(place)], check=False)
        self.log = open(os.path.join(folder, "boot.log"), "w", encoding="utf-8")
        self.booting = subprocess.Popen(["unshare", "--mount", "bash", "-c", BOOT, "boot", self.root,
                                         os.path.join(folder, "group")], stdin=subprocess.DEVNULL, stdout=self.log,
                                        stderr=self.log, preexec_fn=end_with_us)

    def starts(self, seconds=60):
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline and self.booting.poll() is None:
            with open(f"/proc/{self.booting.pid}/task/{self.booting.pid}/children", encoding="ascii") as file:
                children = file.read().split()
            if children:
                with open(f"/proc/{children[0]}/comm", encoding="ascii") as file:
                    if file.read().strip() == "systemd":
                        self.init = int(children[0])
                        if self.ask("systemctl", "is-system-running").stdout.strip() in ("running", "degraded"):
                            return True
            time.sleep(0.2)
        return False

    def entered_by(self):
        if self.init is None:
            return super().entered_by()
        return ["nsenter", "-t", str(self.init), "-m", "-p", "-u", "-i", "-C", "-r", "-w"]

    def end(self):
        if self.init is not None:
            os.kill(self.init, signal.SIGKILL)  # and with it all of its namespace
            self.init = None
        if self.booting.poll() is None:
            self.booting.kill()
        self.booting.wait(timeout=10)
        self.log.close()
        super().end()

    def show(self, name):
        return self.run("systemctl", "show", "--value", "--property", name, "probekeeper").strip()

    def drop_in(self, text):
        self.write("/etc/systemd/system/probekeeper.service.d/test.conf", text)
        self.run("systemctl", "daemon-reload")

    def journal(self):
        return self.run("journalctl", "--no-pager", "--quiet", "--unit", "probekeeper", "--output", "cat")


class Service(unittest.TestCase):
    def setUp(self):
        m = MACHINE
        m.ask("rm", "-rf", "/etc/systemd/system/probekeeper.service.d")
        m.run("systemctl", "daemon-reload")
        if m.ask("dpkg", "-s", "probekeeper").returncode != 0:
            m.install(PACKAGE)
            m.run("systemctl", "stop", "probekeeper")
            m.write(CONFIG, m.read(CONFIG).replace(":8080", f":{HTTP}"))
        self.config = m.read(CONFIG)
        self.addCleanup(lambda: os.path.exists(m.at("/etc/probekeeper")) and m.write(CONFIG, self.config))
        m.run("systemctl", "restart", "probekeeper")
        self.assertEqual(self.answer().status, 200)  # ready means that it answers

    def answer(self, path="/v1/health"):
        return curl(f"http://127.0.0.1:{HTTP}{path}")

    def pid_after(self, old):
        return until("it is started again", lambda: (lambda pid: pid if pid not in ("0", old) else None)(
            MACHINE.show("MainPID")) if MACHINE.show("ActiveState") == "active" else None, 60)

    def test_it_runs_in_its_sandbox_and_says_how_it_is(self):
        self.assertEqual(MACHINE.show("ActiveState"), "active")
        self.assertEqual(MACHINE.show("StatusText"), "polling, diagnosing and serving")
        with open(f"/proc/{MACHINE.init}/root/proc/{MACHINE.show('MainPID')}/status", encoding="ascii") as file:
            status = file.read()
        self.assertRegex(status, r"(?m)^CapEff:\s*0+$")
        self.assertRegex(status, r"(?m)^NoNewPrivs:\s*1$")
        self.assertRegex(status, r"(?m)^Seccomp:\s*2$")
        told = MACHINE.run("systemd-analyze", "security", "--no-pager", "probekeeper.service")
        self.assertLessEqual(float(re.search(r"exposure level for \S+: ([0-9.]+)", told)[1]), 1.5)

    def test_serial_devices_are_let_through_and_others_are_not(self):
        # No such ports are on this machine: one that is let through says so, one that is not is forbidden.
        for name, major, minor in (("ttyS77", 4, 141), ("other", 1, 11)):
            MACHINE.ask("mknod", "-m", "0660", f"/dev/{name}", "c", str(major), str(minor))
            MACHINE.run("chgrp", "dialout", f"/dev/{name}")
        MACHINE.drop_in("[Service]\n" + "".join(f'ExecStartPre=-/bin/sh -c "exec 3<>/dev/{name}"\n'
                                                for name in ("ttyS77", "other")))
        MACHINE.run("systemctl", "restart", "probekeeper")
        until("the journal has it", lambda: "/dev/other" in MACHINE.journal())
        self.assertRegex(MACHINE.journal(), r"/dev/ttyS77: (No such device|Input/output error)")
        self.assertRegex(MACHINE.journal(), r"/dev/other: Operation not permitted")

    def test_a_reload_takes_a_changed_configuration_and_one_with_a_problem_fails_and_changes_nothing(self):
        pid = MACHINE.show("MainPID")
        MACHINE.write(CONFIG, self.config + '[[site]]\nid = "a"\nkind = "aquaculture"\n')
        MACHINE.run("systemctl", "reload", "probekeeper")
        until("the site is served", lambda: self.answer("/v1/sites/a").status == 200)
        MACHINE.write(CONFIG, self.config + '[[site]]\nid = "b"\nkind = "aquaculure"\n')
        self.assertNotEqual(MACHINE.ask("systemctl", "reload", "probekeeper").returncode, 0)
        self.assertIn('did you mean "aquaculture"', MACHINE.journal())
        self.assertEqual(self.answer("/v1/sites/a").status, 200)
        self.assertEqual(MACHINE.show("MainPID"), pid)

    def test_one_that_dies_is_started_again(self):
        MACHINE.drop_in("[Service]\nRestartSec=100ms\n")
        pid = MACHINE.show("MainPID")
        MACHINE.run("sh", "-c", f"kill -KILL {pid}")
        self.pid_after(pid)
        self.assertEqual(self.answer().status, 200)

    def test_one_that_stands_still_is_ended_and_started_again(self):
        MACHINE.drop_in("[Service]\nWatchdogSec=2\nRestartSec=100ms\nTimeoutAbortSec=2\n")
        MACHINE.run("systemctl", "restart", "probekeeper")
        pid = MACHINE.show("MainPID")
        MACHINE.run("sh", "-c", f"kill -STOP {pid}")
        self.pid_after(pid)
        self.assertEqual(self.answer().status, 200)
        self.assertEqual(MACHINE.show("NRestarts"), "1")  # nobody but the watchdog could have seen it

    def test_a_wrong_configuration_ends_it_and_is_not_tried_again(self):
        MACHINE.write(CONFIG, "nonsense = 1\n")
        MACHINE.ask("systemctl", "restart", "probekeeper")
        until("it has failed", lambda: MACHINE.show("ActiveState") == "failed")
        self.assertEqual(MACHINE.show("ExecMainStatus"), "2")
        self.assertEqual(MACHINE.show("NRestarts"), "0")

    def test_an_upgrade_starts_the_new_one_and_removal_ends_it(self):
        pid = MACHINE.show("MainPID")
        MACHINE.run("apt-get", "-q", "install", "--yes", "--reinstall", "/root/probekeeper.deb")
        self.pid_after(pid)
        self.assertEqual(self.answer().status, 200)
        MACHINE.run("apt-get", "-q", "remove", "--yes", "probekeeper")
        self.assertIsNone(self.answer())
        MACHINE.run("apt-get", "-q", "purge", "--yes", "probekeeper")
        self.assertEqual(MACHINE.ask("systemctl", "cat", "probekeeper").returncode, 1)


def load_tests(loader, _tests, _pattern):
    names = sorted(loader.getTestCaseNames(Service), key=lambda name: ("removal" in name, name))
    return unittest.TestSuite(Service(name) for name in names)


if __name__ == "__main__":
    skip_sanitizers(BUILD)
    make_bare_system()
    with tempfile.TemporaryDirectory(prefix="probekeeper-service-", dir="/var/tmp") as FOLDER:
        PACKAGE, HTTP = pack(BUILD, os.path.join(FOLDER, "packed")), free_port()
        MACHINE = Machine(FOLDER)
        try:
            if not MACHINE.starts():
                with open(MACHINE.log.name, encoding="utf-8") as log:
                    why = log.read()[-300:]
                MACHINE.end()
                skip(f"systemd cannot be started in here: {why}")
            result = unittest.main(argv=[sys.argv[0], *sys.argv[2:]], verbosity=2, exit=False).result
        finally:
            if not MACHINE.log.closed:
                MACHINE.end()
    sys.exit(0 if result.wasSuccessful() else 1)
