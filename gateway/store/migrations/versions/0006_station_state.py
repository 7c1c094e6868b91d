"""the station's one state, and the number of its last signed report"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand; what stands now, stands after."""
    with op.batch_alter_table("stations", schema=None) as batch_op:
        batch_op.add_column(sa.Column("state", sa.Text(), server_default="ready", nullable=False))
        batch_op.add_column(sa.Column("state_since", sa.Text(), nullable=True))
        batch_op.add_column(sa.Column("last_report", sa.BigInteger(), nullable=True))
        batch_op.create_check_constraint(
            op.f("ck_stations_state"),
            "state IN ('ready', 'in_doubt', 'needs_person', 'faulted', 'held')",
        )
    op.execute(
        "UPDATE stations SET state = 'in_doubt' WHERE station IN"
        " (SELECT station FROM jobs WHERE state = 'in_doubt')"
    )
    op.execute(
        "UPDATE stations SET state = 'held', state_since ="
        " (SELECT since FROM holds WHERE holds.station = stations.station AND released IS NULL)"
        " WHERE station IN (SELECT station FROM holds WHERE released IS NULL)"
    )


def downgrade() -> None:
    """Contract."""
    with op.batch_alter_table("stations", schema=None) as batch_op:
        batch_op.drop_constraint(op.f("ck_stations_state"), type_="check")
        batch_op.drop_column("last_report")
        batch_op.drop_column("state_since")
        batch_op.drop_column("state")
