"""What was worked at on purpose, features of the takes, and how a take's file is read."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables and the column."""
    op.add_column(
        "takes", sa.Column("reading", sa.Text, nullable=False, server_default=sa.text("'{}'"))
    )
    op.create_table(
        "disturbances",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("car_id", sa.Text, sa.ForeignKey("cars.id"), nullable=False),
        sa.Column("zone", sa.Text, nullable=False),
        sa.Column("fastener", sa.Text, nullable=False),
        sa.Column("runs", sa.Float, nullable=False),
        sa.Column("date", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False, server_default=""),
    )
    op.create_index("disturbances_of_car", "disturbances", ["car_id"])
    op.create_table(
        "feature_names",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("catalogue_version", sa.Text, nullable=False),
        sa.Column("names", sa.Text, nullable=False),
        sa.UniqueConstraint("catalogue_version", "names"),
    )
    op.create_table(
        "take_features",
        sa.Column("take_id", sa.Integer, sa.ForeignKey("takes.id"), primary_key=True),
        sa.Column("names_id", sa.Integer, sa.ForeignKey("feature_names.id"), nullable=False),
        sa.Column("numbers", sa.LargeBinary, nullable=False),
    )
