"""What the environment says, read once by whoever builds the service; everybody else is given values. README.md names each."""

import os
import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, cast
from urllib.parse import urlsplit

from fieldworthy.usecases.alert_rules import MOST_SECONDS, USUAL_DAYS, USUAL_SECONDS, AlertRules
from fieldworthy.usecases.announce import SILENT_DAYS
from fieldworthy.usecases.database_limits import USUAL, DatabaseLimits
from fieldworthy.usecases.limits import (
    MAX_AT_ONCE,
    MAX_BATCH_LINES,
    MAX_BODY_BYTES,
    MAX_REQUEST_SECONDS,
    MAX_REQUESTS,
    MAX_REQUESTS_SECONDS,
    MAX_STATES,
    MAX_WRONG_KEYS,
    STOP_SECONDS,
)
from fieldworthy.usecases.loopback import is_loopback
from fieldworthy.usecases.mail_server import MailServerUnusable, read_mail_server
from fieldworthy.usecases.quota import USUAL as USUAL_QUOTA
from fieldworthy.usecases.quota import Quota
from fieldworthy.usecases.reachable import Reach, read_networks
from fieldworthy.usecases.tokens import TokenRules

GraphqlMode = Literal["on", "no-introspection", "off"]
_GRAPHQL_MODES: tuple[GraphqlMode, ...] = ("on", "no-introspection", "off")
LogLevel = Literal["debug", "info", "warning", "error"]
_LOG_LEVELS = ("debug", "info", "warning", "error")
_YES = frozenset({"1", "yes", "true", "on"})
_MOST = 1_000_000_000
_HOUR = 3600
_DAY = 24 * _HOUR
_MOST_KEY = 8_000
_MOST_SILENT = 3660
_MOST_WRONG_KEYS = 1_000_000
_LONGEST_ORIGIN = 300
_NO = frozenset({"", "0", "no", "false", "off"})

VARIABLES = (
    "FIELDWORTHY_DATABASE_URL",
    "FIELDWORTHY_DATA_DIR",
    "FIELDWORTHY_CONFIG_DIR",
    "FIELDWORTHY_URL",
    "FIELDWORTHY_HOST",
    "FIELDWORTHY_PORT",
    "FIELDWORTHY_LOG_LEVEL",
    "FIELDWORTHY_OPEN_NETWORK",
    "FIELDWORTHY_CORS_ORIGINS",
    "FIELDWORTHY_KEY",
    "FIELDWORTHY_MAX_BODY_BYTES",
    "FIELDWORTHY_MAX_BATCH_LINES",
    "FIELDWORTHY_MAX_AT_ONCE",
    "FIELDWORTHY_MAX_STATES",
    "FIELDWORTHY_REQUEST_SECONDS",
    "FIELDWORTHY_MAX_REQUESTS",
    "FIELDWORTHY_MAX_REQUESTS_SECONDS",
    "FIELDWORTHY_MAX_WRONG_KEYS",
    "FIELDWORTHY_SILENT_DAYS",
    "FIELDWORTHY_TOKEN_ISSUER",
    "FIELDWORTHY_TOKEN_AUDIENCE",
    "FIELDWORTHY_TOKEN_KEYS",
    "FIELDWORTHY_TOKEN_ORGANISATION_CLAIM",
    "FIELDWORTHY_TOKEN_SCOPE_CLAIM",
    "FIELDWORTHY_TOKEN_LONGEST_SECONDS",
    "FIELDWORTHY_LISTENER_NETWORKS",
    "FIELDWORTHY_LISTENER_SECONDS",
    "FIELDWORTHY_SMTP_URL",
    "FIELDWORTHY_MAIL_FROM",
    "FIELDWORTHY_EVENTS_DAYS",
    "FIELDWORTHY_POOL_SIZE",
    "FIELDWORTHY_POOL_OVERFLOW",
    "FIELDWORTHY_POOL_WAIT_SECONDS",
    "FIELDWORTHY_CONNECT_SECONDS",
    "FIELDWORTHY_STATEMENT_SECONDS",
    "FIELDWORTHY_LOCK_SECONDS",
    "FIELDWORTHY_IDLE_SECONDS",
    "FIELDWORTHY_GRAPHQL",
    "FIELDWORTHY_GRAPHQL_COLUMNS",
    "FIELDWORTHY_METRICS_ADDRESS",
    "FIELDWORTHY_STOP_DELAY_SECONDS",
    "FIELDWORTHY_STOP_SECONDS",
    "OTEL_EXPORTER_OTLP_ENDPOINT",
)


class SettingUnusable(ValueError):
    """A variable that can't be used; the message names it and says what it may be."""


@dataclass(frozen=True, slots=True)
class TokenSettings:
    """keys: where the issuer's keys are, an address or the path of a file; rules: usecases.tokens."""

    keys: str
    rules: TokenRules


