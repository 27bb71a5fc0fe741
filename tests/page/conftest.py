import pytest

pytest.importorskip("flask")
pytest.importorskip("waitress")

from curecalc.page import PageOptions, create_app
from curecalc.page.server import start


@pytest.fixture(scope="session")
def app():
    return create_app(PageOptions(burst=1e9, per_second=1e9))


@pytest.fixture
def client(app):
    return app.test_client()


@pytest.fixture(scope="session")
def running():
    """The page served on a free port of this machine."""
    page = start(PageOptions(burst=1e9, per_second=1e9), port=0)
    thread = page.run_in_background()
    yield page
    page.stop()
    thread.join(10)
    assert not thread.is_alive()
