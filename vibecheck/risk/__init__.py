"""Stage 6: vibration evidence and history into ranked zones."""
