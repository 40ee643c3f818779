"""Web access: names that the guard and its own pages share."""

from __future__ import annotations

COOKIE = "__Host-vibecheck"
SESSION = "vibecheck.session"
"""Key of the scope under which a paired browser's session lies."""
CERTIFICATE_PATH = "/certificate/vibecheck-authority.crt"
