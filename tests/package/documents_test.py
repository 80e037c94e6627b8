#!/usr/bin/python3
"""What is written for users holds for the program: manuals, completion, examples and the operations page.

    documents_test.py PROBEKEEPERD
"""
import glob
import os
import re
import shutil
import subprocess
import sys
import tempfile
import unittest

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
DAEMON = os.path.abspath(sys.argv[1])


def text_of(*path):
    with open(os.path.join(ROOT, *path), encoding="utf-8") as file:
        return file.read()


def sources(*rooms):
    for room in rooms:
        for path in sorted(glob.glob(os.path.join(ROOT, room, "**", "*.cpp"), recursive=True)):
            with open(path, encoding="utf-8") as file:
                yield path, file.read()


def told(*arguments):
    return subprocess.run([DAEMON, *arguments], capture_output=True, text=True, timeout=60, check=False)


def verbs_of(*before):
    help_text = told(*before, "--help").stdout
    return re.findall(r"^  ([a-z-]+) ", help_text.split("Subcommands:")[1], re.M)


def options_of(*verb):
    return set(re.findall(r"(--[a-z-]+)", told(*verb, "--help").stdout)) - {"--help"}


def every_command():
    for verb in verbs_of():
        if verb == "token":
            yield from (("token", step) for step in verbs_of("token"))
        else:
            yield (verb,)


class Manual(unittest.TestCase):
    page = text_of("deploy", "man", "probekeeperd.8").replace("\\-", "-")

    def test_it_names_every_command_and_every_option_of_it(self):
        for command in every_command():
            for word in command:
                self.assertRegex(self.page, rf"(?m)^\.B.*\b{word}\b", command)
            for option in options_of(*command):
                self.assertIn(option, self.page, command)

    def test_the_configuration_page_names_every_key_that_the_program_reads(self):
        page = text_of("deploy", "man", "probekeeper.toml.5").replace("\\-", "-")
        keys = set()
        for _path, source in sources("lib/fleet"):
            keys |= set(re.findall(r"\b(?:text|texts|located_text|number|integer|boolean|path|word(?:<\w+>)?|id|take)\("
                                   r"\"([a-z0-9_]+)\"", source))
            keys |= set(re.findall(r"read_file_name\(section, \"(\w+)\"", source))
            keys |= set(re.findall(r"\{\"(\w+)\", &Limits::", source))
            keys |= set(re.findall(r"tables?\(\"([a-z0-9_]+)\"", source))
        self.assertGreater(len(keys), 60)
        self.assertEqual([key for key in sorted(keys) if not re.search(rf"\b{key}\b", page)], [])

    def test_man_reads_both_pages_without_a_complaint(self):
        for page in ("probekeeperd.8", "probekeeper.toml.5"):
            try:
                done = subprocess.run(["man", "--warnings", "-Tutf8", "-l", os.path.join(ROOT, "deploy", "man", page)],
                                      capture_output=True, text=True, check=False,
                                      env=dict(os.environ, LC_ALL="C.UTF-8"))
            except FileNotFoundError:
                self.skipTest("man-db is not here")
            self.assertEqual((done.returncode, done.stderr), (0, ""), page)
            self.assertIn("NAME", re.sub(".\x08", "", done.stdout))  # bold is struck twice


class Completion(unittest.TestCase):
    def completed(self, line):
        """What bash offers at the end of `line`."""
        words = line.split(" ")
        script = f"""
            source /usr/share/bash-completion/bash_completion
            source {ROOT}/deploy/completion/probekeeperd
            COMP_WORDS=({' '.join(f"'{word}'" for word in words)}) COMP_CWORD={len(words) - 1}
            COMP_LINE='{line}' COMP_POINT={len(line)}
            _probekeeperd
            printf '%s\\n' "${{COMPREPLY[@]}}" """
        done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False)
        self.assertEqual(done.stderr, "")
        return done.stdout.split()

    def setUp(self):
        if not os.path.exists("/usr/share/bash-completion/bash_completion"):
            self.skipTest("bash-completion is not here")

    def test_it_offers_every_command_and_every_option(self):
        self.assertLessEqual(set(verbs_of()), set(self.completed("probekeeperd ")))
        self.assertLessEqual(set(verbs_of("token")), set(self.completed("probekeeperd token ")))
        for command in every_command():
            offered = set(self.completed(f"probekeeperd {' '.join(command)} "))
            self.assertLessEqual(options_of(*command), offered, command)

    def test_it_offers_the_ids_of_the_configuration(self):
        config = os.path.join(ROOT, "config", "pond-farm.toml")
        self.assertEqual(self.completed(f"probekeeperd loop-check --config {config} --probe reedholm-pond-1"),
                         ["reedholm-pond-1", "reedholm-pond-1-jetty"])
        self.assertEqual(self.completed(f"probekeeperd token add x --config {config} --site r"), ["reedholm"])


