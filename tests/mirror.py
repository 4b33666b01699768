"""A server on loopback that lays files out as open databases do, and misbehaves when it is told to."""

from __future__ import annotations

import contextlib
import hashlib
import http.server
import re
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any


class Mirror:
    """
    What a test sees of the server.

    Attributes
    ----------
    url : str
        Its address, with a slash at the end.
    faults : dict of str to list of str
        What goes wrong with the next requests for a path, one after the other: "cut" (half of it), "lie" (a
        length twice as long as the body), "silent" (nothing for a while), "spoil" (another content), a status
        such as "500", "429:2" (later, after two seconds), or "to:<url>" (sent on).
    log : list of (path, headers)
        What was asked for.
    together : int
        Most requests at one time.
    """

    def __init__(self, root: Path) -> None:
        self.root, self.url = root.resolve(), ""
        self.faults: dict[str, list[str]] = {}
        self.log: list[tuple[str, dict[str, str]]] = []
        self.together, self._now, self._lock = 0, 0, threading.Lock()
        self.slow_s = 0.0

    def asked(self) -> Counter[str]:
        """How often each path was asked for."""
        return Counter(path for path, _ in self.log)

    @contextlib.contextmanager
    def counted(self) -> Iterator[None]:
        with self._lock:
            self._now += 1
            self.together = max(self.together, self._now)
        try:
            yield
        finally:
            with self._lock:
                self._now -= 1


class _Handler(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: Any

    def log_message(self, *_: object) -> None:
        """Say nothing."""

    def do_GET(self) -> None:
        with self.server.mirror.counted():
            self._answer(self.server.mirror)

    def _answer(self, mirror: Mirror) -> None:
        mirror.log.append((self.path, dict(self.headers)))
        time.sleep(mirror.slow_s)
        waiting = mirror.faults.get(self.path, [])
        fault = waiting.pop(0) if waiting else ""
        if fault == "silent":
            time.sleep(1.5)
            self.close_connection = True
            return
        if fault.startswith("to:"):
            self._send(302, b"", {"Location": fault.removeprefix("to:")})
            return
        if fault[:3].isdigit():
            status, _, later = fault.partition(":")
            self._send(int(status), b"", {"Retry-After": later} if later else {})
            return
        path = mirror.root / self.path.lstrip("/")
        if not path.is_file() or mirror.root not in path.resolve().parents:
            self._send(404, b"no such file", {})
            return
        data = path.read_bytes()
        if fault == "spoil":
            data = bytes(255 - byte for byte in data)
        asked = re.fullmatch(r"bytes=(\d+)-", self.headers.get("Range") or "")
        if not asked:
            self._send(200, data, {}, fault)
        elif int(asked[1]) >= len(data):
            self._send(416, b"", {"Content-Range": f"bytes */{len(data)}"})
        else:
            first = int(asked[1])
            where = {"Content-Range": f"bytes {first}-{len(data) - 1}/{len(data)}"}
            self._send(206, data[first:], where, fault)

    def _send(self, status: int, data: bytes, headers: dict[str, str], fault: str = "") -> None:
        self.send_response(status)
        self.send_header("Content-Length", str(len(data) * (2 if fault == "lie" else 1)))
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            self.wfile.write(data[: len(data) // 2] if fault == "cut" else data)
        if fault in ("cut", "lie"):
            self.close_connection = True


def with_sums(folder: Path) -> None:
    """Write the checksums of all files of a version beside them."""
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()} {path.relative_to(folder).as_posix()}\n"
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "SHA256SUMS.txt"
    ]
    (folder / "SHA256SUMS.txt").write_text("".join(lines), encoding="utf-8")


@contextlib.contextmanager
def serving(root: Path) -> Iterator[Mirror]:
    """Serve a folder on loopback as long as the block lasts."""
    mirror = Mirror(root)
    server: Any = http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
    server.daemon_threads = True
    server.mirror = mirror
    mirror.url = f"http://127.0.0.1:{server.server_port}/"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield mirror
    finally:
        server.shutdown()
        server.server_close()
