"""Who may ask the desk, and how its answers are fenced in.

The desk stands on 127.0.0.1 alone, but every page of every site that the browser shows may send
requests there. So: the address holds a random key; the Host must be the desk's own (a name of
somebody else's that resolves to 127.0.0.1 is refused); an Origin, where one is told, too; and
browsers say themselves that a request comes from another site (Fetch Metadata, W3C).
"""

from __future__ import annotations

import hmac
from typing import Final

from flask import Flask, Response, abort, request

from mastread.tools.desk.texts import say

#: Largest body of anything but a dropped file, bytes.
MOST_JSON: Final = 64 * 1024

POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "media-src 'self'",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)

HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    # The address holds the key, so it is told to nobody.
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "DENY",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


def guard(app: Flask, host: str, key: str) -> None:
    """Refuse what is not for this desk, and set the headers of every answer.

    Parameters
    ----------
    host : the only Host that is answered, ``127.0.0.1:PORT``
    key : first part of every path
    """

    @app.before_request
    def refuse() -> None:
        if request.headers.get("Host", "") != host:
            abort(421, say("refused.host"))
        origin = request.headers.get("Origin")
        if origin is not None and origin != f"http://{host}":
            abort(403, say("refused.origin"))
        site = request.headers.get("Sec-Fetch-Site", "none")
        if site not in ("same-origin", "none"):
            abort(403, say("refused.origin"))
        first = request.path.split("/", 2)[1]
        if not hmac.compare_digest(first.encode("utf-8", "replace"), key.encode()):
            abort(404, say("refused.key"))
        if request.method == "POST":
            if request.mimetype != "application/json":
                abort(415, say("refused.json"))
            request.max_content_length = MOST_JSON

    @app.after_request
    def fence(response: Response) -> Response:
        response.headers.update(HEADERS)
        response.headers.setdefault("Cache-Control", "no-store")
        return response
