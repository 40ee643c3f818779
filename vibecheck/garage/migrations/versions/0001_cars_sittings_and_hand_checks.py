"""Cars, sittings, takes, results and hand checks."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the first tables."""
    op.create_table(
        "cars",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("name", sa.Text, nullable=False, unique=True),
        sa.Column("hidden", sa.Integer, nullable=False, server_default="0"),
        sa.Column("added", sa.Text, nullable=False),
    )
    op.create_table(
        "car_files",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("car_id", sa.Text, sa.ForeignKey("cars.id"), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("added", sa.Text, nullable=False),
    )
    op.create_index("car_files_of_car", "car_files", ["car_id"])
    op.create_index("car_files_of_name", "car_files", ["name"])
    op.create_table(
        "sittings",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("id", sa.Text, nullable=False, unique=True),
        sa.Column("car_id", sa.Text, sa.ForeignKey("cars.id"), nullable=False),
        sa.Column("date", sa.Text, nullable=False),
        sa.Column("pinion_teeth", sa.Integer),
        sa.Column("spur_teeth", sa.Integer),
        sa.Column("tyres", sa.Text, nullable=False, server_default=""),
        sa.Column("cells", sa.Integer),
        sa.Column("runs", sa.Float, nullable=False),
        sa.Column("runs_since_last", sa.Float, nullable=False),
        sa.Column("is_open", sa.Integer, nullable=False, server_default="1"),
        sa.Column("hand_check_date", sa.Text),
        sa.Column("hand_check_complete", sa.Integer, nullable=False, server_default="0"),
        sa.Column("verdict", sa.Text, nullable=False, server_default=""),
        sa.Column("decision", sa.Text),
        sa.Column("note", sa.Text, nullable=False, server_default=""),
        sa.CheckConstraint("decision IN ('go', 'no_go')", name="decision_is_the_owners"),
    )
    op.create_index("sittings_of_car", "sittings", ["car_id", "number"])
    op.create_table(
        "results",
        sa.Column("sitting_id", sa.Text, sa.ForeignKey("sittings.id"), primary_key=True),
        sa.Column("packed", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "takes",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("sitting_id", sa.Text, sa.ForeignKey("sittings.id"), nullable=False),
        sa.Column("sha256", sa.Text, nullable=False, unique=True),
        sa.Column("file_name", sa.Text, nullable=False),
        sa.Column("stored", sa.Text, nullable=False),
        sa.Column("sensor", sa.Text, nullable=False),
        sa.Column("spot", sa.Text, nullable=False),
        sa.Column("after_hand_check", sa.Integer, nullable=False, server_default="0"),
        sa.Column("added", sa.Text, nullable=False),
    )
    op.create_index("takes_of_sitting", "takes", ["sitting_id"])
    op.create_table(
        "findings",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("sitting_id", sa.Text, sa.ForeignKey("sittings.id"), nullable=False),
        sa.Column("zone", sa.Text, nullable=False),
        sa.Column("fastener", sa.Text, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("turned_deg", sa.Float),
        sa.Column("done", sa.Text, nullable=False, server_default=""),
        sa.Column("note", sa.Text, nullable=False, server_default=""),
        sa.Column("logged", sa.Text, nullable=False),
    )
    op.create_index("findings_of_sitting", "findings", ["sitting_id"])
