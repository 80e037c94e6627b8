#!/usr/bin/python3
"""What the real executable tells by webhook, e-mail and MQTT, taken by receivers that are not ours.

    notices_test.py PROBEKEEPERD      exit 77: curl, python3-aiosmtpd, mosquitto or mosquitto-clients is not here
"""
import base64
import contextlib
import email
import email.policy
import hashlib
import hmac
import http.server
import json
import os
import re
import shutil
import socket
import ssl
import subprocess
import sys
import threading
import time
import unittest

sys.argv = sys.argv[:2]
import run_test as common  # noqa: E402  (reads the daemon's path from the command line)

try:
    from aiosmtpd.controller import Controller
except ImportError:
    Controller = None

SECRET = "a secret of this test"
MOSQUITTO = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin")


class Hook:
    """An HTTP receiver that can be stopped and come back on its port."""

    def __init__(self, tls=None):
        self.port = common.free_port()
        self.tls = tls  # of an https receiver
        self.taken = []
        self.answers = []  # status codes for the next requests; 200 where there is none
        self.server = None

    def start(self):
        hook = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                status = hook.answers.pop(0) if hook.answers else 200
                hook.taken.append((time.time(), status, self.path, dict(self.headers), body))
                self.send_response(status)
                if status == 302:
                    self.send_header("Location", f"http://127.0.0.1:{hook.port}/elsewhere")
                self.end_headers()

            def log_message(self, *_):
                pass
        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        if self.tls:
            self.server.socket = self.tls.wrap_socket(self.server.socket, server_side=True)
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        return self

    def stop(self):
        if self.server:
            self.server.shutdown()
            self.server.server_close()
            self.server = None

    def messages(self):
        return [json.loads(body) for _, status, _, _, body in self.taken if status == 200]


class Sink:
    """Keeps the mails that an SMTP server took."""

    def __init__(self):
        self.mails = []
        self.encrypted = None

    async def handle_RCPT(self, _server, _session, envelope, address, _options):
        if address.startswith("gone@"):
            return "550 there is no such box"
        envelope.rcpt_tos.append(address)
        return "250 taken"

    async def handle_DATA(self, _server, session, envelope):
        self.encrypted = session.ssl is not None
        self.mails.append((envelope.mail_from, envelope.rcpt_tos, envelope.content))
        return "250 taken"


def verified(secret, url, headers, body):
    """Whether the signature is right, worked out here from RFC 9421 and RFC 9530."""
    digest = base64.b64encode(hashlib.sha256(body).digest()).decode()
    if headers["Content-Digest"] != f"sha-256=:{digest}:":
        return False
    label, params = headers["Signature-Input"].split("=", 1)
    values = {"@method": "POST", "@target-uri": url}
    base = ""
    for name in re.findall(r'"([^"]+)"', params[:params.index(")")]):
        value = values.get(name) or next(v for k, v in headers.items() if k.lower() == name)
        base += f'"{name}": {value}\n'
    base += f'"@signature-params": {params}'
    mac = base64.b64encode(hmac.new(secret.encode(), base.encode(), hashlib.sha256).digest()).decode()
    created = int(re.search(r"created=(\d+)", params)[1])
    return headers["Signature"] == f"{label}=:{mac}:" and abs(time.time() - created) < 60


