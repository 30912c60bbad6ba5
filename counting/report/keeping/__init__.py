"""What keeps a trial safe: the audit, checkpoints of the ledger, copies and the way back."""
