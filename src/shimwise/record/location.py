"""Where a record is: a file, a folder that holds it, or a PostgreSQL server."""

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import URL, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import ConnectionPoolEntry

from shimwise.extras import require_extra
from shimwise.record.errors import RecordAway

FILE_NAME = "shimwise.sqlite"
FILE_ENDINGS = {".sqlite", ".sqlite3", ".db"}
WAITED_S = 5.0
"""How long a change waits for other programs. [s]"""
CACHE_KIB = 8_192
"""Page cache of each SQLite connection."""
READERS = 24
"""Connections at once; more wait."""
_IS_WRITING = "shimwise_is_writing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Location:
    """Where a record is. ``path`` is None on a server, ``folder`` holds uploaded frames."""

    url: URL
    path: Path | None
    folder: Path

    @property
    def name(self) -> str:
        """The record as people know it, without a password."""
        return str(self.path) if self.path is not None else self.url.render_as_string(hide_password=True)

    @property
    def bare_address(self) -> str:
        """By what it is opened again, without a password: that is asked of the environment then."""
        if self.path is not None:
            return str(self.path)
        url = self.url
        bare = URL.create(
            url.drivername, url.username, host=url.host, port=url.port, database=url.database, query=url.query
        )
        return bare.render_as_string()

    @property
    def address(self) -> str:
        """What opens the record again: the file, or the address with its password."""
        return str(self.path) if self.path is not None else self.url.render_as_string(hide_password=False)


def location_of(where: str | Path | None) -> Location:
    """Return where a record is; nothing is opened.

    Parameters
    ----------
    where : str, Path or None
        A folder, a file ending in ``.sqlite``, ``.sqlite3`` or ``.db``, or a ``postgresql://`` address; None:
        the platform's folder for a user's data.

    Raises
    ------
    RecordAway
        If no record can be at such an address.
    """
    if isinstance(where, str) and "://" in where:
        return _server(where)
    path = Path(where).expanduser().absolute() if where is not None else _user_data()
    if path.suffix.lower() not in FILE_ENDINGS and path.is_file():
        raise RecordAway(
            "cannot be there: that is a file, and none of a record. Give a folder, or a file ending in "
            f"{', '.join(sorted(FILE_ENDINGS))}.",
            where=str(path),
        )
    if path.suffix.lower() not in FILE_ENDINGS or path.is_dir():
        path = path / FILE_NAME
    return Location(url=URL.create("sqlite", database=str(path)), path=path, folder=path.parent)


def engine_of(location: Location, *, waited_s: float = WAITED_S) -> Engine:
    """Return an engine; it connects to nothing yet."""
    if location.path is not None:
        return _sqlite_engine(location, waited_s)
    require_extra("postgresql", "A record on PostgreSQL")
    # Pinged before use, so that a connection that was cut while idle is replaced instead of failing a change.
    return create_engine(
        location.url.set(drivername="postgresql+psycopg"),
        pool_pre_ping=True,
        pool_size=READERS,
        pool_timeout=waited_s,
        connect_args={
            "connect_timeout": max(2, round(waited_s)),
            "options": f"-c lock_timeout={round(waited_s * 1000)} -c timezone=UTC",
        },
    )


def _server(address: str) -> Location:
    try:
        url = make_url(address)
    except ArgumentError:
        url = None
    if url is None or url.get_backend_name() not in {"postgresql", "postgres"}:
        raise RecordAway(
            "is at no address that is known. Give a folder, a file, or postgresql://user@host/database.",
            where=url.render_as_string() if url is not None else "named",
        )
    return Location(url=url.set(drivername="postgresql"), path=None, folder=_user_data())


def _user_data() -> Path:
    from platformdirs import user_data_path

    return user_data_path("shimwise", appauthor=False)


def _sqlite_engine(location: Location, waited_s: float) -> Engine:
    engine = create_engine(
        location.url,
        connect_args={"timeout": waited_s, "isolation_level": None, "check_same_thread": False},
        pool_size=READERS,
        pool_timeout=waited_s,
        pool_use_lifo=True,  # a connection used just now has pages and statements at hand
    )
    # The driver's own transactions are off (isolation_level None), since it would begin one by its own rules;
    # these two put SQLAlchemy in charge, as its documentation of the SQLite dialect describes.
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare(connection: object, _record: ConnectionPoolEntry) -> None:
    cursor = connection.cursor()  # type: ignore[attr-defined]
    for pragma in (
        "foreign_keys=ON",
        "synchronous=FULL",  # with the write-ahead log: what was acknowledged survives a loss of power
        f"cache_size=-{CACHE_KIB}",
        "temp_store=MEMORY",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin(connection: object) -> None:
    is_writing = connection.get_execution_options().get(_IS_WRITING, False)  # type: ignore[attr-defined]
    connection.exec_driver_sql("BEGIN IMMEDIATE" if is_writing else "BEGIN")  # type: ignore[attr-defined]


def writing_options(location: Location) -> dict[str, object]:
    """Options of a connection that will write."""
    return {_IS_WRITING: True} if location.path is not None else {}


def reading_options(location: Location) -> dict[str, object]:
    """Options of a connection that sees one consistent state and changes nothing."""
    if location.path is not None:
        return {}
    return {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
