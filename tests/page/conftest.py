import pytest

pytest.importorskip("flask")
pytest.importorskip("waitress")

from pathlib import Path

from curecalc.page import PageOptions, create_app
from curecalc.page.server import start


@pytest.fixture(scope="session")
def app():
    return create_app(PageOptions(burst=1e9, per_second=1e9))


@pytest.fixture(scope="session")
def parts():
    """The three files of the invented shop, as the command names them."""
    from curecalc.page.work import PARTS, Work

    work = Work()
    for name in PARTS:
        path = Path(__file__).resolve().parents[2] / "demo" / f"{name}.toml"
        work = work.changed(name, path.read_text(encoding="utf-8"), f"the file {path.name}", path=str(path))
    return work.parts


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
