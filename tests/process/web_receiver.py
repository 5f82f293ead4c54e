#!/usr/bin/env python3
"""A receiver of webhooks for the tests, on loopback. Usage: web_receiver.py PORT_FILE REQUESTS_FILE BEHAVIOUR...

Writes its port into PORT_FILE once it listens, and each request's path, content type and body as a line of JSON into
REQUESTS_FILE. Request number n gets the n-th BEHAVIOUR, those after the last get the last: `ok`, a status number, `hang`
(no answer), `garbage` (no HTTP).
"""

import json
import os
import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

port_file, requests_file, behaviours = sys.argv[1], sys.argv[2], sys.argv[3:]
lock = threading.Lock()
seen = 0


class Receiver(BaseHTTPRequestHandler):
    def do_POST(self):
        global seen
        body = self.rfile.read(int(self.headers["Content-Length"])).decode()
        with lock:
            behaviour = behaviours[min(seen, len(behaviours) - 1)]
            seen += 1
            with open(requests_file, "a", encoding="utf-8") as out:
                request = {"path": self.path, "type": self.headers["Content-Type"], "body": json.loads(body)}
                out.write(json.dumps(request) + "\n")
        if behaviour == "hang":
            self.rfile.read(1)  # until the other end goes
        elif behaviour == "garbage":
            self.wfile.write(b"Dear sender, thank you.\r\n\r\n" * 1000)
        else:
            self.send_response(200 if behaviour == "ok" else int(behaviour))
            self.end_headers()
        self.close_connection = True

    def log_message(self, *arguments):
        pass


server = ThreadingHTTPServer(("127.0.0.1", 0), Receiver)
server.daemon_threads = True
with open(port_file + ".new", "w", encoding="utf-8") as out:
    out.write(str(server.server_address[1]))
os.rename(port_file + ".new", port_file)
server.serve_forever()
