"""Report: pictures and the self-contained page."""
