"""`lipmark ward run`: films arrive by themselves, a page shows them, confirmed readings go back."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.commands.arguments import count, number, whole

if TYPE_CHECKING:
    from annotate.ward.service import Service
    from annotate.ward.settings import Settings

TOKEN_VARIABLE = "LIPMARK_WARD_TOKEN"

EXAMPLES = """\
examples:
  lipmark ward run
      on this machine alone: films by DICOM on port 11112, the page at the address that is printed
  lipmark ward run --data /srv/lipmark --archive ARCHIVE@10.1.2.3:104 --watch /srv/inbox
      confirmed readings go to the archive; films put into a folder are read too
  lipmark ward run --host 0.0.0.0 --tls-cert ward.pem --tls-key ward.key --peer XRAY1@10.1.2.9
      for a ward's screens; make accounts first (lipmark ward account)
  lipmark ward run --demo
      invented films arrive, one a minute

docs/ward.md tells an engineer the rest. Supports a clinician's judgement and does not replace it; local protocol
decides.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark ward run`."""
    add_data(parser)
    listening = parser.add_argument_group("where it listens")
    listening.add_argument("--host", default="127.0.0.1", help="default 127.0.0.1: this machine alone")
    listening.add_argument(
        "--http-port", type=whole, default=8080, metavar="PORT", help="of the page; default 8080"
    )
    listening.add_argument("--dicom-port", type=whole, default=11112, metavar="PORT", help="default 11112")
    listening.add_argument("--ae-title", default="LIPMARK", metavar="TITLE", help="ours; default LIPMARK")
    listening.add_argument(
        "--host-name", action="append", default=[], metavar="NAME", help="of the page in browsers"
    )
    films = parser.add_argument_group("films in, readings back")
    films.add_argument(
        "--peer", action="append", default=[], metavar="TITLE[@HOST]", help="who may send; may be repeated"
    )
    films.add_argument("--watch", type=Path, metavar="DIR", help="take films from this folder too")
    films.add_argument("--archive", metavar="TITLE@HOST:PORT|URL", help="where confirmed readings are stored")
    films.add_argument("--keep-days", type=number, default=7.0, metavar="DAYS", help="pixels and names; default 7")
    films.add_argument(
        "--workers", type=count, default=os.cpu_count() or 1, help="films read at once; default one a core"
    )
    films.add_argument("--demo", action="store_true", help="invented films arrive by DICOM, one a minute")
    people = parser.add_argument_group("who")
    people.add_argument(
        "--token", metavar="TEXT", help=f"for the printed address and programs; or {TOKEN_VARIABLE}"
    )
    people.add_argument("--tls-cert", type=Path, metavar="PEM", help="encrypts the page and DICOM")
    people.add_argument("--tls-key", type=Path, metavar="PEM", help="its key")
    people.add_argument("--proxy-header", metavar="NAME", help="in which your proxy says who is signed in")
    people.add_argument(
        "--proxy-address", action="append", default=[], metavar="IP", help="from where alone that is believed"
    )


def add_data(parser: argparse.ArgumentParser) -> None:
    """The options that say which ward."""
    parser.add_argument("--data", type=Path, metavar="DIR", help="default lipmark's folder in your data folder")
    parser.add_argument(
        "--database", metavar="URL", help="postgresql://USER@HOST/DATABASE; default a file in --data"
    )


def data_folder_of(args: argparse.Namespace) -> Path:
    """Where the ward's films are."""
    from annotate.logbook.folder import data_folder

    given: Path | None = args.data
    return data_folder() / "ward" if given is None else given


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Serve until stopped."""
    from annotate.ward.errors import WardError
    from annotate.ward.service import serve

    try:
        serve(_settings(args, parser), lambda service, address: _say(args, service, address))
    except WardError as error:
        parser.error(str(error))
    return 0


def _settings(args: argparse.Namespace, parser: argparse.ArgumentParser) -> Settings:
    from annotate.ward.peer import Peer
    from annotate.ward.settings import Archive, Proxy, Settings

    if bool(args.proxy_header) != bool(args.proxy_address):
        parser.error(
            "--proxy-header and --proxy-address go together: a header is believed from named addresses alone"
        )
    if args.watch is not None and not args.watch.is_dir():
        parser.error(f"--watch {args.watch}: no folder found; make it first")
    return Settings(
        data=data_folder_of(args),
        database=args.database,
        host=args.host,
        http_port=args.http_port,
        dicom_port=args.dicom_port,
        ae_title=Peer.parse(args.ae_title).ae_title,
        peers=tuple(map(Peer.parse, args.peer)),
        watch=args.watch,
        archive=None if args.archive is None else Archive.parse(args.archive),
        keep_days=args.keep_days,
        workers=args.workers,
        token=args.token or os.environ.get(TOKEN_VARIABLE, ""),
        tls_cert=args.tls_cert,
        tls_key=args.tls_key,
        proxy=Proxy(args.proxy_header, tuple(args.proxy_address)) if args.proxy_header else None,
        host_names=tuple(args.host_name),
    )


def _say(args: argparse.Namespace, service: Service, address: str) -> None:
    """One address to open; then who sends films where."""
    if service.settings.on_loopback and not service.people.count() and service.settings.proxy is None:
        print(f"{address}sign-in?token={service.gate.token}", flush=True)
    else:
        print(address, flush=True)
    title, host = service.settings.ae_title, service.settings.host
    print(f"Films by DICOM: {title} at {host}:{service.receiver.port}. Stop with Ctrl+C.", flush=True)
    if args.demo:
        from annotate.ward.invented import InventedFilms

        InventedFilms(host, service.receiver.port, title).start()
