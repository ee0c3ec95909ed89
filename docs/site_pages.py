"""Pages of the site that are not files in docs/: README, DEVELOPERS and CHANGELOG, and the examples.

A hook of mkdocs (`mkdocs.yml`): so that none of them is written twice.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files

ROOT = Path(__file__).resolve().parents[1]
TOP_PAGES = {"README.md": "index.md", "DEVELOPERS.md": "developers.md", "CHANGELOG.md": "changelog.md"}
EXAMPLES = "examples/index.md"
INTRODUCTION = """\
# Examples

Each runs as it stands (`python docs/examples/NAME.py`), on films that it makes itself, and is run with every
change. What `lipmark.read` and its kin take and give stands in the [reference](../api/index.md).
"""


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add the pages before mkdocs looks for links."""
    for name, page in TOP_PAGES.items():
        text = as_page((ROOT / name).read_text(encoding="utf-8"))
        files.append(File.generated(config, page, content=text))
    files.append(File.generated(config, EXAMPLES, content=examples_page()))
    return files


def as_page(text: str) -> str:
    """A page of the top folder, its links as seen from docs/."""
    text = text.replace("](docs/examples)", f"]({EXAMPLES})")
    text = re.sub(r"\]\(docs/", "](", text)
    for name, page in TOP_PAGES.items():
        text = text.replace(f"]({name})", f"]({page})")
    return text


def examples_page() -> str:
    """Every example: the first line of its docstring as a heading, the rest of it below, then the code."""
    return "\n".join((INTRODUCTION, *map(example, sorted((ROOT / "docs" / "examples").glob("*.py")))))


def example(path: Path) -> str:
    """One example as Markdown."""
    code = path.read_text(encoding="utf-8")
    docstring = ast.get_docstring(ast.parse(code)) or path.stem
    title, _, told = docstring.partition("\n")
    body = code.split('"""', 2)[2].strip()
    return (
        f'## {title.rstrip(".")}\n\n{told.strip()}\n\n```python title="docs/examples/{path.name}"\n{body}\n```\n'
    )
