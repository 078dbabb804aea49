"""The tokens of paired devices, of programs and of people who are signed in: what each is checked against."""

from sqlalchemy import Connection, bindparam, select

from shimwise.record.journal import Change
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import from_mapping, insert, rewrite, rows_of
from shimwise.record.tables.rows import PersonRow, TokenRow

_T = schema.tokens
_P = schema.people
_BY_DIGEST = (  # made once: each request of a person asks it
    select(*_T.c, _P.c.name.label("person_name"), _P.c.role.label("person_role"))
    .select_from(_T.outerjoin(_P, _P.c.id == _T.c.person_id))
    .where(_T.c.digest == bindparam("wanted_digest"))
)


def tokens(connection: Connection, *kinds: str) -> list[TokenRow]:
    """Return the tokens of these kinds, oldest first."""
    return rows_of(
        connection, select(_T).where(_T.c.kind.in_(kinds)).order_by(_T.c.made_at, _T.c.id), TokenRow
    )


def token_and_person(connection: Connection, digest: str) -> tuple[TokenRow, PersonRow | None] | None:
    """Return the token with this digest, and whose it is where a person is signed in by it."""
    found = connection.execute(_BY_DIGEST, {"wanted_digest": digest}).mappings().one_or_none()
    if found is None:
        return None
    row = from_mapping(TokenRow, found)
    if row.person_id is None:
        return row, None
    return row, PersonRow(id=row.person_id, name=found["person_name"], role=found["person_role"])


def add_token(change: Change, row: TokenRow) -> None:
    """Keep a token; those that have expired go."""
    change.connection.execute(_T.delete().where(_T.c.expires_at <= change.at))
    insert(change.connection, row)


def see_token(change: Change, token_id: str) -> None:
    """Keep that a token was used now."""
    rewrite(change.connection, TokenRow, token_id, seen_at=change.at)


def take_roles_away(change: Change) -> None:
    """Leave programs without a role: they may look, and nothing else."""
    change.connection.execute(_T.update().values(role=None))


def end_token(change: Change, token_id: str) -> None:
    """End a token, and with a device those who are signed in on it."""
    change.connection.execute(_T.delete().where((_T.c.id == token_id) | (_T.c.device_id == token_id)))


def end_tokens(change: Change, *kinds: str) -> int:
    """End all tokens of these kinds; return how many."""
    return int(change.connection.execute(_T.delete().where(_T.c.kind.in_(kinds))).rowcount)


def end_of_person(change: Change, person_id: str) -> None:
    """Sign a person out everywhere."""
    change.connection.execute(_T.delete().where(_T.c.person_id == person_id))
