"""A PostgreSQL cluster of a test's own, as cluster.h starts one: in a folder, on a unix socket there and on a loopback port.
As root it runs as `nobody`, for the server refuses to be root's."""
import os
import shutil
import subprocess
import sys
import tempfile

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import free_port  # noqa: E402

PROGRAMS = "/usr/lib/postgresql/15/bin"


def there():
    return os.path.exists(os.path.join(PROGRAMS, "initdb"))


def as_nobody():
    return ["setpriv", "--reuid", "nobody", "--regid", "nogroup", "--clear-groups"] if os.geteuid() == 0 else []


class Cluster:
    def __init__(self, connections=300, settings="-c fsync=off"):
        self.folder = tempfile.mkdtemp(prefix="probekeeper-pg-")
        self.port = free_port()
        if os.geteuid() == 0:
            os.chown(self.folder, 65534, 65534)
        self.run("initdb", "-D", self.at("data"), "-U", "postgres", "-A", "trust", "-N", "--no-instructions")
        self.options = (f"-c listen_addresses=127.0.0.1 -c port={self.port} -c unix_socket_directories={self.folder} "
                        f"-c max_connections={connections} {settings}")
        self.start()

    def at(self, name):
        return os.path.join(self.folder, name)

    def run(self, program, *arguments):
        subprocess.run([*as_nobody(), os.path.join(PROGRAMS, program), *arguments], check=True, stdout=subprocess.DEVNULL,
                       cwd=self.folder)

    def start(self):
        self.run("pg_ctl", "-D", self.at("data"), "-w", "-l", self.at("log"), "-o", self.options, "start")

    def stop(self, mode="immediate"):
        """`immediate` is as a crash."""
        self.run("pg_ctl", "-D", self.at("data"), "-w", "-m", mode, "stop")

    def conninfo(self, database, user="postgres", port=None):
        """Over TCP, where `port` may be that of a proxy."""
        return f"host=127.0.0.1 port={port or self.port} dbname={database} user={user} sslmode=disable"

    def sql(self, database, statement):
        """Rows, as lists of texts."""
        done = subprocess.run(["psql", "-X", "-q", "-A", "-t", "-F", "\x1f", "-h", self.folder, "-p", str(self.port), "-U",
                               "postgres", "-d", database, "-v", "ON_ERROR_STOP=1", "-c", statement],
                              capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise RuntimeError(done.stderr)
        return [line.split("\x1f") for line in done.stdout.splitlines()]

    def close(self):
        try:
            self.stop()
        except subprocess.CalledProcessError:
            pass  # it ended before
        shutil.rmtree(self.folder, ignore_errors=True)