class Notices(common.Running):
    def setUp(self):
        super().setUp()
        csv = self.write("readings.csv", "\n".join(common.recording()) + "\n")
        done = common.probekeeperd("replay", "--config", self.config, "--readings", csv, "--store",
                                   self.at("var/store.db"))
        self.assertEqual(done.returncode, 0, done.stderr)
        self.text = self.changed("reference_percent = 60.0", "reference_percent = 10.0")
        self.hook = Hook()
        self.addCleanup(self.hook.stop)
        self.write("key", SECRET + "\n")
        os.chmod(self.at("key"), 0o600)

    def run_with(self, more):
        self.text += more
        self.write("site.toml", self.text)
        self.start()

    def webhook(self, more=""):
        return (f'[[notice]]\nid = "duty"\nby = "webhook"\nurl = "http://127.0.0.1:{self.hook.port}/in"\n'
                f'key_file = "key"\nreasons = ["reference_disagreement"]\n{more}')

    def open_a_ticket(self, hours=3):
        posted = self.post("/probes/probe-1/service-records", {
            "kind": "reference_check", "time": common.stamp(days=1, hours=hours), "by": "t", "reference_mg_l": 6.0,
            "probe_mg_l": 4.0})
        self.assertEqual(posted.status, 201, posted.body)
        return common.until("a ticket", lambda: self.get("/tickets?probe=probe-1").json()["items"])[0]

    def acknowledge(self, ticket):
        self.assertEqual(self.post(f"/tickets/{ticket['id']}/acknowledge", {"by": "anna"}).status, 200)

    def test_a_webhook_gets_each_step_of_a_ticket_once_and_signed(self):
        self.hook.start()
        self.run_with(self.webhook())
        ticket = self.open_a_ticket()
        opened = common.until("the webhook", lambda: [m for m in self.hook.messages() if m["kind"] == "ticket"])[0]
        self.assertEqual((opened["step"], opened["ticket"]["id"]), ("open", ticket["id"]))
        before = time.time()
        self.acknowledge(ticket)
        common.until("the next step", lambda: "acknowledged" in [m.get("step") for m in self.hook.messages()])
        self.assertLess(self.hook.taken[-1][0] - before, 1.0)
        for _, _, path, headers, body in self.hook.taken:
            self.assertTrue(verified(SECRET, f"http://127.0.0.1:{self.hook.port}{path}", headers, body), headers)
            self.assertFalse(verified("another", f"http://127.0.0.1:{self.hook.port}{path}", headers, body))
            self.assertEqual(headers["Notice-Id"], json.loads(body)["id"])
        ids = [m["id"] for m in self.hook.messages()]
        self.assertEqual(len(ids), len(set(ids)))
        self.assertNotIn(SECRET, self.log())

    def test_what_a_receiver_missed_comes_when_it_is_back_even_after_a_restart(self):
        self.run_with(self.webhook())  # nobody listens
        ticket = self.open_a_ticket()
        self.acknowledge(ticket)
        common.until("it is told", lambda: "event=notice_receiver_down" in self.log())
        self.end(self.daemon)
        self.start()
        self.hook.start()
        common.until("both steps", lambda: {m.get("step") for m in self.hook.messages()} >= {"open", "acknowledged"})
        steps = [m["step"] for m in self.hook.messages() if m["ticket"]["id"] == ticket["id"]]
        self.assertEqual(steps, ["open", "acknowledged"])

    def test_a_receiver_in_trouble_gets_the_same_id_again_and_a_redirect_is_not_followed(self):
        self.hook.start()
        self.hook.answers = [503, 503]
        self.run_with(self.webhook())
        self.open_a_ticket()
        common.until("the third time", lambda: self.hook.messages())
        first = self.hook.taken[:3]
        self.assertEqual([status for _, status, *_ in first], [503, 503, 200])
        self.assertEqual(len({headers["Notice-Id"] for *_, headers, _ in first}), 1)
        self.hook.answers = [302]
        self.acknowledge(self.get("/tickets?probe=probe-1").json()["items"][0])
        common.until("the refusal is told", lambda: "event=notice_refused" in self.log())
        self.assertNotIn("/elsewhere", [path for _, _, path, *_ in self.hook.taken])

    def test_quiet_hours_hold_what_can_wait(self):
        self.hook.start()
        self.run_with(self.webhook('quiet_hours = "00:00-23:59"\n') +
                      f'[[notice]]\nid = "other"\nby = "webhook"\nurl = "http://127.0.0.1:{self.hook.port}/other"\n'
                      'key_file = "key"\nreasons = ["reference_disagreement"]\n')
        self.open_a_ticket()
        common.until("the other one is told", lambda: self.hook.taken)
        self.assertEqual({path for _, _, path, *_ in self.hook.taken}, {"/other"})

    def test_what_waits_in_quiet_hours_comes_as_one_message_when_they_end(self):
        self.hook.start()
        until = time.gmtime(time.time() + 75)  # the site's clock is UTC; 15 to 75 s ahead
        self.run_with(self.webhook(f'quiet_hours = "{time.strftime("%H:%M", time.gmtime(time.time() - 3600))}-'
                                   f'{until.tm_hour:02}:{until.tm_min:02}"\n'))
        ticket = self.open_a_ticket()
        self.acknowledge(ticket)
        self.assertEqual(self.hook.taken, [])
        digest = common.until("the quiet hours end", self.hook.messages, seconds=90)[0]
        self.assertEqual(digest["kind"], "digest")
        self.assertEqual([item["step"] for item in digest["items"]], ["open", "acknowledged"])
        self.assertEqual(len(self.hook.taken), 1)

    def waiting(self):
        with contextlib.closing(common.sqlite3.connect(self.at("var/store.db"))) as db:
            return db.execute("SELECT count(*) FROM notices WHERE done_at_ms IS NULL").fetchone()[0]

    def test_a_site_that_falls_silent_is_one_message_and_not_one_a_probe(self):
        devices, port = common.start_devices()
        self.addCleanup(devices.wait)
        self.addCleanup(devices.kill)
        self.text = self.text.replace(f"port = {common.MODBUS}", f"port = {port}", 1)
        self.text = self.text.replace("[limits]\n", "[limits]\nno_reading_minutes = 0.1\n", 1)
        self.hook.start()
        self.run_with(self.webhook().replace('reasons = ["reference_disagreement"]\n', ""))
        common.until("readings", lambda: self.probe("probe-1")["last_reading"] and self.probe("probe-2")["last_reading"])
        devices.kill()
        outage = common.until("the outage", lambda: [m for m in self.hook.messages() if m["kind"] == "outage"])[0]
        self.assertEqual((outage["site"], outage["line"], outage["over"]), ("site", None, False))
        self.assertGreaterEqual(outage["since"], common.stamp(days=2))
        # What is killed before it has noted a delivery delivers again, under the same id.
        common.until("it is noted", lambda: self.waiting() == 0)
        self.end(self.daemon)  # a restart tells it no second time
        self.start()
        common.until("the log", lambda: "event=line_down" in self.log())
        time.sleep(12)  # as long as it takes to find it out again
        self.assertEqual([m["id"] for m in self.hook.messages() if m["kind"] == "outage"], [outage["id"]])
        self.assertEqual(self.get("/tickets?reason=no_communication&state=open").json()["items"], [])

    def certificate(self):
        subprocess.run(["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
                        "-keyout", self.at("server.key"), "-out", self.at("server.pem"), "-days", "2", "-subj",
                        "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"],
                       check=True, capture_output=True)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.at("server.pem"), self.at("server.key"))
        return context

    def test_an_https_receiver_is_trusted_by_the_file_that_is_named_and_no_other(self):
        self.hook = Hook(self.certificate()).start()
        self.addCleanup(self.hook.stop)
        plain = self.webhook().replace("http://", "https://")
        self.run_with(plain.replace('"duty"', '"system"') + plain + 'ca_file = "server.pem"\n')
        ticket = self.open_a_ticket()
        opened = common.until("the webhook", self.hook.messages)[0]
        self.assertEqual(opened["ticket"]["id"], ticket["id"])
        common.until("the other one refuses it", lambda: "event=notice_receiver_down notice=system" in self.log())
        self.assertEqual({m["id"].split("/")[0] for m in self.hook.messages()}, {"duty"})

    def mail(self, port, more=""):
        return (f'[[notice]]\nid = "mail"\nby = "mail"\nserver = "smtp://127.0.0.1:{port}"\n'
                'from = "probes@farm.example"\nto = ["duty@farm.example", "gone@farm.example", "chief@farm.example"]\n'
                f'reasons = ["reference_disagreement"]\n{more}')

    def test_a_mail_goes_by_starttls_and_an_address_that_is_gone_keeps_it_from_no_other(self):
        context = self.certificate()
        sink = Sink()
        server = Controller(sink, hostname="127.0.0.1", port=common.free_port(), tls_context=context,
                            require_starttls=True)
        server.start()
        self.addCleanup(server.stop)
        self.run_with(self.mail(server.port, 'ca_file = "server.pem"\n'))
        ticket = self.open_a_ticket()
        common.until("the mail", lambda: sink.mails)
        self.assertTrue(sink.encrypted)
        self.assertEqual(sink.mails[0][1], ["duty@farm.example", "chief@farm.example"])
        common.until("it is told", lambda: "event=notice_partly_taken" in self.log())
        with common.sqlite3.connect(self.at("var/store.db")) as db:
            common.until("it is done", lambda: db.execute(
                "SELECT count(*) FROM notices WHERE outcome = 'taken' AND notice_id LIKE ?",
                (f"mail/{ticket['id']}/%",)).fetchone()[0])

    def test_a_mail_comes_whole_after_its_server_was_down(self):
        port = common.free_port()
        self.run_with(f'[[notice]]\nid = "mail"\nby = "mail"\nserver = "smtp://127.0.0.1:{port}"\n'
                      'from = "probes@farm.example"\nto = ["duty@farm.example", "chief@farm.example"]\n'
                      'reasons = ["reference_disagreement"]\n')
        ticket = self.open_a_ticket()
        common.until("it is told", lambda: "event=notice_receiver_down" in self.log())
        sink = Sink()
        server = Controller(sink, hostname="127.0.0.1", port=port)
        server.start()
        self.addCleanup(server.stop)
        common.until("the mail", lambda: sink.mails)
        sender, to, content = sink.mails[0]
        self.assertEqual((sender, to), ("probes@farm.example", ["duty@farm.example", "chief@farm.example"]))
        mail = email.message_from_bytes(content, policy=email.policy.default)
        self.assertEqual(mail["Subject"], "probe-1: open")
        self.assertEqual(mail.defects, [])
        self.assertIn(ticket["id"], mail.get_content())
        self.assertIn("does not replace the plant's own low-oxygen alarm", mail.get_content())

    def broker(self, port, more=""):
        config = self.write("mosquitto.conf", f"listener {port} 127.0.0.1\nallow_anonymous true\n"
                                              f"log_type none\n{more}")
        process = subprocess.Popen([MOSQUITTO, "-c", config], stdout=subprocess.DEVNULL,
                                   stderr=subprocess.DEVNULL, preexec_fn=common.end_with_us)
        self.addCleanup(process.wait)
        self.addCleanup(process.kill)

        def listens():
            with socket.socket() as probe:
                return probe.connect_ex(("127.0.0.1", port)) == 0
        common.until("the broker listens", listens)
        return process

    def listen(self, port, topic, count, seconds=20):
        """The first `count` messages below `topic`, as {topic: text}."""
        done = subprocess.run(["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-t", topic, "-v", "-q", "1",
                               "-C", str(count), "-W", str(seconds)], capture_output=True, text=True, timeout=30, check=False)
        return dict(line.split(" ", 1) for line in done.stdout.splitlines())

    def mqtt(self, port, version):
        return (f'[[notice]]\nid = "bus"\nby = "mqtt"\nserver = "mqtt://127.0.0.1:{port}"\nversion = "{version}"\n'
                'topic = "plant/probes"\nreasons = ["reference_disagreement"]\n')

    def check_mqtt(self, version):
        port = common.free_port()
        self.broker(port)
        gone = "plant/probes/condition/site/gone"
        subprocess.run(["mosquitto_pub", "-h", "127.0.0.1", "-p", str(port), "-t", gone, "-r", "-m", "{}"], check=True)
        self.run_with(self.mqtt(port, version))

        def conditions():
            told = {name: json.loads(text).get("condition")  # the one of the probe that left has none
                    for name, text in self.listen(port, "plant/probes/condition/#", 2).items()}
            shown = {f"plant/probes/condition/site/{p['id']}": p["condition"]
                     for p in self.get("/probes").json()["items"]}
            return len(told) == 2 and told == shown
        common.until("MQTT and HTTP say the same of both probes", conditions)
        self.assertEqual(self.listen(port, "plant/probes/status", 1), {"plant/probes/status": "online"})
        common.until("what was kept of a probe that left is gone", lambda: self.listen(
            port, gone, 1, seconds=2) == {})
        waiting = subprocess.Popen(["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-t", "plant/probes/notice/#",
                                    "-C", "1", "-W", "20"], stdout=subprocess.PIPE, text=True)
        self.addCleanup(waiting.stdout.close)
        self.addCleanup(waiting.wait)
        time.sleep(0.5)  # mosquitto_sub does not say when it has subscribed
        ticket = self.open_a_ticket()
        self.assertEqual(json.loads(waiting.stdout.readline())["ticket"]["id"], ticket["id"])
        return port

    def test_mqtt_goes_over_tls(self):
        self.certificate()
        os.chmod(self.folder, 0o755)   # the broker leaves root behind before it reads them
        os.chmod(self.at("server.key"), 0o644)
        port, plain = common.free_port(), common.free_port()
        self.broker(port, f"certfile {self.at('server.pem')}\nkeyfile {self.at('server.key')}\n"
                          f"listener {plain} 127.0.0.1\n")
        self.run_with(self.mqtt(port, "5").replace("mqtt://", "mqtts://") + 'ca_file = "server.pem"\n')
        common.until("conditions", lambda: len(self.listen(plain, "plant/probes/condition/#", 2)) == 2)

    def test_mqtt_3_1_1_has_a_retained_condition_a_probe_and_a_last_will(self):
        port = self.check_mqtt("3.1.1")
        self.daemon.kill()
        common.until("the last will",
                     lambda: self.listen(port, "plant/probes/status", 1) == {"plant/probes/status": "offline"})

    def test_mqtt_5_does_the_same_and_says_offline_when_it_stops(self):
        port = self.check_mqtt("5")
        self.stop()
        self.assertEqual(self.listen(port, "plant/probes/status", 1), {"plant/probes/status": "offline"})

    def test_a_broker_that_was_down_gets_the_conditions_and_what_it_missed(self):
        port = common.free_port()
        self.run_with(self.mqtt(port, "3.1.1"))
        ticket = self.open_a_ticket()
        common.until("it is told", lambda: "event=notice_receiver_down" in self.log())
        self.assertNotIn("event=mqtt_connected", self.log())
        broker = self.broker(port)
        self.assertEqual(len(self.listen(port, "plant/probes/condition/#", 2)), 2)
        self.assertIsNone(broker.poll())
        with common.sqlite3.connect(self.at("var/store.db")) as db:
            common.until("it is taken", lambda: db.execute(
                "SELECT count(*) FROM notices WHERE receiver = 'bus' AND outcome = 'taken' AND notice_id LIKE ?",
                (f"bus/{ticket['id']}/%",)).fetchone()[0])


if __name__ == "__main__":
    if Controller is None or not all(shutil.which(name) for name in ("curl", MOSQUITTO or "mosquitto", "mosquitto_sub")):
        print("skipped: needs curl, python3-aiosmtpd, mosquitto and mosquitto-clients")
        sys.exit(common.SKIPPED)
    DEVICES, common.MODBUS = common.start_devices()
    suite = unittest.TestSuite(Notices(name) for name in vars(Notices) if name.startswith("test_"))
    result = unittest.TextTestRunner().run(suite)
    DEVICES.stdin.close()
    DEVICES.wait()
    sys.exit(not result.wasSuccessful())
