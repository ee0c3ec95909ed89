"""What every test folder shares: under CI nothing may be skipped."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest

IN_CI = os.environ.get("CI", "").lower() in {"1", "true"}


def _fail_if_skipped(report: pytest.TestReport | pytest.CollectReport) -> None:
    """Turn a skip into a failure; an expected failure (xfail) also reads as skipped and is left alone."""
    if not (IN_CI and report.outcome == "skipped") or hasattr(report, "wasxfail"):
        return
    report.outcome = "failed"
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
    report.longrepr = f"{report.nodeid}: skipped, which CI does not allow: {reason}"


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Fail skipped tests under CI: a missing tool must not pass for a passed check."""
    report = yield
    _fail_if_skipped(report)
    return report


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Fail modules that skip themselves under CI."""
    report = yield
    _fail_if_skipped(report)
    return report
