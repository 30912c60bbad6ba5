"""Who may come in over the network: the trial's token, paired devices, and whose name is whose."""

from __future__ import annotations

import json
import secrets
import time
import unicodedata
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any

from counting.errors import CountingError
from counting.files import sha256_bytes, write_text
from counting.review.live.place import token
from counting.text import plain_name

__all__ = ["COOKIE", "COOKIE_S", "MOST_DEVICES", "Devices"]

COOKIE = "counting_device"
"""Under this name a device brings its key."""
COOKIE_S = 180 * 24 * 3600
"""A season."""
MOST_DEVICES = 200
"""More people than review one trial; a bound, so that a stranger cannot fill the file."""
_CODE_S = 600.0
"""How long the way to a second device stays open: time to fetch it from the next room."""


@dataclass(slots=True)
class Devices:
    """The devices that paired with a trial.

    A device brings the trial's token once and gets a key of its own, of which only the SHA-256 is
    kept. Devices of one person share an owner. The first owner who uses a name keeps it, so that
    nobody answers in another's name or reads another's answers.

    Parameters
    ----------
    path : Path
        The file in which they are kept.

    Raises
    ------
    CountingError
        If the file is there and cannot be used.
    """

    path: Path
    token: str = ""
    owners: dict[str, str] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    codes: dict[str, tuple[str, float]] = field(default_factory=dict)
    lock: Lock = field(default_factory=Lock)

    def __post_init__(self) -> None:
        """Read the file, or begin one with a new token."""
        if not self.path.exists():
            self.token = token()
            self._write()
            return
        try:
            held = json.loads(self.path.read_text(encoding="utf-8"))
            self.token = _text(held["token"])
            self.owners = {_text(key): _text(owner) for key, owner in held["devices"].items()}
            self.names = {_text(name): _text(owner) for name, owner in held["names"].items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            mend = "take it away; then every phone pairs again"
            raise CountingError(self.path, "cannot be used", "devices that paired", mend) from error

    def pair(self, code: str = "") -> str:
        """Return a new device's key; with a code it belongs to whoever asked for the code.

        Raises
        ------
        CountingError
            If too many have paired.
        """
        with self.lock:
            if len(self.owners) >= MOST_DEVICES:
                mend = "take the file away; then every phone pairs again"
                raise CountingError(self.path, f"{MOST_DEVICES} devices have paired", mend=mend)
            owner, until = self.codes.pop(code, ("", 0.0))
            if not owner or until < time.monotonic():
                owner = secrets.token_hex(8)
            key = token()
            self.owners[_digest(key)] = owner
            self._write()
            return key

    def owner(self, key: str) -> str:
        """Return to whom a device belongs; empty for one that has not paired."""
        return self.owners.get(_digest(key), "")

    def code(self, owner: str) -> str:
        """Return a code by which one more device can be paired with the same owner, once."""
        made = token()
        with self.lock:
            now = time.monotonic()
            self.codes = {each: held for each, held in self.codes.items() if held[1] > now}
            self.codes[made] = (owner, now + _CODE_S)
        return made

    def refusal(self, owner: str, name: str, *, answered: bool) -> str:
        """Return why an owner may not use a name, and else keep the name for them.

        Parameters
        ----------
        owner : str
        name : str
        answered : bool
            Whether answers in this name stand in the ledger.
        """
        try:
            known = _known(name)
        except ValueError as error:
            return str(error)
        with self.lock:
            holder = self.names.get(known)
            if holder == owner:
                return ""
            if holder or answered:
                return (
                    f"{name} is the name of someone else here: take another name, or pair this"
                    " device from the one that began"
                )
            self.names[known] = owner
            self._write()
        return ""

    def _write(self) -> None:
        held: dict[str, Any] = {
            "token": self.token,
            "devices": self.owners,
            "names": self.names,
        }
        self.path.parent.mkdir(mode=0o700, exist_ok=True)
        write_text(self.path, json.dumps(held, ensure_ascii=False, indent=1) + "\n", replace=True)
        with suppress(OSError):  # some file systems know no owners
            self.path.chmod(0o600)


def _known(name: str) -> str:
    """Return a name as it is compared: spelling that looks alike is the same.

    Raises
    ------
    ValueError
        If it holds a control character.
    """
    return " ".join(unicodedata.normalize("NFKC", plain_name(name)).casefold().split())


def _digest(key: str) -> str:
    return sha256_bytes(key.encode("utf-8"))


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value:
        raise TypeError
    return value
