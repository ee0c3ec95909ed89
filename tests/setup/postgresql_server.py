"""A PostgreSQL server of one's own: started in a new folder, reached by a socket in it, stopped at the end."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

SUPERUSER = "lipmark"
DEBIAN_FOLDER = Path("/usr/lib/postgresql")


def find_pg_ctl() -> Path | None:
    """The server's starter; Debian keeps it out of PATH."""
    found = shutil.which("pg_ctl")
    versions = sorted(DEBIAN_FOLDER.glob("*/bin/pg_ctl"), key=lambda path: float(path.parts[-3]))
    return Path(found) if found else versions[-1] if versions else None


@contextmanager
def postgresql_server(pg_ctl: Path, *options: str) -> Iterator[str]:
    """The URL of a running server, to be completed by a database's name in place of {}."""
    # Under the system's temporary folder: a socket's path has at most 107 bytes, and root's folders are closed.
    folder = Path(tempfile.mkdtemp(prefix="lipmark-pg-"))
    as_user: list[str] = []
    if os.geteuid() == 0:  # PostgreSQL refuses to run as root.
        shutil.chown(folder, "postgres")
        as_user = ["runuser", "-u", "postgres", "--"]
    data = folder / "data"

    def run(name: str, *words: str) -> None:
        # The log goes to a file: a server that holds a pipe would keep the caller waiting.
        with (folder / f"{name}.log").open("wb") as log:
            command = [*as_user, str(pg_ctl.with_name(name)), "-D", str(data), *words]
            subprocess.run(command, check=True, stdout=log, stderr=log, cwd=folder)

    try:
        run("initdb", "-U", SUPERUSER, "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync")
        settings = " ".join(f"-c {option}" for option in ("listen_addresses=''", *options))
        run("pg_ctl", "--wait", "-o", f"-k {folder} {settings}", "start")
        try:
            yield f"postgresql://{SUPERUSER}@/{{}}?host={folder}"
        finally:
            run("pg_ctl", "--wait", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