@dataclass(frozen=True, slots=True)
class Settings:
    """
    database_url: as written, without driver. database: usecases.database_limits. open_network: whether `--open` may listen beyond this
    machine. cors_origins: whose pages may ask (`rest.origins`). key: what the command line shows a service that it asks. max_*,
    request_seconds: usecases.limits. quota: of each key, None for none; max_wrong_keys: 0 for any number. silent_days: usecases.announce.
    tokens: of an issuer outside, None where none are taken. alerts: usecases.alert_rules. metrics: host and port of the door for operators,
    None for none. stop_delay: s for which requests are still taken once it is told to stop; stop: s that those which were begun may take
    then. traces: whether spans are sent. graphql: whether that door is there, and whether it tells of its schema; graphql_columns: whether
    it answers plain members in columns.
    """

    database_url: str = field(repr=False)  # it may hold a password
    host: str = "127.0.0.1"
    port: int = 8000
    log_level: LogLevel = "info"
    open_network: bool = False
    cors_origins: frozenset[str] = frozenset()
    key: str | None = field(default=None, repr=False)
    max_body_bytes: int = MAX_BODY_BYTES
    max_batch_lines: int = MAX_BATCH_LINES
    max_at_once: int = MAX_AT_ONCE
    max_states: int = MAX_STATES
    request_seconds: int = MAX_REQUEST_SECONDS
    quota: Quota | None = USUAL_QUOTA
    max_wrong_keys: int = MAX_WRONG_KEYS
    silent_days: int = SILENT_DAYS
    tokens: TokenSettings | None = None
    alerts: AlertRules = field(default_factory=AlertRules)
    database: DatabaseLimits = USUAL
    metrics: tuple[str, int] | None = None
    stop_delay: int = 0
    stop: int = STOP_SECONDS
    traces: bool = False
    graphql: GraphqlMode = "on"
    graphql_columns: bool = True


def read_settings(environment: Mapping[str, str] | None = None) -> Settings:
    """The settings of an environment (None: this process's own). Raises SettingUnusable."""
    given = os.environ if environment is None else environment
    return Settings(
        database_url=given.get("FIELDWORTHY_DATABASE_URL") or default_database_url(given),
        host=given.get("FIELDWORTHY_HOST") or "127.0.0.1",
        port=_port(given.get("FIELDWORTHY_PORT") or "8000"),
        log_level=_log_level(given.get("FIELDWORTHY_LOG_LEVEL") or "info"),
        open_network=_yes_or_no("FIELDWORTHY_OPEN_NETWORK", given.get("FIELDWORTHY_OPEN_NETWORK") or ""),
        cors_origins=_origins(given.get("FIELDWORTHY_CORS_ORIGINS") or ""),
        key=_key(given.get("FIELDWORTHY_KEY") or ""),
        max_body_bytes=_limit(given, "FIELDWORTHY_MAX_BODY_BYTES", MAX_BODY_BYTES),
        max_batch_lines=_limit(given, "FIELDWORTHY_MAX_BATCH_LINES", MAX_BATCH_LINES),
        max_at_once=_limit(given, "FIELDWORTHY_MAX_AT_ONCE", MAX_AT_ONCE),
        max_states=_limit(given, "FIELDWORTHY_MAX_STATES", MAX_STATES),
        request_seconds=_seconds(given, "FIELDWORTHY_REQUEST_SECONDS", MAX_REQUEST_SECONDS),
        quota=_quota(given),
        max_wrong_keys=_limit(given, "FIELDWORTHY_MAX_WRONG_KEYS", MAX_WRONG_KEYS, least=0, most=_MOST_WRONG_KEYS),
        silent_days=_limit(given, "FIELDWORTHY_SILENT_DAYS", SILENT_DAYS, least=0, most=_MOST_SILENT),
        tokens=_tokens(given),
        alerts=_alerts(given),
        database=DatabaseLimits(
            pool=_limit(given, "FIELDWORTHY_POOL_SIZE", USUAL.pool, most=1000),
            overflow=_limit(given, "FIELDWORTHY_POOL_OVERFLOW", USUAL.overflow, least=0, most=1000),
            pool_wait=_seconds(given, "FIELDWORTHY_POOL_WAIT_SECONDS", USUAL.pool_wait),
            connect=_seconds(given, "FIELDWORTHY_CONNECT_SECONDS", USUAL.connect),
            statement=_seconds(given, "FIELDWORTHY_STATEMENT_SECONDS", USUAL.statement),
            lock=_seconds(given, "FIELDWORTHY_LOCK_SECONDS", USUAL.lock),
            idle=_seconds(given, "FIELDWORTHY_IDLE_SECONDS", USUAL.idle),
        ),
        metrics=_address("FIELDWORTHY_METRICS_ADDRESS", given.get("FIELDWORTHY_METRICS_ADDRESS") or ""),
        stop_delay=_limit(given, "FIELDWORTHY_STOP_DELAY_SECONDS", 0, least=0, most=_HOUR),
        stop=_seconds(given, "FIELDWORTHY_STOP_SECONDS", STOP_SECONDS),
        traces=_traces(given),
        graphql=_graphql(given.get("FIELDWORTHY_GRAPHQL") or "on"),
        graphql_columns=_yes_or_no("FIELDWORTHY_GRAPHQL_COLUMNS", given.get("FIELDWORTHY_GRAPHQL_COLUMNS") or "yes"),
    )


