"""``shimwise keys``: the house's key, and the keys of the houses that are known here."""

from pathlib import Path
from typing import Annotated

import typer

from shimwise import house_keys
from shimwise.bench.sign.papers import write_whole
from shimwise.cli.options import AsJson, argument, flag
from shimwise.cli.output import check_free, show
from shimwise.house_keys import KnownKey

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)
COMPARE = "Compare the fingerprint with that house by voice, not by the way the file came."
House = Annotated[str, argument("HOUSE", "The name by which it is known here.")]


@app.command("show")
def show_keys(*, as_json: AsJson = False) -> None:
    """Show the house's key, made when there is none, and those that are known here."""
    own = KnownKey(house_keys.house_key().public, house_keys.OWN)
    known = [one for one in house_keys.known_keys() if one.public != own.public]
    result = {
        "folder": str(house_keys.keys_folder()),
        "fingerprint": own.fingerprint,
        "known": [{"house": one.house, "fingerprint": one.fingerprint} for one in known],
    }
    lines = [f"This house signs with {own.fingerprint}.", f"Its keys lie in {house_keys.keys_folder()}."]
    lines += [f"Known: {one.house}, {one.fingerprint}." for one in known]
    show(result, "\n".join(lines), as_json=as_json)


@app.command()
def export(
    file: Annotated[Path, argument("FILE.pem", "Where the public key goes.")],
    *,
    is_forced: Annotated[bool, flag("--force", "Write over a file that is there.")] = False,
) -> None:
    """Write the house's public key, for other houses; it is no secret."""
    check_free(file, is_forced=is_forced, as_json=False)
    public = house_keys.house_key().public
    write_whole(file, house_keys.public_pem(public))
    typer.echo(f"The public key {house_keys.fingerprint_of(public)} stands in {file}.")


@app.command()
def trust(
    file: Annotated[Path, argument("FILE.pem", "The public key of another house.")],
    house: House,
) -> None:
    """Know another house from now on by its public key."""
    known = house_keys.trust(house_keys.read_public_key(file), house)
    typer.echo(f"{known.house} is known here by {known.fingerprint}. {COMPARE}")


@app.command()
def distrust(house: House) -> None:
    """Know a house no longer: what it signed is not taken for its work any more."""
    gone = house_keys.distrust(house)
    typer.echo(f"{gone.house} is not known here any more, by {gone.fingerprint}.")


@app.command()
def renew() -> None:
    """Make a new key for the house; what the former one signed still holds."""
    former, key = house_keys.rotate()
    typer.echo(f"This house signs with {house_keys.fingerprint_of(key.public)} from now on.")
    if former is not None:
        typer.echo(
            f"The former key stays known as {former.house}. If it was stolen: shimwise keys distrust "
            f"{former.house}"
        )
