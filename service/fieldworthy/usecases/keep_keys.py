"""Making, listing and revoking keys. For whoever has the database in hand."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from secrets import token_bytes

from fieldworthy.core.base.finding import nearest, or_list
from fieldworthy.core.base.micros import DAY
from fieldworthy.usecases.audit import COMMAND_LINE, Actor
from fieldworthy.usecases.key_refusals import KeyImpossible, KeyUnknown, OrganisationUnknown
from fieldworthy.usecases.keys import ID_BYTES, SECRET_BYTES, Key, KeyScope, KeyStore, Organisation, new_key_text
from fieldworthy.usecases.refusals import shorten

MOST_NAME = 120
"""Characters of the name of an organisation or a key."""

USUAL_DAYS = 365
MOST_DAYS = 3650
"""How long a key may work: every key ends, so that one that was forgotten somewhere does not open the door for ever."""


@dataclass(frozen=True, slots=True)
class NewKey:
    """A key that was just made. text: to be shown once, for it is kept nowhere; is_first: whether its organisation was made with it."""

    key: Key
    organisation: Organisation
    text: str
    is_first: bool


@dataclass(frozen=True, slots=True)
class Held:
    """A key and whose it is. works: whether it opens anything now."""

    key: Key
    organisation: Organisation
    works: bool


async def create_key(
    store: KeyStore,
    organisation: str,
    name: str,
    scopes: Collection[KeyScope],
    days: int = USUAL_DAYS,
    random: Callable[[int], bytes] = token_bytes,
    actor: Actor = COMMAND_LINE,
) -> NewKey:
    """
    A new key, and its organisation where there is none of that name yet.

    name: what the key is for. days: for so many it works, 1 to MOST_DAYS. Raises KeyImpossible.
    """
    organisation, name = organisation_name(organisation), _name(name, "the key")
    if not scopes:
        raise KeyImpossible("a key without a scope opens nothing", f"give it one of {or_list(list(KeyScope))}")
    if not 1 <= days <= MOST_DAYS:
        raise KeyImpossible(f"a key can't work for {days} days", f"say 1 to {MOST_DAYS}")
    text, kept = new_key_text(random(ID_BYTES + SECRET_BYTES))
    async with store.keep_keys(actor) as keys:
        moment = await keys.moment()
        known = await keys.organisation(organisation)
        whose = known or await keys.add_organisation(organisation, moment)
        key = Key(kept.id, whose.id, name, kept.digest, frozenset(scopes), moment, moment + days * DAY)
        await keys.add(key)
    return NewKey(key, whose, text, known is None)


async def list_keys(store: KeyStore, organisation: str | None = None) -> Sequence[Held]:
    """All keys, or those of one organisation. Raises OrganisationUnknown."""
    async with store.look_keys() as keys:
        moment = await keys.moment()
        whose = {each.id: each for each in await keys.organisations()}
        wanted = None
        if organisation is not None:
            wanted = next((each for each in whose.values() if each.name == organisation), None)
            if wanted is None:
                raise OrganisationUnknown(organisation, nearest(organisation, [each.name for each in whose.values()], 3))
        found = await keys.of(None if wanted is None else wanted.id)
    return [Held(key, whose[key.organisation], key.revoked is None and moment < key.expires) for key in found]


async def revoke_key(store: KeyStore, id: str, actor: Actor = COMMAND_LINE) -> Held:
    """Ends a key, named by its id. Once more does nothing. Raises KeyUnknown."""
    async with store.keep_keys(actor) as keys:
        await keys.revoke(id, await keys.moment())
        key = await keys.find(id)
        if key is None:
            raise KeyUnknown(id)
        whose = {each.id: each for each in await keys.organisations()}
    return Held(key, whose[key.organisation], False)


def organisation_name(text: str) -> str:
    """A text as the name of an organisation, which may stand in an address. Raises KeyImpossible."""
    name = _name(text, "an organisation")
    if "/" in name or not name.strip("."):
        raise KeyImpossible(f"`{shorten(text)}` can't be the name of an organisation", "take a name without `/`, and not of dots alone")
    return name


def _name(text: str, what: str) -> str:
    name = text.strip()
    if not (0 < len(name) <= MOST_NAME and name.isprintable()):
        raise KeyImpossible(f"`{shorten(text)}` can't be the name of {what}", f"take 1 to {MOST_NAME} characters, none of control")
    return name
