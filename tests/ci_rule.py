"""In CI a test that needs a browser or a server may not be skipped.

On a contributor's machine such a test is skipped when the program is missing, with the remedy in the reason.
In CI (environment variable CI=true) the same skip would let a broken install step pass as green, so it fails
the session, as does skipping a whole module.
"""

from __future__ import annotations

import os

import pytest

__all__ = ["in_ci", "missing_program", "watch_skips"]

NEVER_SKIPPED_IN_CI = frozenset({"browser", "server"})


def in_ci() -> bool:
    """Whether this is a CI run."""
    return os.environ.get("CI") == "true"


def missing_program(program: str, remedy: str) -> None:
    """Skip the calling test for want of `program`; in CI fail it."""
    reason = f"{program} is not installed; {remedy}"
    if in_ci():
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)


class _SkipWatch:
    """Collects the names of what was skipped and may not be."""

    def __init__(self) -> None:
        self.names: list[str] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.skipped and NEVER_SKIPPED_IN_CI & set(report.keywords):
            self.names.append(report.nodeid)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.skipped:
            self.names.append(report.nodeid)

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if self.names and session.exitstatus in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        if self.names:
            terminalreporter.section("skipped, which CI forbids", sep="=", red=True, bold=True)
            for name in self.names:
                terminalreporter.line(name)


def watch_skips(config: pytest.Config) -> None:
    """Watch for skips, in CI only; a conftest's `pytest_configure` calls it."""
    if in_ci():
        config.pluginmanager.register(_SkipWatch(), "lyewatch-skip-watch")
