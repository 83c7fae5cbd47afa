"""The page for people: the schema to look through, an editor, variables, the answer. It asks nothing of the network but this service.

A page of our own of 10 kB: the usual editor of this kind is 4 MB of script, a hundred times all else that a browser loads from here.
"""

from importlib.resources import files

from starlette.responses import Response

_FOLDER = files("fieldworthy.graph") / "static"
_FILES = {"explorer.js": "text/javascript; charset=utf-8", "explorer.css": "text/css; charset=utf-8"}
_POLICY = (
    "script-src 'self'; style-src 'self'; img-src data:; connect-src 'self'; "
    "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


def page() -> Response:
    """The page itself."""
    headers = {"cache-control": "no-cache", "content-security-policy": _POLICY, "vary": "accept"}
    return Response((_FOLDER / "explorer.html").read_bytes(), 200, headers, "text/html; charset=utf-8")


def file(name: str) -> Response | None:
    """One of its files; None where there is none of this name."""
    kind = _FILES.get(name)
    return None if kind is None else Response((_FOLDER / name).read_bytes(), 200, {"cache-control": "public, max-age=3600"}, kind)
