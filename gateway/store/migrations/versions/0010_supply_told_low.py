"""whether a station itself said that its supply is low"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand."""
    with op.batch_alter_table("supplies", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("told_low", sa.Boolean(), server_default=sa.false(), nullable=False)
        )


def downgrade() -> None:
    """Contract."""
    with op.batch_alter_table("supplies", schema=None) as batch_op:
        batch_op.drop_column("told_low")
