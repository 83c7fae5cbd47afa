"""What is refused for want of a key, and of the making of keys. Part of the tree that `usecases.refusals` draws."""

from collections.abc import Sequence

from fieldworthy.core.base.finding import or_list
from fieldworthy.core.base.micros import micros_text
from fieldworthy.usecases.keys import SAYS, Asker, Key, KeyScope
from fieldworthy.usecases.quota import Quota
from fieldworthy.usecases.refusals import DoesNotFit, NotFound, Refusal, shorten
from fieldworthy.usecases.wrong_keys import MINUTE


class NoKey(Refusal):
    """challenge: the parameters of the answer's `WWW-Authenticate: Bearer` (RFC 6750, section 3)."""

    status = 401
    challenge = 'error="invalid_token"'


class KeyMissing(NoKey):
    """The request carries no key."""

    code, title = "key.missing", "this needs a key"
    challenge = ""

    def __init__(self) -> None:
        super().__init__(
            "the request carries no key",
            "send `Authorization: Bearer` and your key; whoever runs the service makes one (`fieldworthy key`)",
        )


class KeyRefused(NoKey):
    """What was sent is no key of this service. is_guess: the store was asked for it, and has none."""

    code, title = "key.refused", "there is no such key"

    def __init__(self, why: str = "there is no such key", is_guess: bool = False) -> None:
        self.is_guess = is_guess
        super().__init__(why, "send one key, whole and as it was shown, as in `Authorization: Bearer fw_…`")


class KeyEnded(NoKey):
    """The key was revoked, or its time is over."""

    code, title = "key.ended", "this key works no longer"

    def __init__(self, key: Key) -> None:
        at = key.expires if key.revoked is None else key.revoked
        why = "expired" if key.revoked is None else "was revoked"
        super().__init__(f"the key `{key.id}` {why} at {micros_text(at)}", "ask whoever runs the service for a new one")


class TokenRefused(NoKey):
    """What was sent is no token that this service takes. why: for the log, not for who sent it; is_guess: its signature or key is wrong."""

    code, title = "token.refused", "this token is not taken"

    def __init__(self, why: str = "", is_guess: bool = False) -> None:
        self.why = why
        self.is_guess = is_guess
        super().__init__(
            "what was sent is no token that this service takes",
            "get one from the issuer that whoever runs the service names, or send a key",
        )


class TokenEnded(NoKey):
    """The token's time is over."""

    code, title = "token.ended", "this token works no longer"

    def __init__(self) -> None:
        super().__init__("the token has expired", "get a new one from its issuer")


class TokenOrganisationUnknown(Refusal):
    """The token names no organisation that is known here."""

    code, status, title = "token.organisation_unknown", 403, "the token's organisation is not known here"

    def __init__(self) -> None:
        super().__init__(
            "the token names no organisation that is known here",
            "whoever runs the service makes one with its first key (`fieldworthy key`)",
        )


class ScopeMissing(Refusal):
    """The key, or the token, does not allow this."""

    code, status, title = "key.scope_missing", 403, "the key does not allow this"

    def __init__(self, asker: Asker, needs: KeyScope) -> None:
        self.needs = needs
        has = ", ".join(f"`{scope}`" for scope in KeyScope if scope in asker.scopes)
        super().__init__(
            f"this needs a key with the scope `{needs}` ({SAYS[needs]}), and {asker.called} has {has or 'none'}",
            f"use a key with the scope `{needs}`, or ask whoever runs the service for one",
        )


class FromElsewhere(Refusal):
    """A service that runs without keys answers this machine alone, and no web page of another site that a browser here has open."""

    code, status, title = "request.from_elsewhere", 403, "the request comes from elsewhere"

    def __init__(self, why: str) -> None:
        super().__init__(why, "ask from this machine, at `localhost` or `127.0.0.1`; or run the service with keys (`fieldworthy key`)")


class Throttled(Refusal):
    """More than a policy allows. quota: the policy, by the name that `RateLimit-Policy` and `violated-policies` say."""

    status = 429

    def __init__(self, quota: Quota, wait: int, detail: str, remedy: str) -> None:
        self.quota = quota
        self.retry_after = wait
        super().__init__(detail, remedy)


class QuotaExceeded(Throttled):
    """The key, or the link, has made as many requests in its window of time as it may."""

    code, title = "quota.exceeded", "the key has used up its quota"

    def __init__(self, quota: Quota, wait: int) -> None:
        detail = f"this {quota.of} may make {quota.requests:,} requests in {quota.seconds:,} s, over all replicas, and has made them"
        remedy = f"wait {wait:,} s, as `Retry-After` says; one request may hold many questions or readings"
        super().__init__(quota, wait, detail, remedy)


class TooManyWrongKeys(Throttled):
    """
    From this address came more keys that there are not than may come in a minute; keys that were seen to work are taken. Or so many tokens
    of one subject were refused, though their issuer signed them; one that is good is taken.
    """

    code, title = "key.too_many_wrong", "too many wrong keys"

    def __init__(self, most: int, wait: int, is_of_subject: bool = False) -> None:
        if is_of_subject:
            detail = f"more than {most:,} tokens a minute of this token's subject were refused"
        else:
            detail = f"more than {most:,} wrong keys a minute came from this address: only keys that were seen to work lately are looked at"
        one = "token that is good" if is_of_subject else "key that works"
        super().__init__(Quota(most, MINUTE, "wrong-keys"), wait, detail, f"wait {wait:,} s, as `Retry-After` says, then send a {one}")


class KeyUnknown(NotFound):
    """No key has this id."""

    code, title = "key.unknown", "no such key"

    def __init__(self, id: str) -> None:
        super().__init__(
            f"no key has the id `{shorten(id)}`", "`fieldworthy key list` shows the ids; it is the part between `fw_` and the next `_`"
        )


class OrganisationUnknown(NotFound):
    """No organisation has this name."""

    code, title = "organisation.unknown", "no such organisation"

    def __init__(self, name: str, near: Sequence[str] = ()) -> None:
        remedy = f"did you mean {or_list(near)}?" if near else "`fieldworthy key list` names those that have keys"
        super().__init__(f"no organisation is called `{shorten(name)}`", remedy)


class KeyImpossible(DoesNotFit):
    """A key can't be as it was asked for."""

    code, title = "key.impossible", "there can't be such a key"
