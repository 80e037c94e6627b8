"""Reads the simulated devices with a Modbus client that is not ours (pymodbus 3.0, as Debian 12 has it).

    devices_test.py SIMULATED_DEVICES MAKE_HISTORY
"""
import csv
import datetime
import os
import re
import signal
import struct
import subprocess
import sys
import tempfile
import unittest

from pymodbus.client import ModbusSerialClient, ModbusTcpClient

SIMULATED_DEVICES, MAKE_HISTORY = sys.argv[1:3]
DAYS = "0.25"


def end_with_us():
    """Linux's prctl(PR_SET_PDEATHSIG, SIGTERM): a test that is killed leaves nothing running."""
    import ctypes
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)


def float_of(high, low):
    return struct.unpack(">f", struct.pack(">HH", high, low))[0]


class Devices(unittest.TestCase):
    @classmethod
    def start(cls, command, **options):
        process = subprocess.Popen(command, text=True, preexec_fn=end_with_us, **options)

        def end():
            process.terminate()
            process.communicate(timeout=10)

        cls.addClassCleanup(end)
        return process

    @classmethod
    def setUpClass(cls):
        folder = tempfile.TemporaryDirectory()
        cls.addClassCleanup(folder.cleanup)
        cls.folder = folder.name
        ends = [os.path.join(cls.folder, name) for name in ("devices", "daemon")]
        socat = cls.start(["socat", "-d", "-d"] + [f"pty,raw,echo=0,link={end}" for end in ends],
                          stderr=subprocess.PIPE)
        for line in socat.stderr:
            if "starting data transfer loop" in line:
                break
        cls.until = datetime.datetime.now(datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")
        cls.devices = cls.start(
            [SIMULATED_DEVICES, "--until", cls.until, "--days", DAYS, "--serial", ends[0]],
            stdout=subprocess.PIPE)
        ready = cls.devices.stdout.readline()
        ports = re.match(r"ready quernbeck=(\d+) ormsheld=(\d+) serial=", ready)
        assert ports, f"not ready: {ready!r}"
        cls.quernbeck = ModbusTcpClient("127.0.0.1", port=int(ports[1]))
        cls.ormsheld = ModbusTcpClient("127.0.0.1", port=int(ports[2]))
        # No parity and two stop bits: Linux refuses parity on a pseudo-terminal.
        cls.serial = ModbusSerialClient(ends[1], baudrate=9600, parity="N", stopbits=2, timeout=2)
        for client in (cls.quernbeck, cls.ormsheld, cls.serial):
            assert client.connect()
            cls.addClassCleanup(client.close)

    def test_floats_in_abcd_order_carry_oxygen_temperature_and_airflow(self):
        for unit in range(1, 6):
            words = self.quernbeck.read_holding_registers(0, 6, slave=unit).registers
            oxygen, temperature, airflow = (float_of(*words[i:i + 2]) for i in (0, 2, 4))
            self.assertTrue(-0.2 < oxygen < 12.0, oxygen)
            self.assertTrue(5.0 < temperature < 28.0, temperature)
            self.assertTrue(0.0 <= airflow <= 100.0, airflow)
            self.assertEqual(self.quernbeck.read_discrete_inputs(0, 4, slave=unit).bits[3], False)

    def test_floats_in_cdab_order_carry_saturation_salinity_and_pressure(self):
        for unit in range(1, 6):
            words = self.ormsheld.read_input_registers(100, 8, slave=unit).registers
            percent, temperature, salinity, pressure = (
                float_of(words[i + 1], words[i]) for i in (0, 2, 4, 6))
            self.assertTrue(50.0 < percent < 130.0, percent)
            self.assertTrue(5.0 < temperature < 28.0, temperature)
            self.assertEqual(salinity, 33.0)
            self.assertTrue(980.0 < pressure < 1045.0, pressure)
            self.assertEqual(len(self.ormsheld.read_coils(10, 3, slave=unit).bits), 8)

    def test_scaled_words_come_over_the_serial_line_and_the_gateway_alike(self):
        for client, unit in ((self.serial, 11), (self.serial, 12), (self.serial, 13), (self.ormsheld, 6)):
            oxygen, temperature, status = client.read_input_registers(0, 3, slave=unit).registers
            self.assertTrue(oxygen < 2500 or oxygen > 65500, oxygen)  # 0.01 mg/L, a little below zero too
            self.assertTrue(50 < temperature < 280, temperature)
            self.assertEqual(status & ~7, 0)

    def test_what_is_not_there_is_refused_with_the_right_exception(self):
        self.assertEqual(self.quernbeck.read_holding_registers(6, 1, slave=1).exception_code, 2)
        self.assertEqual(self.quernbeck.read_input_registers(0, 1, slave=1).exception_code, 2)
        self.assertEqual(self.quernbeck.write_register(0, 1, slave=1).exception_code, 1)
        self.assertEqual(self.quernbeck.read_holding_registers(0, 1, slave=77).exception_code, 11)
        self.assertEqual(self.serial.read_input_registers(2, 5, slave=11).exception_code, 2)

    def test_the_devices_go_on_where_the_history_ended(self):
        readings = os.path.join(self.folder, "readings.csv")
        subprocess.run([MAKE_HISTORY, "--until", self.until, "--days", DAYS, "--readings", readings,
                        "--service", os.path.join(self.folder, "service.csv")], check=True)
        with open(readings, newline="", encoding="utf-8") as file:
            last = {row["probe"]: row for row in csv.DictReader(file)}
        self.assertEqual(len(last), 14)
        words = self.ormsheld.read_input_registers(102, 6, slave=5).registers
        # Water's temperature moves by far less than this within the seconds of a test; the weather of another
        # estate would be elsewhere.
        self.assertAlmostEqual(float_of(words[1], words[0]), float(last["ormsheld-tank-3"]["temperature_c"]),
                               delta=0.05)
        self.assertAlmostEqual(float_of(words[5], words[4]), float(last["ormsheld-tank-3"]["pressure_hpa"]),
                               delta=0.5)

    def test_they_end_cleanly_when_asked(self):
        other = subprocess.Popen(
            [SIMULATED_DEVICES, "--until", self.until, "--days", DAYS, "--serial", "/dev/null"],
            stdout=subprocess.PIPE, text=True, preexec_fn=end_with_us)
        other.stdout.readline()
        other.terminate()
        other.communicate(timeout=10)
        self.assertEqual(other.returncode, 0)


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1])
