"""first tables"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Expand."""
    op.create_table(
        "counters",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_counters")),
    )
    op.create_table(
        "entries",
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("canonical", sa.LargeBinary(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.Column("time", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=True),
        sa.Column("parcel_id", sa.Text(), nullable=True),
        sa.Column("job_id", sa.Text(), nullable=True),
        sa.Column("station", sa.Text(), nullable=True),
        sa.Column("event_id", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_entries")),
    )
    with op.batch_alter_table("entries", schema=None) as batch_op:
        batch_op.create_index("ix_entries_job", ["job_id", "seq"], unique=False)
        batch_op.create_index("ix_entries_kind", ["kind", "seq"], unique=False)
        batch_op.create_index("ix_entries_order", ["order_id", "seq"], unique=False)
        batch_op.create_index("ix_entries_parcel", ["parcel_id", "seq"], unique=False)
        batch_op.create_index("ix_entries_station", ["station", "seq"], unique=False)
        batch_op.create_index(batch_op.f("ix_entries_time"), ["time"], unique=False)

    op.create_table(
        "events",
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("event_id", sa.Text(), nullable=False),
        sa.Column("received", sa.Text(), nullable=False),
        sa.Column("type", sa.Text(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("content_sha256", sa.Text(), nullable=False),
        sa.Column("raw", sa.LargeBinary(), nullable=True),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("source", "event_id", name=op.f("pk_events")),
    )
    with op.batch_alter_table("events", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_events_received"), ["received"], unique=False)

    op.create_table(
        "holds",
        sa.Column("hold_id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("since", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("scan", sa.Text(), nullable=True),
        sa.Column("job_id", sa.Text(), nullable=True),
        sa.Column("released", sa.Text(), nullable=True),
        sa.Column("released_by", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("hold_id", name=op.f("pk_holds")),
    )
    with op.batch_alter_table("holds", schema=None) as batch_op:
        batch_op.create_index(
            "ux_holds_one_open",
            ["station"],
            unique=True,
            sqlite_where=sa.text("released IS NULL"),
            postgresql_where=sa.text("released IS NULL"),
        )

    op.create_table(
        "labels",
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("language", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=True),
        sa.Column("created", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_labels")),
    )
    with op.batch_alter_table("labels", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_labels_created"), ["created"], unique=False)

    op.create_table(
        "lanes",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("owner", sa.Text(), nullable=True),
        sa.Column("epoch", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("until", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("station", name=op.f("pk_lanes")),
    )
    op.create_table(
        "ledger_head",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("last_hash", sa.Text(), nullable=False),
        sa.Column("range", sa.Text(), nullable=False),
        sa.Column("archived", sa.BigInteger(), server_default="0", nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_ledger_head_single")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ledger_head")),
    )
    op.create_table(
        "measurements",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("measured", sa.Text(), nullable=False),
        sa.Column("taken", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "code", name=op.f("pk_measurements")),
    )
    op.create_table(
        "merkle_nodes",
        sa.Column("level", sa.Integer(), nullable=False),
        sa.Column("index", sa.BigInteger(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("level", "index", name=op.f("pk_merkle_nodes")),
    )
    op.create_table(
        "orders",
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("scan_code", sa.Text(), nullable=False),
        sa.Column("received", sa.Text(), nullable=False),
        sa.Column("changed", sa.Text(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("content_sha256", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=True),
        sa.Column("decision", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("order_id", name=op.f("pk_orders")),
    )
    with op.batch_alter_table("orders", schema=None) as batch_op:
        batch_op.create_index("ix_orders_outcome", ["outcome", "received"], unique=False)
        batch_op.create_index(batch_op.f("ix_orders_received"), ["received"], unique=False)
        batch_op.create_index(batch_op.f("ix_orders_scan_code"), ["scan_code"], unique=False)

    op.create_table(
        "outbox",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("type", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=True),
        sa.Column("data", sa.Text(), nullable=False),
        sa.Column("created", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
    )
    op.create_table(
        "stations",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("machine_state", sa.Text(), server_default="unknown", nullable=False),
        sa.Column("state_detail", sa.Text(), server_default="", nullable=False),
        sa.Column("waits_for", sa.Text(), server_default="", nullable=False),
        sa.Column("no_reads", sa.Integer(), server_default="0", nullable=False),
        sa.Column("last_scan", sa.Text(), nullable=True),
        sa.Column("changed", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", name=op.f("pk_stations")),
    )
    op.create_table(
        "supplies",
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("slot", sa.Integer(), nullable=False),
        sa.Column("bag", sa.Text(), nullable=False),
        sa.Column("pieces_left", sa.Integer(), nullable=True),
        sa.Column("metres_left", sa.Float(), nullable=True),
        sa.Column("low_at", sa.Float(), nullable=True),
        sa.Column("changed", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "slot", name=op.f("pk_supplies")),
    )
    op.create_table(
        "parcels",
        sa.Column("parcel_id", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("of", sa.Integer(), nullable=False),
        sa.Column("parcel", sa.Text(), nullable=False),
        sa.Column("created", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["order_id"], ["orders.order_id"], name=op.f("fk_parcels_order_id")
        ),
        sa.PrimaryKeyConstraint("parcel_id", name=op.f("pk_parcels")),
    )
    with op.batch_alter_table("parcels", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_parcels_order_id"), ["order_id"], unique=False)

    op.create_table(
        "jobs",
        sa.Column("job_id", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("parcel_id", sa.Text(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("lane_position", sa.BigInteger(), nullable=False),
        sa.Column("attempt", sa.Integer(), server_default="0", nullable=False),
        sa.Column("count_before", sa.BigInteger(), nullable=True),
        sa.Column("label_sha256", sa.Text(), nullable=False),
        sa.Column("sscc", sa.Text(), nullable=True),
        sa.Column("expected_scans", sa.Text(), nullable=False),
        sa.Column("reprint_of", sa.Text(), nullable=True),
        sa.Column("row_position", sa.Integer(), nullable=True),
        sa.Column("created", sa.Text(), nullable=False),
        sa.Column("waits_since", sa.Text(), nullable=False),
        sa.Column("changed", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(
            ["label_sha256"], ["labels.sha256"], name=op.f("fk_jobs_label_sha256")
        ),
        sa.ForeignKeyConstraint(["order_id"], ["orders.order_id"], name=op.f("fk_jobs_order_id")),
        sa.ForeignKeyConstraint(
            ["parcel_id"], ["parcels.parcel_id"], name=op.f("fk_jobs_parcel_id")
        ),
        sa.CheckConstraint(
            "state IN ('queued', 'stale', 'sending', 'sent', 'printed', 'in_doubt', 'refused', "
            "'verified', 'closed', 'void', 'cancelled')",
            name=op.f("ck_jobs_state"),
        ),
        sa.PrimaryKeyConstraint("job_id", name=op.f("pk_jobs")),
    )
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.create_index("ix_jobs_changed", ["changed"], unique=False)
        batch_op.create_index(
            "ix_jobs_live",
            ["station", "state"],
            unique=False,
            sqlite_where=sa.text("state NOT IN ('verified', 'closed', 'void', 'cancelled')"),
            postgresql_where=sa.text("state NOT IN ('verified', 'closed', 'void', 'cancelled')"),
        )
        batch_op.create_index(batch_op.f("ix_jobs_order_id"), ["order_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_jobs_parcel_id"), ["parcel_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_jobs_sscc"), ["sscc"], unique=False)
        batch_op.create_index("ix_jobs_verified", ["station", "state", "changed"], unique=False)
        batch_op.create_index("ux_jobs_lane", ["station", "lane_position"], unique=True)
        batch_op.create_index(
            "ux_jobs_one_open_per_lane",
            ["station"],
            unique=True,
            sqlite_where=sa.text("state IN ('sending', 'in_doubt')"),
            postgresql_where=sa.text("state IN ('sending', 'in_doubt')"),
        )
        batch_op.create_index(
            "ux_jobs_row",
            ["station", "row_position"],
            unique=True,
            sqlite_where=sa.text("row_position IS NOT NULL"),
            postgresql_where=sa.text("row_position IS NOT NULL"),
        )

    op.create_table(
        "codes",
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("job_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.job_id"], name=op.f("fk_codes_job_id")),
        sa.PrimaryKeyConstraint("code", "job_id", name=op.f("pk_codes")),
    )
    op.bulk_insert(
        sa.table(
            "ledger_head",
            sa.column("id", sa.Integer),
            sa.column("size", sa.BigInteger),
            sa.column("last_hash", sa.Text),
            sa.column("range", sa.Text),
        ),
        [{"id": 1, "size": 0, "last_hash": "0" * 64, "range": "0" * 16}],
    )
    _keep_entries()


def _keep_entries() -> None:
    """Let nobody change an entry, nor delete one that no archive file holds."""
    if op.get_context().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION entries_stay() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            "IF TG_OP = 'DELETE' AND OLD.seq <= (SELECT archived FROM ledger_head) "
            "THEN RETURN OLD; END IF; "
            "RAISE EXCEPTION 'ledger entries are append-only'; END $$"
        )
        op.execute(
            "CREATE TRIGGER entries_stay BEFORE UPDATE OR DELETE ON entries "
            "FOR EACH ROW EXECUTE FUNCTION entries_stay()"
        )
        return
    op.execute(
        "CREATE TRIGGER entries_stay_as_they_are BEFORE UPDATE ON entries "
        "BEGIN SELECT RAISE(ABORT, 'ledger entries are append-only'); END"
    )
    op.execute(
        "CREATE TRIGGER entries_stay BEFORE DELETE ON entries "
        "WHEN OLD.seq > (SELECT archived FROM ledger_head) "
        "BEGIN SELECT RAISE(ABORT, 'ledger entries are append-only'); END"
    )
