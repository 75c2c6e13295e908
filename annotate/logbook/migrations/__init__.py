"""The steps that bring an older logbook's database to the present tables, run by Alembic when the logbook is opened."""
