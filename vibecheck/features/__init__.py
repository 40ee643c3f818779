"""Stage 4: named, documented features of a take."""
