"""Signatures, held to the published vector of Standard Webhooks 1.0.0 and to its own library."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook, WebhookVerificationError

from fieldworthy.usecases.signing import SecretUnusable, is_signed, secret_bytes, secret_text, signature, signed_headers

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
ID = "msg_p5jXN8AQM9LWM0D4loKWxJek"
AT = 1614265330
BODY = b'{"test": 2432232314}'
OTHER = secret_text(b"another secret of this test" + b".")

VECTORS = [
    # published: in the tests of the standard's Go and Python libraries
    (AT, BODY, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="),
    # computed by the standard's rule: the body's bytes and the time matter
    (AT, b'{"test":2432232314}', "v1,Vif40peJBP7Iyl0XGmu61n4MwdrcHov5CFREBpE0svs="),
    (AT + 1, BODY, "v1,l6C9/1+N/lSU6+gfh+YEGqTK2aQ+k8nMEWDvvCgHh7U="),
]


@pytest.mark.parametrize(("at", "body", "wanted"), VECTORS)
def test_vectors(at: int, body: bytes, wanted: str) -> None:
    assert signature(SECRET, ID, at, body) == wanted


def headers(at: int, signatures: str) -> dict[str, str]:
    return {"webhook-id": ID, "webhook-timestamp": str(at), "webhook-signature": signatures}


GOOD = VECTORS[0][2]
WRONG = "v1,Ceo5qEr07ixe2NLpvHk3FH9bwy/WavXrAFQ/9tdO6mc="

RECEIVED = [
    # the receiver's cases of the standard's own tests
    ("as it is", headers(AT, GOOD), AT, True),
    ("a list: wrong, of a later version, right, wrong", headers(AT, f"{WRONG} v2,Ceo5 {GOOD} {WRONG}"), AT, True),
    ("only wrong ones", headers(AT, f"{WRONG} {WRONG}"), AT, False),
    ("another version alone", headers(AT, GOOD.replace("v1,", "v2,")), AT, False),
    *((f"no {name}", {k: v for k, v in headers(AT, GOOD).items() if k != f"webhook-{name}"}, AT, False) for name in ("id", "timestamp")),
    ("no signature", {k: v for k, v in headers(AT, GOOD).items() if k != "webhook-signature"}, AT, False),
    ("a time that is none", {**headers(AT, GOOD), "webhook-timestamp": "hello"}, AT, False),
    ("5 min old", headers(AT, GOOD), AT + 300, True),
    ("5 min and 1 s old", headers(AT, GOOD), AT + 301, False),
    ("5 min and 1 s ahead", headers(AT, GOOD), AT - 301, False),
]


@pytest.mark.parametrize(("name", "sent", "now", "believed"), RECEIVED, ids=[row[0] for row in RECEIVED])
def test_what_a_receiver_believes(name: str, sent: dict[str, str], now: int, believed: bool) -> None:
    assert is_signed(SECRET, sent, BODY, now) is believed


def test_a_changed_body_is_not_believed() -> None:
    assert not is_signed(SECRET, headers(AT, GOOD), BODY + b" ", AT)


SAME = ["MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", SECRET]


@pytest.mark.parametrize("text", SAME)
def test_a_secret_with_and_without_its_prefix(text: str) -> None:
    assert signature(text, ID, AT, BODY) == GOOD
    assert len(secret_bytes(text)) == 24


def test_a_secret_without_padding() -> None:
    assert secret_bytes(OTHER.rstrip("=")) == secret_bytes(OTHER)


@pytest.mark.parametrize("text", ["", "whsec_", "whsec_!!!!", "whsec_c2hvcnQ=", secret_text(b"x" * 64) + "AAAA", "whsec_ä"])
def test_a_secret_that_is_none(text: str) -> None:
    with pytest.raises(SecretUnusable) as refused:
        signature(text, ID, AT, BODY)
    assert not text or text not in str(refused.value)


@pytest.mark.parametrize("n", [0, 23, 65])
def test_too_few_or_too_many_bytes(n: int) -> None:
    with pytest.raises(SecretUnusable):
        secret_text(b"x" * n)


def test_an_id_with_a_dot_is_not_signed() -> None:
    with pytest.raises(ValueError, match="dot"):
        signature(SECRET, "msg.1", AT, BODY)


def test_nothing_is_sent_unsigned() -> None:
    with pytest.raises(SecretUnusable):
        signed_headers((), ID, AT, BODY)


@given(st.binary(min_size=24, max_size=64), st.binary(min_size=24, max_size=64), st.text(max_size=200), st.booleans())
def test_the_standards_own_library_believes_either_secret(new: bytes, old: bytes, text: str, is_newest: bool) -> None:
    secrets = [secret_text(new), secret_text(old)]
    at, body = int(datetime.now(UTC).timestamp()), f'{{"text": "{len(text)}"}}'.encode()
    sent = signed_headers(secrets, ID, at, body)
    assert Webhook(secrets[not is_newest]).verify(body, sent) == {"text": str(len(text))}
    assert (
        sent["webhook-signature"].split(" ")[0] == f"v1,{Webhook(secrets[0]).sign(ID, datetime.fromtimestamp(at, UTC), body.decode())[3:]}"
    )
    if OTHER not in secrets:
        with pytest.raises(WebhookVerificationError):
            Webhook(OTHER).verify(body, sent)
