"""The tables. What must never happen is forbidden here, where no code path can forget it."""

from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

from gateway.clock import instant_text
from schemas.job import JobState
from schemas.station import StationState

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class InstantText(TypeDecorator[datetime]):
    """UTC instants as RFC 3339 text of one width, so that text order is time order everywhere."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """To text with microseconds and Z."""
        del dialect
        if value is None:
            return None
        return instant_text(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Back to an aware datetime."""
        del dialect
        return None if value is None else datetime.fromisoformat(value)


OPEN_STATES = (JobState.SENDING, JobState.IN_DOUBT)
"""At most one job of a lane may be in these: the lane stands behind it."""

WAITING_STATES = (JobState.QUEUED, JobState.STALE)
IN_ROW_STATES = (JobState.SENT, JobState.PRINTED)
LIVE_STATES = (*WAITING_STATES, *OPEN_STATES, *IN_ROW_STATES, JobState.REFUSED)


def _one_of(column: str, values: type[JobState] | type[StationState]) -> str:
    listed = ", ".join(f"'{value}'" for value in values)
    return f"{column} IN ({listed})"


events = sa.Table(
    "events",
    metadata,
    sa.Column("source", sa.Text, primary_key=True),
    sa.Column("event_id", sa.Text, primary_key=True),
    sa.Column("received", InstantText, nullable=False, index=True),
    sa.Column("type", sa.Text, nullable=False),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("content_sha256", sa.Text, nullable=False),
    sa.Column("raw", sa.LargeBinary),  # as it came; empty once erased
    sa.Column("answer", sa.Text, nullable=False),
)

orders = sa.Table(
    "orders",
    metadata,
    sa.Column("order_id", sa.Text, primary_key=True),
    sa.Column("scan_code", sa.Text, nullable=False, index=True),
    sa.Column("received", InstantText, nullable=False, index=True),
    sa.Column("changed", InstantText, nullable=False),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("outcome", sa.Text, nullable=False),
    sa.Column("content_sha256", sa.Text, nullable=False),
    sa.Column("content", sa.LargeBinary),  # personal data; empty once erased
    sa.Column("decision", sa.Text, nullable=False),
    sa.Index("ix_orders_outcome", "outcome", "received"),
)

parcels = sa.Table(
    "parcels",
    metadata,
    sa.Column("parcel_id", sa.Text, primary_key=True),
    sa.Column("order_id", sa.Text, sa.ForeignKey("orders.order_id"), nullable=False, index=True),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("of", sa.Integer, nullable=False),
    sa.Column("parcel", sa.Text, nullable=False),
    sa.Column("created", InstantText, nullable=False),
)

labels = sa.Table(
    "labels",
    metadata,
    sa.Column("sha256", sa.Text, primary_key=True),
    sa.Column("language", sa.Text, nullable=False),
    sa.Column("content", sa.LargeBinary),  # personal data; empty once erased
    sa.Column("created", InstantText, nullable=False, index=True),
)

jobs = sa.Table(
    "jobs",
    metadata,
    sa.Column("job_id", sa.Text, primary_key=True),
    sa.Column("order_id", sa.Text, sa.ForeignKey("orders.order_id"), nullable=False, index=True),
    sa.Column("parcel_id", sa.Text, sa.ForeignKey("parcels.parcel_id"), nullable=False, index=True),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column(
        "state",
        sa.Text,
        sa.CheckConstraint(_one_of("state", JobState), name="state"),
        nullable=False,
    ),
    sa.Column("lane_position", sa.BigInteger, nullable=False),
    sa.Column("attempt", sa.Integer, nullable=False, server_default="0"),
    sa.Column("count_before", sa.BigInteger),  # the station's own count before it was sent
    sa.Column("label_sha256", sa.Text, sa.ForeignKey("labels.sha256"), nullable=False),
    sa.Column("sscc", sa.Text, index=True),
    sa.Column("expected_scans", sa.Text, nullable=False),
    sa.Column("reprint_of", sa.Text),
    sa.Column("row_position", sa.Integer),
    sa.Column("created", InstantText, nullable=False),
    sa.Column("waits_since", InstantText, nullable=False),  # a person's answer begins it anew
    sa.Column("changed", InstantText, nullable=False),
    sa.Column("note", sa.Text, nullable=False, server_default=""),
    sa.Index(
        "ux_jobs_one_open_per_lane",
        "station",
        unique=True,
        sqlite_where=sa.text("state IN ('sending', 'in_doubt')"),
        postgresql_where=sa.text("state IN ('sending', 'in_doubt')"),
    ),
    sa.Index("ux_jobs_lane", "station", "lane_position", unique=True),
    sa.Index(
        "ix_jobs_live",
        "station",
        "state",
        sqlite_where=sa.text("state NOT IN ('verified', 'closed', 'void', 'cancelled')"),
        postgresql_where=sa.text("state NOT IN ('verified', 'closed', 'void', 'cancelled')"),
    ),
    sa.Index(
        "ux_jobs_row",
        "station",
        "row_position",
        unique=True,
        sqlite_where=sa.text("row_position IS NOT NULL"),
        postgresql_where=sa.text("row_position IS NOT NULL"),
    ),
    sa.Index("ix_jobs_changed", "changed"),
    sa.Index("ix_jobs_label", "label_sha256"),
    sa.Index("ix_jobs_verified", "station", "state", "changed"),
)

