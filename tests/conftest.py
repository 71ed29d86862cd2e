"""Settings shared by all tests."""

import os
import pathlib
import time
import uuid
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, Phase, settings

# As the command line does, before numpy is imported: a second thread only waits for its turn on a busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ["GCODETOOL_SNAPSHOTS"] = "off"  # a test leaves nothing beside the samples or in anybody's cache
os.environ["GCODETOOL_PROFILES"] = str(pathlib.Path(__file__).parent / "no-profiles")  # nor is it read
os.environ["GCODETOOL_LEDGER"] = str(pathlib.Path(__file__).parent / "no-ledger" / "ledger.sqlite")
# hours of the clock on the wall are those of one zone, wherever the tests run; who asks for another sets it
os.environ["TZ"] = "UTC"
if hasattr(time, "tzset"):
    time.tzset()

SAME = bool(os.environ.get("CI"))  # one commit, one answer; elsewhere each run looks at new examples
settings.register_profile(
    "default", deadline=None, derandomize=SAME, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(
    "long", deadline=None, max_examples=20_000, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(  # for another Python: the whole suite has looked further on the first one
    "portable",
    deadline=None,
    derandomize=SAME,
    max_examples=15,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(  # the same examples each time, and the first that fails is enough
    "mutants",
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    report_multiple_bugs=False,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile(os.environ.get("GCODETOOL_HYPOTHESIS", "default"))

POSTGRES = "GCODETOOL_TEST_POSTGRES"  # URL of a server's database in which tests make schemas of their own


@pytest.fixture(params=["sqlite", "postgresql"])
def ledger_word(request: pytest.FixtureRequest, tmp_path: pathlib.Path) -> Iterator[str]:
    """Give path or URL of a ledger of the test's own, not made yet; PostgreSQL where a server is there."""
    if request.param == "sqlite":
        yield str(tmp_path / "shelf" / "ledger.sqlite")
        return
    server = os.environ.get(POSTGRES)
    if not server:
        pytest.skip(f"{POSTGRES} names no server")
    import psycopg

    schema = f"test_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(server, autocommit=True) as conn:
        conn.execute(f"CREATE SCHEMA {schema}")  # type: ignore[arg-type]
    yield f"{server}{'&' if '?' in server else '?'}options=-csearch_path%3D{schema}"
    with psycopg.connect(server, autocommit=True) as conn:
        conn.execute(f"DROP SCHEMA {schema} CASCADE")  # type: ignore[arg-type]
