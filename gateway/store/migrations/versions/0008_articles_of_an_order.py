"""an index for the articles of an order: without it each order read those of all"""

from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand."""
    op.create_index(op.f("ix_order_articles_order_id"), "order_articles", ["order_id"])


def downgrade() -> None:
    """Contract."""
    op.drop_index(op.f("ix_order_articles_order_id"), table_name="order_articles")
