"""SQL: tables, migrations, the unit of work. Nothing here knows what a job means."""
