"""In which of its two media types an answer is written (GraphQL over HTTP, section 6.3)."""

from fieldworthy.wire.media import weight_of, weights

ANSWER = "application/graphql-response+json"
LEGACY = "application/json"
PAGE = "text/html"


def chosen(accept: str) -> str | None:
    """
    The media type of the answer; None where the header takes neither.

    The newer one only to whoever names it, and likes the older one no better: who says `*/*`, or nothing, may know the older one alone.
    """
    if not accept.strip():
        return LEGACY
    asked = weights(accept)
    newer, older = weight_of(ANSWER, asked), weight_of(LEGACY, asked)
    if newer > 0 and ((ANSWER in asked and newer >= older) or older <= 0):
        return ANSWER
    return LEGACY if older > 0 else None


def wants_page(accept: str) -> bool:
    """Whether it is a browser that shows a page: it names HTML, and likes nothing of ours better."""
    asked = weights(accept)
    page = asked.get(PAGE, 0.0)
    return page > 0 and page >= max(asked.get(ANSWER, 0.0), asked.get(LEGACY, 0.0))
