"""Mislabel cases: opened with the entry that shows them, explained and closed by people."""
