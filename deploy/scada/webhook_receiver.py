#!/usr/bin/python3
"""A receiver of webhooks: checks who sent a message, when, and that nobody changed it; handles none twice.

    webhook_receiver.py PORT KEY_FILE URL      URL as it stands in the [[notice]]

An example to start from: it prints what it takes. RFC 9421 (hmac-sha256) and RFC 9530.
"""
import base64
import hashlib
import hmac
import http.server
import json
import re
import sys
import time

PORT, KEY_FILE, URL = int(sys.argv[1]), sys.argv[2], sys.argv[3]
with open(KEY_FILE, encoding="ascii") as file:
    KEY = file.readline().strip().encode()
NEEDED = {"@method", "@target-uri", "content-digest", "notice-id"}
OLDEST_S = 300  # the sender signs anew at each try
taken = set()   # a real one keeps these where they outlive it


def trouble(fields, body):
    """What is wrong with a message; empty where nothing is."""
    digest = base64.b64encode(hashlib.sha256(body).digest()).decode()
    if fields.get("Content-Digest") != f"sha-256=:{digest}:":
        return "the body is not what was signed"
    found = re.fullmatch(r'sig=(\((.*?)\);created=(\d+);keyid="[^"]*")', fields.get("Signature-Input", ""))
    if not found:
        return "it is not signed"
    params, names, created = found[1], re.findall(r'"([^"]+)"', found[2]), int(found[3])
    if not NEEDED <= set(names):
        return "the signature covers too little"
    if abs(time.time() - created) > OLDEST_S:
        return "it is too old, or a clock is wrong"
    values = {"@method": "POST", "@target-uri": URL}
    lines = [f'"{name}": {values.get(name, fields.get(name))}' for name in names]
    base = "\n".join([*lines, f'"@signature-params": {params}'])
    right = base64.b64encode(hmac.new(KEY, base.encode(), hashlib.sha256).digest()).decode()
    return "" if hmac.compare_digest(fields.get("Signature", ""), f"sig=:{right}:") else "the signature is wrong"


class Receiver(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        wrong = trouble(self.headers, body)
        if wrong:
            print(f"refused: {wrong}", flush=True)
            self.send_error(401, wrong)
            return
        name = self.headers["Notice-Id"]
        if name not in taken:
            taken.add(name)
            message = json.loads(body)
            print(f"{name} {message['kind']} {message['text'].splitlines()[0]}", flush=True)
        self.send_response(204)  # also to one that was taken before: else it comes again
        self.end_headers()

    def log_message(self, *_):
        pass


http.server.ThreadingHTTPServer(("127.0.0.1", PORT), Receiver).serve_forever()
