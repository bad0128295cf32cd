"""`preflight crew`: keys of the people and of the laptop, and the roster that names them."""

from __future__ import annotations

import getpass
import os
import socket
import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.clean import clean
from preflight.cli.files import NAMED, write_output
from preflight.errors import RecordError

if TYPE_CHECKING:
    from preflight.record.roster import Person, Roster

ROSTER = "allowed_signers"

roster_option = click.option(
    "--roster",
    type=NAMED,
    default=ROSTER,
    show_default=True,
    metavar="FILE",
    help="The roster.",
)
keys_option = click.option(
    "--keys",
    type=NAMED,
    metavar="DIR",
    help="Where private keys lie. [default: this user's data folder]",
)


@click.group(name="crew", short_help="Keys and roster.")
def command() -> None:
    """Keys and roster: who is on the crew, with which roles, and by which key each signs."""


@command.command()
@click.argument("person_id", metavar="ID", required=False)
@click.option("--name", help="The printed name that stands beside each signature.")
@click.option("--role", "roles", multiple=True, help="A role; give it again for each further one.")
@click.option("--instrument", is_flag=True, help="Add this laptop itself, with a key without a passphrase.")
@roster_option
@keys_option
@click.option(
    "--key",
    type=NAMED,
    metavar="FILE",
    help="An OpenSSH Ed25519 key to take, public or private, instead of making one.",
)
@click.option("--passphrase-stdin", is_flag=True, help="Read the passphrase as one line from stdin.")
def add(
    *,
    person_id: str | None,
    name: str | None,
    roles: tuple[str, ...],
    instrument: bool,
    roster: Path,
    keys: Path | None,
    key: Path | None,
    passphrase_stdin: bool,
) -> None:
    """Add someone to the roster, making their key unless they bring one.

    A private key that is brought keeps its passphrase and is copied to the folder of keys. A public one goes
    on the roster only: its owner signs where the private key lies.
    """
    from preflight.record.keys import default_keys_folder
    from preflight.record.roster import INSTRUMENT, Person, check_id

    if instrument:
        if roles:
            raise click.UsageError("--instrument is a role by itself; leave --role away")
        roles, person_id = (INSTRUMENT,), person_id or INSTRUMENT
        name = name or clean(socket.gethostname(), limit=60) or "laptop"
    if not person_id:
        raise click.UsageError("Missing argument 'ID'.")
    if not name:
        raise click.UsageError('give the printed name: --name "Jo Example"')
    if not roles:
        raise click.UsageError("give at least one role: --role payload")
    if INSTRUMENT in roles and not instrument:
        raise click.UsageError(f"a person has no role {INSTRUMENT}; add the laptop with --instrument")
    check_id(person_id)
    folder = keys or default_keys_folder()
    known = _read(roster)
    if person_id in known:
        raise RecordError(_already(known.find(person_id), roster, roles))
    # A roster that this person cannot join must say so before any key is made.
    known.with_person(Person(id=person_id, name=name, roles=roles, key=b"\xff" * 32))
    public, told = _key(folder, person_id, key, instrument=instrument, from_stdin=passphrase_stdin)
    person = Person(id=person_id, name=name, roles=roles, key=public)
    write_output(roster, known.with_person(person).to_text().encode())
    click.echo(f"{person.id} is on {roster}: {person.name}, {', '.join(person.roles)}")
    click.echo(f"{told}, fingerprint {person.fingerprint}")


def _already(person: Person, roster: Path, roles: tuple[str, ...]) -> str:
    """That somebody is on the roster, and how their line is made anew: their key stays the same."""
    shown = clean(str(roster), limit=300)
    told = f"{person.id} is on {shown} already, as {person.name} with the role {' and '.join(person.roles)}"
    every = " ".join(f"--role {role}" for role in dict.fromkeys((*person.roles, *roles)))
    again = "--instrument" if person.is_instrument else f"with every role ({every})"
    return (
        f"{told}; to change that, take out the line that begins with {person.id} and add them again {again}: "
        "the key that lies here stays theirs"
    )


@command.command(name="list")
@roster_option
@keys_option
def list_(roster: Path, keys: Path | None) -> None:
    """List the roster, and whose private key is on this laptop.

    KEY HERE is "yes" only for the key that the roster names: "another" is a key of another crew file or an
    older one, with which this person can't sign; "unusable" says below why.
    """
    from preflight.record.keys import default_keys_folder

    folder = keys or default_keys_folder()
    rows = [("ID", "NAME", "ROLES", "KEY HERE", "FINGERPRINT")]
    complaints = []
    for person in _read(roster, must_exist=True).everyone:
        here, complaint = _key_here(folder / person.id, person)
        rows.append((person.id, person.name, ", ".join(person.roles), here, person.fingerprint))
        complaints += [complaint] if complaint else []
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    for complaint in complaints:
        click.echo(f"preflight: {complaint}", err=True)


