"""What a browser or a program sends to log a visit, read within bounds: a form, a form with photos, or JSON."""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import AsyncGenerator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

from fastapi import HTTPException, Request
from starlette.datastructures import FormData, UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser

from monitor.errors import InputError
from monitor.service.photos import MOST_BYTES, MOST_PHOTOS, Photo, photo_of
from monitor.service.visits import FIELDS, VisitError, Wrong, local_time
from monitor.site import Site

_TEXT: Final = 64 * 1024
"""Bytes of all that is no photo."""

_MOST: Final = MOST_PHOTOS * MOST_BYTES + _TEXT
_MOST_JSON: Final = MOST_PHOTOS * MOST_BYTES * 4 // 3 + _TEXT

PHOTO: Final = "photo"
"""Name of the files in a form."""


@dataclass(frozen=True, slots=True)
class Sent:
    """Text by the name of its field, photos, and what is wrong with those."""

    told: Mapping[str, str]
    photos: tuple[Photo, ...] = ()
    wrong: tuple[Wrong, ...] = field(default_factory=tuple)


async def form(request: Request, site: Site) -> Sent:
    """Return what a form of the page sends; a time without an offset is on the wall clock of the site."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind == "multipart/form-data":
        data = await _multipart(request)
    elif kind == "application/x-www-form-urlencoded":
        body = b"".join([piece async for piece in _bounded(request, _TEXT)])
        pairs = parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=50)
        data = FormData(dict(pairs))
    else:
        raise HTTPException(415, "this is no form; programs send JSON to /api/sites/SITE/visits")
    told = {name: str(data.get(name) or "") for name in FIELDS if isinstance(data.get(name), str)}
    told["leak"] = _leak(str(data.get("leak_seen") or ""), told.get("leak", ""))
    zone = ZoneInfo(site.timezone)
    told["time"] = local_time(told.get("time", "").strip(), lambda when: when.replace(tzinfo=zone))
    photos, wrong = await _photos(data)
    return Sent(told, photos, wrong)


async def machine(request: Request) -> Sent:
    """Return what a program sends: an object with text, true, false or null, and photos in base64."""
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise HTTPException(415, "send a JSON object, with Content-Type: application/json")
    body = b"".join([piece async for piece in _bounded(request, _MOST_JSON)])
    try:
        given = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise HTTPException(400, f"this is no JSON: {error}") from error
    if not isinstance(given, dict):
        raise HTTPException(400, 'a JSON object is needed, like {"action": "gauged", "precharge": "60 psi"}')
    pictures = given.pop("photos", [])
    wrong: list[Wrong] = []
    told = {name: text for name, value in given.items() if (text := _text(name, value, wrong)) is not None}
    photos: list[Photo] = []
    if not isinstance(pictures, list) or len(pictures) > MOST_PHOTOS:
        wrong.append(Wrong("photos", f"a list of at most {MOST_PHOTOS} pictures in base64 is needed"))
        pictures = []
    for count, text in enumerate(pictures, 1):
        try:
            photos.append(photo_of(base64.b64decode(text, validate=True), f"photo {count}"))
        except (TypeError, ValueError, binascii.Error, InputError) as error:
            wrong.append(
                Wrong(
                    "photos", str(error) if isinstance(error, InputError) else f"photo {count} is no base64"
                )
            )
    return Sent(told, tuple(photos), tuple(wrong))


def refuse_if(wrong: tuple[Wrong, ...], more: VisitError | None) -> None:
    """Raise all that is wrong with what was sent."""
    problems = (*(more.problems if more is not None else ()), *wrong)
    if problems:
        raise VisitError(problems)


def _text(name: str, value: Any, wrong: list[Wrong]) -> str | None:
    """Return a JSON value as the text of a field; None where nobody looked."""
    if value is None:
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return "no" if name == "leak" and not value.strip() else value
    wrong.append(Wrong(name, 'write it as text with its unit, like "60 psi", or true or false'))
    return None


def _leak(seen: str, where: str) -> str:
    """Return one answer of two fields: whether a leak was seen, and where."""
    if where.strip() and seen != "no":
        return where
    return seen


async def _bounded(request: Request, most: int) -> AsyncGenerator[bytes, None]:
    total = 0
    async for piece in request.stream():
        total += len(piece)
        if total > most:
            raise HTTPException(413, f"this is more than {most // 2**20} MB; send fewer or smaller photos")
        yield piece


async def _multipart(request: Request) -> FormData:
    parser = MultiPartParser(
        request.headers, _bounded(request, _MOST), max_files=MOST_PHOTOS, max_fields=50, max_part_size=_TEXT
    )
    try:
        return await parser.parse()
    except MultiPartException as error:
        raise HTTPException(400, f"this form cannot be read: {error.message}") from error
    except KeyError as error:
        raise HTTPException(400, "this form cannot be read: it names no boundary") from error


async def _photos(data: FormData) -> tuple[tuple[Photo, ...], tuple[Wrong, ...]]:
    photos: list[Photo] = []
    wrong: list[Wrong] = []
    for one in data.getlist(PHOTO):
        if not isinstance(one, UploadFile) or not one.filename:
            continue  # a field that was left empty
        try:
            photos.append(photo_of(await one.read(), repr(one.filename[:80])))
        except InputError as error:
            wrong.append(Wrong(PHOTO, str(error)))
    await data.close()
    return tuple(photos), tuple(wrong)
