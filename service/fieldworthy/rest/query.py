"""The query of an address: known parameters only, each once, each read strictly."""

from collections.abc import Collection, Mapping
from urllib.parse import parse_qsl

from starlette.requests import Request

from fieldworthy.core.base.finding import Finding, Refused, did_you_mean
from fieldworthy.rest.body import Declined
from fieldworthy.wire.parameters import shown
from fieldworthy.wire.problems import problem


def read_query(request: Request, known: Collection[str], required: Collection[str] = ()) -> Mapping[str, str]:
    """The query's parameters. Raises Declined (400) where it can't be read, Refused for what is unknown, given twice or missing."""
    raw = request.scope["query_string"].decode("latin-1")
    try:
        pairs = parse_qsl(raw, keep_blank_values=True, strict_parsing=bool(raw), errors="strict", max_num_fields=50)
    except ValueError:
        raise Declined(
            problem("request.unreadable", "the query can't be read", "write it as `?name=value&name=value`, percent-encoded UTF-8")
        ) from None
    findings: list[Finding] = []
    given: dict[str, str] = {}
    for name, value in pairs:
        if name not in known:
            mend = did_you_mean(name, known, "leave it out")
            findings.append(Finding("request.unknown_parameter", f"no parameter is called `{shown(name)}` here", mend))
        elif name in given:
            findings.append(Finding("request.parameter_twice", f"the parameter `{name}` is given twice", "give it once"))
        given[name] = value
    findings += [
        Finding("request.parameter_missing", f"the parameter `{name}` is missing", f"give `{name}`")
        for name in required
        if name not in given
    ]
    if findings:
        raise Refused(findings)
    return given
