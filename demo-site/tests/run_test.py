"""Runs the whole demonstration once and reads its table: what is worn has its ticket, what is healthy has none.

    run_test.py DEMO_SITE_RUN BUILD_FOLDER
"""
import glob
import subprocess
import sys
import tempfile
import unittest

RUN, BUILD = sys.argv[1:3]

WORN = {
    "quernbeck-lane-1-outlet": "background",
    "quernbeck-lane-2-inlet": "slow_response",
    "quernbeck-lane-4-outlet": "fluctuation",
    "ormsheld-tank-1-b": "fluctuation",
}
# Not over its limit yet: a forecast is right, and so is none.
ON_THE_WAY = {"ormsheld-tank-2-a"}


def commands_that_name(folder):
    for path in glob.glob("/proc/[0-9]*/cmdline"):
        try:
            with open(path, "rb") as file:
                command = file.read().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue  # it has ended meanwhile
        if folder in command:
            yield command


class Demonstration(unittest.TestCase):
    def test_it_names_what_is_worn_leaves_out_what_is_healthy_and_ends_all_it_started(self):
        with tempfile.TemporaryDirectory(prefix="probekeeper-demo-") as folder:
            ran = subprocess.run([RUN, "--once", "--built-in", BUILD, "--var", folder],
                                 stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, check=False)
            self.assertEqual(ran.returncode, 0, ran.stderr)
            self.assertEqual(list(commands_that_name(folder)), [])
        said = set()
        table = ran.stdout.split("Look further")[0]
        for line in table.splitlines():
            cells = line.split()
            if len(cells) > 3 and cells[1] in ("quernbeck", "ormsheld"):
                said.add((cells[2], cells[3]))
        for probe, reason in WORN.items():
            self.assertIn((probe, reason), said, table)
        false_alarms = {probe for probe, _ in said} - set(WORN) - ON_THE_WAY
        self.assertEqual(false_alarms, set(), table)


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1])
