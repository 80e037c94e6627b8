#!/usr/bin/python3
"""Server-sent events in a real browser's EventSource, against the real executable.

    events_test.py PROBEKEEPERD      exit 77: curl, chromium or python3-websockets is not here
"""
import functools
import http.client
import http.server
import json
import math
import os
import socket
import sys
import threading
import time
import unittest

sys.argv = sys.argv[:2]
import browser  # noqa: E402
import run_test as common  # noqa: E402  (reads the daemon's path from the command line)

# What a panel does: without a token it listens, and the browser comes back by itself. With one it asks for a link
# each time, and says by the address what it has heard, because a new EventSource cannot say it by a header.
PAGE = """<!doctype html><meta charset="utf-8"><title>panel</title><script>
const [api, token] = location.hash.slice(1).split(",");
const heard = [];
let last = null, opened = 0, source = null;
async function address() {
  const path = "/v1/events" + (last === null ? "" : "?last_event_id=" + last);
  if (!token) return api + "/v1/events";
  const made = await fetch(api + "/v1/links", { method: "POST", body: JSON.stringify({ path }),
    headers: { "Content-Type": "application/json", "Authorization": "Bearer " + token } });
  return api + (await made.json()).path;
}
async function listen() {
  try { source = new EventSource(await address()); } catch { return setTimeout(listen, 500); }
  source.onopen = () => { ++opened; };
  source.onerror = () => { if (source.readyState === EventSource.CLOSED) setTimeout(listen, 500); };
  for (const kind of ["ticket", "condition", "line"])
    source.addEventListener(kind, (e) => { last = e.lastEventId; heard.push([+e.lastEventId, kind, JSON.parse(e.data)]); });
}
listen();
</script>"""


def at(unix_s):
    return time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(unix_s))


