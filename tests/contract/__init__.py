"""Contract suites: the same checks for every kind and every store."""
