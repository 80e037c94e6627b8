"""A real browser for tests: Debian's chromium, headless, driven by its DevTools protocol. One page."""
import asyncio
import json
import os
import shutil
import subprocess
import sys
import time
import urllib.request

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from harness import end_with_us  # noqa: E402

try:
    import websockets
except ImportError:
    websockets = None


def missing():
    """What a test needs of other programs to have a browser, or an empty text."""
    if websockets is None:
        return "python3-websockets"
    return "" if shutil.which("chromium") else "chromium"


class Browser:
    """`folder` is for its profile. `errors` gathers what the page threw and what the console was told as an error."""

    def __init__(self, folder):
        self.process = subprocess.Popen(
            ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0",
             f"--user-data-dir={folder}", "--remote-allow-origins=*", "about:blank"],
            stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL, preexec_fn=end_with_us)
        port = self.port_in(os.path.join(folder, "DevToolsActivePort"))
        pages = json.load(urllib.request.urlopen(f"http://127.0.0.1:{port}/json"))
        page = next(page for page in pages if page["type"] == "page")
        self.loop = asyncio.new_event_loop()
        self.socket = self.loop.run_until_complete(self.connect(page["webSocketDebuggerUrl"]))
        self.number = 0
        self.errors = []
        for domain in ("Page", "Runtime", "Log"):
            self.ask(f"{domain}.enable")

    @staticmethod
    def port_in(path):
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            if os.path.exists(path):
                with open(path, encoding="utf-8") as file:
                    if port := file.readline().strip():
                        return port
            time.sleep(0.05)
        raise AssertionError("chromium did not start within 60 s")

    @staticmethod
    async def connect(address):
        return await websockets.connect(address, max_size=None)

    def ask(self, method, **parameters):
        """The result of a method of the protocol."""
        return self.loop.run_until_complete(self.answer(method, parameters))

    async def answer(self, method, parameters):
        self.number += 1
        await self.socket.send(json.dumps({"id": self.number, "method": method, "params": parameters}))
        while True:
            got = json.loads(await asyncio.wait_for(self.socket.recv(), 30))
            if got.get("id") == self.number:
                return got["result"]
            if got.get("method") == "Runtime.exceptionThrown":
                self.errors.append(got["params"]["exceptionDetails"]["text"])
            elif got.get("method") == "Log.entryAdded" and got["params"]["entry"]["level"] == "error":
                self.errors.append(got["params"]["entry"]["text"])

    def open(self, address):
        self.ask("Page.navigate", url=address)

    def run(self, script):
        """The value of an expression in the page; of a promise, what it comes to."""
        result = self.ask("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        return result["result"].get("value")

    def key(self, key, code, text=""):
        for kind in ("keyDown", "keyUp"):
            self.ask("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code, text=text)

    def close(self):
        self.loop.run_until_complete(self.socket.close())
        self.loop.close()
        self.process.kill()
        self.process.wait()
