"""Every write of planning: one function, one transaction, one ledger entry."""
