"""A real time-stamp authority (RFC 3161) on loopback: OpenSSL's `ts` behind a small HTTP server."""

import subprocess
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

SETTINGS = """\
[tsa]
default_tsa = one
[one]
dir = .
serial = serial
crypto_device = builtin
signer_digest = sha256
default_policy = 1.2.3.4.1
other_policies = 1.2.3.4.2
digests = sha256, sha512
accuracy = secs:1
ess_cert_id_alg = sha256
[stamps]
basicConstraints = critical,CA:FALSE
keyUsage = critical,digitalSignature,nonRepudiation
extendedKeyUsage = critical,timeStamping
[issuer]
basicConstraints = critical,CA:TRUE
keyUsage = critical,keyCertSign,cRLSign
[req]
distinguished_name = name
[name]
"""
CURVE = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")


class TimeServer:
    """Certificates in `folder`; `url` once started. `spoil` may change an answer before it is sent."""

    def __init__(self, folder: Path, name: str = "Highmoor test") -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "settings").write_text(SETTINGS)
        (folder / "serial").write_text("01\n")
        self._openssl("req", "-x509", *CURVE, "-keyout", "issuer.key", "-out", "issuer.pem", "-subj", f"/CN={name} issuer",
                      "-days", "3650", "-extensions", "issuer", "-config", "settings")  # fmt: skip
        self._openssl("req", *CURVE, "-keyout", "stamps.key", "-out", "stamps.csr", "-subj", f"/CN={name} time stamps",
                      "-config", "settings")  # fmt: skip
        self._openssl("x509", "-req", "-in", "stamps.csr", "-CA", "issuer.pem", "-CAkey", "issuer.key", "-CAcreateserial",
                      "-days", "3650", "-extfile", "settings", "-extensions", "stamps", "-out", "stamps.pem")  # fmt: skip
        self.spoil: Callable[[bytes], bytes] = lambda raw: raw
        server = self

        class Answers(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                raw = server.spoil(server._reply(self.rfile.read(int(self.headers["Content-Length"]))))
                self.send_response(200)
                self.send_header("Content-Type", "application/timestamp-reply")
                self.send_header("Content-Length", str(len(raw)))
                self.end_headers()
                self.wfile.write(raw)

            def log_message(self, *_: object) -> None:
                pass

        self._http = HTTPServer(("127.0.0.1", 0), Answers)
        self.url = f"http://127.0.0.1:{self._http.server_port}/"
        self._thread = threading.Thread(target=self._http.serve_forever, daemon=True)
        self._thread.start()

    @property
    def issuer(self) -> str:
        """The certificate that a trust list names, PEM."""
        return (self.folder / "issuer.pem").read_text()

    def close(self) -> None:
        self._http.shutdown()
        self._http.server_close()
        self._thread.join()

    def _reply(self, query: bytes) -> bytes:
        (self.folder / "query").write_bytes(query)
        self._openssl("ts", "-reply", "-config", "settings", "-queryfile", "query", "-signer", "stamps.pem", "-inkey",
                      "stamps.key", "-out", "reply")  # fmt: skip
        return (self.folder / "reply").read_bytes()

    def _openssl(self, *words: str) -> None:
        done = subprocess.run(
            ["openssl", *words], cwd=self.folder, capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, done.stderr