def default_database_url(environment: Mapping[str, str]) -> str:
    """An SQLite file in the user's data folder."""
    return f"sqlite:///{data_folder(environment) / 'fieldworthy.db'}"


def data_folder(environment: Mapping[str, str]) -> Path:
    """Where this user's programs keep their data; it need not be there yet."""
    named = environment.get("FIELDWORTHY_DATA_DIR")
    if named:
        return Path(named).expanduser().absolute()
    if sys.platform == "win32":
        return Path(environment.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "Fieldworthy"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "Fieldworthy"
    named = environment.get("XDG_DATA_HOME")  # XDG Base Directory Specification: a relative one is to be ignored
    base = Path(named) if named and Path(named).is_absolute() else Path.home() / ".local" / "share"
    return base / "fieldworthy"


def config_folder(environment: Mapping[str, str]) -> Path:
    """Where this user's programs keep their settings; it need not be there yet."""
    named = environment.get("FIELDWORTHY_CONFIG_DIR")
    if named:
        return Path(named).expanduser().absolute()
    if sys.platform == "win32":
        return Path(environment.get("APPDATA") or Path.home() / "AppData" / "Roaming") / "Fieldworthy"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "Fieldworthy"
    named = environment.get("XDG_CONFIG_HOME")
    base = Path(named) if named and Path(named).is_absolute() else Path.home() / ".config"
    return base / "fieldworthy"


def _port(text: str) -> int:
    if text.startswith("tcp://"):  # a cluster sets this for a service called `fieldworthy`: it is not meant for us
        text = "8000"
    if not (text.isascii() and text.isdigit() and len(text) <= 5 and 0 <= int(text) <= 65535):
        raise SettingUnusable("FIELDWORTHY_PORT is a number from 0 (any free port) to 65535")
    return int(text)


_PLACE = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+):([0-9]{1,5})\Z")


def _address(name: str, text: str) -> tuple[str, int] | None:
    found = _PLACE.match(text) if text.isascii() else None
    if text and (found is None or int(found[2]) > 65535):
        raise SettingUnusable(f"{name} is an address of this machine and a port (0: any free port), as in `127.0.0.1:9464` or `[::1]:9464`")
    return None if found is None else (found[1], int(found[2]))


def _traces(given: Mapping[str, str]) -> bool:
    """As the standard's own variables say it (OpenTelemetry, General SDK Configuration and Protocol Exporter)."""
    if (given.get("OTEL_SDK_DISABLED") or "").lower() == "true" or (given.get("OTEL_TRACES_EXPORTER") or "").lower() == "none":
        return False
    return bool(given.get("OTEL_EXPORTER_OTLP_ENDPOINT") or given.get("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT"))


def secrets_of_traces(environment: Mapping[str, str]) -> Sequence[str]:
    """What the standard's variables say that nobody else may know: values of headers, keys mostly."""
    told = [environment.get(f"OTEL_EXPORTER_OTLP_{name}HEADERS") or "" for name in ("", "TRACES_")]
    return [value for text in told for pair in text.split(",") for value in (pair.partition("=")[2].strip(),) if value]


_ORIGIN = re.compile(r"(https?)://(?:[a-z0-9](?:[a-z0-9.-]*[a-z0-9])?|\[[0-9a-f:.]+\])(?::([1-9][0-9]{0,4}))?\Z")
_USUAL_PORT = {"http": "80", "https": "443"}


def _origins(text: str) -> frozenset[str]:
    """Origins as browsers write them (RFC 6454, 6.2): small letters, no usual port, no path."""
    given = frozenset(filter(None, (part.strip() for part in text.split(","))))
    for each in given:
        found = _ORIGIN.match(each)
        if found is None or found[2] == _USUAL_PORT[found[1]] or len(each) > _LONGEST_ORIGIN:
            raise SettingUnusable(
                "FIELDWORTHY_CORS_ORIGINS names each origin whole, as browsers write it, with commas between: `https://fields.example`, "
                "`http://localhost:3000`; small letters, no path, no usual port, no `*`"
            )
    return given