def _key_here(path: Path, person: Person) -> tuple[str, str]:
    """Whether the key that the roster names lies here, in a word; what is wrong with the one that does."""
    from preflight.record.disk import read_file
    from preflight.record.keys import MAX_KEY_FILE, public_of
    from preflight.record.sshsig import fingerprint

    if not path.exists():
        return "no", ""
    shown = clean(str(path), limit=300)
    try:
        public, encrypted = public_of(read_file(path, shown, MAX_KEY_FILE), shown)
    except RecordError as error:
        return "unusable", f"{person.id}: {clean(str(error))}"
    if public != person.key:
        return "another", (
            f"{person.id}: the key in {shown} ({fingerprint(public)}) is not the one on the roster "
            f"({person.fingerprint}), so that {person.name} can't sign here: bring the key that belongs to "
            "it, or take the roster that names this one"
        )
    if encrypted is None or encrypted == person.is_instrument:
        must = "without" if person.is_instrument else "under"
        return "unusable", f"{person.id}: {shown} is not a private key {must} a passphrase, as it must be"
    return "yes", ""


@command.command()
@click.argument("ids", metavar="[ID]...", nargs=-1)
@roster_option
@click.option("-o", "--output", type=NAMED, metavar="FILE")
def export(ids: tuple[str, ...], roster: Path, output: Path | None) -> None:
    """Print the roster, or the lines of some, for an auditor to verify by. It holds no secret."""
    from preflight.record.roster import Roster

    found = _read(roster, must_exist=True)
    if ids:
        found = Roster(found.find(person_id) for person_id in dict.fromkeys(ids))
    if output is None:
        click.echo(found.to_text(), nl=False)
        return
    if output.exists():
        raise RecordError(f"{output} is there already; choose another name")
    write_output(output, found.to_text().encode())
    click.echo(f"{output}: {len(found.everyone)} on it", err=True)


def _read(path: Path, *, must_exist: bool = False) -> Roster:
    from preflight.record.disk import read_file
    from preflight.record.roster import MAX_ROSTER, Roster

    shown = clean(str(path))
    if not path.exists():
        if not must_exist:
            return Roster(())
        raise RecordError(f"there is no roster {shown}, it is missing; name one with --roster FILE")
    return Roster.parse(read_file(Path(os.path.realpath(path)), shown, MAX_ROSTER), shown)


def _key(
    folder: Path, person_id: str, brought: Path | None, *, instrument: bool, from_stdin: bool
) -> tuple[bytes, str]:
    """The public key, and where it came from: brought, lying in the folder already, or made now."""
    from preflight.record.disk import read_file
    from preflight.record.keys import MAX_KEY_FILE, keep_key, make_key, public_of

    kept = folder / person_id
    if brought is not None:
        shown = clean(str(brought))
        data = read_file(Path(os.path.realpath(brought)), shown, MAX_KEY_FILE)
        public, encrypted = public_of(data, shown)
        if encrypted is None:
            return public, f"key taken from {shown}; the private one stays where it is"
        if encrypted == instrument:
            must = "no passphrase" if instrument else "a passphrase"
            raise RecordError(f"the key in {shown} must have {must}; set that with: ssh-keygen -p -f {shown}")
        keep_key(folder, person_id, data)
        return public, f"key copied to {kept}"
    if kept.is_file():
        public, encrypted = public_of(read_file(kept, str(kept), MAX_KEY_FILE), str(kept))
        if encrypted == instrument:
            raise RecordError(f"{kept} is a key of another sort; choose another id or --keys folder")
        return public, f"the key that was in {kept} already"
    passphrase = None if instrument else _passphrase(person_id, from_stdin=from_stdin)
    return make_key(folder, person_id, passphrase), f"key made in {kept}"


def _passphrase(person_id: str, *, from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    with warnings.catch_warnings():
        # Without a terminal the passphrase would be read all the same, and shown while it is typed.
        warnings.simplefilter("error", getpass.GetPassWarning)
        try:
            passphrase: str = click.prompt(
                f"Passphrase for {person_id}'s new key", hide_input=True, confirmation_prompt="The same again"
            )
        except getpass.GetPassWarning:
            raise RecordError(
                "there is no terminal to ask for a passphrase at: give it as a line with --passphrase-stdin"
            ) from None
    return passphrase
