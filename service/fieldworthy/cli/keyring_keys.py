"""Keys of profiles in the user's own keyring, by the optional package `keyring`."""

from typing import Any

from fieldworthy.cli.profile_file import Profile
from fieldworthy.cli.unanswerable import Unanswerable

SERVICE = "fieldworthy"

_ELSEWHERE = "or set FIELDWORTHY_KEY and add the profile with --key-from-environment"


def _entry(profile: Profile) -> str:
    """Its name there. It holds the address, so that whoever changes the profile's file has no key sent to another one."""
    return f"{profile.name} {profile.url}"


def keep_key(profile: Profile, key: str) -> None:
    """Raises Unanswerable where there is no keyring that keeps it."""
    keyring = _keyring()
    try:
        keyring.set_password(SERVICE, _entry(profile), key)
    except keyring.errors.KeyringError as trouble:
        raise _closed(trouble) from None


def kept_key(profile: Profile) -> str:
    """Raises Unanswerable where there is none."""
    keyring = _keyring()
    try:
        found: str | None = keyring.get_password(SERVICE, _entry(profile))
    except keyring.errors.KeyringError as trouble:
        raise _closed(trouble) from None
    if found is None:
        raise Unanswerable(
            f"the keyring holds no key for the profile `{profile.name}` at {profile.url}; put it there with "
            f"`fieldworthy profile add {profile.name} {profile.url}`"
        )
    return found


def drop_key(profile: Profile) -> None:
    """Has the keyring forget it; where it holds none, nothing is done. Raises Unanswerable."""
    keyring = _keyring()
    try:
        if keyring.get_password(SERVICE, _entry(profile)) is not None:
            keyring.delete_password(SERVICE, _entry(profile))
    except keyring.errors.KeyringError as trouble:
        raise _closed(trouble) from None


def _keyring() -> Any:  # the package is optional, and so are its types
    try:
        import keyring
        import keyring.errors
    except ImportError:
        why = "keys are kept in the user's keyring, and the package for it is missing"
        raise Unanswerable(f"{why}; install `fieldworthy[keyring]`, {_ELSEWHERE}") from None
    return keyring


def _closed(trouble: Exception) -> Unanswerable:
    if type(trouble).__name__ == "NoKeyringError":
        return Unanswerable(f"there is no keyring on this machine that could hold the key; set one up, {_ELSEWHERE}")
    said = str(trouble).partition("\n")[0][:200] or type(trouble).__name__
    return Unanswerable(f"the keyring can't be used ({said.rstrip('.')}); unlock or set one up, {_ELSEWHERE}")
