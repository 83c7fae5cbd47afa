"""What whoever runs the service says of alerts."""

from dataclasses import dataclass, field

from fieldworthy.usecases.mail_server import MailServer
from fieldworthy.usecases.reachable import Reach

USUAL_SECONDS = 20
"""Of one attempt (Standard Webhooks 1.0.0 says 15 to 30)."""

MOST_SECONDS = 30

USUAL_DAYS = 90
"""For so long events and what became of them can be read."""


@dataclass(frozen=True, slots=True)
class AlertRules:
    """reach: which addresses listeners may have; seconds: of one attempt; mail: None: no mail is sent; days: events are kept for."""

    reach: Reach = field(default_factory=Reach)
    seconds: int = USUAL_SECONDS
    mail: MailServer | None = None
    days: int = USUAL_DAYS
