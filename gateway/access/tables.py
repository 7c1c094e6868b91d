"""Keys and sessions: only digests of what opens the door are kept."""

import sqlalchemy as sa

from gateway.store.tables import InstantText, metadata

access_keys = sa.Table(
    "access_keys",
    metadata,
    sa.Column("key_id", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("stations", sa.Text, nullable=False),  # a JSON list; empty: every station
    sa.Column("secret_sha256", sa.LargeBinary, nullable=False),
    sa.Column("created", InstantText, nullable=False),
    sa.Column("created_by", sa.Text, nullable=False),
    sa.Column("expires", InstantText),
    sa.Column("revoked", InstantText),
)

access_sessions = sa.Table(
    "access_sessions",
    metadata,
    sa.Column("session_sha256", sa.LargeBinary, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("stations", sa.Text, nullable=False),
    sa.Column("key_id", sa.Text),  # the key that was shown; its end ends the session
    sa.Column("created", InstantText, nullable=False),
    sa.Column("expires", InstantText, nullable=False, index=True),
)
