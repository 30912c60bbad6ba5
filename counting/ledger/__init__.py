"""The append-only store of a trial: every room writes its facts here, none changes any."""

from counting.ledger.store import FIRST, LEDGER_NAME, SCHEMA_VERSION, Entry, Ledger, entry_hash

__all__ = ["FIRST", "LEDGER_NAME", "SCHEMA_VERSION", "Entry", "Ledger", "entry_hash"]
