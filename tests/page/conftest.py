"""A browser, and a server of the bench page that shows whatever a test puts on its desk."""

from __future__ import annotations

import os
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from holdzero.live import Glance
from holdzero.page.app import bench_app
from holdzero.page.desk import Desk
from holdzero.page.guard import Guard
from holdzero.page.pen import Pen
from holdzero.page.snapshot import Snapshot
from tests.support.patience import PATIENCE_S


class Served:
    """A bench page on this machine, at `url`; faults of its own are kept in `faults`."""

    def __init__(self, out: Path) -> None:
        import uvicorn

        place = socket.create_server(("127.0.0.1", 0))  # kept, so that nobody else can have it meanwhile
        port = int(place.getsockname()[1])
        self.url = f"http://127.0.0.1:{port}/"
        self.faults: list[Exception] = []
        pen = Pen()
        self.desk = Desk(pen, time.monotonic)
        app, self.hub = bench_app(self.desk, pen, Guard(port=port), out, self.faults.append)
        # A press that no run stands behind waits for its reply; as in the tool, the end waits a second for it.
        options = uvicorn.Config(app, log_level="critical", lifespan="off", timeout_graceful_shutdown=1)
        self._server = uvicorn.Server(options)
        self._thread = threading.Thread(target=self._server.run, args=([place],), daemon=True)
        self._thread.start()
        ends = time.monotonic() + PATIENCE_S
        while not self._server.started:
            assert time.monotonic() < ends, "the server did not start"
            time.sleep(0.01)

    def show(self, snapshot: Snapshot, glance: Glance | None = None) -> None:
        """Show something that no run stands behind."""
        self.desk.snapshot, self.desk.glance = snapshot, glance
        self.desk.on_change()

    def close(self) -> None:
        """Let everybody go."""
        self.hub.close()
        self._server.should_exit = True
        self._thread.join(PATIENCE_S)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server without a run."""
    server = Served(tmp_path_factory.mktemp("out"))
    yield server
    server.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser, without a window."""
    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if path is None:
        if os.environ.get("HOLDZERO_NEEDS_CHROMIUM") == "1":
            pytest.fail("HOLDZERO_NEEDS_CHROMIUM is set, and no chromium is installed")
        pytest.skip("no chromium is installed here")
    from playwright.sync_api import sync_playwright

    quiet = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
    quiet += ["--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--mute-audio"]
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=quiet)
        yield started
        started.close()
