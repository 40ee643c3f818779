"""Web access: the security headers of every answer. `security_headers`, `html_with_own_style`."""

from __future__ import annotations

import base64
import hashlib
import re

from starlette.responses import HTMLResponse

Header = tuple[bytes, bytes]

POLICY = (
    "default-src 'none'; script-src 'self'; worker-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; media-src 'self' blob:; object-src 'none'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
OWN_STYLE_POLICY = (
    "default-src 'none'; style-src {styles}; img-src data:; object-src 'none'; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
_OFF = (
    *("autoplay", "camera", "display-capture"),
    *("encrypted-media", "geolocation", "hid", "idle-detection", "local-fonts", "magnetometer"),
    *("midi", "payment", "picture-in-picture", "publickey-credentials-get", "serial", "usb"),
    *("window-management", "xr-spatial-tracking"),
)
_OWN = ("microphone", "accelerometer", "gyroscope", "screen-wake-lock", "fullscreen")
PERMISSIONS = ", ".join([*(f"{name}=(self)" for name in _OWN), *(f"{name}=()" for name in _OFF)])

# No Strict-Transport-Security: browsers must ignore it for a bare address (RFC 6797, 8.1.1), and
# for a name such as machine.local it would forbid the "proceed" button that an owner without the
# installed certificate needs, for this name and every other service on it, long after the server
# has gone. Nothing is served over plain http in its stead.
#
# The referrer policy is "same-origin", not "no-referrer": under the latter browsers send
# "Origin: null" with every form (Fetch standard, "append a request Origin header"), and the check
# of the origin could not tell our own form from a stranger's.
FIXED: tuple[Header, ...] = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"permissions-policy", PERMISSIONS.encode()),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
_STYLE = re.compile(r"<style[^>]*>(.*?)</style>", re.DOTALL | re.IGNORECASE)


def security_headers(present: list[Header], *, is_static: bool) -> list[Header]:
    """Return an answer's headers with the security headers in them.

    Parameters
    ----------
    present : list of (name, value)
        What the application says. Its own content security policy is left as it is; its caching
        is not, but for static files.
    is_static : bool
        A file that is the same for everybody: the browser may keep it, but asks each time.
    """
    fixed = {name for name, _ in FIXED} | {b"server", b"cache-control"}
    kept = [(name, value) for name, value in present if name.lower() not in fixed]
    if not any(name.lower() == b"content-security-policy" for name, _ in kept):
        kept.append((b"content-security-policy", POLICY.encode()))
    return [*kept, *FIXED, (b"cache-control", b"no-cache" if is_static else b"no-store")]


def html_with_own_style(html: str, *, status: int = 200) -> HTMLResponse:
    """Answer with a whole page that holds its own style blocks and no script.

    Parameters
    ----------
    html : str
        Such as the report page. Its policy allows those very style blocks, pictures inside the
        page, and nothing else: no script, no form, nothing from elsewhere.
    status : int, optional
    """
    # The hash is of the text between the tags as the browser's parser sees it: bare line feeds.
    html = html.replace("\r\n", "\n").replace("\r", "\n")
    hashes = [
        "'sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode() + "'"
        for text in _STYLE.findall(html)
    ]
    policy = OWN_STYLE_POLICY.format(styles=" ".join(dict.fromkeys(hashes)) or "'none'")
    return HTMLResponse(html, status_code=status, headers={"content-security-policy": policy})
