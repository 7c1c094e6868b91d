"""whether a station's machine was told to hold, so that it is told to go on"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand."""
    with op.batch_alter_table("stations", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("told_to_hold", sa.Boolean(), server_default=sa.false(), nullable=False)
        )


def downgrade() -> None:
    """Contract."""
    with op.batch_alter_table("stations", schema=None) as batch_op:
        batch_op.drop_column("told_to_hold")
