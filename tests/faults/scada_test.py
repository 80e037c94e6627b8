#!/usr/bin/python3
"""Hostile clients of the Modbus server that a SCADA system polls, each in a way of its own, beside a good one: every
request gets its right answer, its right exception or the end of its connection, and the good client notices nothing.

    scada_test.py PROBEKEEPERD
"""
import os
import random
import select
import socket
import statistics
import struct
import sys
import tempfile
import threading
import time

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import Daemon, exactly, frame, free_port, memory_bound, resident_kb, until  # noqa: E402

DAEMON = os.path.abspath(sys.argv[1])
CONFIG = """
[store]
path = "store.db"
[http]
listen = "127.0.0.1:{http}"
[scada]
listen = "127.0.0.1:{scada}"
allow_seen = true
[[site]]
id = "site"
kind = "wastewater"
latitude = 50.0
longitude = 0.0
altitude_m = 0.0
salinity_psu = 0.0
""" + "".join(f"""
[[probe]]
id = "probe-{n}"
site = "site"
t90_s = 40.0
""" for n in range(3))
LAYOUT = 0        # the register that tells the layout, the same at each time
LAST = 400        # registers of unit 1: the summary's block and one of each probe, a hundred each
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, NO_UNIT = 1, 2, 3, 10
GOOD_EVERY_S = 0.02
# Of the good client's answers. Far above what a machine that does nothing else shows, which is printed.
LATENCY_99_MOST_S, LATENCY_MOST_S = 0.1, 2.0
GROWTH_MOST_KB = 30_000


def read(unit=1, function=3, first=LAYOUT, count=1, transaction=7):
    return frame(transaction, unit, struct.pack(">BHH", function, first, count))


class Client:
    def __init__(self, port):
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=30)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.socket.close()

    def send(self, data):
        self.socket.sendall(data)

    def receive(self):
        """Transaction, unit and what stands behind; ConnectionError where the server closed."""
        transaction, protocol, length, unit = struct.unpack(">HHHB", exactly(self.socket, 7))
        if protocol != 0 or not 3 <= length <= 254:
            raise AssertionError(f"no Modbus: protocol {protocol}, length {length}")
        return transaction, unit, exactly(self.socket, length - 1)

    def ask(self, request):
        self.send(request)
        return self.receive()[2]

    def is_closed(self):
        try:
            return self.socket.recv(1) == b""
        except ConnectionResetError:
            return True


class Good(threading.Thread):
    """Polls all the while, and never tolerates anything."""

    def __init__(self, port):
        super().__init__()
        self.port, self.going, self.took, self.problem = port, True, [], None
        with Client(port) as client:
            self.expected = client.ask(read(count=1))

    def run(self):
        try:
            with Client(self.port) as client:
                while self.going:
                    began = time.monotonic()
                    answer = client.ask(read(count=1))
                    self.took.append(time.monotonic() - began)
                    if answer != self.expected:
                        raise AssertionError(f"{answer} instead of {self.expected}")
                    time.sleep(GOOD_EVERY_S)
        except (OSError, AssertionError) as error:
            self.problem = f"the good client: {type(error).__name__} {error}"


