"""The same write sent twice has one effect and one answer.

Follows draft-ietf-httpapi-idempotency-key-header-07. The design, step by step:

1. The body is read and a fingerprint of the request made; what cannot be read is refused before anything
   else.
2. The key is claimed: its row is inserted in a transaction of its own, with the fingerprint and no answer.
3. One transaction locks that row, does the action, and writes the answer into the row. Effect and answer
   are committed together or not at all.

Whoever finds the row locked is told that the first one is under way (409). Whoever gets the lock and finds
an answer gives it again. Whoever gets the lock and finds none knows that nothing was done, since an effect
never commits without its answer: the process that claimed the key died, or its answer was not one to keep;
so the action is done now. No lease and no clock are needed, and a crash at any point loses nothing and
doubles nothing. On SQLite, where one writer holds the whole database, the second one waits for the first
instead, and is told that the first is under way only when that takes longer than the database's timeout.

A refusal by an action is an answer like any other. The action has undone its own savepoint by then; what it
recorded on purpose outside of it, such as a wrong password at signing, stays.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from functools import partial
from typing import Any, cast

from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import UploadedFile
from django.db import IntegrityError, OperationalError, transaction
from django.http import Http404, HttpResponse
from django.http.response import HttpResponseBase
from django.utils import timezone
from django.utils.crypto import salted_hmac
from rest_framework import status
from rest_framework.exceptions import APIException
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from jobs.errors import BadInput, Reason, Refusal
from jobs.people.models import KeptAnswer, Person

HEADER = "Idempotency-Key"
REPLAYED = "Idempotency-Replayed"
KEPT_FOR = timedelta(days=30)
RETRY_AFTER_S = 2
NOT_KEPT = frozenset({400, 401, 405, 406, 413, 415, 429})

# RFC 9651 strings are printable ASCII in double quotes; a bare key is one word.
_QUOTED = re.compile(r'"((?:[\x20\x21\x23-\x5b\x5d-\x7e]|\\["\\])*)"')
_BARE = re.compile(r"[!#-+\--:<-\[\]-~]+")
_LONGEST = KeptAnswer._meta.get_field("key").max_length or 0


class BadKey(APIException):
    """The header is there, but is no key."""

    status_code = status.HTTP_400_BAD_REQUEST
    default_code = "bad_key"


class UnderWay(APIException):
    """The first request with this key is still being done."""

    status_code = status.HTTP_409_CONFLICT
    default_code = "under_way"
    default_detail = "The first request with this key is still under way. Send it again in a moment."
    wait = RETRY_AFTER_S


def key_of(request: Request) -> str | None:
    """The idempotency key of a request, without its quotes; None without the header; raises `BadKey`."""
    written = request.headers.get(HEADER)
    if written is None:
        return None
    written = written.strip()
    quoted = _QUOTED.fullmatch(written)
    if quoted is None and not _BARE.fullmatch(written):
        written = ""
    key = re.sub(r"\\(.)", r"\1", quoted.group(1)) if quoted else written
    if not 0 < len(key) <= _LONGEST:
        raise BadKey(f'Write {HEADER} as "…": 1 to {_LONGEST} printable ASCII characters in double quotes.')
    return key


def fingerprint(request: Request) -> str:
    """Tells two requests apart: method, address and every value sent; a file counts by its SHA-256.

    Keyed with the installation's secret, because what is sent can be a password.
    """
    digest = salted_hmac("jobs.people.idempotency", "", algorithm="sha256")
    _feed(digest, str(request.method), request.get_full_path())
    data = request.data
    if hasattr(data, "lists"):
        for name, values in sorted(data.lists()):
            for value in values:
                _feed(digest, name, _file_digest(value) if isinstance(value, UploadedFile) else str(value))
    else:
        _feed(digest, json.dumps(data, sort_keys=True, separators=(",", ":")))
    return digest.hexdigest()


def _feed(digest: hmac.HMAC, *texts: str) -> None:
    for text in texts:
        encoded = text.encode("utf-8", "surrogatepass")
        digest.update(len(encoded).to_bytes(8, "big"))
        digest.update(encoded)


def _file_digest(file: UploadedFile[Any]) -> str:
    found = hashlib.sha256()
    for chunk in file.chunks():
        found.update(chunk)
    file.seek(0)
    return f"{file.name} {file.content_type} {found.hexdigest()}"


def claim(person: Person, key: str, request_sha256: str) -> None:
    """Make the key's row, in a transaction of its own, unless it is there; forget what is too old."""
    if KeptAnswer.objects.filter(person=person, key=key).exists():
        return
    try:
        with transaction.atomic():
            KeptAnswer.objects.filter(person=person, asked_at__lt=timezone.now() - KEPT_FOR).delete()
            KeptAnswer.objects.create(person=person, key=key, request_sha256=request_sha256)
    except IntegrityError:
        return  # the other one was first


@contextmanager
def held(person: Person, key: str) -> Iterator[KeptAnswer]:
    """The key's row, locked, in the transaction that the effect and its answer share; raises `UnderWay`."""
    entered = False
    try:
        with transaction.atomic():
            row = KeptAnswer.objects.select_for_update(nowait=True).get(person=person, key=key)
            entered = True
            yield row
    except OperationalError as error:
        if entered:
            raise
        raise UnderWay from error


def keep(row: KeptAnswer, response: Response) -> None:
    """Write the answer into the row, if it is one to keep: what an action did or refused."""
    if response.status_code in NOT_KEPT or response.status_code >= 500:
        return
    row.status = response.status_code
    row.body = "" if response.data is None else JSONRenderer().render(response.data).decode("utf-8")
    row.content_type = response.content_type or JSONRenderer.media_type
    row.location = response.headers.get("Location", "")
    row.save(update_fields=["status", "body", "content_type", "location"])


def again(row: KeptAnswer) -> HttpResponse:
    """The first answer once more."""
    response = HttpResponse(row.body, status=row.status, content_type=row.content_type)
    response[REPLAYED] = "?1"
    if row.location:
        response["Location"] = row.location
    return response


def check_same(row: KeptAnswer, request_sha256: str) -> None:
    """Raise `BadInput` when the key came with another request before."""
    if not hmac.compare_digest(row.request_sha256, request_sha256):
        sentence = f"This {HEADER} came with another request before. Use a new key for a new request."
        raise BadInput([Reason("key-reused", sentence)])


def once(
    person: Person,
    key: str,
    request: Request,
    act: Callable[[], Response],
    refused: Callable[[Exception], Response],
) -> HttpResponseBase:
    """The answer of `act`, done once for this key; `refused` turns what an action raised into an answer."""
    request_sha256 = fingerprint(request)
    claim(person, key, request_sha256)
    with held(person, key) as row:
        check_same(row, request_sha256)
        if row.status is not None:
            return again(row)
        try:
            response = act()
        except (Refusal, PermissionDenied, Http404, APIException) as error:
            response = refused(error)
        keep(row, response)
    return response


class KeepsAnswers(APIView):
    """Mixed into an API view: its writes honour the idempotency key, whatever they do."""

    keeps_answers = True

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        method = str(request.method).lower()
        handler = getattr(self, method, None)
        if method in {"post", "put", "patch", "delete"} and handler is not None:
            key = key_of(request)
            if key is not None:
                setattr(self, method, self._only_once(key, handler))

    def _only_once(self, key: str, handler: Callable[..., Response]) -> Callable[..., HttpResponseBase]:
        def act(request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
            person = cast(Person, request.user)
            do = partial(handler, request, *args, **kwargs)
            return once(person, key, request, do, self.handle_exception)

        return act
