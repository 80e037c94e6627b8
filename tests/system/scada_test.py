#!/usr/bin/python3
"""The registers that a SCADA system polls, read from the real executable with two clients that are not ours.

    scada_test.py PROBEKEEPERD      exit 77: python3-pymodbus or mbpoll is not here
"""
import csv
import re
import shutil
import signal
import struct
import subprocess
import sys
import unittest

sys.argv = sys.argv[:2]
import run_test as common  # noqa: E402  (reads the daemon's path from the command line)

try:
    from pymodbus.client import ModbusTcpClient
except ImportError:
    try:
        from pymodbus.client.sync import ModbusTcpClient
    except ImportError:
        ModbusTcpClient = None


def text_of(registers):
    return b"".join(r.to_bytes(2, "big") for r in registers).rstrip(b"\0").decode()


class Scada(common.InFolder):
    def setUp(self):
        super().setUp()
        self.port = common.free_port()
        self.text = self.changed("[[site]]", f'[scada]\nlisten = "127.0.0.1:{self.port}"\n[[site]]')
        self.write("site.toml", self.text)

    def start(self):
        daemon = subprocess.Popen([common.DAEMON, "run", "--config", self.config], stderr=subprocess.DEVNULL,
                                  preexec_fn=common.end_with_us)
        self.addCleanup(daemon.wait)
        self.addCleanup(daemon.kill)
        client = ModbusTcpClient("127.0.0.1", port=self.port)
        self.addCleanup(client.close)
        common.until("Modbus", client.connect)
        return daemon, client

    def read(self, client, first, count, unit=1):
        answer = client.read_holding_registers(first, count, unit)
        self.assertFalse(answer.isError(), answer)
        return answer.registers

    def test_probes_readings_and_heartbeat_are_read_by_pymodbus(self):
        _, client = self.start()
        self.assertEqual(3, self.read(client, 0, 1)[0])
        common.until("the daemon has begun", lambda: self.read(client, 2, 1) == [2])
        self.assertEqual("probe-1", text_of(self.read(client, 140, 24)))
        self.assertEqual("probe-2", text_of(self.read(client, 240, 24)))
        common.until("a reading", lambda: self.read(client, 110, 1)[0] != 0x8000)
        url = f"http://127.0.0.1:{self.http}/v1/probes/probe-1"
        shown = common.until("the API", lambda: common.curl(url).json().get("last_reading"))
        self.assertEqual(round(shown["do_mg_l"] * 100), self.read(client, 110, 1)[0])
        before = self.read(client, 1, 1)[0]
        common.until("the heart beats", lambda: self.read(client, 1, 1)[0] != before)

    def test_the_packed_view_says_the_same_three_probes_a_request(self):
        _, client = self.start()
        common.until("a reading", lambda: self.read(client, 110, 1)[0] not in (0, 0x8000))
        common.until("both views agree", lambda: self.read(client, 100, 40) + self.read(client, 200, 40) ==
                     self.read(client, 40, 80, 101))
        self.assertEqual(1, client.write_register(68, 1, 101).exception_code)

    def test_nothing_can_be_written(self):
        _, client = self.start()
        self.assertEqual(1, client.write_register(101, 5, 1).exception_code)
        self.assertEqual(1, client.write_registers(101, [5, 5], 1).exception_code)
        self.assertEqual(1, client.write_coil(17, True, 1).exception_code)
        self.assertEqual(2, client.read_holding_registers(300, 1, 1).exception_code)

    def test_a_probe_keeps_its_address_and_a_client_its_connection_when_another_goes(self):
        daemon, client = self.start()
        common.until("the daemon has begun", lambda: self.read(client, 2, 1) == [2])
        self.assertEqual("probe-2", text_of(self.read(client, 240, 24)))
        first = self.text.index('[[probe]]\nid = "probe-1"')
        second = self.text.index('[[probe]]\nid = "probe-2"')
        self.write("site.toml", self.text[:first] + self.text[second:])
        daemon.send_signal(signal.SIGHUP)
        common.until("probe-1 gone", lambda: self.read(client, 100, 1) == [0])
        self.assertEqual("probe-2", text_of(self.read(client, 240, 24)))

    def test_a_site_has_a_block_of_its_own(self):
        _, client = self.start()
        common.until("its line is up", lambda: self.read(client, 113, 2, 201) == [1, 0] if
                     not client.read_holding_registers(113, 2, 201).isError() else None)
        self.assertEqual("site", text_of(self.read(client, 140, 24, 201)))
        self.assertEqual([1, 0, 0, 2, 2], self.read(client, 100, 5, 201))

    def test_an_operator_can_mark_a_ticket_as_seen_and_write_nothing_else(self):
        self.text = self.changed("[scada]\n", "[scada]\nallow_seen = true\n")
        self.write("site.toml", self.text)
        _, client = self.start()
        common.until("the daemon has begun", lambda: self.read(client, 100, 1) == [1])
        self.assertEqual(3, client.write_register(168, 1, 1).exception_code)  # no ticket yet
        self.assertEqual(2, client.write_register(101, 5, 1).exception_code)
        self.assertEqual(1, client.write_registers(168, [1], 1).exception_code)

    def test_the_tag_list_says_where_everything_stands(self):
        _, client = self.start()
        common.until("a reading", lambda: self.read(client, 110, 1)[0] not in (0, 0x8000))
        answer = common.curl(f"http://127.0.0.1:{self.http}/v1/scada/points.csv")
        self.assertEqual(answer.fields["content-type"], "text/csv; charset=utf-8")
        points = list(csv.DictReader(answer.body.splitlines()))
        self.assertEqual({p["tag"].split(".")[0] for p in points}, {"all", "site", "probe-1", "probe-2"})
        wide = {"uint16": 1, "int16": 1, "uint32": 2, "float32": 2, "text48": 24}
        read = {}
        for p in points:  # every one of them, by its own row
            unit, address = int(p["modbus_unit"]), int(p["address"])
            if p["type"] == "bit":
                answer = client.read_discrete_inputs(address, 1, unit)
                self.assertFalse(answer.isError(), p)
            else:
                read[p["tag"]] = self.read(client, address, wide[p["type"]], unit)
        self.assertEqual(text_of(read["probe-2.id"]), "probe-2")
        self.assertEqual(text_of(read["site.id"]), "site")
        scale = float(next(p["scale"] for p in points if p["tag"] == "probe-1.oxygen"))
        whole, = struct.unpack(">f", b"".join(r.to_bytes(2, "big") for r in read["probe-1.oxygen_float"]))
        self.assertAlmostEqual(read["probe-1.oxygen"][0] * scale, whole, places=2)
        self.assertEqual([p["tag"] for p in points if p["writable"] == "yes"], [])
        self.assertEqual(common.curl(f"http://127.0.0.1:{self.http}/v1/scada/points.csv?site=nosuch").status, 400)

    def test_mbpoll_reads_the_same(self):
        _, client = self.start()
        common.until("the daemon has begun", lambda: self.read(client, 100, 1) == [1])
        done = subprocess.run(["mbpoll", "-0", "-1", "-m", "tcp", "-p", str(self.port), "-a", "1", "-t", "4:hex",
                               "-r", "140", "-c", "4", "127.0.0.1"], capture_output=True, text=True, timeout=20,
                              check=False)
        words = re.findall(r"\]:\s+0x([0-9A-Fa-f]{4})", done.stdout)
        self.assertEqual("probe-1", text_of([int(word, 16) for word in words]), done.stdout)