codes = sa.Table(
    "codes",
    metadata,
    sa.Column("code", sa.Text, primary_key=True),
    sa.Column("job_id", sa.Text, sa.ForeignKey("jobs.job_id"), primary_key=True),
)

stations = sa.Table(
    "stations",
    metadata,
    sa.Column("station", sa.Text, primary_key=True),
    sa.Column("machine_state", sa.Text, nullable=False, server_default="unknown"),
    sa.Column("state_detail", sa.Text, nullable=False, server_default=""),
    sa.Column(
        "state",
        sa.Text,
        sa.CheckConstraint(_one_of("state", StationState), name="state"),
        nullable=False,
        server_default=StationState.READY,
    ),
    sa.Column("state_since", InstantText),
    sa.Column("waits_for", sa.Text, nullable=False, server_default=""),  # why it is in that state
    # its machine was told that the lane is held, and is to be told that it may go on
    sa.Column("told_to_hold", sa.Boolean, nullable=False, server_default=sa.false()),
    sa.Column("last_report", sa.BigInteger),  # highest number of its signed reports so far
    sa.Column("no_reads", sa.Integer, nullable=False, server_default="0"),
    sa.Column("last_scan", sa.Text),
    sa.Column("changed", InstantText, nullable=False),
)

lanes = sa.Table(
    "lanes",
    metadata,
    sa.Column("station", sa.Text, primary_key=True),
    sa.Column("owner", sa.Text),
    sa.Column("epoch", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("until", InstantText),
)

supplies = sa.Table(
    "supplies",
    metadata,
    sa.Column("station", sa.Text, primary_key=True),
    sa.Column("slot", sa.Integer, primary_key=True),
    sa.Column("bag", sa.Text, nullable=False),
    sa.Column("pieces_left", sa.Integer),
    sa.Column("metres_left", sa.Float),
    sa.Column("low_at", sa.Float),
    sa.Column("told_low", sa.Boolean, nullable=False, server_default=sa.false()),
    sa.Column("changed", InstantText, nullable=False),
)

holds = sa.Table(
    "holds",
    metadata,
    sa.Column("hold_id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("since", InstantText, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("scan", sa.Text),
    sa.Column("job_id", sa.Text),
    sa.Column("released", InstantText),
    sa.Column("released_by", sa.Text),
    sa.Column("reason", sa.Text),
    sa.Index(
        "ux_holds_one_open",
        "station",
        unique=True,
        sqlite_where=sa.text("released IS NULL"),
        postgresql_where=sa.text("released IS NULL"),
    ),
)

measurements = sa.Table(
    "measurements",
    metadata,
    sa.Column("station", sa.Text, primary_key=True),
    sa.Column("code", sa.Text, primary_key=True),
    sa.Column("measured", sa.Text, nullable=False),
    sa.Column("taken", InstantText, nullable=False, index=True),
)

counters = sa.Table(
    "counters",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("value", sa.BigInteger, nullable=False),
)

entries = sa.Table(
    "entries",
    metadata,
    sa.Column("seq", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("canonical", sa.LargeBinary, nullable=False),
    sa.Column("hash", sa.LargeBinary, nullable=False),
    sa.Column("time", sa.Text, nullable=False, index=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("order_id", sa.Text),
    sa.Column("parcel_id", sa.Text),
    sa.Column("job_id", sa.Text),
    sa.Column("station", sa.Text),
    sa.Column("event_id", sa.Text),
    sa.Index("ix_entries_order", "order_id", "seq"),
    sa.Index("ix_entries_parcel", "parcel_id", "seq"),
    sa.Index("ix_entries_job", "job_id", "seq"),
    sa.Index("ix_entries_station", "station", "seq"),
    sa.Index("ix_entries_kind", "kind", "seq"),
)

ledger_head = sa.Table(
    "ledger_head",
    metadata,
    sa.Column("id", sa.Integer, sa.CheckConstraint("id = 1", name="single"), primary_key=True),
    sa.Column("size", sa.BigInteger, nullable=False),
    sa.Column("last_hash", sa.Text, nullable=False),
    sa.Column("range", sa.Text, nullable=False),
    # entries up to here stand in archive files; only these may be deleted
    sa.Column("archived", sa.BigInteger, nullable=False, server_default="0"),
)

merkle_nodes = sa.Table(
    # complete subtrees of eight leaves and more; smaller ones are hashed anew from the entries
    "merkle_nodes",
    metadata,
    sa.Column("level", sa.Integer, primary_key=True),
    sa.Column("index", sa.BigInteger, primary_key=True),
    sa.Column("hash", sa.LargeBinary, nullable=False),
)

checkpoints = sa.Table(
    "checkpoints",
    metadata,
    sa.Column("size", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("time", InstantText, nullable=False),
    sa.Column("checkpoint", sa.Text, nullable=False),
    # not yet at the site's witness URL
    sa.Column("to_send", sa.Boolean, nullable=False, server_default=sa.false()),
    sa.Index(
        "ix_checkpoints_to_send",
        "size",
        sqlite_where=sa.text("to_send"),
        postgresql_where=sa.text("to_send"),
    ),
)

archives = sa.Table(
    # files that hold the ledger's oldest entries, each up to a checkpoint
    "archives",
    metadata,
    sa.Column("last", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("first", sa.BigInteger, nullable=False),
    sa.Column("last_hash", sa.Text, nullable=False),
    sa.Column("range", sa.Text, nullable=False),
    sa.Column("file", sa.Text, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False),
    sa.Column("made", InstantText, nullable=False),
)

outbox = sa.Table(
    "outbox",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("type", sa.Text, nullable=False),
    sa.Column("subject", sa.Text),
    sa.Column("data", sa.Text, nullable=False),
    sa.Column("created", InstantText, nullable=False),
)

cases = sa.Table(
    "cases",
    metadata,
    sa.Column("case_id", sa.Text, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column(
        "state",
        sa.Text,
        sa.CheckConstraint("state IN ('open', 'explained', 'closed')", name="state"),
        nullable=False,
    ),
    # what the case is about within its kind: at most one that isn't closed for each
    sa.Column("subject", sa.Text, nullable=False),
    sa.Column("opened", InstantText, nullable=False),
    sa.Column("changed", InstantText, nullable=False),
    sa.Column("closed", InstantText),
    sa.Column("station", sa.Text),
    sa.Column("order_id", sa.Text),
    sa.Column("job_id", sa.Text),
    sa.Column("code", sa.Text),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("note", sa.Text, nullable=False, server_default=""),
    sa.Column("person", sa.Text, nullable=False, server_default=""),
    sa.Index("ix_cases_opened", "opened"),
    sa.Index("ix_cases_order", "order_id"),
    sa.Index(
        "ux_cases_one_open",
        "kind",
        "subject",
        unique=True,
        sqlite_where=sa.text("state <> 'closed'"),
        postgresql_where=sa.text("state <> 'closed'"),
    ),
    sa.Index(
        "ix_cases_not_closed",
        "station",
        sqlite_where=sa.text("state <> 'closed'"),
        postgresql_where=sa.text("state <> 'closed'"),
    ),
)

case_entries = sa.Table(
    "case_entries",
    metadata,
    sa.Column("case_id", sa.Text, sa.ForeignKey("cases.case_id"), primary_key=True),
    sa.Column("seq", sa.BigInteger, primary_key=True),
)

order_articles = sa.Table(
    "order_articles",
    metadata,
    sa.Column("sku", sa.Text, primary_key=True),
    sa.Column("order_id", sa.Text, primary_key=True, index=True),
)