class Examples(unittest.TestCase):
    def test_every_example_checks_clean(self):
        examples = sorted(glob.glob(os.path.join(ROOT, "config", "*.toml")))
        self.assertGreaterEqual(len(examples), 4)
        for example in [*examples, os.path.join(ROOT, "deploy", "package", "probekeeper.toml")]:
            done = told("check", "--config", example)
            self.assertEqual((done.returncode, done.stderr), (0, ""), done.stdout)

    def test_there_is_one_of_each_kind_of_plant_with_serial_and_with_tcp(self):
        for name in ("hatchery", "pond-farm", "wastewater-intermittent", "wastewater-continuous"):
            self.assertIn("[[probe]]", text_of("config", name + ".toml"))
        together = "".join(text_of("config", os.path.basename(p)) for p in glob.glob(os.path.join(ROOT, "config", "*.toml")))
        for transport in ("tcp", "rtu"):
            self.assertIn(f'transport = "{transport}"', together)

    def test_the_packages_own_configuration_checks_clean_with_its_remarks_taken_off_too(self):
        text = text_of("deploy", "package", "probekeeper.toml")
        begin = text.index("# [[site]]")
        with tempfile.TemporaryDirectory() as folder:
            path = os.path.join(folder, "probekeeper.toml")
            with open(path, "w", encoding="utf-8") as file:
                file.write(text[:begin] + re.sub(r"(?m)^# ?", "", text[begin:]).replace("# [scada]", "[scada]"))
            done = told("check", "--config", path)
            self.assertEqual(done.returncode, 0, done.stdout)
            self.assertIn("1 site(s), 1 line(s), 1 probe(s)", done.stdout)

    def test_the_register_map_of_the_page_on_register_maps_checks_clean(self):
        page = text_of("deploy", "register-maps.md")
        written = re.search(r"```toml\n(.*?)```", page, re.S)[1]
        base = text_of("config", "hatchery.toml")
        old = re.search(r"(?ms)^\[\[register_map\]\]\nid = \"two-floats\".*?\n\n", base)[0]
        with tempfile.TemporaryDirectory() as folder:
            path = os.path.join(folder, "plant.toml")
            with open(path, "w", encoding="utf-8") as file:
                file.write(base.replace(old, written + "\n"))
            done = told("check", "--config", path)
            self.assertEqual(done.returncode, 0, done.stdout)


