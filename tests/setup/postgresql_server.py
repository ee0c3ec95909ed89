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


class PostgresqlServer:
    """A running server.

    Parameters
    ----------
    pg_ctl : Path
        From `find_pg_ctl`.
    folder : Path
        Empty; its own.
    options : str
        Settings, "name=value".

    Attributes
    ----------
    url : str
        To be completed by a database's name in place of {}.
    """

    def __init__(self, pg_ctl: Path, folder: Path, *options: str) -> None:
        self._pg_ctl, self._folder = pg_ctl, folder
        self._settings = " ".join(f"-c {option}" for option in ("listen_addresses=''", *options))
        self.url = f"postgresql://{SUPERUSER}@/{{}}?host={folder}"
        self._run("initdb", "-U", SUPERUSER, "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync")

    def start(self) -> None:
        """Have it answer; after a crash it recovers first."""
        self._run("pg_ctl", "--wait", "-o", f"-k {self._folder} {self._settings}", "start")

    def crash(self) -> None:
        """Stop it at once, without a checkpoint."""
        self._run("pg_ctl", "--wait", "-m", "immediate", "stop")

    def _run(self, name: str, *words: str) -> None:
        as_user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []  # PostgreSQL refuses root.
        # The log goes to a file: a server that holds a pipe would keep the caller waiting.
        with (self._folder / f"{name}.log").open("wb") as log:
            command = [*as_user, str(self._pg_ctl.with_name(name)), "-D", str(self._folder / "data"), *words]
            subprocess.run(command, check=True, stdout=log, stderr=log, cwd=self._folder)


@contextmanager
def postgresql_server(pg_ctl: Path, *options: str) -> Iterator[PostgresqlServer]:
    """A running server in a new folder, gone at the end."""
    # Under the system's temporary folder: a socket's path has at most 107 bytes, and root's folders are closed.
    folder = Path(tempfile.mkdtemp(prefix="lipmark-pg-"))
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres")
    try:
        server = PostgresqlServer(pg_ctl, folder, *options)
        server.start()
        try:
            yield server
        finally:
            server.crash()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
