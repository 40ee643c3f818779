"""Tables of the garage as they are now. How they came about is told by ``migrations``."""

from __future__ import annotations

from sqlalchemy import (
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData()

cars = Table(
    "cars",
    metadata,
    Column("id", Text, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("hidden", Integer, nullable=False, server_default="0"),
    Column("added", Text, nullable=False),
)
car_files = Table(
    "car_files",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("car_id", Text, ForeignKey("cars.id"), nullable=False),
    # The name in the file: by it a car is found again after it was renamed.
    Column("name", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("added", Text, nullable=False),
    Index("car_files_of_car", "car_id"),
    Index("car_files_of_name", "name"),
)
sittings = Table(
    "sittings",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("id", Text, nullable=False, unique=True),
    Column("car_id", Text, ForeignKey("cars.id"), nullable=False),
    Column("date", Text, nullable=False),
    Column("pinion_teeth", Integer),
    Column("spur_teeth", Integer),
    Column("tyres", Text, nullable=False, server_default=""),
    Column("cells", Integer),
    Column("runs", Float, nullable=False),
    Column("runs_since_last", Float, nullable=False),
    Column("is_open", Integer, nullable=False, server_default="1"),
    Column("hand_check_date", Text),
    Column("hand_check_complete", Integer, nullable=False, server_default="0"),
    Column("verdict", Text, nullable=False, server_default=""),
    Column("decision", Text),
    Column("note", Text, nullable=False, server_default=""),
    CheckConstraint("decision IN ('go', 'no_go')", name="decision_is_the_owners"),
    Index("sittings_of_car", "car_id", "number"),
)
results = Table(
    "results",
    metadata,
    Column("sitting_id", Text, ForeignKey("sittings.id"), primary_key=True),
    # JSON, packed with zlib: a speed track is long and repeats itself.
    Column("packed", LargeBinary, nullable=False),
)
takes = Table(
    "takes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sitting_id", Text, ForeignKey("sittings.id"), nullable=False),
    Column("sha256", Text, nullable=False, unique=True),
    Column("file_name", Text, nullable=False),
    Column("stored", Text, nullable=False),
    Column("sensor", Text, nullable=False),
    Column("spot", Text, nullable=False),
    Column("after_hand_check", Integer, nullable=False, server_default="0"),
    Column("added", Text, nullable=False),
    # How the file is read where it does not say itself: JSON, the arguments of read_take.
    Column("reading", Text, nullable=False, server_default="{}"),
    Index("takes_of_sitting", "sitting_id"),
)
findings = Table(
    "findings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sitting_id", Text, ForeignKey("sittings.id"), nullable=False),
    Column("zone", Text, nullable=False),
    Column("fastener", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("count", Integer, nullable=False),
    Column("turned_deg", Float),
    Column("done", Text, nullable=False, server_default=""),
    Column("note", Text, nullable=False, server_default=""),
    Column("logged", Text, nullable=False),
    Index("findings_of_sitting", "sitting_id"),
)
disturbances = Table(
    "disturbances",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("car_id", Text, ForeignKey("cars.id"), nullable=False),
    Column("zone", Text, nullable=False),
    Column("fastener", Text, nullable=False),
    Column("runs", Float, nullable=False),
    Column("date", Text, nullable=False),
    Column("why", Text, nullable=False, server_default=""),
    Index("disturbances_of_car", "car_id"),
)
feature_names = Table(
    "feature_names",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("catalogue_version", Text, nullable=False),
    Column("names", Text, nullable=False),
    UniqueConstraint("catalogue_version", "names"),
)
take_features = Table(
    "take_features",
    metadata,
    Column("take_id", Integer, ForeignKey("takes.id"), primary_key=True),
    Column("names_id", Integer, ForeignKey("feature_names.id"), nullable=False),
    # Little-endian float64 in the order of the names; NaN where it could not be observed.
    Column("numbers", LargeBinary, nullable=False),
)
