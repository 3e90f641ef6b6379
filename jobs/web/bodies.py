"""Request bodies: whole or refused, and bounded.

A server hands on what it got when a client stops in the middle, and the multipart parser takes the torn
rest of a file for a file. A trace must not be stored like that: reading past the end of what came, while
more was announced, is an error here, on pages and API alike.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, Protocol, TypeVar, cast

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

from jobs.errors import Reason, TooLarge

View = TypeVar("View", bound=Callable[..., Any])


class Readable(Protocol):
    def read(self, size: int = -1, /) -> bytes: ...
    def readline(self, size: int = -1, /) -> bytes: ...
    def close(self) -> None: ...


class WholeBody:
    """A stream of an announced length that raises `OSError` when it ends early.

    Django turns an OSError while a body is read into `UnreadablePostError`, its word for a client that left.
    """

    def __init__(self, stream: Readable, length: int) -> None:
        self._stream = stream
        self._left = length
        self.was_cut = False

    def read(self, size: int | None = -1, /) -> bytes:
        wanted = self._left if size is None or size < 0 else min(size, self._left)
        parts = []
        while wanted > 0:
            part = self._stream.read(wanted)
            if not part:
                raise self._cut()
            parts.append(part)
            wanted -= len(part)
            self._left -= len(part)
        return b"".join(parts)

    def readline(self, size: int | None = -1, /) -> bytes:
        line = self._stream.readline(-1 if size is None else size)
        if not line and self._left > 0 and size != 0:
            raise self._cut()
        self._left -= len(line)
        return line

    def _cut(self) -> OSError:
        self.was_cut = True
        return OSError(f"the body ended {self._left} bytes early")

    def close(self) -> None:
        self._stream.close()


def was_cut(request: HttpRequest) -> bool:
    """Whether somebody read past the end of what came of the body, while more was announced."""
    return bool(getattr(getattr(request, "_stream", None), "was_cut", False))


class WholeBodyMiddleware:
    """Reads no body itself; makes whoever reads it notice that it was cut off."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        length = content_length(request)
        opened: Any = request
        if length and getattr(opened, "_stream", None) is not None:
            opened._stream = WholeBody(opened._stream, length)
        return self.get_response(request)


def content_length(request: HttpRequest) -> int:
    """The announced length of the body in bytes; 0 without one or with nonsense."""
    try:
        return max(0, int(request.META.get("CONTENT_LENGTH") or 0))
    except ValueError:
        return 0


def check_length(request: HttpRequest, limit: int) -> None:
    """Raise `TooLarge` before a byte is read, when more is announced than is taken here."""
    length = content_length(request)
    if length > limit:
        taken = f"Midflank takes up to {in_words(limit)} here"
        sentence = f"This is {in_words(length)}; {taken}. Nothing was stored."
        raise TooLarge([Reason("too-large", sentence)])


def length_first(limit: Callable[..., int]) -> Callable[[View], View]:
    """Make a page check the announced length of a POST before a byte is read; `limit` takes what the page takes.

    Outermost of a page's decorators. The check against forged requests reads the body to find its token, so it
    waits until the length is known to be within the limit; it is made all the same.
    """

    def wrap(view: View) -> View:
        protected = csrf_protect(view)

        @wraps(view)
        def measured(request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
            if request.method == "POST":
                check_length(request, limit(request, *args, **kwargs))
            return protected(request, *args, **kwargs)

        return cast(View, csrf_exempt(measured))

    return wrap


def in_words(size_bytes: int) -> str:
    """A number of bytes as a person reads it: kB and MB of powers of ten."""
    if size_bytes < 1000:
        return f"{size_bytes} bytes"
    if size_bytes < 1_000_000:
        return f"{size_bytes / 1000:.0f} kB"
    return f"{size_bytes / 1_000_000:.1f} MB"


def fields_limit() -> int:
    """Most bytes of a body without files."""
    return int(settings.DATA_UPLOAD_MAX_MEMORY_SIZE or 0)


class BoundedJSONParser(JSONParser):
    """JSON whose nesting does not end the process's stack, and whose text can be written back as UTF-8."""

    def parse(
        self, stream: Any, media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> Any:
        try:
            found = super().parse(stream, media_type, parser_context)
            json.dumps(found, ensure_ascii=False).encode("utf-8")
        except RecursionError:
            raise ParseError("JSON parse error - nested too deeply") from None
        except UnicodeEncodeError:  # half of a surrogate pair: RFC 8259, section 8.2
            raise ParseError("JSON parse error - text that is no Unicode text") from None
        return found
