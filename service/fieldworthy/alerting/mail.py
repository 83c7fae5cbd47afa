"""One mail to a listener without software, by SMTP (RFC 5321), in a thread beside the loop.

What a mail says comes of rulebooks and machines, which people write. It goes into the body, or into a header through the standard library's
own policy, behind a look of ours that leaves no line break: so no text makes a header of its own. The id is the event's at every attempt,
by which a reader's program shows it once.
"""

import asyncio
import smtplib
import ssl
import time
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from functools import partial

from fieldworthy.alerting.threads import Threads
from fieldworthy.usecases.letters import is_mail_address, one_line
from fieldworthy.usecases.mail_server import MailServer
from fieldworthy.usecases.ports import Clock
from fieldworthy.usecases.sending import Came, Letter, Outcome

TOTAL_SECONDS = 20.0
MAIL_SECONDS = 2 * TOTAL_SECONDS
"""Each step by itself has TOTAL_SECONDS; together they have twice of it."""

_AT_ONCE = 16


def message(letter: Letter, sender: str, clock: Clock) -> EmailMessage:
    """The mail as it is sent. Its Message-ID is of the letter's id and the sender's host, so the same each time."""
    made = EmailMessage(policy=SMTP)
    made["From"] = _address(sender)
    made["To"] = _address(letter.to)
    made["Subject"] = one_line(letter.subject)
    made["Date"] = format_datetime(clock())
    made["Message-ID"] = f"<{letter.id}@{sender.rpartition('@')[2]}>"
    made["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's absence note answers it
    made.set_content("\n".join(letter.text.splitlines()) + "\n")
    return made


class Mailer:
    """Sends by one server."""

    def __init__(
        self,
        server: MailServer,
        clock: Clock,
        seconds: float = TOTAL_SECONDS,
        context: ssl.SSLContext | None = None,
        threads: Threads | None = None,
    ) -> None:
        """seconds: of each step; context: whom the server's certificate is believed of; None: the machine's own store."""
        self._threads = threads or Threads(_AT_ONCE, "mailing")
        self._server = server
        self._clock = clock
        self._seconds = seconds
        self._context = context

    async def send(self, letter: Letter) -> Outcome:
        """One attempt. Whatever goes wrong is an outcome; raises NoThread where it was not begun."""
        began = time.monotonic()
        status, trouble = None, None
        try:
            if not is_mail_address(letter.to):
                raise ValueError
            made = message(letter, self._server.sender, self._clock)
            sent = await self._threads.begin(partial(self._send, made, letter.to))
            async with asyncio.timeout(2 * self._seconds):
                await sent
        except smtplib.SMTPRecipientsRefused as refused:
            status = next(iter(refused.recipients.values()))[0]
            trouble = f"the mail server does not take mail for it ({status})"
        except smtplib.SMTPResponseException as answered:
            status, trouble = answered.smtp_code, f"the mail server answered {answered.smtp_code}"
        except TimeoutError:
            trouble = "the mail server took too long"
        except ssl.SSLError:
            trouble = "the mail server's certificate is not believed"
        except (OSError, smtplib.SMTPException) as failed:
            late = isinstance(failed.__context__, TimeoutError)  # smtplib says that the server went away
            trouble = "the mail server took too long" if late else "the mail server can't be reached"
        except ValueError:
            trouble = "that is no address that mail can go to"
        return Outcome(
            Came.DELIVERED if trouble is None else Came.FAILED,
            250 if trouble is None else status,
            trouble,
            took=round((time.monotonic() - began) * 1000),
        )

    def _send(self, made: EmailMessage, to: str) -> None:
        server = self._server
        context = self._context or ssl.create_default_context()
        if server.how == "tls":
            smtp: smtplib.SMTP = smtplib.SMTP_SSL(server.host, server.port, timeout=self._seconds, context=context)
        else:
            smtp = smtplib.SMTP(server.host, server.port, timeout=self._seconds)
        with smtp:
            if server.how == "starttls":
                smtp.starttls(context=context)
            if server.user is not None:
                smtp.login(server.user, server.password or "")
            smtp.send_message(made, server.sender, [to])


def _address(text: str) -> Address:
    return Address(addr_spec=text)
