"""Bring a store's tables up to date."""

from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from sqlalchemy.engine import Engine


def config() -> Config:
    """Alembic's settings; the migrations come with the package."""
    settings = Config()
    settings.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    return settings


def upgrade(engine: Engine) -> None:
    """Run the migrations that are still due. Several processes may call it at once."""
    settings = config()
    with engine.begin() as conn:
        if engine.dialect.name == "postgresql":
            conn.execute(sa.text("SELECT pg_advisory_xact_lock(1650550592)"))
        settings.attributes["connection"] = conn
        command.upgrade(settings, "head")
