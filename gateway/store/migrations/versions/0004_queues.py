"""targets of outgoing events, whose turn it is, and dead letters"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand."""
    op.create_table(
        "targets",
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("sent_to", sa.BigInteger(), nullable=False),
        sa.Column("missed", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("text", sa.Text(), server_default="", nullable=False),
        sa.Column("changed", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("way", name=op.f("pk_targets")),
    )
    op.create_table(
        "turns",
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("owner", sa.Text(), nullable=False),
        sa.Column("until", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("way", name=op.f("pk_turns")),
    )
    op.create_table(
        "dead_letters",
        sa.Column("letter_id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("way", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("time", sa.Text(), nullable=False),
        sa.Column("times", sa.Integer(), server_default="1", nullable=False),
        sa.Column("problem", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=True),
        sa.Column("event_id", sa.Text(), nullable=True),
        sa.Column("headers", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("replayed", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("letter_id", name=op.f("pk_dead_letters")),
        sa.UniqueConstraint("way", "sha256", name="uq_dead_letters_way_sha256"),
    )
    with op.batch_alter_table("dead_letters", schema=None) as batch_op:
        batch_op.create_index("ix_dead_letters_time", ["time"], unique=False)


def downgrade() -> None:
    """Contract."""
    op.drop_table("dead_letters")
    op.drop_table("turns")
    op.drop_table("targets")
