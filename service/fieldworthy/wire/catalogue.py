"""Every kind of problem that the service answers with. Their codes and types are the contract; their words are not.

`type` is the relative reference `/problems/CODE`, but where a standard has a type for it; a GET of `/problems/CODE` answers with a page for
people. Those of the use cases are listed in `usecases.refusals`; the rest are the doors' own.
"""

import inspect
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import fieldworthy.usecases.feed_refusals  # so that its leaves hang on the tree when `leaves` looks for them
import fieldworthy.usecases.key_refusals
import fieldworthy.usecases.listener_refusals
import fieldworthy.usecases.once_refusals  # noqa: F401
from fieldworthy.usecases.refusals import Refusal, leaves

STANDARD_TYPES: Mapping[str, str] = MappingProxyType(
    {
        "quota.exceeded": "https://iana.org/assignments/http-problem-types#quota-exceeded",
        "key.too_many_wrong": "https://iana.org/assignments/http-problem-types#abnormal-usage-detected",
    }
)
"""The types of draft-ietf-httpapi-ratelimit-headers (September 2025), section 5, by our codes. They carry `violated-policies`."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of problem. title: the same for every occurrence; means, mend: for its page."""

    code: str
    status: int
    title: str
    means: str
    mend: str

    @property
    def type(self) -> str:
        """Its `type`, a URI reference."""
        return STANDARD_TYPES.get(self.code, f"/problems/{self.code}")


_DOORS = (
    Kind(
        "body.unreadable",
        400,
        "The body can't be read",
        "The body is not JSON (RFC 8259) in UTF-8, or its compression is broken.",
        "Mend the body at the line and column that the answer names.",
    ),
    Kind(
        "query.unreadable",
        400,
        "The GraphQL document can't be read",
        "The document is not written as the GraphQL specification says.",
        "Mend the document at the line and column of `locations`.",
    ),
    Kind(
        "query.does_not_fit",
        400,
        "The GraphQL request does not fit",
        "The document asks for what the schema does not have, the variables are not of the types that it declares, or it does not say "
        "which of its operations is meant.",
        "Mend the document at the line and column of `locations`; the schema says what there is.",
    ),
    Kind(
        "query.too_large",
        400,
        "The GraphQL document is too large",
        "The document holds more words and signs than one may.",
        "Ask for less at once, or send what is asked for as variables.",
    ),
    Kind(
        "query.too_deep",
        400,
        "The GraphQL document is nested too deep",
        "Its fields stand inside each other deeper than they may.",
        "Ask for what lies deeper by a field of its own, nearer to the top.",
    ),
    Kind(
        "query.too_broad",
        400,
        "The GraphQL document asks for too many fields side by side",
        "One selection holds more fields than it may.",
        "Leave out what is not needed, or ask for it in a second request.",
    ),
    Kind(
        "query.too_many_aliases",
        400,
        "The GraphQL document has too many aliases",
        "More fields are given another name than may be.",
        "Ask for many things of one kind by a list, a page at a time, or in several requests.",
    ),
    Kind(
        "query.too_dear",
        400,
        "The GraphQL request asks for too much at once",
        "By its fields and the sizes of its pages the answer may hold more fields than one may.",
        "Ask for smaller pages (`first`), or fewer fields.",
    ),
    Kind(
        "query.needs_a_socket",
        400,
        "A subscription needs a WebSocket",
        "A subscription goes on, and one HTTP answer does not.",
        "Open a WebSocket to the same address with the subprotocol `graphql-transport-ws`.",
    ),
    Kind(
        "query.not_kept",
        400,
        "No document is kept under this hash",
        "The request names a document by its hash alone, and the process that was asked has not seen it, or not for long.",
        "Send the document once together with its hash; then the hash will do.",
    ),
    Kind(
        "query.hash_differs",
        400,
        "The hash is not the document's",
        "`persistedQuery` names another SHA-256 than the one of the document that came with it.",
        "Send the SHA-256 of the document's UTF-8 bytes, in 64 small hexadecimal digits.",
    ),
    Kind(
        "request.unreadable",
        400,
        "The request can't be read",
        "The path, the query or a header is not well formed.",
        "Mend what `detail` names.",
    ),
    Kind(
        "address.unknown",
        404,
        "There is no such thing",
        "No path, rulebook or version answers to this address.",
        "Check the address; `GET /v1/rulebooks` lists what there is.",
    ),
    Kind(
        "address.method_not_allowed",
        405,
        "The method does not fit the address",
        "The address exists, and takes other methods.",
        "Use a method of the answer's `Allow` header.",
    ),
    Kind(
        "address.not_acceptable",
        406,
        "The answer can't be written that way",
        "The `Accept` header names no form that this address answers in.",
        "Accept `application/json`.",
    ),
    Kind(
        "request.too_slow",
        408,
        "The request came too slowly",
        "Its headers or its body were not whole in the time in which they must be.",
        "Send it again, less at once, or from where the line is better.",
    ),
    Kind(
        "body.too_large",
        413,
        "The body is too large",
        "More bytes arrived than this address takes.",
        "Send less at once; `POST /v1/due/batch` takes many lines.",
    ),
    Kind(
        "address.too_long",
        414,
        "The address is too long",
        "The path and query are longer than the service takes.",
        "Send what is long in a body.",
    ),
    Kind(
        "body.media_type",
        415,
        "The body's media type is not taken",
        "This address takes another `Content-Type`, or another charset or `Content-Encoding`.",
        "Send the media type that `detail` names, in UTF-8.",
    ),
    Kind(
        "request.does_not_fit",
        422,
        "The request does not fit",
        "The body is JSON and says something that it can't: a member that is not known, a value of the wrong kind, "
        "a name that the rulebook does not declare.",
        "Mend each place that `errors` names.",
    ),
    Kind(
        "request.condition_required", 428, "Say which state you change", "This change needs `If-Match`.", "Send the `ETag` that you read."
    ),
    Kind(
        "request.headers_too_large",
        431,
        "The headers are too large",
        "The request's headers are longer than the service takes.",
        "Send fewer or shorter headers.",
    ),
    Kind(
        "service.failed",
        500,
        "The service failed",
        "The fault is the service's own. Nothing was changed by this request unless a later answer says so.",
        "Try again; then tell whoever runs the service what was asked and when.",
    ),
    Kind(
        "service.unavailable",
        503,
        "Not now",
        "The service can't answer at the moment, for example because its database can't be reached.",
        "Try again after the seconds of `Retry-After`.",
    ),
    Kind(
        "service.busy",
        503,
        "More is asked than is answered at once",
        "So many requests are being answered that this one was not looked at.",
        "Try again after the seconds of `Retry-After`.",
    ),
    Kind(
        "service.too_long",
        503,
        "The answer took too long",
        "The request was given up after the longest time that one may take. What it was to change may have been changed or not.",
        "Ask for less at once; a change send again with the same `Idempotency-Key` or id.",
    ),
)


def _of(refusal: type[Refusal]) -> Kind:
    means = inspect.getdoc(refusal) or refusal.title
    return Kind(refusal.code, refusal.status, refusal.title[:1].upper() + refusal.title[1:], means, "Each answer's `mend` says what to do.")


KINDS: Mapping[str, Kind] = MappingProxyType({kind.code: kind for kind in (*_DOORS, *(_of(leaf) for leaf in leaves()))})
"""Every kind by its code."""

BY_STATUS: Mapping[int, Kind] = MappingProxyType({kind.status: kind for kind in reversed(_DOORS)})
"""The kind that stands for a status of which nothing more is known."""
