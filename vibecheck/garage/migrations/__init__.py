"""Steps that bring an older garage up to date, one file a step, run by Alembic."""

REVISIONS = ("0001", "0002")
"""All steps, oldest first."""
NEWEST = REVISIONS[-1]
