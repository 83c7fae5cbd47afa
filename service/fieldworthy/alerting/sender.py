"""The sender: one attempt, signed, by HTTP; or by mail, where whoever runs the service has named a mail server."""

from fieldworthy import __version__
from fieldworthy.alerting.mail import Mailer
from fieldworthy.alerting.outgoing import Outgoing
from fieldworthy.alerting.threads import NoThread
from fieldworthy.usecases.ports import Clock
from fieldworthy.usecases.retrying import read_retry_after
from fieldworthy.usecases.sending import Came, Letter, Outcome, Parcel
from fieldworthy.usecases.signing import SecretUnusable, signed_headers

_GONE = 410
_NOT_TRIED = Outcome(Came.NOT_TRIED, trouble="too much else was being sent")


class Outward:
    """Implements `usecases.sending.Sender`."""

    def __init__(self, outgoing: Outgoing, mailer: Mailer | None, clock: Clock) -> None:
        self._outgoing = outgoing
        self._mailer = mailer
        self._clock = clock

    async def send(self, parcel: Parcel) -> Outcome:
        """Only 2xx delivers; a redirect is a failure, for nobody looked at where it points."""
        now = self._clock()
        try:
            signed = signed_headers(parcel.secrets, parcel.id, int(now.timestamp()), parcel.body)
        except SecretUnusable as trouble:
            return Outcome(Came.FAILED, trouble=str(trouble))
        headers = {**signed, "content-type": parcel.media_type, "user-agent": f"fieldworthy/{__version__}"}
        try:
            answer = await self._outgoing.post(parcel.url, headers, parcel.body)
        except NoThread:
            return _NOT_TRIED
        if answer.trouble is not None or answer.status is None:
            return Outcome(Came.FAILED, None, answer.trouble, None, answer.took)
        if 200 <= answer.status < 300:
            return Outcome(Came.DELIVERED, answer.status, None, None, answer.took)
        wait = read_retry_after(answer.retry_after, now)
        came = Came.GONE if answer.status == _GONE else Came.FAILED
        return Outcome(came, answer.status, f"it answered {answer.status}", wait, answer.took)

    async def mail(self, letter: Letter) -> Outcome:
        if self._mailer is None:
            return Outcome(Came.FAILED, trouble="no mail server is named; set FIELDWORTHY_SMTP_URL and FIELDWORTHY_MAIL_FROM")
        try:
            return await self._mailer.send(letter)
        except NoThread:
            return _NOT_TRIED

    async def close(self) -> None:
        await self._outgoing.close()
