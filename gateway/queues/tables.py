"""Tables of the ways out and of what could not be taken or sent."""

import sqlalchemy as sa

from gateway.store.tables import InstantText, metadata

targets = sa.Table(
    "targets",
    metadata,
    sa.Column("way", sa.Text, primary_key=True),
    sa.Column("sent_to", sa.BigInteger, nullable=False),
    sa.Column("missed", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("text", sa.Text, nullable=False, server_default=""),
    sa.Column("changed", InstantText, nullable=False),
)

turns = sa.Table(
    # which gateway of those on one store reads a queue or tells a target now
    "turns",
    metadata,
    sa.Column("way", sa.Text, primary_key=True),
    sa.Column("owner", sa.Text, nullable=False),
    sa.Column("until", InstantText, nullable=False),
)

dead_letters = sa.Table(
    "dead_letters",
    metadata,
    sa.Column("letter_id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("way", sa.Text, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False),
    sa.Column("time", InstantText, nullable=False),
    sa.Column("times", sa.Integer, nullable=False, server_default="1"),
    sa.Column("problem", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("source", sa.Text),
    sa.Column("event_id", sa.Text),
    sa.Column("headers", sa.Text, nullable=False),
    sa.Column("body", sa.LargeBinary, nullable=False),  # personal data; the row goes in its time
    sa.Column("replayed", InstantText),
    sa.UniqueConstraint("way", "sha256", name="uq_dead_letters_way_sha256"),
    sa.Index("ix_dead_letters_time", "time"),
)
