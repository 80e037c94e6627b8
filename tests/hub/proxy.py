"""A TCP proxy that loses connections when it is told to, at any byte."""
import contextlib
import random
import socket
import threading


class Proxy:
    def __init__(self, port_behind, seed=1):
        self.behind = port_behind
        self.open = True
        self.random = random.Random(seed)
        self.cut_after = None  # bytes from the client after which a connection ends, once; None: never
        self.cuts = 0
        self.pairs = set()
        self.lock = threading.Lock()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        while True:
            try:
                client, _ = self.listener.accept()
            except OSError:
                return
            if not self.open:
                client.close()
                continue
            try:
                server = socket.create_connection(("127.0.0.1", self.behind))
            except OSError:
                client.close()
                continue
            pair = (client, server)
            with self.lock:
                self.pairs.add(pair)
            threading.Thread(target=self._pump, args=(pair, client, server, True), daemon=True).start()
            threading.Thread(target=self._pump, args=(pair, server, client, False), daemon=True).start()

    def _pump(self, pair, source, sink, from_client):
        passed = 0
        try:
            while data := source.recv(4096):
                if from_client and self.cut_after is not None and passed + len(data) >= self.cut_after:
                    sink.sendall(data)  # what is done with it, nobody hears
                    self.cut_after = None
                    self.cuts += 1
                    break
                passed += len(data)
                sink.sendall(data)
        except OSError:
            pass
        self._end(pair)

    def _end(self, pair):
        with self.lock:
            self.pairs.discard(pair)
        for end in pair:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def cut(self):
        """Every connection, now."""
        self.cuts += 1
        for pair in list(self.pairs):
            self._end(pair)

    def close(self):
        self.listener.close()
        self.cut()
