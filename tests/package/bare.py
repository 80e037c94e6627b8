"""A bare Debian 12 for tests of the package: made once, entered by chroot or started with a service manager of its own."""
import os
import re
import shutil
import subprocess
import sys

SKIPPED = 77
BARE = os.environ.get("PROBEKEEPER_BARE_ROOT", "/var/tmp/probekeeper-bookworm")
MIRROR = "http://deb.debian.org/debian"
ENVIRONMENT = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "DEBIAN_FRONTEND": "noninteractive", "LC_ALL": "C.UTF-8",
               "HOME": "/root"}


def skip(why):
    print(f"skipped: {why}")
    sys.exit(SKIPPED)


def run(*command, **more):
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=900, **more)
    if done.returncode != 0:
        raise AssertionError(f"{command}: {done.returncode}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
    return done.stdout


def make_bare_system():
    if os.geteuid() != 0:
        skip("only root can make and enter another root")
    for tool in ("debootstrap", "dpkg-deb", "cpack", "curl", "sqlite3"):
        if not shutil.which(tool):
            skip(f"{tool} is not here")
    made = os.path.join(BARE, ".made")  # written last: one that was cut short is made anew
    if not os.path.exists(made):
        shutil.rmtree(BARE, ignore_errors=True)
        done = subprocess.run(["debootstrap", "--variant=minbase", "bookworm", BARE, MIRROR], capture_output=True,
                              text=True, check=False)
        if done.returncode != 0:
            skip(f"no bare Debian can be made: {done.stdout[-300:]}")
        with open(made, "w", encoding="ascii"):
            pass
    os.makedirs(BARE + "-archives/partial", exist_ok=True)


def skip_sanitizers(build):
    with open(os.path.join(build, "CMakeCache.txt"), encoding="utf-8") as cache:
        if re.search(r"(?m)^PROBEKEEPER_SANITIZE:STRING=.+$", cache.read()):
            skip("a build with sanitizers is not packed")


def pack(build, folder):
    os.makedirs(folder, exist_ok=True)
    run("cpack", "-G", "DEB", "-B", folder, cwd=build)
    package, = (os.path.join(folder, name) for name in os.listdir(folder) if name.endswith(".deb"))
    return package


class BareMachine:
    """A layer of its own above the bare Debian. Nothing of it is left after end()."""

    def __init__(self, folder):
        self.mounts = []
        self.root = os.path.join(folder, "root")
        for name in ("root", "upper", "work"):
            os.makedirs(os.path.join(folder, name))
        done = subprocess.run(["mount", "-t", "overlay", "overlay", "-o",
                               f"lowerdir={BARE},upperdir={folder}/upper,workdir={folder}/work", self.root],
                              capture_output=True, text=True, check=False)
        if done.returncode == 0:
            self.mounts.append(self.root)
        else:
            os.rmdir(self.root)
            run("cp", "-a", BARE, self.root)
        for kind, source, place in (("proc", "proc", "/proc"), ("bind", "/dev", "/dev"),
                                    ("bind", BARE + "-archives", "/var/cache/apt/archives")):
            command = ["mount", "-t", kind] if kind != "bind" else ["mount", "--bind"]
            if subprocess.run([*command, source, self.at(place)], capture_output=True, check=False).returncode == 0:
                self.mounts.append(self.at(place))
        shutil.copy("/etc/resolv.conf", self.at("/etc/resolv.conf"))

    def end(self):
        for place in reversed(self.mounts):
            subprocess.run(["umount", place], check=False)

    def at(self, path):
        return self.root + path

    def read(self, path):
        with open(self.at(path), encoding="utf-8") as file:
            return file.read()

    def write(self, path, text):
        os.makedirs(os.path.dirname(self.at(path)), exist_ok=True)
        with open(self.at(path), "w", encoding="utf-8") as file:
            file.write(text)

    def entered_by(self):
        return ["chroot", self.root]

    def ask(self, *command):
        return subprocess.run([*self.entered_by(), *command], capture_output=True, text=True, check=False, timeout=900,
                              stdin=subprocess.DEVNULL, env=ENVIRONMENT)

    def run(self, *command, expect=0):
        done = self.ask(*command)
        if done.returncode != expect:
            raise AssertionError(f"{command}: {done.returncode}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
        return done.stdout

    def install(self, package):
        shutil.copy(package, self.at("/root/probekeeper.deb"))
        return self.run("apt-get", "-q", "install", "--yes", "--no-install-recommends", "/root/probekeeper.deb")

    def owner_and_mode(self, path):
        return self.run("stat", "--format=%U:%G %a", path).strip()
