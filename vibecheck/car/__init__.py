"""The car: profile, drivetrain orders and gearing, zones and fasteners, bench plan."""
