"""Who may do what: roles and their table, keys, bearer tokens, sessions, the door."""
