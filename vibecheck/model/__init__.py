"""Stage 5: per-zone probability that something is loose, from features."""