class Events(common.Running):
    def setUp(self):
        super().setUp()
        self.headers = []
        os.mkdir(self.at("pages"))
        self.write("pages/index.html", PAGE)

        class Quiet(http.server.SimpleHTTPRequestHandler):
            def log_message(self, *_):
                pass
        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Quiet, directory=self.at("pages")))
        threading.Thread(target=server.serve_forever, daemon=True).start()
        self.addCleanup(server.server_close)
        self.addCleanup(server.shutdown)
        self.origin = f"http://127.0.0.1:{server.server_address[1]}"
        more = f'allow_origins = ["{self.origin}"]\n'
        if self.needs_token():
            more += 'tokens_file = "tokens"\n'
        self.text = self.changed("[http]\n", "[http]\n" + more).replace("reference_percent = 60.0",
                                                                        "reference_percent = 10.0").replace(
            "[limits]", '[[probe]]\nid = "by-csv"\nsite = "site"\nt90_s = 40.0\n[limits]')
        self.write("site.toml", self.text)
        if self.needs_token():
            self.token = self.new_token("panel", "read")
            self.headers = ["-H", "Authorization: Bearer " + self.new_token("people", "operate")]
        self.start()
        common.until("it has begun", lambda: self.get("/probes").status == 200)
        self.browser = browser.Browser(self.at("browser"))
        self.addCleanup(self.browser.close)

    def needs_token(self):
        return "token" in self._testMethodName

    def new_token(self, name, role):
        made = common.probekeeperd("token", "add", name, "--role", role, "--config", self.config)
        self.assertEqual(made.returncode, 0, made.stderr)
        return made.stdout.strip()

    def get(self, path, *options):
        return super().get(path, *self.headers, *options)

    def open_page(self):
        token = self.token if self.needs_token() else ""
        self.browser.open(f"{self.origin}/#http://127.0.0.1:{self.http},{token}")
        self.until_run("the stream is open", "opened === 1")

    def until_run(self, what, script):
        return common.until(what, lambda: self.browser.run(script))

    def open_a_ticket(self):
        now = int(time.time())
        rows = [f"{at(t)},by-csv,{9.0 + 0.2 * math.sin(t / 600):.3f},15.0" for t in range(now - 36 * 3600, now - 60, 30)]
        csv = self.write("readings.csv", "\n".join(["time,probe,do_mg_l,temperature_c", *rows, ""]))
        fed = self.get("/readings", "-H", "content-type: text/csv", "--data-binary", "@" + csv)
        self.assertEqual(fed.status, 200, fed.body)
        posted = self.post("/probes/by-csv/service-records", {
            "kind": "reference_check", "time": at(now - 7200), "by": "t", "reference_mg_l": 3.0, "probe_mg_l": 9.0})
        self.assertEqual(posted.status, 201, posted.body)
        ticket = common.until("a ticket", lambda: self.get("/tickets").json()["items"])[0]["id"]
        # Of a probe that has been serviced the ticket stays, whatever is read meanwhile.
        done = self.post(f"/tickets/{ticket}/visit", {"by": "t", "outcome": "done"})
        self.assertEqual(done.status, 200, done.body)
        return ticket

    def check_resumption(self):
        self.open_page()
        ticket = self.open_a_ticket()
        self.until_run("the ticket", "heard.some((h) => h[2].state === 'serviced')")
        self.stop()
        self.start()
        # Before the browser comes back: it waits for three seconds, or for a link.
        step = self.post(f"/tickets/{ticket}/seen", {})
        self.assertEqual(step.status, 200, step.body)
        self.until_run("the stream is open again", "opened >= 2")
        self.post(f"/tickets/{ticket}/close", {"by": "x", "found": "not_looked"})
        self.until_run("the last step", "heard.some((h) => h[2].state === 'closed')")
        self.assertIn(["serviced", True], self.browser.run("heard.map((h) => [h[2].state, h[2].seen != null])"))
        ids = self.browser.run("heard.map((h) => h[0])")
        self.assertEqual(ids, sorted(set(ids)), "an event twice, or out of order")
        thrown = [e for e in self.browser.errors if "ERR_" not in e and "Failed to load" not in e]
        self.assertEqual(thrown, [])  # a browser tells by itself that nobody answered

    def test_an_eventsource_comes_back_after_a_restart_and_hears_what_it_missed(self):
        self.check_resumption()

    def test_with_a_token_a_link_opens_it_and_a_new_link_goes_on_where_it_was(self):
        self.check_resumption()

    def test_a_client_that_does_not_read_is_dropped_and_the_browser_hears_everything(self):
        ticket = self.open_a_ticket()
        self.open_page()
        stuck = socket.socket()
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stuck.connect(("127.0.0.1", self.http))
        self.addCleanup(stuck.close)
        stuck.sendall(b"GET /v1/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        self.assertTrue(stuck.recv(16).startswith(b"HTTP/1.1 200"))
        steps = 150  # each told with its whole history: some megabytes together
        connection = http.client.HTTPConnection("127.0.0.1", self.http, timeout=30)
        for i in range(steps):
            connection.request("POST", f"/v1/tickets/{ticket}/visit", json.dumps({"by": "x" * 200, "outcome": "no_access"}),
                               {"Content-Type": "application/json"})
            answer = connection.getresponse()
            self.assertEqual(answer.status, 200, answer.read())
            answer.read()
        connection.close()
        self.until_run("every step", f"heard.filter((h) => h[1] === 'ticket').length >= {steps}")

        def metrics():
            return common.curl(f"http://127.0.0.1:{self.http}/metrics").body
        common.until("it is dropped", lambda: "probekeeper_event_clients_dropped_total 1\n" in metrics(), 90)
        self.assertIn("probekeeper_event_clients 1\n", metrics())

    def test_a_page_of_another_origin_may_not_listen(self):
        other = self.origin.replace("127.0.0.1", "localhost")
        self.browser.open(f"{other}/#http://127.0.0.1:{self.http},")
        self.until_run("it is refused", "source && source.readyState === EventSource.CLOSED")
        self.assertEqual(self.browser.run("opened"), 0)


if __name__ == "__main__":
    if browser.missing():
        print(f"skipped: needs {browser.missing()}")
        sys.exit(common.SKIPPED)
    DEVICES, common.MODBUS = common.start_devices()
    suite = unittest.TestSuite(Events(name) for name in vars(Events) if name.startswith("test_"))
    result = unittest.TextTestRunner().run(suite)
    DEVICES.stdin.close()
    DEVICES.wait()
    sys.exit(not result.wasSuccessful())