class Seen(common.Running):
    """A ticket marked as seen over Modbus is seen over HTTP."""

    def test_a_ticket_is_marked_as_seen_once_and_for_both(self):
        csv = self.write("readings.csv", "\n".join(common.recording()) + "\n")
        done = common.probekeeperd("replay", "--config", self.config, "--readings", csv, "--store",
                                   self.at("var/store.db"))
        self.assertEqual(done.returncode, 0, done.stderr)
        port = common.free_port()
        self.text = self.changed("reference_percent = 60.0", "reference_percent = 10.0")
        self.write("site.toml", self.text + f'[scada]\nlisten = "127.0.0.1:{port}"\nallow_seen = true\n')
        self.start()
        posted = self.post("/probes/probe-1/service-records", {
            "kind": "reference_check", "time": common.stamp(days=1, hours=3), "by": "t", "reference_mg_l": 6.0,
            "probe_mg_l": 4.0})
        self.assertEqual(posted.status, 201, posted.body)
        ticket = common.until("a ticket", lambda: self.get("/tickets?probe=probe-1").json()["items"])[0]
        self.assertIsNone(ticket["seen"])
        client = ModbusTcpClient("127.0.0.1", port=port)
        self.addCleanup(client.close)
        self.assertTrue(client.connect())

        def register():
            return client.read_holding_registers(168, 1, 1).registers
        common.until("the register shows the ticket", lambda: register() == [1])
        self.assertFalse(client.write_register(168, 1, 1).isError())
        self.assertEqual(register(), [2])
        seen = self.get(f"/tickets/{ticket['id']}").json()
        self.assertIsNotNone(seen["seen"])
        self.assertEqual(seen["state"], ticket["state"])
        self.assertFalse(client.write_register(168, 1, 1).isError())  # the first time counts
        self.assertEqual(self.get(f"/tickets/{ticket['id']}").json()["seen"], seen["seen"])


if __name__ == "__main__":
    if ModbusTcpClient is None or not shutil.which("mbpoll"):
        print("skipped: needs python3-pymodbus and mbpoll")
        sys.exit(common.SKIPPED)
    DEVICES, common.MODBUS = common.start_devices()
    suite = unittest.TestSuite(case(name) for case in (Scada, Seen) for name in vars(case) if name.startswith("test_"))
    result = unittest.TextTestRunner().run(suite)
    DEVICES.stdin.close()
    DEVICES.wait()
    sys.exit(not result.wasSuccessful())
