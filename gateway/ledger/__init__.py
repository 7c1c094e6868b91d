"""The audit ledger: entries that cannot be changed unseen, and what is read from them."""
