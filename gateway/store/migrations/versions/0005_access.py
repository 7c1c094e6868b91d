"""keys and sessions"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand."""
    op.create_table(
        "access_keys",
        sa.Column("key_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("stations", sa.Text(), nullable=False),
        sa.Column("secret_sha256", sa.LargeBinary(), nullable=False),
        sa.Column("created", sa.Text(), nullable=False),
        sa.Column("created_by", sa.Text(), nullable=False),
        sa.Column("expires", sa.Text(), nullable=True),
        sa.Column("revoked", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("key_id", name=op.f("pk_access_keys")),
    )
    op.create_table(
        "access_sessions",
        sa.Column("session_sha256", sa.LargeBinary(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("stations", sa.Text(), nullable=False),
        sa.Column("key_id", sa.Text(), nullable=True),
        sa.Column("created", sa.Text(), nullable=False),
        sa.Column("expires", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("session_sha256", name=op.f("pk_access_sessions")),
    )
    with op.batch_alter_table("access_sessions", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_access_sessions_expires"), ["expires"], unique=False)


def downgrade() -> None:
    """Contract."""
    op.drop_table("access_sessions")
    op.drop_table("access_keys")