class Hostile:
    """Each method is a way to misbehave; `count` is of single attempts."""

    def __init__(self, port):
        self.port, self.count, self.chance = port, 0, random.Random(9)

    def client(self):
        self.count += 1
        return Client(self.port)

    def expect(self, what, answer, expected):
        if answer != expected:
            raise AssertionError(f"{what}: {answer.hex()} instead of {expected.hex()}")

    def sends_a_byte_at_a_time(self):
        with self.client() as client:
            for byte in read(count=2):
                client.send(bytes([byte]))
                time.sleep(0.05)
            if len(client.receive()[2]) != 2 + 4:
                raise AssertionError("a request in pieces was not answered")

    def speaks_another_protocol(self):
        for protocol in (1, 2, 0x00FF, 0x0100, 0x4745, 0xFFFF):
            with self.client() as client:
                client.send(frame(7, 1, b"\x03\0\0\0\1", protocol=protocol))
                if not client.is_closed():
                    raise AssertionError(f"protocol {protocol} was answered")
        for text in (b"GET / HTTP/1.1\r\n\r\n", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", b"\xff" * 300):
            with self.client() as client:
                client.send(text)
                if not client.is_closed():
                    raise AssertionError(f"{text!r} was answered")

    def lies_about_lengths(self):
        for length in (0, 1, 255, 256, 0x7FFF, 0xFFFF):
            with self.client() as client:
                client.send(frame(7, 1, b"\x03\0\0\0\1", length=length))
                if not client.is_closed():
                    raise AssertionError(f"length {length} was answered")
        for length in range(2, 255):  # whole frames of that length: for function 3 only one is right
            with self.client() as client:
                answer = client.ask(frame(7, 1, (b"\x03\0\0\0\1" + bytes(250))[:length - 1]))
                if length == 6:
                    self.expect("a right one", answer[:2], b"\x03\x02")
                else:
                    self.expect(f"length {length}", answer, bytes([0x83, ILLEGAL_VALUE]))

    def uses_every_function(self):
        with self.client() as client:
            for function in range(256):
                self.count += 1
                answer = client.ask(read(function=function, count=1))
                if 1 <= function <= 4:
                    if answer[0] != function or len(answer) != 2 + answer[1]:
                        raise AssertionError(f"function {function}: {answer.hex()}")
                elif function == 6:  # no probe's register of a ticket
                    self.expect("a write", answer, bytes([0x86, ILLEGAL_ADDRESS]))
                else:
                    self.expect(f"function {function}", answer, bytes([function | 0x80, ILLEGAL_FUNCTION]))

    def asks_for_absurd_amounts(self):
        cases = [(3, 0, 0, ILLEGAL_VALUE), (3, 0, 126, ILLEGAL_VALUE), (4, 0, 0xFFFF, ILLEGAL_VALUE),
                 (1, 0, 0, ILLEGAL_VALUE), (1, 0, 2001, ILLEGAL_VALUE), (2, 0, 0xFFFF, ILLEGAL_VALUE),
                 (3, LAST, 1, ILLEGAL_ADDRESS), (3, LAST - 1, 2, ILLEGAL_ADDRESS), (4, 0xFFFF, 125, ILLEGAL_ADDRESS),
                 (1, 0xFFFF, 2000, ILLEGAL_ADDRESS)]
        with self.client() as client:
            for function, first, count, exception in cases:
                self.count += 1
                self.expect(f"{function} {first} {count}", client.ask(read(1, function, first, count)),
                            bytes([function | 0x80, exception]))
            served = (0, 255, 1, 101, 201)  # the device itself, the probes' unit, packed, the sites'
            for unit in range(256):
                self.count += 1
                answer = client.ask(read(unit))
                if unit in served and answer[0] != 3 or unit not in served and answer != bytes([0x83, NO_UNIT]):
                    raise AssertionError(f"unit {unit}: {answer.hex()}")

    def writes(self):
        with self.client() as client:
            before = [client.ask(read(first=first, count=100))[2:] for first in range(100, LAST, 100)]
            for address in range(0, LAST + 2):
                self.count += 1
                answer = client.ask(frame(7, 1, struct.pack(">BHH", 6, address, 1)))
                if answer[0] != 0x86:
                    raise AssertionError(f"a write to {address} was taken")
            for pdu in (struct.pack(">BHH", 5, 0, 0xFF00), struct.pack(">BHHB", 15, 0, 8, 1) + b"\xff",
                        struct.pack(">BHHBH", 16, 168, 1, 2, 1), struct.pack(">BHHH", 22, 168, 0, 1),
                        struct.pack(">BHHHHBH", 23, 0, 1, 168, 1, 2, 1), b"\x2b\x0e\x01\x00", b"\x08\0\0\0\0"):
                self.count += 1
                self.expect(f"function {pdu[0]}", client.ask(frame(7, 1, pdu)), bytes([pdu[0] | 0x80, ILLEGAL_FUNCTION]))
            after = [client.ask(read(first=first, count=100))[2:] for first in range(100, LAST, 100)]
            if before != after:
                raise AssertionError("a register was changed")

    def leaves_at_each_byte(self):
        request = read()
        for cut in range(len(request) + 1):
            for way in ("close", "half", "reset"):
                with self.client() as client:
                    client.send(request[:cut])
                    if way == "half":
                        client.socket.shutdown(socket.SHUT_WR)
                        while client.socket.recv(4096):
                            pass
                    elif way == "reset":
                        client.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    def sends_many_requests_at_once(self):
        many = 1000
        with self.client() as client:
            client.send(b"".join(read(transaction=n, first=n % 50, count=1 + n % 100) for n in range(many)))
            for n in range(many):
                self.count += 1
                transaction, _, pdu = client.receive()
                if transaction != n or pdu[1] != 2 * (1 + n % 100):
                    raise AssertionError(f"request {n} got the answer to {transaction}, {pdu[1]} bytes")

    def asks_and_never_reads(self):
        with self.client() as client:
            client.socket.setblocking(False)
            block, sent = read(count=100) * 1000, 0
            deadline = time.monotonic() + 3
            while time.monotonic() < deadline and sent < 20_000_000:
                try:
                    sent += client.socket.send(block)
                except BlockingIOError:
                    time.sleep(0.01)
                except OSError:
                    return

    def sends_rubbish(self):
        for _ in range(300):
            data = bytearray(read(count=1) * self.chance.randint(1, 4))
            for _ in range(self.chance.randint(1, 6)):
                data[self.chance.randrange(len(data))] = self.chance.randrange(256)
            with self.client() as client:
                client.send(bytes(data))
                client.socket.shutdown(socket.SHUT_WR)
                try:
                    while True:
                        client.receive()
                except ConnectionError:
                    pass

    def ways(self):
        return [self.sends_a_byte_at_a_time, self.speaks_another_protocol, self.lies_about_lengths,
                self.uses_every_function, self.asks_for_absurd_amounts, self.writes, self.leaves_at_each_byte,
                self.sends_many_requests_at_once, self.asks_and_never_reads, self.sends_rubbish]


def stalled(port):
    """Thirty-two clients that hold their connections: half say nothing, half stop within a request."""
    clients = [Client(port) for _ in range(32)]
    for n, client in enumerate(clients):
        client.send(read()[:n // 2 % 12 if n % 2 else 0])
    return clients


def too_many(port):
    """A hundred connections at once: how many of them the server closed."""
    clients = [Client(port) for _ in range(100)]

    def closed():
        return select.select([client.socket for client in clients], [], [], 0)[0]
    until("connections that are refused", closed, 10)
    time.sleep(0.2)  # those that come after the first
    refused = len(closed())
    for client in clients:
        client.socket.close()
    return refused


def main():
    problems = []
    with tempfile.TemporaryDirectory(prefix="probekeeper-scada-") as folder:
        daemon, scada = Daemon(DAEMON, folder, free_port()), free_port()
        with open(daemon.path("c.toml"), "w", encoding="utf-8") as file:
            file.write(CONFIG.format(http=daemon.port, scada=scada))
        daemon.start()
        try:
            daemon.ready()
            good = Good(scada)
            good.start()
            hostile = Hostile(scada)
            held = stalled(scada)
            hostile.writes()  # warms up: what memory this takes is no growth
            before = resident_kb(daemon.process.pid)
            for way in hostile.ways():
                try:
                    way()
                except (OSError, AssertionError) as error:
                    problems.append(f"{way.__name__}: {type(error).__name__} {error}")
            for client in held:
                client.socket.close()
            refused = too_many(scada)
            if not 36 <= refused < 60:
                problems.append(f"{refused} of 100 connections were refused, where 64 may be open")
            grown = resident_kb(daemon.process.pid) - before
            if grown > memory_bound(GROWTH_MOST_KB):
                problems.append(f"resident memory grew by {grown} kB")
            good.going = False
            good.join()
            problems += [good.problem] if good.problem else []
            took = sorted(good.took)
            most = took[int(0.99 * len(took))]
            if most > LATENCY_99_MOST_S or took[-1] > LATENCY_MOST_S:
                problems.append(f"the good client waited {1e3 * most:.1f} ms (99 %), {1e3 * took[-1]:.1f} ms at most")
        finally:
            if daemon.process.poll() is not None:
                problems.append(f"the daemon ended with {daemon.process.returncode}: {daemon.log()[-2000:]}")
            elif daemon.stop() != 0:
                problems.append("the daemon did not end well")
    for problem in problems:
        print(problem)
    print(f"{len(hostile.ways())} ways to misbehave, {hostile.count} attempts, beside 32 stalled clients; {len(took)} polls of the "
          f"good one took {1e3 * statistics.median(took):.2f} ms (median), {1e3 * most:.2f} ms (99 %), {1e3 * took[-1]:.2f} ms at "
          f"most; memory grew by {grown} kB; {len(problems)} problems")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
