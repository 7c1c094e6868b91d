"""mislabel cases, and which orders hold an article"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand."""
    op.create_table(
        "cases",
        sa.Column("case_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("opened", sa.Text(), nullable=False),
        sa.Column("changed", sa.Text(), nullable=False),
        sa.Column("closed", sa.Text(), nullable=True),
        sa.Column("station", sa.Text(), nullable=True),
        sa.Column("order_id", sa.Text(), nullable=True),
        sa.Column("job_id", sa.Text(), nullable=True),
        sa.Column("code", sa.Text(), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.Column("person", sa.Text(), server_default="", nullable=False),
        sa.CheckConstraint("state IN ('open', 'explained', 'closed')", name=op.f("ck_cases_state")),
        sa.PrimaryKeyConstraint("case_id", name=op.f("pk_cases")),
    )
    with op.batch_alter_table("cases", schema=None) as batch_op:
        batch_op.create_index("ix_cases_opened", ["opened"], unique=False)
        batch_op.create_index("ix_cases_order", ["order_id"], unique=False)
        batch_op.create_index(
            "ux_cases_one_open",
            ["kind", "subject"],
            unique=True,
            sqlite_where=sa.text("state <> 'closed'"),
            postgresql_where=sa.text("state <> 'closed'"),
        )
        batch_op.create_index(
            "ix_cases_not_closed",
            ["station"],
            unique=False,
            sqlite_where=sa.text("state <> 'closed'"),
            postgresql_where=sa.text("state <> 'closed'"),
        )
    op.create_table(
        "case_entries",
        sa.Column("case_id", sa.Text(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.case_id"], name=op.f("fk_case_entries_case_id")
        ),
        sa.PrimaryKeyConstraint("case_id", "seq", name=op.f("pk_case_entries")),
    )
    op.create_table(
        "order_articles",
        sa.Column("sku", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("sku", "order_id", name=op.f("pk_order_articles")),
    )


def downgrade() -> None:
    """Contract."""
    op.drop_table("order_articles")
    op.drop_table("case_entries")
    op.drop_table("cases")