def _key(text: str) -> str | None:
    if not text:
        return None
    if not (text.isascii() and text.isprintable() and " " not in text and len(text) <= _MOST_KEY):
        raise SettingUnusable("FIELDWORTHY_KEY holds no key; give it whole and alone, as it was shown when it was made")
    return text


def _limit(given: Mapping[str, str], name: str, usual: int, least: int = 1, most: int = _MOST) -> int:
    text = given.get(name) or str(usual)
    if not (text.isascii() and text.isdigit() and len(text) <= 10 and least <= int(text) <= most):
        raise SettingUnusable(f"{name} is a whole number from {least} to {most}")
    return int(text)


def _quota(given: Mapping[str, str]) -> Quota | None:
    requests = _limit(given, "FIELDWORTHY_MAX_REQUESTS", MAX_REQUESTS, least=0)
    seconds = _limit(given, "FIELDWORTHY_MAX_REQUESTS_SECONDS", MAX_REQUESTS_SECONDS, most=_DAY)
    return Quota(requests, seconds) if requests else None


def _tokens(given: Mapping[str, str]) -> TokenSettings | None:
    issuer, audience, keys = (given.get(f"FIELDWORTHY_TOKEN_{name}") or "" for name in ("ISSUER", "AUDIENCE", "KEYS"))
    if not (issuer or audience or keys):
        return None
    if not (issuer and audience and keys):
        raise SettingUnusable(
            "FIELDWORTHY_TOKEN_ISSUER, FIELDWORTHY_TOKEN_AUDIENCE and FIELDWORTHY_TOKEN_KEYS stand together: a token is taken of one "
            "issuer, for one audience, by that issuer's keys"
        )
    if "://" in keys and not _is_safe(keys):
        raise SettingUnusable("FIELDWORTHY_TOKEN_KEYS is an https:// address (http:// on this machine only), or the path of a file")
    rules = TokenRules(
        issuer,
        audience,
        given.get("FIELDWORTHY_TOKEN_ORGANISATION_CLAIM") or "organisation",
        given.get("FIELDWORTHY_TOKEN_SCOPE_CLAIM") or "scope",
        _limit(given, "FIELDWORTHY_TOKEN_LONGEST_SECONDS", _DAY, least=0),
    )
    return TokenSettings(keys, rules)


def _alerts(given: Mapping[str, str]) -> AlertRules:
    try:
        reach = Reach(read_networks(given.get("FIELDWORTHY_LISTENER_NETWORKS") or ""))
    except ValueError:
        raise SettingUnusable(
            "FIELDWORTHY_LISTENER_NETWORKS names networks with commas between: `10.1.0.0/16, fd12::/32`, with no bit set beyond the mask"
        ) from None
    server, sender = (given.get(name) or "" for name in ("FIELDWORTHY_SMTP_URL", "FIELDWORTHY_MAIL_FROM"))
    if bool(server) != bool(sender):
        raise SettingUnusable("FIELDWORTHY_SMTP_URL and FIELDWORTHY_MAIL_FROM stand together: where mail goes out, and who it is from")
    try:
        mail = read_mail_server(server, sender) if server else None
    except MailServerUnusable as trouble:
        raise SettingUnusable(f"FIELDWORTHY_SMTP_URL or FIELDWORTHY_MAIL_FROM can't be used: {trouble}") from None
    return AlertRules(
        reach,
        _limit(given, "FIELDWORTHY_LISTENER_SECONDS", USUAL_SECONDS, most=MOST_SECONDS),
        mail,
        _limit(given, "FIELDWORTHY_EVENTS_DAYS", USUAL_DAYS, most=3650),
    )


def _is_safe(address: str) -> bool:
    """Whether nobody on the way can put other keys in place of the issuer's."""
    try:
        parts = urlsplit(address)
        host = parts.hostname or ""
        return bool(host) and parts.username is None and (parts.scheme == "https" or (parts.scheme == "http" and is_loopback(host)))
    except ValueError:
        return False


def _seconds(given: Mapping[str, str], name: str, usual: int) -> int:
    return _limit(given, name, usual, most=_HOUR)


def _graphql(text: str) -> GraphqlMode:
    for mode in _GRAPHQL_MODES:
        if text.lower() == mode:
            return mode
    raise SettingUnusable(f"FIELDWORTHY_GRAPHQL is one of {', '.join(_GRAPHQL_MODES)}")


def _log_level(text: str) -> LogLevel:
    if text.lower() not in _LOG_LEVELS:
        raise SettingUnusable(f"FIELDWORTHY_LOG_LEVEL is one of {', '.join(_LOG_LEVELS)}")
    return cast(LogLevel, text.lower())


def _yes_or_no(name: str, text: str) -> bool:
    if text.lower() not in _YES | _NO:
        raise SettingUnusable(f"{name} is `yes` or `no`")
    return text.lower() in _YES
