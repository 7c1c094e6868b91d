"""indexes for what is looked up by its time"""

from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand."""
    op.create_index(op.f("ix_measurements_taken"), "measurements", ["taken"], unique=False)
