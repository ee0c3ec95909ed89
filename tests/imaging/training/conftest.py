"""Training needs PyTorch, which the tool does not: where it is not installed, what needs it is not collected."""

from __future__ import annotations

from importlib.util import find_spec

collect_ignore = [] if find_spec("torch") else ["test_export.py", "test_train.py"]
