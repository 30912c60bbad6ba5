"""The append-only store of a trial: every room writes its facts here, none changes any."""

from counting.ledger.chain import Verified, verify
from counting.ledger.checkpoint import Checkpoint
from counting.ledger.migrate import SCHEMA_VERSION
from counting.ledger.seal import FIRST, SEAL_NAME
from counting.ledger.store import LEDGER_NAME, Entry, EntryKind, Ledger, Told, entry_hash

__all__ = [
    "FIRST",
    "LEDGER_NAME",
    "SCHEMA_VERSION",
    "SEAL_NAME",
    "Checkpoint",
    "Entry",
    "EntryKind",
    "Ledger",
    "Told",
    "Verified",
    "entry_hash",
    "verify",
]
