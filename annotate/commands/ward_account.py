"""`lipmark ward account`: who may sign in."""

from __future__ import annotations

import argparse
import getpass
import sys

from annotate.commands.ward_run import add_data, data_folder_of

EXAMPLES = """\
examples:
  lipmark ward account AB --role reader
      asks for a password (or reads it from a pipe); an account that is there gets the new role and password
  lipmark ward account
      lists who has one
  lipmark ward account AB --remove
"""

ROLES = ("reader", "auditor", "engineer")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark ward account`."""
    parser.add_argument("name", nargs="?", help="as readings shall name them; leave it out for the list")
    parser.add_argument("--role", choices=ROLES, default="reader", help="default reader")
    parser.add_argument("--remove", action="store_true", help="remove the account and end its sessions")
    add_data(parser)


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """List, make or remove."""
    from annotate.ward.database import WardDatabase, ward_url
    from annotate.ward.errors import WardError
    from annotate.ward.people import People, Role

    try:
        people = People(WardDatabase(ward_url(data_folder_of(args), args.database)))
        if args.name is None:
            for name, role in people.accounts().items():
                print(f"{name}  {role.value}")
        elif args.remove:
            if not people.remove_account(args.name):
                parser.error(f"no account {args.name!r} found; lipmark ward account lists them")
        else:
            people.add_account(args.name, Role(args.role), _password())
    except WardError as error:
        parser.error(str(error))
    return 0


def _password() -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    return getpass.getpass("Password: ")
