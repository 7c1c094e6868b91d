"""checkpoints, archive files, and which jobs carry a label"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand."""
    op.create_table(
        "checkpoints",
        sa.Column("size", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("time", sa.Text(), nullable=False),
        sa.Column("checkpoint", sa.Text(), nullable=False),
        sa.Column("to_send", sa.Boolean(), server_default=sa.false(), nullable=False),
        sa.PrimaryKeyConstraint("size", name=op.f("pk_checkpoints")),
    )
    op.create_table(
        "archives",
        sa.Column("last", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("first", sa.BigInteger(), nullable=False),
        sa.Column("last_hash", sa.Text(), nullable=False),
        sa.Column("range", sa.Text(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("made", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("last", name=op.f("pk_archives")),
    )
    op.create_index(
        "ix_checkpoints_to_send",
        "checkpoints",
        ["size"],
        sqlite_where=sa.text("to_send"),
        postgresql_where=sa.text("to_send"),
    )
    op.create_index("ix_jobs_label", "jobs", ["label_sha256"])


def downgrade() -> None:
    """Contract."""
    op.drop_index("ix_jobs_label", "jobs")
    op.drop_table("archives")
    op.drop_table("checkpoints")
