"""What the commands of the record have in common."""

from typing import Annotated

from shimwise.cli.options import argument, flag, option

Prep = Annotated[str, argument("PREP", "Its id, or part of its title or of a unit: see shimwise list.")]
Data = Annotated[
    str | None,
    option(
        "PLACE",
        "Folder or file of the record, or a postgresql:// address; the user's data folder without it.",
    ),
]
Storage = Annotated[
    str | None,
    option(
        "PLACE",
        "Where frames are kept for all servers: a folder of the network, or an address of fsspec, "
        "s3://bucket/frames; beside the record without it.",
        envvar="SHIMWISE_STORAGE",
    ),
]
Who = Annotated[
    str | None,
    option(
        "NAME", "Who does it; else the name of the account. A name takes its PIN where there is a keeper."
    ),
]
AsJson = Annotated[bool, flag("--json", "Print the result as JSON.")]


def person(who: str | None) -> str:
    """Return the name of whoever runs the command."""
    if who and who.strip():
        return " ".join(who.split())
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError):  # an account without a name
        return "command line"
