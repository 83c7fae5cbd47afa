"""A machine's serial number beside its id, so that a telematics document finds its machine by an index."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_AT_ONCE = 1_000
_MOST = 120


def upgrade() -> None:
    op.add_column("machines", sa.Column("serial", sa.String(_MOST), nullable=True))
    _fill()
    op.create_index(op.f("ix_machines_organisation_serial"), "machines", ["organisation", "serial"])


def downgrade() -> None:
    op.drop_index(op.f("ix_machines_organisation_serial"), "machines")
    op.drop_column("machines", "serial")


def _fill() -> None:
    """From the documents that stand."""
    connection = op.get_bind()
    documents = sa.text(
        "select organisation, machine, body from entries where kind = 'machine' and id = '' and superseded is null "
        "and (organisation > :o or (organisation = :o and machine > :m)) order by organisation, machine limit :n"
    )
    told = sa.text("update machines set serial = :serial where organisation = :organisation and key = :key")
    organisation, machine = 0, 0
    while rows := connection.execute(documents, {"o": organisation, "m": machine, "n": _AT_ONCE}).all():
        found = [{"organisation": o, "key": m, "serial": serial} for o, m, body in rows if (serial := _serial(body)) is not None]
        if found:
            connection.execute(told, found)
        organisation, machine = rows[-1][0], rows[-1][1]


def _serial(body: str) -> str | None:
    try:
        document = json.loads(body)
    except ValueError:  # not written by this service
        return None
    serial = document.get("serial") if isinstance(document, dict) else None
    return serial if isinstance(serial, str) and len(serial) <= _MOST and "\x00" not in serial else None
