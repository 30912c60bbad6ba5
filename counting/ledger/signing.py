"""Checkpoints signed by a key that is kept outside the trial's folder (Ed25519, RFC 8032)."""

from __future__ import annotations

import base64
import binascii
import os
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from counting.errors import CountingError
from counting.files import canonical_json, write_bytes
from counting.ledger.checkpoint import Checkpoint

__all__ = ["make_key", "signature_fault", "signed"]

_MOST_BYTES = 10_000


def make_key(path: Path) -> Path:
    """Write a new private key, readable by its owner alone, and its public half beside it.

    Parameters
    ----------
    path : Path
        The private key's file; a key that is there is never replaced.

    Returns
    -------
    Path
        The public key's file, ``.pub`` added to the name.

    Raises
    ------
    CountingError
        If one of the files exists or the disk refuses.
    """
    public = path.with_name(f"{path.name}.pub")
    for each in (path, public):
        if each.exists():
            raise CountingError(each, "exists already", mend="give the new key another name")
    key = Ed25519PrivateKey.generate()
    write_bytes(
        public,
        key.public_key().public_bytes(
            serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
        ),
    )
    secret = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as stream:
            stream.write(secret)
    except OSError as error:
        found = f"could not be written ({error.strerror})"
        raise CountingError(path, found, mend="check the folder") from error
    return public


def signed(point: Checkpoint, key: Path) -> dict[str, Any]:
    """Return a checkpoint as JSON values, with a signature over all of them.

    Raises
    ------
    CountingError
        If the key cannot be read.
    """
    private = _read(key, private=True)
    facts = point.to_json()
    signature = private.sign(_message(facts))
    return {**facts, "signature": base64.b64encode(signature).decode("ascii")}


def signature_fault(value: dict[str, Any], public_key: Path) -> str:
    """Return what is wrong with a checkpoint's signature, empty if the key's owner made it.

    Raises
    ------
    CountingError
        If the public key cannot be read.
    """
    public = _read(public_key, private=False)
    told = value.get("signature")
    if not isinstance(told, str):
        return "carries no signature"
    facts = {name: part for name, part in value.items() if name != "signature"}
    try:
        public.verify(base64.b64decode(told, validate=True), _message(facts))
    except (InvalidSignature, binascii.Error, ValueError):
        return f"was not signed by the key of {public_key}, or was changed since"
    return ""


def _message(facts: dict[str, Any]) -> bytes:
    return canonical_json(facts).encode("utf-8")


def _read(path: Path, *, private: bool) -> Any:
    kind = "private" if private else "public"
    expected = f"an Ed25519 {kind} key in PEM"
    mend = "counting checkpoint --new-key FILE makes a pair"
    try:
        if path.is_file() and path.stat().st_size > _MOST_BYTES:
            raise CountingError(path, "too large for a key", expected, mend)
        data = path.read_bytes()
        key = (
            serialization.load_pem_private_key(data, password=None)
            if private
            else serialization.load_pem_public_key(data)
        )
    except OSError as error:
        found = f"could not be read ({error.strerror})"
        raise CountingError(path, found, expected, mend) from error
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise CountingError(path, "not such a key", expected, mend) from error
    if not isinstance(key, (Ed25519PrivateKey, Ed25519PublicKey)):
        raise CountingError(path, "a key of another kind", expected, mend)
    return key
