"""With WHICHCORE_NO_SKIP=1, as in continuous integration, a skipped test counts as a failed one."""

import os

import pytest
from hypothesis import settings

from page_visit import started_browser
from scripted import ScriptServer

# workers of a run on all cores are told a width of 80; what is printed must not depend on it
os.environ.pop("COLUMNS", None)
# before numpy is there: workers fill the cores already, and on small matrices threads mostly wait
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# hypothesis gives an example 200 ms unless told otherwise: no test is timed against a clock
settings.register_profile("without a clock", deadline=None)
settings.load_profile("without a clock")
NO_SKIP = os.environ.get("WHICHCORE_NO_SKIP") == "1"


def _refuse_skip(report):
    if NO_SKIP and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        report.outcome = "failed"
        report.longrepr = f"skipped, and WHICHCORE_NO_SKIP=1 allows none: {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport():
    report = yield
    _refuse_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report():
    report = yield
    _refuse_skip(report)
    return report


@pytest.fixture(scope="module")
def browser():
    with started_browser() as started:
        yield started


@pytest.fixture
def script():
    """Make peers that answer what their scripts say; at the end everything must have been said."""
    servers = []

    def make(*connections):
        servers.append(ScriptServer(*connections))
        return servers[-1]

    yield make
    for server in servers:
        server.finish()
