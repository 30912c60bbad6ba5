"""What a page is asked, read whole and bounded before any view sees it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl

from starlette.requests import Request

__all__ = ["LARGEST_FORM", "Asked", "TooLarge", "objects", "read"]

LARGEST_FORM = 2_000_000
"""Bytes of a form: a table of 2,000 plants and ten measures as typed takes a fifth of it."""
_MOST_FIELDS = 50_000


class TooLarge(Exception):
    """A body beyond what any page of ours sends."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One request, as plain values.

    Attributes
    ----------
    trial : str
        The trial's folder name from the address; empty on pages of no trial.
    path : mapping of str to str
        Other parts of the address.
    query : mapping of str to str
        The values of each name, with commas between where there are several.
    form : mapping of str to str
        The last value of each name; blanks are kept.
    lists : mapping of str to list of str
        All values of each name of the form.
    value : object
        The body as JSON, None where it is a form or there is none.
    """

    trial: str = ""
    path: Mapping[str, str] = field(default_factory=dict)
    query: Mapping[str, str] = field(default_factory=dict)
    form: Mapping[str, str] = field(default_factory=dict)
    lists: Mapping[str, list[str]] = field(default_factory=dict)
    value: Any = None

    @property
    def told(self) -> Mapping[str, Any]:
        """The body as a JSON object; empty where it is none."""
        return self.value if isinstance(self.value, dict) else {}


def objects(value: Any) -> list[Mapping[str, Any]]:
    """Return the objects of a JSON list; empty where it is none."""
    return [each for each in value if isinstance(each, dict)] if isinstance(value, list) else []


async def read(request: Request) -> Asked:
    """Read a request.

    Raises
    ------
    TooLarge
        If the body is larger than `LARGEST_FORM`.
    ValueError
        If a body that says it is JSON is none.
    """
    form: list[tuple[str, str]] = []
    value = None
    if request.method == "POST":
        body = await _body(request)
        kind = request.headers.get("content-type", "").partition(";")[0].strip()
        if kind == "application/json":
            value = json.loads(body or b"null")
        else:
            form = parse_qsl(
                body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=_MOST_FIELDS
            )
    lists: dict[str, list[str]] = {}
    for name, text in form:
        lists.setdefault(name, []).append(text)
    path = {name: str(part) for name, part in request.path_params.items()}
    return Asked(
        trial=path.pop("trial", ""),
        path=path,
        query={name: ",".join(request.query_params.getlist(name)) for name in request.query_params},
        form={name: texts[-1] for name, texts in lists.items()},
        lists=lists,
        value=value,
    )


async def _body(request: Request) -> bytes:
    declared = request.headers.get("content-length", "0")
    if not declared.isdecimal() or int(declared) > LARGEST_FORM:
        raise TooLarge
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > LARGEST_FORM:
            raise TooLarge
    return bytes(body)