class Operations(unittest.TestCase):
    page = text_of("deploy", "operations.md")

    def test_every_event_of_the_log_is_explained(self):
        events = {event for _path, source in sources("lib", "daemon") for event in re.findall(r"event=([a-z_]+)", source)}
        self.assertGreater(len(events), 25)
        self.assertEqual([event for event in sorted(events) if f"`{event}`" not in self.page], [])

    def test_every_fault_of_a_line_is_explained(self):
        source = text_of("lib", "fieldbus", "fault.cpp")
        words = set(re.findall(r'return "([a-z_]+)";', source)) - {"none"}
        self.assertGreater(len(words), 10)
        self.assertEqual([word for word in sorted(words) if f"`{word}`" not in self.page], [])

    def test_every_warning_of_health_is_explained(self):
        source = text_of("lib", "live", "backend.cpp") + text_of("lib", "hub", "feed.cpp") + text_of(
            "lib", "hub", "backend.cpp")
        warnings = re.findall(r'warnings\.(?:emplace_back|push_back)\((?:fmt::format\(\s*)?"([^"{]{8,})', source)
        self.assertGreaterEqual(len(warnings), 3)
        for warning in warnings:
            self.assertIn(warning.split(" {")[0].strip(), self.page)

    def test_the_calculator_of_sizes_takes_every_example(self):
        for example in sorted(glob.glob(os.path.join(ROOT, "config", "*.toml"))):
            done = subprocess.run(["/usr/bin/python3", os.path.join(ROOT, "deploy", "sizes"), example],
                                  capture_output=True, text=True, check=False)
            self.assertEqual((done.returncode, done.stderr), (0, ""), example)
            self.assertRegex(done.stdout, r"(?m)^disk: \d+ MB when full")
            self.assertRegex(done.stdout, r"(?m)^line \S+: \d+ %")

    def test_the_calculator_counts_the_frames_of_a_serial_line_as_the_specification_does(self):
        # One float at 9600 baud, 11 bits a character: 8 + 5 + 4 characters, twice 3.5 of silence: 24 * 11 / 9600 s
        # = 27.5 ms. A hundred probes a second and a half each: 100 * 27.5 / 1500 = 183 %.
        with tempfile.TemporaryDirectory() as folder:
            path = os.path.join(folder, "full.toml")
            with open(path, "w", encoding="utf-8") as file:
                file.write('[[line]]\nid = "l"\ntransport = "rtu"\nbaud = 9600\n[[register_map]]\nid = "m"\n'
                           'dissolved_oxygen = { table = "holding", address = 0, type = "float32", unit = "mg/L" }\n')
                file.write("".join(f'[[probe]]\nid = "p{i}"\nline = "l"\nregister_map = "m"\npoll_s = 1.5\n'
                                   for i in range(100)))
            done = subprocess.run(["/usr/bin/python3", os.path.join(ROOT, "deploy", "sizes"), "--thinking-ms", "0", path],
                                  capture_output=True, text=True, check=False)
            self.assertIn("line l: 183 %", done.stdout)
            self.assertIn("too much", done.stdout)
            self.assertEqual(done.returncode, 1)


class Unit(unittest.TestCase):
    path = os.path.join(ROOT, "deploy", "systemd", "probekeeper.service")

    def analyze(self, *arguments):
        try:
            return subprocess.run(["systemd-analyze", *arguments], capture_output=True, text=True, check=False)
        except FileNotFoundError:
            self.skipTest("systemd is not here")

    def test_its_exposure_is_at_most_one_and_a_half_of_ten(self):
        done = self.analyze("security", "--offline=true", "--no-pager", self.path)
        found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
        self.assertLessEqual(float(found[1]), 1.5, done.stdout)
        self.assertIn(f"says {found[1]} ", text_of("deploy", "operations.md"))

    def test_it_lets_the_daemon_reach_serial_devices_and_no_others(self):
        text = text_of("deploy", "systemd", "probekeeper.service")
        self.assertRegex(text, r"(?m)^DevicePolicy=closed$")
        self.assertEqual(re.findall(r"(?m)^DeviceAllow=char-(\S+) rw$", text), ["ttyS", "ttyUSB", "ttyACM", "ttyAMA"])
        self.assertEqual(len(re.findall(r"(?m)^DeviceAllow=", text)), 4)

    def test_the_unit_of_several_daemons_is_made_as_the_operations_page_says(self):
        page = text_of("deploy", "operations.md")
        command = re.search(r"(?m)^    (sed -e .*?\\\n.*probekeeper@\.service)$", page)[1]
        with tempfile.TemporaryDirectory() as folder:
            made = os.path.join(folder, "probekeeper@.service")
            command = command.replace("/lib/systemd/system/probekeeper.service", self.path)
            subprocess.run(["bash", "-c", command.replace("/etc/systemd/system/probekeeper@.service", made)], check=True)
            with open(made, encoding="utf-8") as file:
                text = file.read()
            self.assertIn("run --config /etc/probekeeper/%i.toml\n", text)
            self.assertIn("check --config /etc/probekeeper/%i.toml\n", text)
            self.assertIn("StateDirectory=probekeeper-%i\n", text)
            instance = os.path.join(folder, "probekeeper@north.service")
            shutil.copy(made, instance)
            done = self.analyze("verify", instance)
            self.assertEqual([line for line in done.stderr.splitlines()
                              if "is not executable" not in line and "'man " not in line], [])

    def test_systemd_knows_every_word_of_it(self):
        done = self.analyze("verify", self.path)
        complaints = [line for line in done.stderr.splitlines()
                      if "is not executable" not in line and "'man " not in line]  # before it is installed
        self.assertEqual(complaints, [])


if __name__ == "__main__":
    unittest.main(argv=[sys.argv[0], *sys.argv[2:]], verbosity=1)
