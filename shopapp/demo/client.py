"""A small client of Midflank's own API, as a tablet or a script would use it: tokens, JSON, files, patience."""

from __future__ import annotations

import json
import mimetypes
import time
import urllib.error
import urllib.request
import uuid
from typing import Any


class Refused(Exception):
    """The server said no; the message carries its sentence."""

    def __init__(self, status: int, problem: dict[str, Any]) -> None:
        self.status = status
        self.problem = problem
        super().__init__(f"{status}: {problem.get('detail') or problem}")


class TookTooLong(Exception):
    """An errand did not end in the time given."""


class Api:
    """One person's way in: every call is made with that person's token."""

    def __init__(self, address: str, username: str, password: str) -> None:
        self.address = address.rstrip("/")
        self.token = ""
        self.token = self.post("token/", {"username": username, "password": password})["token"]

    def get(self, path: str) -> Any:
        return json.loads(self._send("GET", path, None, "application/json"))

    def post(self, path: str, values: dict[str, Any] | None = None) -> Any:
        body = json.dumps(values or {}).encode()
        answer = self._send("POST", path, body, "application/json")
        return json.loads(answer) if answer else None

    def download(self, path: str) -> bytes:
        return self._send("GET", path, None, "application/json")

    def upload(self, path: str, filename: str, data: bytes, **fields: str) -> Any:
        """POST a file as the part `file` of a multipart body (RFC 7578), with the other fields beside it."""
        boundary = uuid.uuid4().hex
        media_type = mimetypes.guess_type(filename)[0] or "application/octet-stream"
        parts = [
            f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
            for name, value in fields.items()
        ]
        head = f'--{boundary}\r\nContent-Disposition: form-data; name="file"; filename="{filename}"\r\n'
        parts += [head.encode(), f"Content-Type: {media_type}\r\n\r\n".encode(), data, b"\r\n"]
        body = b"".join([*parts, f"--{boundary}--\r\n".encode()])
        return json.loads(self._send("POST", path, body, f"multipart/form-data; boundary={boundary}"))

    def wait_for(self, errand: str, *, seconds: float = 120) -> dict[str, Any]:
        """Watch an errand until it is done or failed."""
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            found: dict[str, Any] = self.get(errand)
            if found["state"] in {"done", "failed"}:
                return found
            time.sleep(0.3)
        raise TookTooLong(f"{errand} did not end within {seconds:g} s; is a worker running?")

    def _send(self, method: str, path: str, body: bytes | None, content_type: str) -> bytes:
        url = self.address + path if path.startswith("/") else f"{self.address}/api/v1/{path}"
        headers = {"Content-Type": content_type, "Accept": "*/*"}
        if method == "POST":
            headers["Idempotency-Key"] = f'"{uuid.uuid4()}"'
        if self.token:
            headers["Authorization"] = f"Token {self.token}"
        request = urllib.request.Request(url, data=body, headers=headers, method=method)
        # The server is this machine's own: a proxy named in the environment has no business with it.
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        try:
            with opener.open(request, timeout=60) as answer:
                read: bytes = answer.read()
                return read
        except urllib.error.HTTPError as error:
            text = error.read()
            try:
                problem = json.loads(text)
            except ValueError:
                problem = {"detail": text[:300].decode("utf-8", "replace")}
            raise Refused(error.code, problem) from error
