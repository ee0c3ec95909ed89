"""Print the exact versions of all that lipmark and its `test` extra pull in, as installed here.

Run by `make constraints` in a fresh environment; the output is constraints.txt.
"""

from __future__ import annotations

import sys
from importlib.metadata import distribution

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

HEADER = """\
# Exact versions of everything that lipmark and its `test` extra install, as tested together.
# pyproject.toml holds the ranges; this file pins one set of them:
#     pip install -c constraints.txt .
# Renewed by: make constraints
"""


def wanted(name: str, extras: frozenset[str]) -> list[Requirement]:
    """Requirements of an installed distribution that hold on this machine, with these extras."""
    requirements = [Requirement(text) for text in distribution(name).requires or []]
    return [
        requirement
        for requirement in requirements
        if requirement.marker is None
        or any(requirement.marker.evaluate({"extra": extra}) for extra in {"", *extras})
    ]


def closure(name: str, extras: frozenset[str]) -> dict[str, str]:
    """Version by canonical name of everything that the distribution pulls in, itself left out."""
    versions: dict[str, str] = {}
    seen: set[tuple[str, frozenset[str]]] = set()
    waiting = [(name, extras)]
    while waiting:
        step = waiting.pop()
        if step in seen:
            continue
        seen.add(step)
        for requirement in wanted(*step):
            versions[canonicalize_name(requirement.name)] = distribution(requirement.name).version
            waiting.append((canonicalize_name(requirement.name), frozenset(requirement.extras)))
    return {found: pin for found, pin in versions.items() if found != canonicalize_name(name)}


def main() -> int:
    """Print the pins."""
    pins = closure("lipmark", frozenset({"test"}))
    sys.stdout.write(HEADER + "".join(f"{name}=={pins[name]}\n" for name in sorted(pins)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
